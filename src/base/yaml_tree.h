/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/yaml_tree: the tree itself, for yaml_tree.c which builds it and yaml.c
 * which reads it. Nobody else looks inside. */
#ifndef AMPLEDGER_BASE_YAML_TREE_H
#define AMPLEDGER_BASE_YAML_TREE_H

#include "base/yaml.h"

struct yaml_node {
    enum yaml_kind kind;
    int line, column;
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

#endif
