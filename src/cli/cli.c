/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli: finds the verb and gives it its arguments; help. */
#include "cli/cli.h"

#include "base/version.h"
#include "base/yaml.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define VERBS_MAX 32

int cli_fail(const char *verb, const struct err *e)
{
    fflush(stdout);
    fprintf(stderr, "ampledger %s: %s\n", verb, e->text);
    return err_exit_status(e->code);
}

static void print_overview(FILE *f)
{
    size_t n = 0;
    const struct verb *verbs = verb_table(&n);
    fputs("ampledger - the ledger of the ampere-hours that batteries really deliver\n\n", f);
    for (size_t i = 0; i < n; i++) {
        fprintf(f, "  %-10s %-38s %s\n", verbs[i].name, verbs[i].arguments, verbs[i].summary);
    }
    fputs("\n"
          "An evening and a morning:\n"
          "  ampledger battery add launch-a --chemistry lfp --cells 4 --rated 125Ah\n"
          "  ampledger plan overnight-capacity-lfp --battery launch-a --stand jetty\n"
          "  ampledger start overnight-capacity-lfp --battery launch-a --stand jetty\n"
          "  ampledger show last\n"
          "\n"
          "Every verb:   --help        more, with examples; also: ampledger help VERB\n"
          "              --json        one JSON document, units in the keys\n"
          "              --socket PATH where ampledgerd listens, else AMPLEDGER_SOCKET,\n"
          "                            else " DEFAULT_SOCKET "\n"
          "Exit status:  0 done (and verdict pass or none), 1 verdict fail or undecided,\n"
          "              2 usage or bad file, 3 tripped, stopped or refused,\n"
          "              4 ampledgerd not reachable, 5 internal\n",
          f);
}

static int unknown_verb(const char *name)
{
    const char *known[VERBS_MAX + 2] = {NULL};
    size_t n = 0;
    const struct verb *verbs = verb_table(&n);
    for (size_t i = 0; i < n && i < VERBS_MAX; i++) {
        known[i] = verbs[i].name;
    }
    known[n < VERBS_MAX ? n : VERBS_MAX] = "help";
    const char *near = nearest_word(name, known);
    if (near != NULL) {
        fprintf(stderr, "ampledger: \"%s\" is not a verb; did you mean \"%s\"?\n", name, near);
    } else {
        fprintf(stderr, "ampledger: \"%s\" is not a verb; see: ampledger help\n", name);
    }
    return EXIT_USAGE;
}

/* A verb without a text of its own tells its help itself. */
static int help_on(struct cli *c, const char *name)
{
    const struct verb *v = verb_find(name);
    if (v == NULL) {
        return unknown_verb(name);
    }
    if (v->help == NULL) {
        char verb[16], option[] = "--help";
        snprintf(verb, sizeof verb, "%s", v->name);
        char *argv[] = {verb, option, NULL};
        return v->run(c, 2, argv);
    }
    printf("ampledger %s %s\n\n%s", v->name, v->arguments, v->help);
    return EXIT_DONE;
}

static bool asks_for_help(int argc, char **argv)
{
    for (int i = 1; i < argc && strcmp(argv[i], "--") != 0; i++) {
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0) {
            return true;
        }
    }
    return false;
}

static int run_verb(struct cli *c, int argc, char **argv)
{
    const struct verb *v = verb_find(argv[0]);
    if (v == NULL) {
        return unknown_verb(argv[0]);
    }
    if (v->help != NULL && asks_for_help(argc, argv)) {
        return help_on(c, v->name);
    }
    int status = v->run(c, argc, argv);
    /* An answer that did not reach its file is no answer. */
    if (fflush(stdout) != 0 || ferror(stdout)) {
        fprintf(stderr, "ampledger %s: the output could not be written\n", v->name);
        return status == EXIT_DONE ? EXIT_INTERNAL : status;
    }
    return status;
}

/* What may stand before the verb. Returns how many words it took, -1 to leave
 * with *status. */
static int global_options(struct cli *c, int argc, char **argv, int *status)
{
    int i = 1;
    for (; i < argc && argv[i][0] == '-'; i++) {
        const char *o = argv[i];
        if (strcmp(o, "--json") == 0) {
            c->json = true;
        } else if (strcmp(o, "--socket") == 0 && i + 1 < argc) {
            c->socket = argv[++i];
        } else if (strncmp(o, "--socket=", strlen("--socket=")) == 0) {
            c->socket = o + strlen("--socket=");
        } else if (strcmp(o, "--version") == 0) {
            puts("ampledger " AMPLEDGER_VERSION);
            *status = EXIT_DONE;
            return -1;
        } else if (strcmp(o, "--help") == 0 || strcmp(o, "-h") == 0) {
            print_overview(stdout);
            *status = EXIT_DONE;
            return -1;
        } else {
            fprintf(stderr,
                    "ampledger: \"%s\" is not understood before the verb; see: ampledger help\n",
                    o);
            *status = EXIT_USAGE;
            return -1;
        }
    }
    return i;
}

int cli_main(int argc, char **argv)
{
    struct cli c = {.socket = getenv("AMPLEDGER_SOCKET")};
    int status = EXIT_DONE;
    if (c.socket == NULL || c.socket[0] == '\0') {
        c.socket = DEFAULT_SOCKET;
    }
    int i = global_options(&c, argc, argv, &status);
    if (i < 0) {
        return status;
    }
    if (i >= argc) {
        print_overview(stderr);
        return EXIT_USAGE;
    }
    if (strcmp(argv[i], "help") == 0) {
        if (i + 1 < argc) {
            return help_on(&c, argv[i + 1]);
        }
        print_overview(stdout);
        return EXIT_DONE;
    }
    return run_verb(&c, argc - i, argv + i);
}
