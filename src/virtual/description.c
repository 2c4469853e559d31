/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/description: reading virtual.yaml into a bench. Whatever the file
 * leaves out has a sensible value; whatever is wrong is shown with its line. */
#include "base/clock.h"
#include "base/file.h"
#include "base/yaml.h"
#include "virtual/bench.h"

#include <string.h>

/* What is being read: the document and the map at hand. */
struct reading {
    const struct yaml_doc *doc;
    const struct yaml_node *map;
    struct err *e;
};

static const struct yaml_node *at(const struct reading *r, const char *key)
{
    const struct yaml_node *n = yaml_get(r->map, key);
    return n ? n : r->map;
}

/* One number of a map: where it goes and what it may be. */
struct field {
    const char *key;
    enum dimension dimension;
    double *out;
    double min, max;
};

static bool read_fields(const struct reading *r, const struct field *fields, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        const struct field *f = &fields[i];
        if (!yaml_read_value(r->doc, r->map, f->key, false, f->dimension, f->out, r->e)) {
            return false;
        }
        if (!(*f->out >= f->min && *f->out <= f->max)) {
            return yaml_fail(r->doc, at(r, f->key), r->e, "%s must lie between %g and %g", f->key,
                             f->min, f->max);
        }
    }
    return true;
}
#define READ_FIELDS(r, fields) read_fields(r, fields, sizeof(fields) / sizeof(fields)[0])

/* Names become file names beside the control socket. */
static bool read_name(const struct reading *r, const char *key, char out[64])
{
    if (!yaml_read_text(r->doc, r->map, key, true, out, 64, r->e)) {
        return false;
    }
    static const char allowed[] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                  "0123456789-_.";
    bool good =
        out[0] && out[0] != '.' && out[strspn(out, allowed)] == '\0' && strcmp(out, "control") != 0;
    return good || yaml_fail(r->doc, at(r, key), r->e,
                             "a name is made of letters, digits, '-', '_' and '.', does not "
                             "begin with '.', and is not \"control\"");
}

static bool read_protection_map(const struct reading *r, struct vprotection *p)
{
    static const char *const keys[] = {"under_voltage",
                                       "over_voltage",
                                       "discharge_current",
                                       "charge_current",
                                       "temperature",
                                       "rest",
                                       NULL};
    double span = p->over_cell_V - p->over_release_cell_V;
    const struct field fields[] = {
        {"under_voltage", DIM_VOLTAGE_PER_CELL, &p->under_cell_V, 0.0, 10.0},
        {"over_voltage", DIM_VOLTAGE_PER_CELL, &p->over_cell_V, 0.0, 10.0},
        {"discharge_current", DIM_CURRENT, &p->discharge_max_A, 1e-6, 1e5},
        {"charge_current", DIM_CURRENT, &p->charge_max_A, 1e-6, 1e5},
        {"temperature", DIM_TEMPERATURE, &p->temperature_max_C, -50.0, 200.0},
        {"rest", DIM_TIME, &p->rest_s, 0.0, 1e9},
    };
    if (!yaml_check_keys(r->doc, r->map, keys, r->e) || !READ_FIELDS(r, fields)) {
        return false;
    }
    p->over_release_cell_V = p->over_cell_V - span;
    p->fitted = true;
    return true;
}

static bool read_protection(const struct reading *r, struct vprotection *p)
{
    const struct yaml_node *n = yaml_get(r->map, "protection");
    if (n && yaml_node_kind(n) == YAML_MAP) {
        struct reading inner = {r->doc, n, r->e};
        return read_protection_map(&inner, p);
    }
    return yaml_read_bool(r->doc, r->map, "protection", false, &p->fitted, r->e);
}

static bool read_battery_basis(const struct reading *r, struct vbattery_spec *spec)
{
    int chemistry = 0;
    int cells = 1;
    double capacity_Ah = 0.0;
    if (!yaml_read_choice(r->doc, r->map, "chemistry", true, vchemistry_names, &chemistry, r->e) ||
        !yaml_read_int(r->doc, r->map, "cells", true, 1, 400, &cells, r->e) ||
        !yaml_read_value(r->doc, r->map, "capacity", true, DIM_CHARGE, &capacity_Ah, r->e)) {
        return false;
    }
    if (!(capacity_Ah > 0.0 && capacity_Ah < 1e6)) {
        return yaml_fail(r->doc, at(r, "capacity"), r->e, "capacity must be above 0 Ah");
    }
    *spec = vbattery_defaults((enum vchemistry)chemistry, cells, capacity_Ah);
    double R = spec->resistance_ohm;
    const struct field fields[] = {{"resistance", DIM_RESISTANCE, &R, 1e-6, 1e3}};
    if (!READ_FIELDS(r, fields)) {
        return false;
    }
    spec->pair_ohm[0] *= R / spec->resistance_ohm;
    spec->pair_ohm[1] *= R / spec->resistance_ohm;
    spec->resistance_ohm = R;
    return true;
}

