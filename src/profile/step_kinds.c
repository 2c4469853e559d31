/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/step_kinds: reads what each kind of step says, and insists that it
 * can end. */
#include "base/file.h"
#include "profile/read.h"

#include <float.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

static const struct written_rule rule_power = {"power", DIM_BIT(DIM_POWER), 0, INFINITY, NULL};
static const struct written_rule rule_resistance = {"resistance", DIM_BIT(DIM_RESISTANCE), 0,
                                                    INFINITY, NULL};
static const struct written_rule rule_warming = {"warming", DIM_BIT(DIM_TEMPERATURE_RATE), 0,
                                                 INFINITY, NULL};
static const struct written_rule rule_settled = {"settled", DIM_BIT(DIM_VOLTAGE_RATE), 0, INFINITY,
                                                 NULL};
/* "per_degree: -3 mV/cell" says per degree already; with the unit it is right too. */
static const struct written_rule rule_per_degree = {
    "per_degree", DIM_BIT(DIM_VOLTAGE_PER_KELVIN) | DIM_BIT(DIM_VOLTAGE_PER_CELL), -INFINITY,
    INFINITY, NULL};

static bool read_rows(const struct step_place *at, const struct written_row *rows, size_t count,
                      struct err *e)
{
    for (size_t i = 0; i < count; i++) {
        if (!written_read(at->doc, at->map, &rows[i].rule, rows[i].to, e)) {
            return false;
        }
    }
    return true;
}

/* --- discharge --- */

bool read_discharge(const struct step_place *at, struct profile_step *out, struct err *e)
{
    const struct written_row ways[] = {
        {rule_as("current", rule_current), &out->current},
        {rule_power, &out->power},
        {rule_resistance, &out->resistance},
    };
    const struct written_row ends[] = {{rule_as("voltage", rule_voltage), &out->until_voltage}};
    const struct written_map until = {"until", "until: {voltage: 2.5 V/cell}", ends, 1};
    if (!read_rows(at, ways, 3, e) || !written_map_read(at, &until, e) ||
        !read_at_most(at, out, e) || !read_sample_every(at, out, e)) {
        return false;
    }
    int written = out->current.present + out->power.present + out->resistance.present;
    if (written == 0) {
        return yaml_fail(at->doc, at->map, e,
                         "a discharge needs its current: write e.g. current: 10 A, or "
                         "current: 0.2 C");
    }
    if (written > 1) {
        return yaml_fail(at->doc, at->map, e,
                         "a discharge holds one of current, power and resistance: keep one");
    }
    if (!out->until_voltage.present && yaml_get(at->map, "at_most") == NULL) {
        return yaml_fail(at->doc, at->map, e,
                         "this discharge never ends: write until: {voltage: 2.5 V/cell}, or "
                         "at_most: {time: 2 h}, or both");
    }
    return true;
}

/* --- rest --- */

static bool check_rest_until(const struct step_place *at, const struct profile_step *out,
                             struct err *e)
{
    if (out->duration.present) {
        return yaml_fail(at->doc, yaml_get(at->map, "until"), e,
                         "a rest lasts \"for\" a time or \"until\" it has settled: keep one");
    }
    if (!out->at_most_time.present) {
        return yaml_fail(at->doc, at->map, e,
                         "a rest until settled needs its longest time: write e.g. at_most: 8 h");
    }
    if (out->at_least.present && out->at_least.q.value >= out->at_most_time.q.value) {
        return yaml_fail(at->doc, yaml_get(at->map, "at_least"), e,
                         "\"at_least\" must be shorter than \"at_most\"");
    }
    return true;
}

bool read_rest(const struct step_place *at, struct profile_step *out, struct err *e)
{
    const struct written_row times[] = {{rule_as("for", rule_time), &out->duration},
                                        {rule_as("at_least", rule_time), &out->at_least}};
    const struct written_row ends[] = {{rule_settled, &out->until_settled}};
    const struct written_map until = {"until", "until: {settled: 5 mV/h}", ends, 1};
    if (!read_rows(at, times, 2, e) || !written_map_read(at, &until, e) ||
        !read_at_most(at, out, e) || !read_sample_every(at, out, e)) {
        return false;
    }
    if (out->at_most_charge.present) {
        return yaml_fail(at->doc, yaml_get(at->map, "at_most"), e,
                         "no charge flows at rest: write at_most: 8 h");
    }
    if (out->until_settled.present) {
        return check_rest_until(at, out, e);
    }
    if (out->at_least.present || out->at_most_time.present) {
        return yaml_fail(at->doc, at->map, e,
                         "\"at_least\" and \"at_most\" go with until: {settled: 5 mV/h}; a rest "
                         "of fixed length is written for: 10 min");
    }
    return out->duration.present ||
           yaml_fail(at->doc, at->map, e, "a rest needs its length: write e.g. for: 10 min");
}

