/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/corrections: the verb that lists the temperature corrections, each with its
 * reference, its range and where its constants are from. */
#include "analysis/capacity_json.h"
#include "analysis/correction.h"
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>

static json_t *document_of(void)
{
    json_t *list = json_array();
    for (int i = CORRECTION_NONE + 1; i < CORRECTION_COUNT; i++) {
        const struct correction_info *r = &correction_rules[i];
        json_array_append_new(
            list,
            json_pack("{s:s, s:s, s:s, s:s, s:o, s:o, s:o, s:b, s:b}", "name", r->name, "formula",
                      r->formula, "source", r->source, "temperature_at",
                      correction_moment_name(r->moment), "reference_C", json_number(r->reference_C),
                      "from_C", json_number(r->from_C), "to_C", json_number(r->to_C),
                      "lead_acid_only", r->lead_acid_only, "verified", r->verified));
    }
    return json_pack("{s:o}", "corrections", list);
}

static void print_rule(const struct correction_info *r)
{
    char text[480], range[64] = "";
    if (isfinite(r->from_C) && isfinite(r->to_C))
        text_format(range, sizeof range, ", %.4g to %.4g degC", r->from_C, r->to_C);
    printf("%s%s\n", r->name,
           r->verified ? "" : "   (unverified, from memory: decides no verdict)");
    print_wrapped("  ", r->formula, stdout);
    text_format(text, sizeof text, "reference %s, temperature at the %s%s%s",
                isnan(r->reference_C) ? "as stated" : words_short(r->reference_C, "degC").s,
                correction_moment_name(r->moment), range, r->lead_acid_only ? ", lead-acid" : "");
    print_wrapped("  ", text, stdout);
    print_wrapped("  from: ", r->source, stdout);
}

int verb_corrections(struct cli *c, int argc, char **argv)
{
    const struct args_spec spec = {0};
    struct err e = {0};
    if (!args_read(&spec, c, argc, argv, &e))
        return cli_fail(argv[0], &e);
    if (c->json) {
        json_t *document = document_of();
        print_json(document);
        json_decref(document);
        return EXIT_DONE;
    }
    for (int i = CORRECTION_NONE + 1; i < CORRECTION_COUNT; i++)
        print_rule(&correction_rules[i]);
    return EXIT_DONE;
}