static bool read_battery(const struct reading *r, int64_t now_ns, struct vcircuit *out)
{
    static const char *const keys[] = {"name",
                                       "chemistry",
                                       "cells",
                                       "capacity",
                                       "resistance",
                                       "soc",
                                       "ambient",
                                       "fast_resistance",
                                       "fast_time",
                                       "slow_resistance",
                                       "slow_time",
                                       "heat_capacity_J_per_K",
                                       "cooling_K_per_W",
                                       "fade_per_cycle",
                                       "cycles",
                                       "protection",
                                       NULL};
    char name[64];
    struct vbattery_spec spec;
    if (!yaml_check_keys(r->doc, r->map, keys, r->e) || !read_name(r, "name", name) ||
        !read_battery_basis(r, &spec)) {
        return false;
    }
    const struct field fields[] = {
        {"soc", DIM_RATIO, &spec.soc, 0.0, 1.05},
        {"ambient", DIM_TEMPERATURE, &spec.ambient_C, -60.0, 100.0},
        {"fast_resistance", DIM_RESISTANCE, &spec.pair_ohm[0], 0.0, 1e3},
        {"fast_time", DIM_TIME, &spec.pair_s[0], 1e-3, 1e6},
        {"slow_resistance", DIM_RESISTANCE, &spec.pair_ohm[1], 0.0, 1e3},
        {"slow_time", DIM_TIME, &spec.pair_s[1], 1e-3, 1e6},
        {"heat_capacity_J_per_K", DIM_NUMBER, &spec.heat_J_per_K, 1e-3, 1e9},
        {"cooling_K_per_W", DIM_NUMBER, &spec.cooling_K_per_W, 1e-6, 1e6},
        {"fade_per_cycle", DIM_RATIO, &spec.fade_per_cycle, 0.0, 0.9},
        {"cycles", DIM_NUMBER, &spec.cycles_before, 0.0, 1e6},
    };
    if (!READ_FIELDS(r, fields) || !read_protection(r, &spec.protection)) {
        return false;
    }
    vcircuit_init(out, name, &spec, now_ns);
    return true;
}

static bool read_ratings(const struct reading *r, struct vinstrument_spec *s)
{
    static const char *const keys[] = {"current", "voltage", "power", "minimum_voltage", NULL};
    struct reading inner = {r->doc, yaml_get(r->map, "ratings"), r->e};
    if (!inner.map) {
        return true;
    }
    const struct field fields[] = {
        {"current", DIM_CURRENT, &s->max_A, 1e-6, 1e5},
        {"voltage", DIM_VOLTAGE, &s->max_V, 1e-3, 1e5},
        {"power", DIM_POWER, &s->max_W, 1e-6, 1e7},
        {"minimum_voltage", DIM_VOLTAGE, &s->minimum_V, 1e-6, 100.0},
    };
    return yaml_check_keys(r->doc, inner.map, keys, r->e) && READ_FIELDS(&inner, fields);
}

