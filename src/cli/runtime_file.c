/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/runtime_file: reads it from top to bottom. */
#include "cli/runtime_file.h"

#include "analysis/correction_read.h"
#include "base/file.h"
#include "base/sample.h"
#include "base/yaml.h"

#include <math.h>
#include <string.h>

struct reading {
    const struct yaml_doc *doc;
    const struct yaml_node *root;
    struct runtime_file *out;
    const char *path;
};

/* One value of a key, with its bounds (both inside). */
struct bounded {
    const char *key;
    enum dimension dimension;
    bool required;
    double least, most;
    const char *range; /* "from 1 % to 100 %" */
};

static bool read_bounded(const struct reading *r, const struct yaml_node *map,
                         const struct bounded *b, double *out, struct err *e)
{
    if (!yaml_read_value(r->doc, map, b->key, b->required, b->dimension, out, e))
        return false;
    const struct yaml_node *n = yaml_get(map, b->key);
    if (n != NULL && !(*out >= b->least && *out <= b->most))
        return yaml_fail(r->doc, n, e, "\"%s\" must be %s, not %.40s", b->key, b->range,
                         yaml_text(n));
    return true;
}

#define ABOVE_ZERO 1e-9, INFINITY, "above zero"
#define SHARE_ABOVE_ZERO 1e-9, 1, "above 0 % and at most 100 %"

/* --- where the measured curve comes from --- */

static bool read_logs(const struct reading *r, struct err *e)
{
    const struct yaml_node *list = yaml_get(r->root, "logs");
    struct runtime_file *f = r->out;
    if (list == NULL)
        return true;
    if (yaml_node_kind(list) != YAML_LIST || yaml_count(list) == 0 ||
        yaml_count(list) > RUNTIME_LOGS_MAX)
        return yaml_fail(r->doc, list, e, "\"logs\" wants a list of 1 to %d files, e.g. [a.csv]",
                         RUNTIME_LOGS_MAX);
    for (size_t i = 0; i < yaml_count(list); i++) {
        const struct yaml_node *n = yaml_item(list, i);
        if (!path_beside(r->path, yaml_text(n), f->logs[i], sizeof f->logs[i], e))
            return yaml_fail(r->doc, n, e, "this path is too long");
    }
    f->log_count = yaml_count(list);
    return true;
}

static bool read_source(const struct reading *r, struct err *e)
{
    struct runtime_file *f = r->out;
    const struct bounded lead = {"lead_resistance", DIM_RESISTANCE, false, 0,
                                 INFINITY,          "zero or above"};
    const struct bounded own = {"resistance", DIM_RESISTANCE, false, ABOVE_ZERO};
    if (!yaml_read_text(r->doc, r->root, "battery", false, f->battery, sizeof f->battery, e) ||
        !yaml_read_text(r->doc, r->root, "run", false, f->run, sizeof f->run, e) ||
        !read_logs(r, e) ||
        !yaml_read_bool(r->doc, r->root, "discharge_positive", false, &f->discharge_positive, e) ||
        !read_bounded(r, r->root, &lead, &f->lead_ohm, e) ||
        !read_bounded(r, r->root, &own, &f->resistance_ohm, e))
        return false;
    int named = (f->battery[0] != '\0') + (f->run[0] != '\0') + (f->log_count > 0);
    if (named > 1)
        return yaml_fail(r->doc, r->root, e,
                         "only one of battery, run and logs can be where the curve comes from");
    return true;
}

/* --- appliances --- */

static bool read_draw(const struct reading *r, const struct yaml_node *map, struct appliance *a,
                      struct err *e)
{
    const struct bounded power = {"power", DIM_POWER, false, ABOVE_ZERO};
    const struct bounded current = {"current", DIM_CURRENT, false, ABOVE_ZERO};
    a->power_W = a->current_A = NAN;
    if (!read_bounded(r, map, &power, &a->power_W, e) ||
        !read_bounded(r, map, &current, &a->current_A, e))
        return false;
    if (isnan(a->power_W) == isnan(a->current_A))
        return yaml_fail(r->doc, map, e,
                         "an appliance has either a power or a current, e.g. power: 12 W");
    return true;
}

static bool read_hours(const struct reading *r, const struct yaml_node *map, struct appliance *a,
                       struct err *e)
{
    double used_s = S_PER_H * r->out->over_h;
    const struct bounded duty = {"duty", DIM_RATIO, false, SHARE_ABOVE_ZERO};
    const struct bounded hours = {"hours", DIM_TIME, false, ABOVE_ZERO};
    a->duty = 1;
    if (!read_bounded(r, map, &duty, &a->duty, e) || !read_bounded(r, map, &hours, &used_s, e))
        return false;
    a->share = used_s / S_PER_H / r->out->over_h;
    if (a->share > 1 + 1e-12)
        return yaml_fail(r->doc, yaml_get(map, "hours"), e,
                         "%.40s is more than the %.4g h that \"over\" says",
                         yaml_text(yaml_get(map, "hours")), r->out->over_h);
    return true;
}

static bool read_appliance(const struct reading *r, const struct yaml_node *map,
                           struct appliance *a, struct err *e)
{
    static const char *const keys[] = {"name",  "power",   "current", "duty",
                                       "hours", "through", NULL};
    static const char *const ways[] = {"battery", "inverter", NULL};
    int way = 0;
    *a = (struct appliance){0};
    if (!yaml_check_keys(r->doc, map, keys, e) ||
        !yaml_read_text(r->doc, map, "name", true, a->name, sizeof a->name, e) ||
        !read_draw(r, map, a, e) || !read_hours(r, map, a, e) ||
        !yaml_read_choice(r->doc, map, "through", false, ways, &way, e))
        return false;
    a->through_inverter = way == 1;
    if (a->through_inverter && yaml_get(r->root, "inverter") == NULL)
        return yaml_fail(r->doc, yaml_get(map, "through"), e,
                         "there is no inverter in this file; write e.g. inverter: {efficiency: 88 "
                         "%%}");
    if (a->through_inverter && isnan(a->power_W))
        return yaml_fail(r->doc, yaml_get(map, "current"), e,
                         "behind an inverter the current at the battery is another one: write "
                         "power instead");
    return true;
}

