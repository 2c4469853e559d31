/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/table: aligned columns and wrapped lines, 80 columns wide. Widths count
 * characters, not bytes. */
#ifndef AMPLEDGER_CLI_TABLE_H
#define AMPLEDGER_CLI_TABLE_H

#include <stddef.h>
#include <stdio.h>

#define PAGE_WIDTH 80

enum align { LEFT, RIGHT };

struct column {
    const char *heading; /* NULL: no heading line when the first has none */
    enum align align;
};

struct table;

/* `columns` is borrowed. */
struct table *table_new(const struct column *columns, size_t count);
/* One text per column; copied. */
void table_add(struct table *t, const char *const *cells);
/* Prints and frees. The last column is wrapped where it would leave the page. */
void table_print(struct table *t, size_t indent, FILE *f);

/* `text` after `before`; further lines are indented as wide as `before`. */
void print_wrapped(const char *before, const char *text, FILE *f);

/* Characters of a UTF-8 text. */
size_t text_width(const char *text);
/* At most so many of them stay, and no spaces at the end. */
void text_cut_to(char *text, size_t width);

#endif
