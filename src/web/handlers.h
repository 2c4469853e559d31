/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers: one function for each line of the route table. */
#ifndef AMPLEDGER_WEB_HANDLERS_H
#define AMPLEDGER_WEB_HANDLERS_H

#include "web/http.h"

handler_fn get_daemon, get_setup, get_messages, get_events;
handler_fn get_session, post_session, post_session_end;
handler_fn get_tokens, post_token, post_token_withdraw;
handler_fn get_stands, get_stand, post_start, post_confirm, post_stop, post_clear, post_accept;
handler_fn get_row, post_row, post_row_drop, post_row_move;
handler_fn get_batteries, post_battery, get_battery, post_edit, post_retire;
handler_fn get_lots, get_lot;
handler_fn get_trend, get_peaks, post_match;
handler_fn get_run_report, get_battery_report, get_lot_report;
handler_fn post_import, post_import_piece, post_import_finish, post_import_drop;
handler_fn get_backup;
handler_fn get_profiles, post_plan;
handler_fn get_runs, get_run, get_recomputed, get_samples, get_run_whole, get_curve;

#endif
