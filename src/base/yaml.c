/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/yaml: looking at the tree, and saying what is wrong with it. */
#include "base/yaml.h"

#include "base/file.h"
#include "base/utf8.h"
#include "base/yaml_tree.h"

#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const struct yaml_node *yaml_root(const struct yaml_doc *d)
{
    return d->root;
}

const char *yaml_source(const struct yaml_doc *d, size_t *n)
{
    if (n != NULL) {
        *n = d->source_size;
    }
    return d->source;
}

const char *yaml_name(const struct yaml_doc *d)
{
    return d->name;
}

enum yaml_kind yaml_node_kind(const struct yaml_node *n)
{
    return n->kind;
}

int yaml_line(const struct yaml_node *n)
{
    return n->line;
}

int yaml_column(const struct yaml_node *n)
{
    return n->column;
}

size_t yaml_count(const struct yaml_node *n)
{
    return n->kind == YAML_MAP ? n->count / 2 : n->count;
}

const struct yaml_node *yaml_item(const struct yaml_node *list, size_t i)
{
    return list->kind == YAML_LIST && i < list->count ? list->child[i] : NULL;
}

static const struct yaml_node *map_child(const struct yaml_node *map, size_t i)
{
    return map->kind == YAML_MAP && i < map->count ? map->child[i] : NULL;
}

const struct yaml_node *yaml_key_at(const struct yaml_node *map, size_t i)
{
    return map_child(map, 2 * i);
}

const struct yaml_node *yaml_value_at(const struct yaml_node *map, size_t i)
{
    return map_child(map, 2 * i + 1);
}

const struct yaml_node *yaml_get(const struct yaml_node *map, const char *key)
{
    if (map == NULL || map->kind != YAML_MAP) {
        return NULL;
    }
    for (size_t i = 0; i + 1 < map->count; i += 2) {
        if (strcmp(map->child[i]->text, key) == 0) {
            return map->child[i + 1];
        }
    }
    return NULL;
}

const char *yaml_text(const struct yaml_node *n)
{
    return n->kind == YAML_TEXT ? n->text : "";
}

/* --- saying where --- */

#define SHOWN_MOST 100  /* characters of a line that are shown */
#define SHOWN_BEFORE 60 /* of these, before the caret */
#define NAME_MOST 120
#define MESSAGE_MOST 500

struct sentence {
    char *text;
    size_t n, size;
};

static void add(struct sentence *s, const char *bytes, size_t n)
{
    if (s->n + n >= s->size) {
        return;
    }
    memcpy(s->text + s->n, bytes, n);
    s->n += n;
    s->text[s->n] = '\0';
}

static void add_words(struct sentence *s, const char *words)
{
    add(s, words, strlen(words));
}

static bool ends_line(const char *p)
{
    return *p == '\0' || *p == '\r' || *p == '\n';
}

/* One character of the line; what is no text is shown as a question mark. */
static const char *add_character(struct sentence *s, const char *p)
{
    uint32_t code = 0;
    size_t used = utf8_decode(p, strlen(p), &code);
    bool plain = used > 0 && (code == '\t' || (code >= 0x20 && code != 0x7F));
    add(s, plain ? p : "?", plain ? used : 1);
    return p + (used > 0 ? used : 1);
}

static void add_text(struct sentence *s, const char *p)
{
    while (*p != '\0') {
        p = add_character(s, p);
    }
}

/* What stands under a character to get below the next one: a tab under a tab,
 * nothing under an accent that joins the letter before it. */
static const char *blank_under(const char *p)
{
    static const char *const blanks[] = {"", " ", "  "};
    uint32_t code = ' ';
    utf8_decode(p, strlen(p), &code);
    return code == '\t' ? "\t" : blanks[utf8_width(code)];
}

/* The line with a caret under the column; of a long line, the part around it. */
static void add_line_and_caret(const struct yaml_doc *d, const struct yaml_node *at,
                               struct sentence *s)
{
    int first = at->column > SHOWN_BEFORE ? at->column - SHOWN_BEFORE : 1;
    const char *p = yaml_find(d->source, at->line, first);
    char under[2 * SHOWN_BEFORE + 16] = "\n    ";
    struct sentence caret = {under, 5, sizeof under};
    if (ends_line(yaml_find(d->source, at->line, 1))) {
        return;
    }
    add_words(s, first > 1 ? "\n    ..." : "\n    ");
    add_words(&caret, first > 1 ? "   " : "");
    for (int i = 0; i < SHOWN_MOST && !ends_line(p); i++) {
        if (first + i < at->column) {
            add_words(&caret, blank_under(p));
        }
        p = add_character(s, p);
    }
    add_words(s, ends_line(p) ? "" : "...");
    add_words(&caret, "^");
    add_words(s, under);
}

