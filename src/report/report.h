/* SPDX-License-Identifier: GPL-3.0-or-later
 * report: one self-contained HTML file about a run, a battery or a lot, to print or to send.
 * It computes nothing: figures come from the documents of the API as they are. */
#ifndef AMPLEDGER_REPORT_REPORT_H
#define AMPLEDGER_REPORT_REPORT_H

#include "store/store.h"

#include <jansson.h>

/* `run`: the document of GET /v1/runs/ID of `row`; samples are read once. Owned *html. */
bool report_run(struct reader *r, const struct run_row *row, const json_t *run, char **html,
                struct err *e) NODISCARD;

/* `battery`: the document of GET /v1/batteries/LABEL, `trend` that of .../trend. Owned. */
char *report_battery(const json_t *battery, const json_t *trend);

/* `lot`: the document of GET /v1/lots/NAME. Owned. */
char *report_lot(const json_t *lot);

#endif