static bool read_errors(const struct reading *r, struct vinstrument_spec *s)
{
    const struct field fields[] = {
        {"lead_resistance", DIM_RESISTANCE, &s->lead_ohm, 0.0, 100.0},
        {"voltage_gain", DIM_RATIO, &s->voltage_gain, -0.5, 0.5},
        {"current_gain", DIM_RATIO, &s->current_gain, -0.5, 0.5},
        {"set_gain", DIM_RATIO, &s->set_gain, -0.5, 0.5},
        {"voltage_noise", DIM_VOLTAGE, &s->voltage_noise_V, 0.0, 10.0},
        {"current_noise", DIM_CURRENT, &s->current_noise_A, 0.0, 10.0},
        {"voltage_resolution", DIM_VOLTAGE, &s->voltage_step_V, 1e-9, 1.0},
        {"current_resolution", DIM_CURRENT, &s->current_step_A, 1e-9, 1.0},
        {"hunting", DIM_CURRENT, &s->hunting_A, 0.0, 10.0},
        {"relay", DIM_TIME, &s->relay_s, 0.0, 10.0},
        {"soft_start", DIM_TIME, &s->soft_start_s, 0.0, 60.0},
        {"rise_time", DIM_TIME, &s->rise_s, 1e-4, 10.0},
        {"overshoot", DIM_RATIO, &s->overshoot, 0.0, 0.9},
        {"temperature_noise", DIM_TEMPERATURE, &s->temperature_noise_C, 0.0, 20.0},
        {"temperature_resolution", DIM_TEMPERATURE, &s->temperature_step_C, 1e-6, 10.0},
        {"temperature_offset", DIM_TEMPERATURE, &s->temperature_offset_C, -50.0, 50.0},
    };
    return READ_FIELDS(r, fields);
}

static bool read_spec(const struct reading *r, struct vinstrument_spec *out)
{
    static const char *const kinds[] = {"load", "supply", "meter", "thermometer", NULL};
    static const char *const styles[] = {"scpi", "lines", "file", NULL};
    static const char *const keys[] = {"name",
                                       "kind",
                                       "battery",
                                       "shares",
                                       "identity",
                                       "ratings",
                                       "style",
                                       "lead_resistance",
                                       "voltage_gain",
                                       "current_gain",
                                       "set_gain",
                                       "voltage_noise",
                                       "current_noise",
                                       "hunting",
                                       "relay",
                                       "soft_start",
                                       "rise_time",
                                       "overshoot",
                                       "voltage_resolution",
                                       "current_resolution",
                                       "temperature_noise",
                                       "temperature_resolution",
                                       "temperature_offset",
                                       NULL};
    char name[64];
    int kind = 0;
    int style = 0;
    if (!yaml_check_keys(r->doc, r->map, keys, r->e) || !read_name(r, "name", name) ||
        !yaml_read_choice(r->doc, r->map, "kind", true, kinds, &kind, r->e) ||
        !yaml_read_choice(r->doc, r->map, "style", false, styles, &style, r->e)) {
        return false;
    }
    if (style != VSTYLE_SCPI && kind != VKIND_THERMOMETER) {
        return yaml_fail(r->doc, at(r, "style"), r->e, "only a thermometer has a style");
    }
    *out = vinstrument_defaults((enum vkind)kind, name);
    out->style = (enum vstyle)style;
    return yaml_read_text(r->doc, r->map, "identity", false, out->identity, sizeof out->identity,
                          r->e) &&
           read_ratings(r, out) && read_errors(r, out);
}

static bool wire(const struct reading *r, struct vbench *b, struct vplace *p)
{
    char name[64];
    struct err unknown = {0};
    if (!yaml_read_text(r->doc, r->map, "battery", true, name, sizeof name, r->e)) {
        return false;
    }
    p->circuit = vbench_battery(b, name, &unknown);
    if (!p->circuit) {
        return yaml_fail(r->doc, at(r, "battery"), r->e, "%s", unknown.text);
    }
    return vcircuit_join(p->circuit, &p->instrument) ||
           yaml_fail(r->doc, at(r, "battery"), r->e,
                     "battery \"%s\" already has %d instruments; no more fit", name,
                     CIRCUIT_BRANCHES);
}

/* A further output of an instrument that was described before it. */
static bool share(const struct reading *r, struct vbench *b, struct vplace *p)
{
    char name[64] = "";
    struct err unknown = {0};
    if (!yaml_read_text(r->doc, r->map, "shares", false, name, sizeof name, r->e)) {
        return false;
    }
    if (!name[0]) {
        return true;
    }
    struct vplace *host = vbench_instrument(b, name, &unknown);
    if (!host) {
        return yaml_fail(r->doc, at(r, "shares"), r->e, "%s before this line", unknown.text);
    }
    enum vkind kind = p->instrument.spec.kind;
    if (host->instrument.host != &host->instrument || host->instrument.spec.kind != kind ||
        (kind != VKIND_SUPPLY && kind != VKIND_LOAD)) {
        return yaml_fail(r->doc, at(r, "shares"), r->e,
                         "a supply can share the link of a supply, a load that of a load, and "
                         "neither of one that shares itself");
    }
    return vinstrument_share(&host->instrument, &p->instrument) ||
           yaml_fail(r->doc, at(r, "shares"), r->e, "%s already has %d outputs; no more fit", name,
                     CHANNELS_MAX);
}

