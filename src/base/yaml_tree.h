/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/yaml_tree: the tree itself, for yaml_tree.c which builds it, yaml.c
 * which reads it and yaml_syntax.c which explains why there is none. Nobody
 * else looks inside. */
#ifndef AMPLEDGER_BASE_YAML_TREE_H
#define AMPLEDGER_BASE_YAML_TREE_H

#include "base/yaml.h"

#include <stdint.h>

struct yaml_node {
    enum yaml_kind kind;
    int line, column;         /* columns count characters, not bytes */
    char *text;               /* YAML_TEXT */
    struct yaml_node **child; /* list: entries; map: key, value, key, value, ... */
    size_t count, room;
};

struct yaml_doc {
    char *name;
    char *source;
    size_t source_size;
    struct yaml_node *root;
};

/* A place in the text, as a node where yaml_fail() wants one. */
struct yaml_node yaml_place(size_t line_from_0, size_t column_from_0);

/* The character at a place, or the end of its line or of the text. */
const char *yaml_find(const char *source, int line, int column);

/* May this character stand in a file, written as it is or as an escape? */
bool yaml_is_allowed(uint32_t c);

/* Refuses bytes that are not UTF-8, and characters that YAML does not allow. */
bool yaml_check_bytes(const struct yaml_doc *d, struct err *e) NODISCARD;

/* What libyaml found wrong, and where; the context is where it began. */
struct yaml_slip {
    const char *problem; /* may be NULL */
    struct yaml_node at, context;
};

/* Says a slip in a person's words. Always returns false. */
bool yaml_fail_syntax(const struct yaml_doc *d, const struct yaml_slip *slip, struct err *e);

#endif
