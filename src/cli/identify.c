/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/identify: asks a stranger on a port who it is. */
#include "cli/identify.h"

#include "base/file.h"
#include "scpi/scpi_session.h"

static const int speeds[] = {115200, 9600};
/* Somebody else's answers may still be on their way when a port is opened. */
#define LATE_MS 300

static const char question[] = "*IDN?";

static bool ask_at(struct link *link, char *identity, struct err *e)
{
    struct scpi_options options = scpi_options_default();
    options.how = RESYNC_QUIET; /* resynchronising sends nothing either */
    options.late_ms = LATE_MS;
    options.error_query[0] = '\0';
    struct scpi_session *s = scpi_session_new(link, &options);
    bool ok = scpi_query(s, question, identity, FINDING_SIZE, e);
    scpi_session_free(s);
    return ok;
}

/* False when the port cannot be had. */
static bool try_speed(const char *address, int baud, struct finding *out)
{
    struct link_settings settings = link_settings_default();
    struct link *link = NULL;
    struct err e = {0};
    settings.baud = baud;
    if (!link_open(address, &settings, &link, &e)) {
        text_format(out->problem, sizeof out->problem, "%s", e.text);
        return false;
    }
    if (ask_at(link, out->identity, &e)) {
        out->baud = out->by_message ? 0 : baud;
    } else {
        out->identity[0] = '\0';
    }
    link_close(link);
    return true;
}

void identify(const char *address, struct finding *out)
{
    *out = (struct finding){.by_message = link_by_message(address)};
    size_t tries = out->by_message ? 1 : sizeof speeds / sizeof speeds[0];
    for (size_t i = 0; i < tries && out->identity[0] == '\0'; i++) {
        if (!try_speed(address, speeds[i], out)) {
            return;
        }
    }
}