/* --- charge --- */

static bool read_compensation(const struct step_place *at, struct profile_step *out, struct err *e)
{
    const struct written_row rows[] = {
        {rule_per_degree, &out->compensation},
        {rule_as("reference", rule_temperature), &out->compensation_reference},
    };
    const struct written_map map = {
        "compensation", "compensation: {per_degree: -3 mV/cell, reference: 25 degC}", rows, 2};
    if (!written_map_read(at, &map, e)) {
        return false;
    }
    if (yaml_get(at->map, "compensation") != NULL &&
        !(out->compensation.present && out->compensation_reference.present)) {
        return yaml_fail(at->doc, yaml_get(at->map, "compensation"), e,
                         "\"compensation\" needs both its keys: {per_degree: -3 mV/cell, "
                         "reference: 25 degC}");
    }
    return true;
}

static bool read_charge_until(const struct step_place *at, struct profile_step *out, struct err *e)
{
    struct written_rule drop = rule_as("drop", rule_voltage);
    const struct written_row rows[] = {
        {rule_as("current", rule_current), &out->until_current},
        {rule_as("voltage", rule_voltage), &out->until_voltage},
        {drop, &out->until_drop},
        {rule_warming, &out->until_warming},
        {rule_as("charge", rule_charge), &out->until_charge},
        {rule_as("time", rule_time), &out->until_time},
    };
    const struct written_map map = {"until", "until: {current: 0.05 C}", rows, 6};
    struct written_rule hold_off = rule_as("hold_off", rule_time);
    if (!written_map_read(at, &map, e) ||
        !written_read(at->doc, at->map, &hold_off, &out->hold_off, e)) {
        return false;
    }
    if (yaml_get(at->map, "until") == NULL) {
        return yaml_fail(at->doc, at->map, e,
                         "a charge needs its end: write e.g. until: {current: 0.05 C}, or until: "
                         "{drop: 5 mV/cell, warming: 1 degC/min}, or until: {time: 16 h}");
    }
    if (out->hold_off.present && !out->until_drop.present && !out->until_warming.present) {
        return yaml_fail(at->doc, yaml_get(at->map, "hold_off"), e,
                         "\"hold_off\" goes with until: {drop: ...} or until: {warming: ...}: it "
                         "is how long these are not looked for");
    }
    return true;
}

/* What ends it in the normal way must come before what it must never exceed. */
static bool check_charge_most(const struct step_place *at, const struct profile_step *out,
                              struct err *e)
{
    const struct written *most = &out->at_most_time, *until = &out->until_time;
    if (!most->present && !until->present) {
        return yaml_fail(at->doc, at->map, e,
                         "a charge needs a longest time, so that it ends whatever happens: write "
                         "e.g. at_most: {time: 8 h}");
    }
    if (most->present && until->present && most->q.value < until->q.value) {
        return yaml_fail(at->doc, yaml_get(at->map, "at_most"), e,
                         "\"at_most\" is shorter than the time in \"until\": lengthen it or leave "
                         "it out");
    }
    const struct written *charge = &out->at_most_charge, *wanted = &out->until_charge;
    if (charge->present && wanted->present && charge->q.dimension == wanted->q.dimension &&
        charge->q.value < wanted->q.value) {
        return yaml_fail(at->doc, yaml_get(at->map, "at_most"), e,
                         "\"at_most\" is less than the charge in \"until\": raise it or leave it "
                         "out");
    }
    return true;
}

bool read_charge(const struct step_place *at, struct profile_step *out, struct err *e)
{
    const struct written_row rows[] = {
        {rule_as("current", rule_current), &out->current},
        {rule_as("voltage", rule_voltage), &out->voltage},
    };
    if (!read_rows(at, rows, 2, e) || !read_compensation(at, out, e) ||
        !read_charge_until(at, out, e) || !read_at_most(at, out, e) ||
        !read_sample_every(at, out, e) || !check_charge_most(at, out, e)) {
        return false;
    }
    if (!out->current.present) {
        return yaml_fail(at->doc, at->map, e,
                         "a charge needs its current: write e.g. current: 0.2 C, or current: 5 A");
    }
    if (out->compensation.present && !out->voltage.present) {
        return yaml_fail(at->doc, yaml_get(at->map, "compensation"), e,
                         "\"compensation\" shifts the voltage that is held: write voltage too");
    }
    return true;
}

