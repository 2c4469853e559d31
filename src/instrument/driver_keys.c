/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver_keys: reads port, ratings and accuracy, for a driver file
 * or for one instrument of bench.yaml. */
#include "instrument/driver_keys.h"

#include <string.h>

const char *const driver_port_keys[] = {"baud", "bits", "parity", "stop_bits",
                                        "flow", "dtr",  "rts",    NULL};
static const char *const parity_names[] = {"none", "even", "odd", NULL};
static const char *const flow_names[] = {
    [FLOW_NONE] = "none",         [FLOW_RTS_CTS] = "rts-cts", [FLOW_DTR_DSR] = "dtr-dsr",
    [FLOW_XON_XOFF] = "xon-xoff", [FLOW_XON_XOFF + 1] = NULL,
};
static const char *const ratings_keys[] = {"current", "voltage", "power", "minimum_voltage", NULL};
static const char *const accuracy_keys[] = {"voltage",    "current",     "power",
                                            "resistance", "temperature", NULL};
static const char *const pair_keys[] = {"gain", "offset", "resolution", NULL};
static const char *const temperature_keys[] = {"offset", NULL};
static const char *const resolution_keys[] = {"resolution", NULL};

/* A control line: left alone when the key is absent. */
static bool read_control_line(const struct yaml_doc *d, const struct yaml_node *map,
                              const char *key, int *out, struct err *e)
{
    bool on = false;
    if (!yaml_read_bool(d, map, key, false, &on, e)) {
        return false;
    }
    if (yaml_get(map, key) != NULL) {
        *out = on ? 1 : 0;
    }
    return true;
}

bool driver_read_port(const struct yaml_doc *d, const struct yaml_node *map,
                      struct link_settings *s, struct err *e)
{
    static const char letters[] = "neo";
    int parity = (int)(strchr(letters, s->parity) - letters);
    int flow = (int)s->flow;
    if (!yaml_read_int(d, map, "baud", false, 50, 4000000, &s->baud, e) ||
        !yaml_read_int(d, map, "bits", false, 5, 8, &s->bits, e) ||
        !yaml_read_choice(d, map, "parity", false, parity_names, &parity, e) ||
        !yaml_read_int(d, map, "stop_bits", false, 1, 2, &s->stop_bits, e) ||
        !yaml_read_choice(d, map, "flow", false, flow_names, &flow, e) ||
        !read_control_line(d, map, "dtr", &s->dtr, e) ||
        !read_control_line(d, map, "rts", &s->rts, e)) {
        return false;
    }
    if (flow == FLOW_DTR_DSR) {
        return yaml_fail(d, yaml_get(map, "flow"), e,
                         "flow: dtr-dsr is something that this system has for no serial port; set "
                         "the instrument to rts-cts, xon-xoff or none and write that");
    }
    s->parity = letters[parity];
    s->flow = (enum link_flow)flow;
    return true;
}

/* A half-width or a rating: a magnitude. */
static bool read_magnitude(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                           enum dimension dimension, double *out, struct err *e)
{
    double value = *out;
    if (!yaml_read_value(d, map, key, false, dimension, &value, e)) {
        return false;
    }
    if (yaml_get(map, key) != NULL && value < 0) {
        return yaml_fail(d, yaml_get(map, key), e, "%s cannot be negative", key);
    }
    *out = value;
    return true;
}

static bool read_rating(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                        enum dimension dimension, double *out, struct err *e)
{
    if (!read_magnitude(d, map, key, dimension, out, e)) {
        return false;
    }
    if (yaml_get(map, key) != NULL && *out <= 0) {
        return yaml_fail(
            d, yaml_get(map, key), e,
            "a rated %s of zero allows nothing; leave the key out when it is not known", key);
    }
    return true;
}

bool driver_read_ratings(const struct yaml_doc *d, const struct yaml_node *map, struct driver *out,
                         struct err *e)
{
    const struct yaml_node *ratings = yaml_get(map, "ratings");
    if (ratings == NULL) {
        return true;
    }
    return yaml_check_keys(d, ratings, ratings_keys, e) &&
           read_rating(d, ratings, "current", DIM_CURRENT, &out->current_max_A, e) &&
           read_rating(d, ratings, "voltage", DIM_VOLTAGE, &out->voltage_max_V, e) &&
           read_rating(d, ratings, "power", DIM_POWER, &out->power_max_W, e) &&
           read_magnitude(d, ratings, "minimum_voltage", DIM_VOLTAGE, &out->voltage_min_V, e);
}

struct pair {
    const char *key;
    enum dimension dimension;
    double *gain, *offset, *resolution;
};

static bool read_pair(const struct yaml_doc *d, const struct yaml_node *accuracy,
                      const struct pair *p, struct err *e)
{
    const struct yaml_node *map = yaml_get(accuracy, p->key);
    if (map == NULL) {
        return true;
    }
    return yaml_check_keys(d, map, pair_keys, e) &&
           read_magnitude(d, map, "gain", DIM_RATIO, p->gain, e) &&
           read_magnitude(d, map, "offset", p->dimension, p->offset, e) &&
           read_magnitude(d, map, "resolution", p->dimension, p->resolution, e);
}

/* Of what can be set and not read: only how finely it takes it. */
static bool read_resolution(const struct yaml_doc *d, const struct yaml_node *accuracy,
                            const char *key, enum dimension dimension, double *out, struct err *e)
{
    const struct yaml_node *map = yaml_get(accuracy, key);
    return map == NULL || (yaml_check_keys(d, map, resolution_keys, e) &&
                           read_magnitude(d, map, "resolution", dimension, out, e));
}

bool driver_read_accuracy(const struct yaml_doc *d, const struct yaml_node *map, struct driver *out,
                          struct err *e)
{
    const struct yaml_node *accuracy = yaml_get(map, "accuracy");
    if (accuracy == NULL) {
        return true;
    }
    const struct pair voltage = {"voltage", DIM_VOLTAGE, &out->voltage_gain, &out->voltage_offset_V,
                                 &out->voltage_resolution_V};
    const struct pair current = {"current", DIM_CURRENT, &out->current_gain, &out->current_offset_A,
                                 &out->current_resolution_A};
    if (!yaml_check_keys(d, accuracy, accuracy_keys, e) || !read_pair(d, accuracy, &voltage, e) ||
        !read_pair(d, accuracy, &current, e) ||
        !read_resolution(d, accuracy, "power", DIM_POWER, &out->power_resolution_W, e) ||
        !read_resolution(d, accuracy, "resistance", DIM_RESISTANCE, &out->resistance_resolution_ohm,
                         e)) {
        return false;
    }
    const struct yaml_node *temperature = yaml_get(accuracy, "temperature");
    return temperature == NULL || (yaml_check_keys(d, temperature, temperature_keys, e) &&
                                   read_magnitude(d, temperature, "offset", DIM_TEMPERATURE,
                                                  &out->temperature_offset_C, e));
}
