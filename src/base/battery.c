/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/battery: names of chemistries and a blank record. */
#include "base/battery.h"

#include "base/yaml.h"

#include <math.h>
#include <string.h>

const char *const chemistry_names[] = {
    "lfp",      "li-ion",   "lto",  "sodium-ion", "lead-flooded",
    "lead-agm", "lead-gel", "nimh", "nicd",       NULL,
};

bool chemistry_parse(const char *text, enum chemistry *out, struct err *e)
{
    for (int i = 0; i < CHEM_COUNT; i++) {
        if (strcmp(text, chemistry_names[i]) == 0) {
            *out = (enum chemistry)i;
            return true;
        }
    }
    const char *near = nearest_word(text, chemistry_names);
    return err_set(e, ERR_CONFIG,
                   "unknown chemistry \"%s\"%s%s%s; known are lfp, li-ion, lto, sodium-ion, "
                   "lead-flooded, lead-agm, lead-gel, nimh, nicd",
                   text, near ? " (did you mean \"" : "", near ? near : "", near ? "\"?)" : "");
}

struct battery battery_blank(void)
{
    struct battery b = {
        .cells = 1,
        .rated_Ah = (double)NAN,
        .rated_hours = (double)NAN,
        .rated_cutoff_V = (double)NAN,
        .current_max_A = (double)NAN,
        .charge_current_max_A = (double)NAN,
        .temperature_max_C = (double)NAN,
    };
    return b;
}