static bool name_is_free(const struct vbench *b, const char *name)
{
    for (size_t i = 0; i < b->circuit_count; i++) {
        if (strcmp(b->circuits[i].name, name) == 0) {
            return false;
        }
    }
    for (size_t i = 0; i < b->place_count; i++) {
        if (strcmp(b->places[i].instrument.spec.name, name) == 0) {
            return false;
        }
    }
    return true;
}

/* The list under a key, with at least one entry; NULL with the error filled. */
static const struct yaml_node *read_list(const struct reading *root, const char *key)
{
    const struct yaml_node *list = yaml_get(root->map, key);
    if (list && yaml_node_kind(list) == YAML_LIST && yaml_count(list) > 0) {
        return list;
    }
    yaml_fail(root->doc, list ? list : root->map, root->e,
              "a virtual bench needs a list under \"%s:\" with at least one entry", key);
    return NULL;
}

static bool read_batteries(const struct reading *root, int64_t now_ns, struct vbench *b)
{
    const struct yaml_node *list = read_list(root, "batteries");
    if (!list) {
        return false;
    }
    b->circuits = zalloc(yaml_count(list) * sizeof *b->circuits);
    for (size_t i = 0; i < yaml_count(list); i++) {
        struct reading r = {root->doc, yaml_item(list, i), root->e};
        struct vcircuit *c = &b->circuits[i];
        if (!read_battery(&r, now_ns, c)) {
            return false;
        }
        if (!name_is_free(b, c->name)) {
            return yaml_fail(r.doc, at(&r, "name"), r.e, "the name \"%s\" is used twice", c->name);
        }
        b->circuit_count++;
    }
    return true;
}

static bool read_instruments(const struct reading *root, uint64_t seed, struct vbench *b)
{
    const struct yaml_node *list = read_list(root, "instruments");
    if (!list) {
        return false;
    }
    b->places = zalloc(yaml_count(list) * sizeof *b->places);
    for (size_t i = 0; i < yaml_count(list); i++) {
        struct reading r = {root->doc, yaml_item(list, i), root->e};
        struct vplace *p = &b->places[i];
        struct vinstrument_spec spec;
        if (!read_spec(&r, &spec)) {
            return false;
        }
        if (!name_is_free(b, spec.name)) {
            return yaml_fail(r.doc, at(&r, "name"), r.e, "the name \"%s\" is used twice",
                             spec.name);
        }
        vinstrument_init(&p->instrument, &spec, seed * 1000 + i);
        if (!wire(&r, b, p) || !share(&r, b, p)) {
            return false;
        }
        b->place_count++;
        b->ticking = b->ticking || vplace_ticks(p);
    }
    return true;
}

static bool read_bench(const struct yaml_doc *doc, int64_t now_ns, struct vbench *out,
                       struct err *e)
{
    static const char *const keys[] = {"batteries", "instruments", "seed", NULL};
    struct reading root = {doc, yaml_root(doc), e};
    int seed = 1;
    memset(out, 0, sizeof *out);
    out->next_tick_ns = now_ns + NS_PER_S;
    bool done = yaml_check_keys(doc, root.map, keys, e) &&
                yaml_read_int(doc, root.map, "seed", false, 0, 2000000000, &seed, e) &&
                read_batteries(&root, now_ns, out) && read_instruments(&root, (uint64_t)seed, out);
    if (!done) {
        vbench_free(out);
    }
    return done;
}

bool vbench_load(const char *path, int64_t now_ns, struct vbench *out, struct err *e)
{
    struct yaml_doc *doc = NULL;
    if (!yaml_load_file(path, &doc, e)) {
        return false;
    }
    bool done = read_bench(doc, now_ns, out, e);
    yaml_doc_free(doc);
    return done;
}

bool vbench_parse(const char *name, const char *text, int64_t now_ns, struct vbench *out,
                  struct err *e)
{
    struct yaml_doc *doc = NULL;
    if (!yaml_load_text(name, text, strlen(text), &doc, e)) {
        return false;
    }
    bool done = read_bench(doc, now_ns, out, e);
    yaml_doc_free(doc);
    return done;
}
