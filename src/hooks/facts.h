/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/facts: an event as a JSON document and as environment variables, both
 * from one table. Inside the room. */
#ifndef AMPLEDGER_HOOKS_FACTS_H
#define AMPLEDGER_HOOKS_FACTS_H

#include "hooks/hooks.h"

/* One line, owned. What is not known is null. Bytes that are not UTF-8 become '?'. */
char *facts_json(const struct hook_event *event, const char *title);

/* `inherited` (as environ; may be NULL) without what concerns the daemon alone,
 * and AMPLEDGER_EVENT, _STAND, ... one for each key of the document, empty where
 * it is not known. Owned, NULL-terminated: facts_environment_free(). */
char **facts_environment(const struct hook_event *event, const char *title, char *const *inherited);
void facts_environment_free(char **environment); /* NULL is fine */

#endif