static bool read_precharge_keys(const struct step_place *at, struct profile_step *out,
                                struct err *e)
{
    static const char *const keys[] = {"below", "current", "at_most", "sample_every", NULL};
    const struct written_row rows[] = {
        {rule_as("below", rule_voltage), &out->until_voltage},
        {rule_as("current", rule_current), &out->current},
    };
    if (!yaml_check_keys(at->doc, at->map, keys, e) || !read_rows(at, rows, 2, e) ||
        !read_at_most(at, out, e) || !read_sample_every(at, out, e)) {
        return false;
    }
    if (!out->until_voltage.present || !out->current.present || !out->at_most_time.present) {
        return yaml_fail(at->doc, at->map, e,
                         "a pre-charge needs all of {below: 2.5 V/cell, current: 0.05 C, at_most: "
                         "{time: 30 min}}");
    }
    return true;
}

bool read_precharge(const struct step_place *at, const struct profile_step *charge, bool *has,
                    struct profile_step *out, struct err *e)
{
    struct step_place inner = *at;
    inner.map = yaml_get(at->map, "precharge");
    *has = inner.map != NULL;
    if (!*has) {
        return true;
    }
    *out = (struct profile_step){
        .kind = STEP_CHARGE, .line = yaml_line(inner.map), .repeat = {.of_step = SIZE_MAX}};
    if (!text_format(out->name, sizeof out->name, "%s pre-charge", charge->name)) {
        return yaml_fail(at->doc, inner.map, e,
                         "the name \"%s\" is too long for \" pre-charge\" to be put behind it: "
                         "shorten it",
                         charge->name);
    }
    if (!read_precharge_keys(&inner, out, e)) {
        return false;
    }
    out->skip_above = out->until_voltage;
    out->voltage = charge->voltage;
    out->compensation = charge->compensation;
    out->compensation_reference = charge->compensation_reference;
    return true;
}

/* --- pulse --- */

static bool read_segment(const struct step_place *at, struct profile_segment *out, struct err *e)
{
    static const char *const keys[] = {"current", "for", NULL};
    struct written_rule current = rule_as("current", rule_current);
    current.above = -DBL_MIN; /* 0 A is one too */
    const struct written_row rows[] = {{current, &out->current},
                                       {rule_as("for", rule_time), &out->duration}};
    if (!yaml_check_keys(at->doc, at->map, keys, e) || !read_rows(at, rows, 2, e)) {
        return false;
    }
    return (out->current.present && out->duration.present) ||
           yaml_fail(at->doc, at->map, e,
                     "each stretch of a pulse needs its current and its time: {current: 1 C, for: "
                     "10 s}");
}

static bool read_segments(const struct step_place *at, struct profile_step *out, struct err *e)
{
    const struct yaml_node *list = yaml_get(at->map, "currents");
    size_t n = list != NULL && yaml_node_kind(list) == YAML_LIST ? yaml_count(list) : 0;
    bool flows = false;
    if (n == 0 || n > PROFILE_SEGMENTS_MAX) {
        return yaml_fail(at->doc, list != NULL ? list : at->map, e,
                         "a pulse needs \"currents\", a list of 1 to %d stretches: currents: "
                         "[{current: 0.2 C, for: 10 s}, {current: 1 C, for: 1 s}]",
                         PROFILE_SEGMENTS_MAX);
    }
    out->segments = zalloc(n * sizeof *out->segments);
    out->segment_count = n;
    for (size_t i = 0; i < n; i++) {
        struct step_place inner = *at;
        inner.map = yaml_item(list, i);
        if (!read_segment(&inner, &out->segments[i], e)) {
            return false;
        }
        flows = flows || out->segments[i].current.q.value > 0;
    }
    return flows || yaml_fail(at->doc, list, e, "no current flows in this pulse: write a rest");
}

bool read_pulse(const struct step_place *at, struct profile_step *out, struct err *e)
{
    static const char *const directions[] = {"discharge", "charge", NULL};
    const struct written_row ends[] = {{rule_as("voltage", rule_voltage), &out->until_voltage}};
    const struct written_map until = {"until", "until: {voltage: 2.5 V/cell}", ends, 1};
    struct written_rule voltage = rule_as("voltage", rule_voltage);
    int direction = 0;
    if (!read_segments(at, out, e) ||
        !yaml_read_choice(at->doc, at->map, "direction", false, directions, &direction, e) ||
        !written_read(at->doc, at->map, &voltage, &out->voltage, e) ||
        !written_map_read(at, &until, e) || !read_sample_every(at, out, e)) {
        return false;
    }
    out->charges = direction == 1;
    if (!out->until_voltage.present) {
        return yaml_fail(at->doc, at->map, e,
                         "a pulse needs the voltage at which it stops at once: write e.g. until: "
                         "{voltage: 2.5 V/cell}");
    }
    if (out->voltage.present && !out->charges) {
        return yaml_fail(at->doc, yaml_get(at->map, "voltage"), e,
                         "\"voltage\" is what the supply holds at most in a pulse with direction: "
                         "charge; a load holds none");
    }
    return true;
}

