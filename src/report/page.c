/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/page: HTML text, escaped, in a layout of our own. */
#include "report/page.h"

#include "base/file.h"

#include <ctype.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define ROOM_FIRST 65536

static void make_room(struct page *p, size_t more)
{
    if (p->n + more + 1 <= p->room) {
        return;
    }
    size_t room = p->room > 0 ? 2 * p->room : ROOM_FIRST;
    while (room < p->n + more + 1) {
        room *= 2;
    }
    char *grown = zalloc(room);
    if (p->text != NULL) {
        memcpy(grown, p->text, p->n);
        free(p->text);
    }
    p->text = grown;
    p->room = room;
}

static void put_bytes(struct page *p, const char *bytes, size_t n)
{
    make_room(p, n);
    memcpy(p->text + p->n, bytes, n);
    p->n += n;
    p->text[p->n] = '\0';
}

void page_put(struct page *p, const char *markup)
{
    put_bytes(p, markup, strlen(markup));
}

void page_format(struct page *p, const char *fmt, ...)
{
    va_list ap;
    va_start(ap, fmt);
    int n = vsnprintf(NULL, 0, fmt, ap);
    va_end(ap);
    if (n <= 0) {
        return;
    }
    make_room(p, (size_t)n);
    va_start(ap, fmt);
    vsnprintf(p->text + p->n, (size_t)n + 1, fmt, ap);
    va_end(ap);
    p->n += (size_t)n;
}

/* What is written otherwise: the first that fits at this place. */
static const struct {
    const char *from, *to;
} written[] = {
    {"&", "&amp;"}, {"<", "&lt;"},  {">", "&gt;"},  {"\"", "&quot;"}, {"'", "&#39;"},
    {"+-", "±"},    {"degC", "°C"}, {"mOhm", "mΩ"}, {" Ohm", " Ω"},
};

void page_text(struct page *p, const char *text)
{
    while (*text != '\0') {
        size_t i = 0, count = sizeof written / sizeof written[0];
        while (i < count && strncmp(text, written[i].from, strlen(written[i].from)) != 0) {
            i++;
        }
        if (i < count) {
            page_put(p, written[i].to);
            text += strlen(written[i].from);
        } else {
            put_bytes(p, text++, 1);
        }
    }
}

static const char style[] =
    "<style>"
    ":root{--ink:#20272d;--soft:#5c6770;--line:#d9dee2;--paper:#fff;--band:#f4f6f7;"
    "--pass:#1d6b45;--fail:#a3262a;--open:#8a5a00}"
    "*{box-sizing:border-box}"
    "body{margin:0;background:#eef1f3;color:var(--ink);"
    "font:15px/1.45 \"Liberation Sans\",Arial,Helvetica,sans-serif}"
    "main{max-width:52rem;margin:1.5rem auto;background:var(--paper);padding:2rem 2.25rem 1.5rem}"
    "header{border-bottom:1px solid var(--line);padding-bottom:1rem;margin-bottom:1rem}"
    ".kind{color:var(--soft);font-size:.85rem}"
    "h1{font-size:1.6rem;line-height:1.2;margin:.1rem 0 .2rem;overflow-wrap:anywhere}"
    "h2{font-size:1.05rem;margin:1.6rem 0 .4rem}"
    "p{margin:.35rem 0}"
    ".say{display:flex;flex-wrap:wrap;gap:.4rem 1.2rem;align-items:baseline;margin:.8rem 0 .3rem}"
    ".verdict{font-weight:700;font-size:1.2rem;padding:.15rem .7rem;border-radius:.3rem;"
    "color:#fff;background:var(--soft)}"
    ".pass{background:var(--pass)}.fail{background:var(--fail)}.undecided{background:var(--open)}"
    ".practice{border:2px solid var(--open);color:var(--open);padding:.3rem .7rem;margin-top:0}"
    ".figure{font-size:1.5rem;font-weight:700}"
    ".aside{color:var(--soft)}"
    "dl{display:grid;grid-template-columns:max-content 1fr;gap:.15rem 1.2rem;margin:.3rem 0}"
    "dt{color:var(--soft)}dd{margin:0;overflow-wrap:anywhere}"
    ".pair{display:grid;grid-template-columns:1fr 1fr;gap:0 2rem}.pair>div{min-width:0}"
    ".wide{overflow-x:auto}"
    "table{border-collapse:collapse;width:100%;font-size:.87rem;font-variant-numeric:tabular-nums}"
    "th{text-align:left;color:var(--soft);font-weight:400;border-bottom:1px solid var(--line)}"
    "td{border-bottom:1px solid var(--band);vertical-align:top}"
    "th,td{padding:.22rem .8rem .22rem 0}"
    "th:last-child,td:last-child{padding-right:0}"
    ".n{text-align:right;white-space:nowrap}"
    ".m{font-family:\"Liberation Mono\",monospace;font-size:.78rem;overflow-wrap:anywhere}"
    "svg{display:block;width:100%;height:auto;margin:.3rem 0}"
    "svg text{font:11px \"Liberation Sans\",Arial,sans-serif;fill:var(--soft)}"
    "ul{margin:.3rem 0;padding-left:1.1rem}li{margin:.15rem 0}"
    "footer{margin-top:1.6rem;border-top:1px solid var(--line);padding-top:.6rem;"
    "color:var(--soft);font-size:.8rem}"
    "@media(max-width:40rem){main{margin:0;padding:1rem}h1{font-size:1.3rem}"
    ".figure{font-size:1.2rem}.pair{grid-template-columns:1fr}dl{gap:.15rem .8rem}"
    ".slide::before{content:\"slides sideways \\2192\";position:sticky;left:0;"
    "color:var(--soft);font-size:.8rem}.slide table{white-space:nowrap}.stack thead{display:none}"
    ".stack tr,.stack td{display:block;padding:0}.stack tr{padding:.3rem 0}"
    ".stack td{border:0}.stack tr{border-bottom:1px solid var(--band)}"
    ".stack td:first-child{color:var(--soft)}"
    "svg text{font-size:19px}}"
    "@media print{@page{size:auto;margin:10mm 14mm 11mm}body{background:none;font-size:8.6pt;"
    "line-height:1.29}main{max-width:none;margin:0;padding:0}h1{font-size:15pt}h2{margin:.7em 0 "
    ".25em;font-size:10pt}.figure{font-size:14pt}.verdict{font-size:11pt;"
    "-webkit-print-color-adjust:exact;print-color-adjust:exact}table{font-size:7.8pt}"
    ".practice{border-width:1px;padding:.3mm 2mm;margin:0 0 1mm}"
    ".m{font-size:6.6pt}th,td{padding:.1rem .6rem .1rem 0}h2{break-after:avoid}"
    "tr,li,svg{break-inside:avoid}.wide{overflow:visible}.pair{gap:0 8mm}dl{gap:0 4mm}"
    "header{padding-bottom:2mm;margin-bottom:2mm}footer{margin-top:3mm;padding-top:1mm;"
    "font-size:7.4pt}svg{max-height:66mm}p{margin:.5mm 0}}"
    "</style>";

