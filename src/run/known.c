/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/known: which instruments belong to a stand, kept in the database. */
#include "run/known.h"

#include "base/file.h"
#include "base/log.h"

#include <math.h>
#include <string.h>

/* The instrument of that role, NULL when there is none or it cannot be asked who it is. */
static struct instrument *asked(const struct stand *s, int role)
{
    struct instrument *i = s->config->instrument[role];
    return i != NULL && instrument_driver(i)->identity_query[0] != '\0' ? i : NULL;
}

static struct run_instrument key_of(const struct instrument *i, int role)
{
    struct run_instrument key = {0};
    text_format(key.role, sizeof key.role, "%s", role_names[role]);
    text_format(key.driver, sizeof key.driver, "%s", instrument_driver(i)->name);
    return key;
}

static void expect(const struct stand *s, struct instrument *i, const char *identity)
{
    char to_accept[128];
    text_format(to_accept, sizeof to_accept, "ampledger clear %s --accept-instruments",
                s->config->name);
    instrument_expect(i, identity, to_accept);
}

bool known_load(struct stand *s, struct err *e)
{
    for (int role = 0; role < 4; role++) {
        struct instrument *i = asked(s, role);
        if (i == NULL) {
            continue;
        }
        struct run_instrument known = key_of(i, role);
        if (!store_known_get(s->store, s->config->name, &known, e)) {
            return false;
        }
        text_format(s->known[role], IDENTITY_SIZE, "%s", known.identity);
        expect(s, i, known.identity);
    }
    return true;
}

static void tell(struct stand *s, int role, const char *identity)
{
    char text[320];
    const char *before = s->known[role];
    text_format(text, sizeof text, "%s: the %s is \"%s\" from now on%s%s%s", s->config->name,
                role_names[role], identity, before[0] != '\0' ? ", it was \"" : "", before,
                before[0] != '\0' ? "\"" : "");
    log_info("%s", text);
    if (!store_put_event(s->store, 0, clock_utc_ns(s->clock), (double)NAN, "instrument", text)) {
        log_warn("%s: the event above could not be stored", s->config->name);
    }
}

void known_keep(struct stand *s)
{
    for (int role = 0; role < 4; role++) {
        struct instrument *i = asked(s, role);
        const char *identity = i != NULL ? instrument_identity(i) : "";
        struct err e = {0};
        if (identity[0] == '\0' || strcmp(identity, s->known[role]) == 0) {
            continue;
        }
        struct run_instrument known = key_of(i, role);
        text_format(known.identity, sizeof known.identity, "%s", identity);
        if (!store_known_set(s->store, s->config->name, &known, clock_utc_ns(s->clock), &e)) {
            log_warn("%s: known only until the next start: %s", instrument_name(i), e.text);
            continue; /* and tried again when the stand is next brought up */
        }
        tell(s, role, identity);
        text_format(s->known[role], IDENTITY_SIZE, "%s", identity);
    }
}

void known_forget(struct stand *s, struct known_before *before)
{
    *before = (struct known_before){0};
    for (int role = 0; role < 4; role++) {
        struct instrument *i = asked(s, role);
        if (i != NULL) {
            text_format(before->expected[role], IDENTITY_SIZE, "%s", instrument_expected(i));
            expect(s, i, "");
        }
    }
}

void known_restore(struct stand *s, const struct known_before *before)
{
    for (int role = 0; role < 4; role++) {
        struct instrument *i = asked(s, role);
        if (i != NULL) {
            expect(s, i, before->expected[role]);
        }
    }
}