/* --- hold --- */

bool read_hold(const struct step_place *at, struct profile_step *out, struct err *e)
{
    struct written_rule remind = rule_as("remind_every", rule_time);
    if (!yaml_read_text(at->doc, at->map, "say", false, out->say, sizeof out->say, e) ||
        !written_read(at->doc, at->map, &remind, &out->remind_every, e) ||
        !read_at_most(at, out, e) || !read_sample_every(at, out, e)) {
        return false;
    }
    if (out->say[0] == '\0') {
        return yaml_fail(at->doc, at->map, e,
                         "a hold needs what the person is to do: write e.g. say: \"connect the "
                         "charger, then confirm\"");
    }
    if (!out->at_most_time.present || out->at_most_charge.present) {
        return yaml_fail(at->doc, at->map, e,
                         "a hold needs how long it waits: write e.g. at_most: 12 h");
    }
    return true;
}

/* --- repeat --- */

static bool read_repeat_until(const struct step_place *at, struct profile_repeat *out,
                              struct err *e)
{
    static const char *const keys[] = {"capacity_below", "capacity_reached", "agree_within",
                                       "cutoff", NULL};
    struct step_place inner = *at;
    inner.map = yaml_get(at->map, "until");
    const struct written_row rows[] = {
        {rule_as("capacity_below", rule_charge), &out->until_below},
        {rule_as("capacity_reached", rule_charge), &out->until_reached},
        {rule_as("agree_within", rule_share), &out->until_agree},
    };
    if (inner.map == NULL) {
        return true;
    }
    if (!yaml_check_keys(at->doc, inner.map, keys, e) || !read_rows(&inner, rows, 3, e) ||
        !yaml_read_bool(at->doc, inner.map, "cutoff", false, &out->until_cutoff, e)) {
        return false;
    }
    return yaml_count(inner.map) > 0 ||
           yaml_fail(at->doc, inner.map, e,
                     "\"until\" is empty; write e.g. until: {capacity_below: 80 %%}");
}

static bool is_capacity(const struct profile_step *s)
{
    return s->kind == STEP_DISCHARGE && s->until_voltage.present;
}

/* `of`, or the only discharge to a cut-off that the group has. */
static bool read_repeat_of(const struct step_place *at, struct profile_repeat *out, struct err *e)
{
    const struct profile *p = at->profile;
    bool wanted =
        out->until_below.present || out->until_reached.present || out->until_agree.present;
    size_t found = 0;
    for (size_t i = out->back_to; i < p->step_count; i++) {
        if (is_capacity(&p->steps[i])) {
            out->of_step = i;
            found++;
        }
    }
    if (yaml_get(at->map, "of") != NULL) {
        if (!step_reference(at, "of", out->back_to, &out->of_step, e)) {
            return false;
        }
        return is_capacity(&p->steps[out->of_step]) ||
               yaml_fail(at->doc, yaml_get(at->map, "of"), e,
                         "step \"%s\" delivers no capacity to look at: only a discharge with "
                         "until: {voltage: ...} does",
                         p->steps[out->of_step].name);
    }
    if (out->until_cutoff && found == 0) {
        return yaml_fail(at->doc, yaml_get(at->map, "until"), e,
                         "no discharge of this group has a cut-off to end at: write until: "
                         "{voltage: ...} in one");
    }
    if (wanted && found != 1) {
        return yaml_fail(at->doc, yaml_get(at->map, "until"), e,
                         "whose capacity is meant? write of: and the name of a discharge in this "
                         "group that has a cut-off");
    }
    out->of_step = found == 1 ? out->of_step : SIZE_MAX;
    return true;
}

bool read_repeat(const struct step_place *at, struct profile_step *out, struct err *e)
{
    struct step_place inner = *at;
    inner.nesting++;
    out->repeat.back_to = at->profile->step_count;
    if (at->nesting > PROFILE_NESTING_MAX) {
        return yaml_fail(at->doc, at->map, e, "repeats can be nested at most %d deep",
                         PROFILE_NESTING_MAX);
    }
    if (yaml_get(at->map, "times") == NULL) {
        return yaml_fail(at->doc, at->map, e,
                         "a repeat needs how often at most, so that it ends: write e.g. times: 3");
    }
    return yaml_read_int(at->doc, at->map, "times", true, 1, PROFILE_ROUNDS_MAX, &out->repeat.times,
                         e) &&
           steps_read(&inner, e) && read_repeat_until(at, &out->repeat, e) &&
           read_repeat_of(at, &out->repeat, e);
}
