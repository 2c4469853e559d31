/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/query: each name has its kind of value. */
#include "web/query.h"

#include "base/yaml.h"
#include "web/route.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LIMIT_MAX 1000000
#define BELOW_LEAST 1
#define BELOW_MOST 150

static bool read_whole(const char *text, long least, long most, int *out)
{
    char *end = NULL;
    long v = strtol(text, &end, 10);
    if (text[0] < '0' || text[0] > '9' || *end != '\0' || v < least || v > most) {
        return false;
    }
    *out = (int)v;
    return true;
}

static bool read_number(const char *text, double *out)
{
    char *end = NULL;
    double v = strtod(text, &end);
    if (text[strspn(text, "0123456789.eE+-")] != '\0' || end == text || *end != '\0' ||
        !isfinite(v)) {
        return false;
    }
    *out = v;
    return true;
}

static bool read_seconds(const char *key, const char *text, double *out, struct err *e)
{
    return read_number(text, out) ||
           err_set(e, ERR_CONFIG, "%s must be a number of seconds since the run began", key);
}

static bool read_below(const char *text, double *out, struct err *e)
{
    return (read_number(text, out) && *out >= BELOW_LEAST && *out <= BELOW_MOST) ||
           err_set(e, ERR_CONFIG, "below must be a percentage from %d to %d", BELOW_LEAST,
                   BELOW_MOST);
}

static bool read_label(const struct query_reading *r, const char *value, struct err *e)
{
    if (!percent_decode(value, strlen(value), r->battery, LABEL_SIZE, e) ||
        !label_check(r->battery, e)) {
        return false;
    }
    r->q->battery = r->battery;
    return true;
}

static bool check_known(const char *const *known, const char *key, struct err *e)
{
    const char *const none[] = {NULL};
    known = known != NULL ? known : none;
    size_t i = 0;
    while (known[i] != NULL && strcmp(known[i], key) != 0) {
        i++;
    }
    if (known[i] != NULL) {
        return true;
    }
    const char *near = nearest_word(key, known);
    return err_set(e, ERR_CONFIG, "\"%.40s\" is not asked for here%s%s%s", key,
                   near != NULL ? "; did you mean \"" : "", near != NULL ? near : "",
                   near != NULL ? "\"?" : "");
}

bool query_item(const struct query_reading *r, const char *key, const char *value, struct err *e)
{
    if (!check_known(r->known, key, e)) {
        return false;
    }
    if (strcmp(key, "limit") == 0) {
        return read_whole(value, 0, LIMIT_MAX, &r->q->limit) ||
               err_set(e, ERR_CONFIG, "limit must be a whole number from 0 (all) to %d", LIMIT_MAX);
    }
    if (strcmp(key, "points") == 0) {
        return read_whole(value, POINTS_LEAST, POINTS_MOST, &r->q->points) ||
               err_set(e, ERR_CONFIG, "points must be a whole number from %d to %d", POINTS_LEAST,
                       POINTS_MOST);
    }
    if (strcmp(key, "from") == 0) {
        return read_seconds(key, value, &r->q->from_s, e);
    }
    if (strcmp(key, "to") == 0) {
        return read_seconds(key, value, &r->q->to_s, e);
    }
    if (strcmp(key, "below") == 0) {
        return read_below(value, &r->q->below_percent, e);
    }
    return read_label(r, value, e);
}
