/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/ask: one question to the daemon and its answer, for verbs that need no
 * more; and the JSON documents that scripts read. */
#ifndef AMPLEDGER_CLI_ASK_H
#define AMPLEDGER_CLI_ASK_H

#include "cli/cli.h"
#include "cli/client.h"

bool ask_get(const struct cli *c, const char *path, json_t **out, struct err *e) NODISCARD;
bool ask_post(const struct cli *c, const char *path, const json_t *body, json_t **out,
              struct err *e) NODISCARD;

/* What the plan of a run that has begun warns of: whoever began it may have skipped the plan. */
void ask_tell_warnings(const struct cli *c, const char *run);

/* On standard output, indented, with a line end. */
void print_json(const json_t *document);
/* One run on standard output: as a document for --json, else in words. */
void ask_tell_run(const struct cli *c, const json_t *run);

#endif
