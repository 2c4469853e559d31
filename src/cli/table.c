/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/table: aligned columns and wrapped lines. */
#include "cli/table.h"

#include "base/file.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define GAP 2
#define LAST_LEAST 24 /* narrowest last column */

struct table {
    const struct column *columns;
    size_t columns_n, rows_n;
    char **cells; /* row by row */
    size_t *width;
};

struct table *table_new(const struct column *columns, size_t count)
{
    struct table *t = zalloc(sizeof *t);
    t->columns = columns;
    t->columns_n = count;
    t->width = zalloc(count * sizeof *t->width);
    for (size_t i = 0; i < count; i++) {
        t->width[i] = columns[i].heading != NULL ? text_width(columns[i].heading) : 0;
    }
    return t;
}

void table_add(struct table *t, const char *const *cells)
{
    size_t n = t->columns_n;
    char **more = zalloc((t->rows_n + 1) * n * sizeof *more);
    if (t->cells != NULL) {
        memcpy(more, t->cells, t->rows_n * n * sizeof *more);
    }
    free(t->cells);
    t->cells = more;
    for (size_t i = 0; i < n; i++) {
        size_t width = text_width(cells[i]);
        t->cells[t->rows_n * n + i] = text_copy(cells[i]);
        t->width[i] = width > t->width[i] ? width : t->width[i];
    }
    t->rows_n++;
}

size_t text_width(const char *text)
{
    size_t n = 0;
    for (; *text != '\0'; text++) {
        n += ((unsigned char)*text & 0xC0) != 0x80;
    }
    return n;
}

static void spaces(size_t n, FILE *f)
{
    for (size_t i = 0; i < n; i++) {
        fputc(' ', f);
    }
}

/* Words of `text` in lines of `width`; prints `indent` spaces before each line
 * but the first. A word longer than a line stands alone. */
static void print_words(const char *text, size_t indent, size_t width, FILE *f)
{
    size_t used = 0;
    while (*text != '\0') {
        size_t n = strcspn(text, " \n");
        char *word = zalloc(n + 1);
        memcpy(word, text, n);
        size_t wide = text_width(word);
        if (used > 0 && used + 1 + wide > width) {
            fputc('\n', f);
            spaces(indent, f);
            used = 0;
        }
        if (used > 0 && wide > 0) {
            fputc(' ', f);
            used++;
        }
        fputs(word, f);
        used += wide;
        free(word);
        text += n;
        text += *text != '\0';
    }
    fputc('\n', f);
}

void print_wrapped(const char *before, const char *text, FILE *f)
{
    size_t indent = text_width(before);
    fputs(before, f);
    print_words(text, indent, indent + LAST_LEAST < PAGE_WIDTH ? PAGE_WIDTH - indent : LAST_LEAST,
                f);
}

/* Columns up to the last that holds something: lines have no blank tail. */
static size_t columns_used(const struct table *t, const char *const *cells)
{
    size_t n = t->columns_n;
    while (n > 0 && cells[n - 1][0] == '\0') {
        n--;
    }
    return n;
}

static void print_row(const struct table *t, const char *const *cells, size_t indent, FILE *f)
{
    size_t used = columns_used(t, cells);
    size_t at = indent;
    spaces(used > 0 ? indent : 0, f);
    for (size_t i = 0; i < used; i++) {
        size_t pad = t->width[i] - text_width(cells[i]);
        bool wraps = i + 1 == t->columns_n && t->columns[i].align == LEFT;
        spaces(t->columns[i].align == RIGHT ? pad : 0, f);
        if (wraps) {
            print_words(cells[i], at, at + LAST_LEAST < PAGE_WIDTH ? PAGE_WIDTH - at : LAST_LEAST,
                        f);
            return;
        }
        fputs(cells[i], f);
        if (i + 1 < used) {
            spaces((t->columns[i].align == LEFT ? pad : 0) + GAP, f);
        }
        at += t->width[i] + GAP;
    }
    fputc('\n', f);
}

static void print_headings(const struct table *t, size_t indent, FILE *f)
{
    const char **cells = zalloc(t->columns_n * sizeof *cells);
    for (size_t i = 0; i < t->columns_n; i++) {
        cells[i] = t->columns[i].heading != NULL ? t->columns[i].heading : "";
    }
    print_row(t, cells, indent, f);
    free(cells);
}

void table_print(struct table *t, size_t indent, FILE *f)
{
    if (t->columns[0].heading != NULL) {
        print_headings(t, indent, f);
    }
    for (size_t r = 0; r < t->rows_n; r++) {
        const char **cells = zalloc(t->columns_n * sizeof *cells);
        for (size_t i = 0; i < t->columns_n; i++) {
            cells[i] = t->cells[r * t->columns_n + i];
        }
        print_row(t, cells, indent, f);
        free(cells);
        for (size_t i = 0; i < t->columns_n; i++) {
            free(t->cells[r * t->columns_n + i]);
        }
    }
    free(t->cells);
    free(t->width);
    free(t);
}

void text_cut_to(char *text, size_t width)
{
    size_t n = 0, characters = 0;
    for (; text[n] != '\0'; n++) {
        characters += ((unsigned char)text[n] & 0xC0) != 0x80;
        if (characters > width) {
            break;
        }
    }
    text[n] = '\0';
    while (n > 0 && text[n - 1] == ' ') {
        text[--n] = '\0';
    }
}
