/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/result_compare: does a result come out again as it was stored? Pure. */
#include "run/result.h"

#include "base/file.h"

#include <math.h>
#include <string.h>

#define PATH_SIZE 160

struct comparison {
    json_t *differences;
    size_t left_out;
};

static void compare(struct comparison *c, const char *path, const json_t *stored,
                    const json_t *computed);

static void add(struct comparison *c, const char *path, const json_t *stored,
                const json_t *computed)
{
    if (json_array_size(c->differences) >= RESULT_DIFFERENCES_MAX) {
        c->left_out++;
        return;
    }
    json_array_append_new(c->differences,
                          json_pack("{s:s, s:o, s:o}", "key", path, "stored",
                                    json_deep_copy(stored), "recomputed",
                                    computed != NULL ? json_deep_copy(computed) : json_null()));
}

static void compare_objects(struct comparison *c, const char *path, const json_t *stored,
                            const json_t *computed)
{
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)stored, key, value)
    {
        char inner[PATH_SIZE];
        text_format(inner, sizeof inner, "%s%s%s", path, path[0] != '\0' ? "." : "", key);
        compare(c, inner, value, json_object_get(computed, key));
    }
}

static void compare_arrays(struct comparison *c, const char *path, const json_t *stored,
                           const json_t *computed)
{
    size_t n = json_array_size(stored);
    if (n != json_array_size(computed)) {
        add(c, path, stored, computed);
        return;
    }
    for (size_t i = 0; i < n; i++) {
        char inner[PATH_SIZE];
        text_format(inner, sizeof inner, "%s[%zu]", path, i);
        compare(c, inner, json_array_get(stored, i), json_array_get(computed, i));
    }
}

static bool same_number(double a, double b)
{
    return fabs(a - b) <= RESULT_SAME * fmax(fabs(a), fabs(b));
}

static void compare(struct comparison *c, const char *path, const json_t *stored,
                    const json_t *computed)
{
    if (json_is_object(stored) && json_is_object(computed)) {
        compare_objects(c, path, stored, computed);
    } else if (json_is_array(stored) && json_is_array(computed)) {
        compare_arrays(c, path, stored, computed);
    } else if (json_is_number(stored) && json_is_number(computed)) {
        if (!same_number(json_number_value(stored), json_number_value(computed))) {
            add(c, path, stored, computed);
        }
    } else if (computed == NULL ? !json_is_null(stored) : !json_equal(stored, computed)) {
        add(c, path, stored, computed);
    }
}

json_t *result_differences(const json_t *stored, const json_t *computed, size_t *left_out)
{
    struct comparison c = {.differences = json_array()};
    compare(&c, "", stored, computed);
    *left_out = c.left_out;
    return c.differences;
}