/* As a string of CSS: all but letters and digits by their numbers, so nothing ends it early. */
static void put_css_text(struct page *p, const char *text)
{
    page_put(p, "\"");
    for (const char *c = text; *c != '\0'; c++) {
        unsigned char byte = (unsigned char)*c;
        if (byte < 0x80 && !isalnum(byte)) {
            page_format(p, "\\%02x ", byte);
        } else {
            put_bytes(p, c, 1);
        }
    }
    page_put(p, "\"");
}

/* Browsers that know no boxes in the margin leave it out. */
static void put_foot_of_pages(struct page *p, const char *title)
{
    page_put(p, "<style>@media print{@page{@bottom-left{content:");
    put_css_text(p, title);
    page_put(p, ";font:7.4pt \"Liberation Sans\",Arial,sans-serif;color:#5c6770}"
                "@bottom-right{content:\"page \" counter(page) \" of \" counter(pages);"
                "font:7.4pt \"Liberation Sans\",Arial,sans-serif;color:#5c6770}}}</style>");
}

void page_begin(struct page *p, const char *title)
{
    page_put(p, "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">"
                "<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\"><title>");
    page_text(p, title);
    page_put(p, "</title>");
    page_put(p, style);
    put_foot_of_pages(p, title);
    page_put(p, "</head>\n<body><main>\n");
}

void page_end(struct page *p)
{
    page_put(p, "</main></body></html>\n");
}

void page_heading(struct page *p, const char *text)
{
    page_put(p, "<h2>");
    page_text(p, text);
    page_put(p, "</h2>\n");
}

void page_pair_begin(struct page *p)
{
    page_put(p, "<div class=\"pair\"><div>\n");
}

void page_pair_next(struct page *p)
{
    page_put(p, "</div><div>\n");
}

void page_pair_end(struct page *p)
{
    page_put(p, "</div></div>\n");
}

void page_paragraph(struct page *p, const char *text)
{
    page_put(p, "<p>");
    page_text(p, text);
    page_put(p, "</p>\n");
}

void page_facts_begin(struct page *p)
{
    page_put(p, "<dl>");
}

void page_fact(struct page *p, const char *name, const char *text)
{
    if (text[0] == '\0' || strcmp(text, "-") == 0) {
        return;
    }
    page_put(p, "<dt>");
    page_text(p, name);
    page_put(p, "</dt><dd>");
    page_text(p, text);
    page_put(p, "</dd>\n");
}

void page_facts_end(struct page *p)
{
    page_put(p, "</dl>\n");
}

static void put_class(struct page *p, char kind)
{
    if (kind == 'n' || kind == 'm') {
        page_format(p, " class=\"%c\"", kind);
    }
}

void page_table_begin(struct page *p, const struct page_table *t)
{
    /* What slides is reached by keyboard too. */
    static const char *const narrow[] = {
        "class=\"wide\"",
        "class=\"wide slide\" role=\"group\" aria-label=\"Table that slides\" tabindex=\"0\"",
        "class=\"wide stack\""};
    page_format(p, "<div %s><table><thead><tr>", narrow[t->narrow]);
    for (size_t i = 0; t->headings[i] != NULL; i++) {
        page_put(p, "<th scope=\"col\"");
        put_class(p, t->numeric[i] == 'n' ? 'n' : ' ');
        page_put(p, ">");
        page_text(p, t->headings[i]);
        page_put(p, "</th>");
    }
    page_put(p, "</tr></thead><tbody>\n");
}

void page_row(struct page *p, const struct page_table *t, const char *const *cells)
{
    page_put(p, "<tr>");
    for (size_t i = 0; t->headings[i] != NULL; i++) {
        page_put(p, "<td");
        put_class(p, t->numeric[i]);
        page_put(p, ">");
        page_text(p, cells[i]);
        page_put(p, "</td>");
    }
    page_put(p, "</tr>\n");
}

void page_table_end(struct page *p)
{
    page_put(p, "</tbody></table></div>\n");
}
