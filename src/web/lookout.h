/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/lookout: two threads that look once a second, one at the stands, one at the records,
 * and put what changed into the hub, however many look on. The one that looks at the stands
 * waits for no disk: what is shown live stays so while a database does not answer. */
#ifndef AMPLEDGER_WEB_LOOKOUT_H
#define AMPLEDGER_WEB_LOOKOUT_H

#include "web/hub.h"
#include "web/web.h"

struct lookout;

/* All borrowed. `each_look` is called once a look by the thread that waits for no disk. */
struct lookout_config {
    const struct web_config *web;
    struct event_hub *hub;
    void (*each_look)(void *context);
    void *context;
};
bool lookout_start(const struct lookout_config *config, struct lookout **out,
                   struct err *e) NODISCARD;
void lookout_stop(struct lookout *w); /* NULL is fine */

#endif
