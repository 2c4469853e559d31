/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/lots: which lots there are, and the batteries of one. */
#include "base/file.h"
#include "base/yaml.h"
#include "web/lookup.h"

#include <stdlib.h>
#include <string.h>

static int by_text(const void *a, const void *b)
{
    return strcmp(*(char *const *)a, *(char *const *)b);
}

char **lot_names(const struct battery *batteries, size_t n)
{
    char **names = zalloc((n + 1) * sizeof *names);
    size_t count = 0, kept = 0;
    for (size_t i = 0; i < n; i++) {
        if (batteries[i].lot[0] != '\0') {
            names[count++] = text_copy(batteries[i].lot);
        }
    }
    qsort(names, count, sizeof *names, by_text);
    for (size_t i = 0; i < count; i++) {
        if (kept > 0 && strcmp(names[kept - 1], names[i]) == 0) {
            free(names[i]);
        } else {
            names[kept++] = names[i];
        }
    }
    names[kept] = NULL;
    return names;
}

void lot_names_free(char **names)
{
    for (char **name = names; *name != NULL; name++) {
        free(*name);
    }
    free(names);
}

static bool unknown_lot(const struct battery *all, size_t n, const char *lot, struct err *e)
{
    char **names = lot_names(all, n);
    const char *near = nearest_word(lot, (const char *const *)names);
    err_set(e, ERR_NOT_FOUND,
            "no battery belongs to the lot \"%s\"%s%s%s; \"ampledger battery list\" shows the lots",
            lot, near != NULL ? "; did you mean \"" : "", near != NULL ? near : "",
            near != NULL ? "\"?" : "");
    lot_names_free(names);
    return false;
}

bool lookup_lot(const struct web_config *c, const char *lot, struct battery **out, size_t *n,
                struct err *e)
{
    size_t all = 0;
    *n = 0;
    if (!store_battery_list(c->store, out, &all, e)) {
        return false;
    }
    struct battery *rows = *out;
    for (size_t i = 0; i < all; i++) {
        if (strcmp(rows[i].lot, lot) == 0) {
            (*n)++;
        }
    }
    if (*n == 0) {
        unknown_lot(rows, all, lot, e);
        free(rows);
        *out = NULL;
        return false;
    }
    size_t kept = 0;
    for (size_t i = 0; i < all; i++) {
        if (strcmp(rows[i].lot, lot) == 0) {
            rows[kept++] = rows[i];
        }
    }
    return true;
}
