/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bench_load: what the parts of the bench.yaml reader share. Inside the room. */
#ifndef AMPLEDGER_BENCH_BENCH_LOAD_H
#define AMPLEDGER_BENCH_BENCH_LOAD_H

#include "base/yaml.h"
#include "bench/bench.h"

struct bench_loading {
    const struct yaml_doc *doc;
    struct bench *b;
};

/* The driver of that name, loaded once; borrowed. NULL + *e naming `at`. */
const struct driver *bench_driver(const struct bench_loading *l, const struct yaml_node *at,
                                  struct err *e);

/* One item of `stands` into *s; instruments made before a failure are in *s. */
bool bench_read_stand(const struct bench_loading *l, const struct yaml_node *map,
                      struct stand_config *s, struct err *e) NODISCARD;

/* `events`, if any, into l->b->events. */
bool bench_read_events(const struct bench_loading *l, struct err *e) NODISCARD;

/* `socket` and `http`: where orders are taken. */
bool bench_read_socket(const struct bench_loading *l, struct err *e) NODISCARD;
bool bench_read_http(const struct bench_loading *l, struct err *e) NODISCARD;
/* A file of a key, beside bench.yaml; out is unchanged where the key is not given. */
bool bench_read_path(const struct bench_loading *l, const struct yaml_node *map, const char *key,
                     char out[PATH_SIZE], struct err *e) NODISCARD;

#define ADDRESS_SIZE (PATH_SIZE + 16)
/* Put into out the address of a link with its path beside bench.yaml. The
 * message is a bare sentence. */
bool bench_resolve_link(const char *bench_path, const char *link, char out[ADDRESS_SIZE],
                        struct err *e) NODISCARD;
/* The path in an address, "/dev/ttyUSB0"; NULL when it has none. */
const char *bench_link_path(const char *address);

/* bench/follower: frees the connection to the virtual bench; NULL is fine. */
void follower_free(struct follower *f);

#endif
