/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/page: HTML text that grows, with everything a person or an instrument wrote
 * escaped. Pure but for memory. */
#ifndef AMPLEDGER_REPORT_PAGE_H
#define AMPLEDGER_REPORT_PAGE_H

#include "base/err.h"

#include <stddef.h>

struct page {
    char *text; /* owned, NUL-terminated */
    size_t n, room;
};

/* Markup of our own, as it is. */
void page_put(struct page *p, const char *markup);
void page_format(struct page *p, const char *fmt, ...) PRINTF_LIKE(2, 3);
/* Any text, escaped; "+-", "degC" and "Ohm" become the signs a person writes. */
void page_text(struct page *p, const char *text);

/* <!doctype ...> to the begin of the sheet; `title` is any text, on paper at the foot of each
 * page with its number. No script, nothing from elsewhere; prints on A4 and Letter. */
void page_begin(struct page *p, const char *title);
void page_end(struct page *p);

/* <h2> */
void page_heading(struct page *p, const char *text);
/* A line of a list of facts; an unknown ("", "-") is left out. Between page_facts_begin and
 * page_facts_end. */
void page_facts_begin(struct page *p);
void page_fact(struct page *p, const char *name, const char *text);
void page_facts_end(struct page *p);

/* What stands beside each other where there is room for it: two of them, each with what
 * belongs to it. */
void page_pair_begin(struct page *p);
void page_pair_next(struct page *p);
void page_pair_end(struct page *p);
void page_paragraph(struct page *p, const char *text);

/* A table: headings, then cells row by row. `numeric`: one character a column, 'n' to the
 * right, 'm' in a fixed pitch, anything else to the left. */
struct page_table {
    const char *const *headings; /* NULL-terminated */
    const char *numeric;
    enum page_narrow {
        NARROW_WRAP,  /* on a phone its words are broken into lines */
        NARROW_SLIDE, /* ... it is moved to and fro */
        NARROW_STACK  /* ... the cells of a row stand below each other */
    } narrow;
};
void page_table_begin(struct page *p, const struct page_table *t);
void page_row(struct page *p, const struct page_table *t, const char *const *cells);
void page_table_end(struct page *p);

#endif
