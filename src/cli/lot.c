/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/lot: the verb lot: batteries that are judged together. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/row_text.h"
#include "cli/table.h"
#include "cli/words.h"

static void print_lots(const json_t *lots)
{
    static const struct column columns[] = {{"lot", LEFT},        {"batteries", RIGHT},
                                            {"pass", RIGHT},      {"fail", RIGHT},
                                            {"undecided", RIGHT}, {"untested", RIGHT}};
    static const char *const keys[] = {"pass", "fail", "undecided", "untested"};
    struct table *t = table_new(columns, 6);
    for (size_t i = 0; i < json_array_size(lots); i++) {
        const json_t *lot = json_array_get(lots, i);
        const json_t *counts = json_object_get(lot, "counts");
        char number[5][24];
        text_format(number[0], sizeof number[0], "%lld", integer_at(lot, "batteries"));
        for (size_t k = 0; k < 4; k++) {
            text_format(number[k + 1], sizeof number[0], "%lld", integer_at(counts, keys[k]));
        }
        const char *cells[] = {
            text_at(lot, "name"), number[0], number[1], number[2], number[3], number[4]};
        table_add(t, cells);
    }
    if (json_array_size(lots) == 0) {
        puts("no battery belongs to a lot; see: ampledger help battery");
    }
    table_print(t, 0, stdout);
}

int verb_lot(struct cli *c, int argc, char **argv)
{
    const char *name = NULL;
    const struct operand_spec operand = {"NAME", &name, false};
    const struct args_spec spec = {.operands = &operand, .operand_count = 1};
    char path[CLIENT_PATH_SIZE] = "/v1/lots";
    struct err e = {0};
    json_t *document = NULL;
    int status = EXIT_DONE;
    if (!args_read(&spec, c, argc, argv, &e) ||
        (name != NULL && !client_path(path, "/v1/lots/", name, "", &e)) ||
        !ask_get(c, path, &document, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        print_json(document);
    } else if (name == NULL) {
        print_lots(json_object_get(document, "lots"));
    } else {
        lot_print(document, stdout);
    }
    status = name != NULL ? lot_exit_status(document) : EXIT_DONE;
    json_decref(document);
    return status;
}
