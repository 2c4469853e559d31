/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver_keys: keys that a driver file and one instrument of
 * bench.yaml share, so that a bench may say more about its own instrument. */
#ifndef AMPLEDGER_INSTRUMENT_DRIVER_KEYS_H
#define AMPLEDGER_INSTRUMENT_DRIVER_KEYS_H

#include "base/yaml.h"
#include "instrument/driver.h"

/* The words of the port alone: "baud", "bits", "parity", "stop_bits", "flow",
 * "dtr", "rts"; NULL-terminated. */
extern const char *const driver_port_keys[];

/* Read those keys of `map` that are there into *s. */
bool driver_read_port(const struct yaml_doc *d, const struct yaml_node *map,
                      struct link_settings *s, struct err *e) NODISCARD;

/* Read the maps `ratings` and `accuracy` of `map`, where there, over what the
 * driver holds. */
bool driver_read_ratings(const struct yaml_doc *d, const struct yaml_node *map, struct driver *out,
                         struct err *e) NODISCARD;
bool driver_read_accuracy(const struct yaml_doc *d, const struct yaml_node *map, struct driver *out,
                          struct err *e) NODISCARD;

#endif