/* A path keeps its end, where the name of the file is. */
static void add_name(struct sentence *s, const char *name)
{
    size_t n = strlen(name);
    if (n > NAME_MOST) {
        name += n - NAME_MOST;
        while (((unsigned char)*name & 0xC0) == 0x80) {
            name++; /* not in the middle of a character */
        }
        add_words(s, "...");
    }
    add_text(s, name);
}

bool yaml_fail(const struct yaml_doc *d, const struct yaml_node *at, struct err *e, const char *fmt,
               ...)
{
    if (e == NULL) {
        return false;
    }
    char message[MESSAGE_MOST];
    char where[48];
    char text[ERR_TEXT_SIZE] = "";
    struct sentence s = {text, 0, sizeof text};
    va_list args;
    va_start(args, fmt);
    vsnprintf(message, sizeof message, fmt, args);
    va_end(args);
    text_format(where, sizeof where, ":%d:%d: ", at->line, at->column);
    add_name(&s, d->name);
    add_text(&s, where);
    add_text(&s, message);
    add_line_and_caret(d, at, &s);
    return err_set(e, ERR_CONFIG, "%s", text);
}

/* --- near words --- */

static size_t least(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Edits (insert, delete, change, swap neighbours) that turn a into b: optimal
 * string alignment; any textbook. Capitals do not count. Words here are short. */
#define WORD_MOST 63
static char lower(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static bool same(char a, char b)
{
    return lower(a) == lower(b);
}

static size_t edits(const char *a, const char *b)
{
    size_t d[WORD_MOST + 1][WORD_MOST + 1];
    size_t n = strlen(a);
    size_t m = strlen(b);
    if (n > WORD_MOST || m > WORD_MOST) {
        return SIZE_MAX;
    }
    for (size_t i = 0; i <= n; i++) {
        for (size_t j = 0; j <= m; j++) {
            if (i == 0 || j == 0) {
                d[i][j] = i + j;
                continue;
            }
            size_t change = d[i - 1][j - 1] + (same(a[i - 1], b[j - 1]) ? 0 : 1);
            d[i][j] = least(change, least(d[i - 1][j], d[i][j - 1]) + 1);
            if (i > 1 && j > 1 && same(a[i - 1], b[j - 2]) && same(a[i - 2], b[j - 1])) {
                d[i][j] = least(d[i][j], d[i - 2][j - 2] + 1);
            }
        }
    }
    return d[n][m];
}

const char *nearest_word(const char *word, const char *const *known)
{
    const char *best = NULL;
    size_t best_edits = SIZE_MAX;
    for (size_t i = 0; known[i] != NULL; i++) {
        size_t e = edits(word, known[i]);
        if (e < best_edits) {
            best_edits = e;
            best = known[i];
        }
    }
    /* A third of the longer of the two, rounded, may be wrong; more is no resemblance. Something
     * of the word must be left: one letter is not a slip for any other. */
    size_t n = strlen(word);
    size_t longer = best != NULL && strlen(best) > n ? strlen(best) : n;
    return best_edits <= least(3, (longer + 1) / 3) && best_edits < n ? best : NULL;
}

/* Whole words only; those that do not fit become "...". */
static void list_words(const char *const *known, char *out, size_t size)
{
    out[0] = '\0';
    for (size_t i = 0; known[i] != NULL; i++) {
        size_t used = strlen(out);
        if (used + strlen(known[i]) + sizeof ", , ..." > size) {
            text_format(out + used, size - used, ", ...");
            return;
        }
        text_format(out + used, size - used, "%s%s", i == 0 ? "" : ", ", known[i]);
    }
}

static bool fail_unknown(const struct yaml_doc *d, const struct yaml_node *at, const char *what,
                         const char *const *known, struct err *e)
{
    const char *near = nearest_word(at->text, known);
    if (near != NULL) {
        return yaml_fail(d, at, e, "unknown %s \"%.60s\"; did you mean \"%s\"?", what, at->text,
                         near);
    }
    char words[400];
    list_words(known, words, sizeof words);
    return yaml_fail(d, at, e, "unknown %s \"%.60s\"; known are %s", what, at->text, words);
}

bool yaml_check_keys(const struct yaml_doc *d, const struct yaml_node *map,
                     const char *const *known, struct err *e)
{
    if (map->kind != YAML_MAP) {
        char words[400];
        list_words(known, words, sizeof words);
        return yaml_fail(d, map, e, "keys with values are wanted here: %s", words);
    }
    for (size_t i = 0; i + 1 < map->count; i += 2) {
        size_t k = 0;
        while (known[k] != NULL && strcmp(known[k], map->child[i]->text) != 0) {
            k++;
        }
        if (known[k] == NULL) {
            return fail_unknown(d, map->child[i], "key", known, e);
        }
    }
    return true;
}

/* --- typed reads --- */

/* Finds the text of a key. False when it fails; *found tells the two goods apart. */
static bool find_text(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                      bool required, const struct yaml_node **found, struct err *e)
{
    *found = yaml_get(map, key);
    if (*found == NULL) {
        return !required ||
               yaml_fail(d, map != NULL ? map : d->root, e, "the key \"%s\" is missing here", key);
    }
    if ((*found)->kind != YAML_TEXT || (*found)->text[0] == '\0') {
        return yaml_fail(d, *found, e, "\"%s\" wants one value", key);
    }
    return true;
}

bool yaml_read_text(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                    bool required, char *out, size_t size, struct err *e)
{
    const struct yaml_node *n = NULL;
    if (!find_text(d, map, key, required, &n, e) || n == NULL) {
        return n == NULL && !required;
    }
    if (!text_format(out, size, "%s", n->text)) {
        return yaml_fail(d, n, e, "\"%s\" is too long (at most %zu characters)", key, size - 1);
    }
    return true;
}

bool yaml_read_choice(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                      bool required, const char *const *words, int *out, struct err *e)
{
    const struct yaml_node *n = NULL;
    if (!find_text(d, map, key, required, &n, e) || n == NULL) {
        return n == NULL && !required;
    }
    for (int i = 0; words[i] != NULL; i++) {
        if (strcmp(words[i], n->text) == 0) {
            *out = i;
            return true;
        }
    }
    return fail_unknown(d, n, key, words, e);
}

bool yaml_read_bool(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                    bool required, bool *out, struct err *e)
{
    static const char *const words[] = {"no", "yes", "false", "true", "off", "on", NULL};
    int i = -1; /* stays so when the key is absent */
    if (!yaml_read_choice(d, map, key, required, words, &i, e)) {
        return false;
    }
    if (i >= 0) {
        *out = i % 2 == 1;
    }
    return true;
}

bool yaml_read_int(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                   bool required, int min, int max, int *out, struct err *e)
{
    const struct yaml_node *n = NULL;
    if (!find_text(d, map, key, required, &n, e) || n == NULL) {
        return n == NULL && !required;
    }
    char *end = NULL;
    long v = strtol(n->text, &end, 10);
    if (strspn(n->text, "+-0123456789") == 0 || end == n->text || *end != '\0' || v < min ||
        v > max) {
        return yaml_fail(d, n, e, "\"%s\" wants a whole number from %d to %d", key, min, max);
    }
    *out = (int)v;
    return true;
}

bool yaml_read_quantity(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                        bool required, unsigned allowed, struct quantity *out, struct err *e)
{
    const struct yaml_node *n = NULL;
    struct err why = {0};
    if (!find_text(d, map, key, required, &n, e) || n == NULL) {
        return n == NULL && !required;
    }
    if (!quantity_parse_as(n->text, allowed, out, &why)) {
        return yaml_fail(d, n, e, "%s", why.text);
    }
    return true;
}

bool yaml_read_value(const struct yaml_doc *d, const struct yaml_node *map, const char *key,
                     bool required, enum dimension dimension, double *out, struct err *e)
{
    struct quantity q;
    if (!yaml_read_quantity(d, map, key, required, DIM_BIT(dimension), &q, e)) {
        return false;
    }
    if (yaml_get(map, key) != NULL) {
        *out = q.value;
    }
    return true;
}
