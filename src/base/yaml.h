/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/yaml: the files a person writes, as a tree that remembers where each
 * word stood, so that a mistake is shown with its line and a caret.
 *
 * Hides libyaml. One document per file. Anchors, aliases, tags and duplicate
 * keys are refused; file size (1 MiB), depth (20) and number of nodes (20000)
 * are bounded, since files may come from strangers. Nodes are owned by the
 * document. (libyaml itself has a yaml_free: ours is named yaml_doc_free.) */
#ifndef AMPLEDGER_BASE_YAML_H
#define AMPLEDGER_BASE_YAML_H

#include "base/err.h"
#include "base/quantity.h"

#include <stddef.h>

struct yaml_doc;
struct yaml_node;

enum yaml_kind { YAML_TEXT, YAML_LIST, YAML_MAP };

/* Reads a file (or a text under a name for messages). Returns owned *out. */
bool yaml_load_file(const char *path, struct yaml_doc **out, struct err *e) NODISCARD;
bool yaml_load_text(const char *name, const char *text, size_t n, struct yaml_doc **out,
                    struct err *e) NODISCARD;
void yaml_doc_free(struct yaml_doc *d);

const struct yaml_node *yaml_root(const struct yaml_doc *d);
/* The whole text as read, without a byte order mark, NUL-terminated; borrowed. */
const char *yaml_source(const struct yaml_doc *d, size_t *n);
const char *yaml_name(const struct yaml_doc *d);

enum yaml_kind yaml_node_kind(const struct yaml_node *n);
int yaml_line(const struct yaml_node *n);     /* 1-based */
int yaml_column(const struct yaml_node *n);   /* 1-based */
size_t yaml_count(const struct yaml_node *n); /* entries of a list or map; 0 for text */
/* NULL beyond the last, and for a node of another kind. */
const struct yaml_node *yaml_item(const struct yaml_node *list, size_t i);
const struct yaml_node *yaml_key_at(const struct yaml_node *map, size_t i);
const struct yaml_node *yaml_value_at(const struct yaml_node *map, size_t i);
/* Value of a key, or NULL. NULL map gives NULL. */
const struct yaml_node *yaml_get(const struct yaml_node *map, const char *key);
/* Text of a scalar, borrowed; "" for lists and maps. */
const char *yaml_text(const struct yaml_node *n);

/* Fill *e with "FILE:LINE:COL: message", the line (of a long one, the part around
 * the place), and a caret. Returns false. */
bool yaml_fail(const struct yaml_doc *d, const struct yaml_node *at, struct err *e, const char *fmt,
               ...) PRINTF_LIKE(4, 5);

/* Insist on a map that has only keys from `known` (NULL-terminated); an unknown
 * key is refused with the nearest known one suggested. */
bool yaml_check_keys(const struct yaml_doc *d, const struct yaml_node *map,
                     const char *const *known, struct err *e) NODISCARD;

/* Typed reads of one key of a map. `required` false: an absent key leaves *out
 * as it was and succeeds. */
bool yaml_read_text(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                    bool required, char *out, size_t size, struct err *e) NODISCARD;
bool yaml_read_bool(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                    bool required, bool *out,
                    struct err *e) NODISCARD; /* yes/no, true/false, on/off */
bool yaml_read_int(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                   bool required, int min, int max, int *out, struct err *e) NODISCARD;
bool yaml_read_quantity(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                        bool required, unsigned allowed, struct quantity *out,
                        struct err *e) NODISCARD;
/* As above for one fixed dimension; *out in house units. */
bool yaml_read_value(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                     bool required, enum dimension dimension, double *out, struct err *e) NODISCARD;
/* One word of a NULL-terminated list; *out becomes its index. */
bool yaml_read_choice(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                      bool required, const char *const *words, int *out, struct err *e) NODISCARD;

/* The entry of `known` nearest to `word` by edit distance, or NULL if none is near. */
const char *nearest_word(const char *word, const char *const *known);

#endif
