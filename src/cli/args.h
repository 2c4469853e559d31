/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/args: options and arguments of a verb, by a table. Pure. */
#ifndef AMPLEDGER_CLI_ARGS_H
#define AMPLEDGER_CLI_ARGS_H

#include "cli/cli.h"

struct option_spec {
    const char *name;  /* without the dashes */
    char letter;       /* '\0' none */
    const char *wants; /* "LABEL"; NULL: a flag */
    const char **text; /* where the text goes; unchanged when absent */
    bool *flag;        /* or the flag */
    bool required;
};

struct operand_spec {
    const char *wants; /* "PROFILE" */
    const char **text;
    bool required;
};

struct args_spec {
    const struct option_spec *options;
    size_t option_count;
    const struct operand_spec *operands; /* required ones first */
    size_t operand_count;
};

/* All operands beyond those of the spec. */
struct args_rest {
    const char **words;
    size_t most, count;
};

/* Options may stand anywhere, as "--name value" or "--name=value"; "--" ends
 * them. --json and --socket are known to every verb. Mistakes are ERR_CONFIG and
 * name the nearest known option. Texts are borrowed from argv. */
bool args_read(const struct args_spec *spec, struct cli *c, int argc, char **argv,
               struct err *e) NODISCARD;

/* The same with further operands, as many as there is room for. */
bool args_read_rest(const struct args_spec *spec, struct args_rest *rest, struct cli *c, int argc,
                    char **argv, struct err *e) NODISCARD;

#endif