static bool read_appliances(const struct reading *r, struct err *e)
{
    const struct yaml_node *list = yaml_get(r->root, "appliances");
    struct runtime_file *f = r->out;
    if (list == NULL || yaml_node_kind(list) != YAML_LIST || yaml_count(list) == 0 ||
        yaml_count(list) > APPLIANCES_MAX)
        return yaml_fail(r->doc, list != NULL ? list : r->root, e,
                         "\"appliances\" wants a list of 1 to %d, e.g. - {name: lamp, power: 12 W}",
                         APPLIANCES_MAX);
    for (size_t i = 0; i < yaml_count(list); i++) {
        if (!read_appliance(r, yaml_item(list, i), &f->appliance[i], e))
            return false;
    }
    f->appliance_count = yaml_count(list);
    return true;
}

static bool read_inverter(const struct reading *r, struct err *e)
{
    static const char *const keys[] = {"efficiency", "idle", NULL};
    const struct yaml_node *map = yaml_get(r->root, "inverter");
    const struct bounded efficiency = {"efficiency", DIM_RATIO, true, SHARE_ABOVE_ZERO};
    const struct bounded idle = {"idle", DIM_POWER, false, 0, INFINITY, "zero or above"};
    r->out->inverter = (struct inverter){1, 0};
    return map == NULL || (yaml_check_keys(r->doc, map, keys, e) &&
                           read_bounded(r, map, &efficiency, &r->out->inverter.efficiency, e) &&
                           read_bounded(r, map, &idle, &r->out->inverter.idle_W, e));
}

/* --- conditions --- */

/* Rules that judge a test say nothing of what a battery will do. */
static bool check_correction(const struct reading *r, struct err *e)
{
    const struct correction_choice *c = &r->out->correction;
    const struct yaml_node *n = yaml_get(r->root, "correction");
    bool predicts = c->rule == CORRECTION_NONE || c->rule == CORRECTION_STATED_LINEAR ||
                    c->rule == CORRECTION_BELOW_25 || c->rule == CORRECTION_CHANGE_TABLE;
    if (!predicts)
        return yaml_fail(
            r->doc, n, e,
            "%s judges a test, or is unverified; here only stated-linear, below-25 and "
            "change-table can be used",
            correction_names[c->rule]);
    if (n != NULL && isnan(r->out->temperature_C))
        return yaml_fail(r->doc, n, e,
                         "a correction needs the temperature in use as well, e.g. "
                         "temperature: 8 degC");
    return true;
}

static bool read_conditions(const struct reading *r, struct err *e)
{
    struct runtime_file *f = r->out;
    const struct bounded cutoff = {"cutoff", DIM_VOLTAGE, true, ABOVE_ZERO};
    const struct bounded reserve = {"reserve", DIM_RATIO, false, 0, 0.95, "from 0 % to 95 %"};
    const struct bounded error = {"appliance_error", DIM_RATIO, false, 0, 0.5, "from 0 % to 50 %"};
    const struct bounded over = {"over", DIM_TIME, false, ABOVE_ZERO};
    double over_s = 24 * S_PER_H;
    if (!read_bounded(r, r->root, &cutoff, &f->terms.cutoff_V, e) ||
        !read_bounded(r, r->root, &reserve, &f->terms.reserve, e) ||
        !read_bounded(r, r->root, &error, &f->terms.load_error, e) ||
        !read_bounded(r, r->root, &over, &over_s, e) ||
        !yaml_read_value(r->doc, r->root, "temperature", false, DIM_TEMPERATURE, &f->temperature_C,
                         e) ||
        !correction_read(r->doc, r->root, "correction", &f->correction, e) ||
        !check_correction(r, e))
        return false;
    f->over_h = over_s / S_PER_H;
    return true;
}

static bool read_root(const struct reading *r, struct err *e)
{
    static const char *const keys[] = {"runtime",
                                       "battery",
                                       "run",
                                       "logs",
                                       "discharge_positive",
                                       "lead_resistance",
                                       "resistance",
                                       "cutoff",
                                       "temperature",
                                       "correction",
                                       "reserve",
                                       "over",
                                       "appliance_error",
                                       "inverter",
                                       "appliances",
                                       NULL};
    return yaml_check_keys(r->doc, r->root, keys, e) &&
           yaml_read_text(r->doc, r->root, "runtime", true, r->out->title, sizeof r->out->title,
                          e) &&
           read_source(r, e) && read_conditions(r, e) && read_inverter(r, e) &&
           read_appliances(r, e);
}

bool runtime_file_read(const char *path, struct runtime_file *out, struct err *e)
{
    struct yaml_doc *d = NULL;
    *out = (struct runtime_file){
        .resistance_ohm = NAN,
        .temperature_C = NAN,
        .correction = correction_choice_none(),
        .terms = {NAN, 0, 0.1},
    };
    if (!yaml_load_file(path, &d, e))
        return false;
    struct reading r = {d, yaml_root(d), out, path};
    bool ok = read_root(&r, e);
    yaml_doc_free(d);
    return ok;
}
