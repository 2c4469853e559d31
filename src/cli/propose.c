/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/propose: a bench file to begin with. */
#include "cli/propose.h"

#include "base/file.h"

#include <stdlib.h>
#include <string.h>

#define SHARE "/usr/share/ampledger/"

/* In the order in which they are looked for: a thermometer is a meter by its letters, and a
 * multimeter may say that it measures temperature. */
static const struct {
    const char *word, *role;
} words[] = {
    {"load", "load"},         {"supply", "supply"}, {"power", "supply"}, {"source", "supply"},
    {"therm", "thermometer"}, {"meter", "meter"},   {"dmm", "meter"},    {"temp", "thermometer"},
};

/* What a person writes from the data sheet; commented out where a guess could do harm. */
static const struct {
    const char *role, *driver, *rest;
} roles[] = {
    {"load", "load-scpi",
     "      # From its data sheet; without accuracy no uncertainty can be told:\n"
     "      # ratings: {current: 30 A, voltage: 150 V, power: 300 W, minimum_voltage: 1 V}\n"
     "      # accuracy: {voltage: {gain: 0.05 %, offset: 10 mV}, current: {gain: 0.1 %, "
     "offset: 10 mA}}\n"},
    {"supply", "supply-scpi",
     "      # From its data sheet:\n"
     "      # ratings: {current: 10 A, voltage: 32 V}\n"
     "      # accuracy: {voltage: {gain: 0.05 %, offset: 10 mV}, current: {gain: 0.2 %, "
     "offset: 10 mA}}\n"},
    {"meter", "meter-scpi", "      # accuracy: {voltage: {gain: 0.01 %, offset: 1 mV}}\n"},
    {"thermometer", "thermometer-scpi", "      # accuracy: {temperature: {offset: 1 degC}}\n"},
};
#define ROLES (sizeof roles / sizeof roles[0])

const char *propose_role(const char *identity)
{
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcasestr(identity, words[i].word) != NULL) {
            return words[i].role;
        }
    }
    return NULL;
}

static const char *scheme_of(const struct port_info *port)
{
    return port->kind == PORT_USBTMC ? "usbtmc" : "serial";
}

static const char *lasting_name(const struct port_info *port)
{
    return port->by_id[0] != '\0' ? port->by_id : port->name;
}

/* As a YAML text in quotes. */
static void print_quoted(FILE *f, const char *text)
{
    putc('"', f);
    for (; *text != '\0'; text++) {
        if (*text == '"' || *text == '\\') {
            putc('\\', f);
        }
        putc(*text, f);
    }
    putc('"', f);
}

static void print_instrument(FILE *f, const struct proposal *p, size_t port, size_t role)
{
    fprintf(f, "    %s: # guessed by its answer; are its lines those of this driver?\n",
            roles[role].role);
    fprintf(f, "      driver: %s\n      link: ", roles[role].driver);
    char link[sizeof p->ports[port].by_id + 16];
    text_format(link, sizeof link, "%s:%s", scheme_of(&p->ports[port]),
                lasting_name(&p->ports[port]));
    print_quoted(f, link);
    if (p->found[port].baud > 0) {
        fprintf(f, "\n      baud: %d", p->found[port].baud);
    }
    fputs("\n      identity: ", f);
    print_quoted(f, p->found[port].identity);
    fprintf(f, "\n%s", roles[role].rest);
}

/* The first port of each role is used; returns how many instruments that are. */
static size_t print_stand(FILE *f, const struct proposal *p, bool *used)
{
    size_t n = 0;
    for (size_t role = 0; role < ROLES; role++) {
        for (size_t i = 0; i < p->count; i++) {
            const char *guess = propose_role(p->found[i].identity);
            if (guess != NULL && strcmp(guess, roles[role].role) == 0) {
                print_instrument(f, p, i, role);
                used[i] = true;
                n++;
                break;
            }
        }
    }
    return n;
}

static void print_rest(FILE *f, const struct proposal *p, const bool *used)
{
    for (size_t i = 0; i < p->count; i++) {
        const struct finding *found = &p->found[i];
        if (used[i]) {
            continue;
        }
        fprintf(f, "# %s:%s: ", scheme_of(&p->ports[i]), lasting_name(&p->ports[i]));
        if (found->problem[0] != '\0') {
            fprintf(f, "not asked: %s\n", found->problem);
        } else if (found->identity[0] == '\0') {
            fputs("nobody answers; a thermometer that prints lines does not (thermometer-lines)\n",
                  f);
        } else {
            fprintf(f, "answers: %s\n", found->identity);
        }
    }
}

void propose_print(FILE *f, const struct proposal *p)
{
    bool *used = zalloc((p->count + 1) * sizeof *used);
    fputs("# Made from what answered on the ports: a beginning. Look at every line, then:\n"
          "#     ampledgerd --bench THIS-FILE --check\n"
          "# Every key: man ampledger-bench; other dialects: " SHARE "drivers\n"
          "bench: Workshop\n"
          "database: /var/lib/ampledger/ampledger.db\n"
          "socket: /run/ampledger/ampledger.sock\n"
          "http: 8470 # the page, for this computer only; left out: none\n"
          "profiles: " SHARE "profiles\n"
          "drivers: " SHARE "drivers\n"
          "stands:\n"
          "  - name: stand-1\n"
          "    sense: two-wire # or: remote, when the load's sense leads reach the battery\n"
          "    # lead_resistance: 12 mOhm # out and back; measured, or from the table of your "
          "cable\n",
          f);
    if (print_stand(f, p, used) == 0) {
        fputs("    # Nothing that sounds like a load or a supply answered. For instance:\n"
              "    # load: {driver: load-scpi, link: \"serial:/dev/ttyUSB0\", baud: 115200}\n",
              f);
    }
    print_rest(f, p, used);
    free(used);
}
