/* SPDX-License-Identifier: GPL-3.0-or-later
 * ampledger-virtual: simulated batteries and instruments to test against. */
#include "base/quantity.h"
#include "base/version.h"
#include "virtual/serve.h"

#include <stdio.h>
#include <string.h>

static const char help[] =
    "ampledger-virtual serves a virtual bench: simulated batteries, and loads, supplies,\n"
    "meters and thermometers that speak SCPI over pseudo-terminals.\n"
    "\n"
    "  ampledger-virtual DIR [--speed N] [--bench FILE.yaml]\n"
    "  ampledger-virtual --control DIR/control \"COMMAND\"\n"
    "\n"
    "Begin with a file DIR/virtual.yaml:\n"
    "\n"
    "  batteries:\n"
    "    - {name: launch-a, chemistry: lfp, cells: 4, capacity: 129.5 Ah}\n"
    "  instruments:\n"
    "    - {name: load-1, kind: load, battery: launch-a}\n"
    "    - {name: supply-1, kind: supply, battery: launch-a}\n"
    "    - {name: thermometer-1, kind: thermometer, battery: launch-a}\n"
    "\n"
    "  ampledger-virtual bench &          serves it; prints a line \"ready ...\"; ends on SIGTERM\n"
    "  ls bench                           load-1, supply-1, thermometer-1: open them as serial\n"
    "                                     ports; control: the socket for the commands below\n"
    "  ampledger-virtual --control bench/control \"state launch-a\"\n"
    "  ampledger-virtual --control bench/control \"fault load-1 silence\"\n"
    "  ampledger-virtual --control bench/control \"clear-fault load-1\"\n"
    "  ampledger-virtual --control bench/control help      lists all commands and faults\n"
    "\n"
    "--speed N tells clients of the control socket how much shorter they may make their\n"
    "waits; without such a client, time passes as everywhere.\n"
    "\n"
    "chemistry: lfp, li-ion, lto, sodium-ion, lead-flooded, lead-agm, lead-gel, nimh, nicd.\n"
    "kind: load, supply, meter, thermometer. A supply (or load) with \"shares: supply-1\" is a\n"
    "further output of that one, at a battery of its own: INSTrument:NSELect 2, or (@2) behind\n"
    "the last parameter, speaks to it over the link of supply-1.\n"
    "A thermometer's style: scpi (asked), lines (prints T=21.37 C each second), file\n"
    "(writes millidegrees into DIR/NAME).\n"
    "\n"
    "Exit status: 0 done; 2 wrong usage, wrong file, or the command's answer was an error;\n"
    "3 refused; 4 no bench answers; 5 the system said no.\n";

static int fail(const struct err *e)
{
    fprintf(stderr, "ampledger-virtual: %s\n", e->text);
    return err_exit_status(e->code);
}

static int usage(const char *what, const char *word)
{
    fprintf(stderr, "ampledger-virtual: %s%s%s%s; ampledger-virtual --help shows how\n", what,
            *word ? " \"" : "", word, *word ? "\"" : "");
    return 2;
}

static int control(int argc, char **argv)
{
    struct err e = {0};
    bool ok = false;
    if (argc != 4) {
        return usage("--control wants the path of the socket and one command", "");
    }
    if (!ask(argv[2], argv[3], &ok, &e)) {
        return fail(&e);
    }
    return ok ? 0 : 2;
}

static int bench(int argc, char **argv)
{
    struct serve_options o = {.speed = 1.0};
    struct err e = {0};
    for (int i = 1; i < argc; i++) {
        bool last = i + 1 == argc;
        if (strcmp(argv[i], "--speed") == 0) {
            if (last || !number_parse(argv[++i], &o.speed, NULL) || o.speed < 1.0) {
                return usage("--speed wants a number of at least 1", "");
            }
        } else if (strcmp(argv[i], "--bench") == 0) {
            if (last) {
                return usage("--bench wants a file", "");
            }
            o.description = argv[++i];
        } else if (argv[i][0] == '-' || o.dir) {
            return usage("cannot make sense of", argv[i]);
        } else {
            o.dir = argv[i];
        }
    }
    if (!o.dir) {
        return usage("name a folder to serve the bench in", "");
    }
    return serve(&o, &e) ? 0 : fail(&e);
}

int main(int argc, char **argv)
{
    if (argc > 1 && (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "-h") == 0)) {
        fputs(help, stdout);
        return 0;
    }
    if (argc > 1 && strcmp(argv[1], "--version") == 0) {
        puts("ampledger-virtual " AMPLEDGER_VERSION);
        return 0;
    }
    if (argc > 1 && strcmp(argv[1], "--control") == 0) {
        return control(argc, argv);
    }
    return bench(argc, argv);
}
