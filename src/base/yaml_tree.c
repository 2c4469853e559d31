/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/yaml: building the tree from libyaml's events, within bounds. */
#include "base/yaml_tree.h"
#include "base/file.h"
#include "base/utf8.h"

#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#define SIZE_MOST ((size_t)1024 * 1024)
#define DEPTH_MOST 20 /* what four repeats, one within the other, take */
#define NODES_MOST 20000

struct builder {
    yaml_parser_t parser;
    struct yaml_doc *doc;
    size_t nodes;
    struct err *e;
};

static void node_free(struct yaml_node *n)
{
    if (n == NULL) {
        return;
    }
    for (size_t i = 0; i < n->count; i++) {
        node_free(n->child[i]);
    }
    free(n->child);
    free(n->text);
    free(n);
}

void yaml_doc_free(struct yaml_doc *d)
{
    if (d == NULL) {
        return;
    }
    node_free(d->root);
    free(d->name);
    free(d->source);
    free(d);
}

static bool fail_at(struct builder *b, yaml_mark_t mark, const char *message)
{
    struct yaml_node here = yaml_place(mark.line, mark.column);
    return yaml_fail(b->doc, &here, b->e, "%s", message);
}

static bool fail_syntax(struct builder *b)
{
    const yaml_parser_t *p = &b->parser;
    struct yaml_slip slip = {.problem = p->problem,
                             .at = yaml_place(p->problem_mark.line, p->problem_mark.column),
                             .context = yaml_place(p->context_mark.line, p->context_mark.column)};
    return yaml_fail_syntax(b->doc, &slip, b->e);
}

static bool next_event(struct builder *b, yaml_event_t *event)
{
    if (!yaml_parser_parse(&b->parser, event)) {
        return fail_syntax(b);
    }
    return true;
}

static void append(struct yaml_node *parent, struct yaml_node *child)
{
    if (parent->count == parent->room) {
        size_t room = parent->room == 0 ? 8 : 2 * parent->room;
        struct yaml_node **grown = zalloc(room * sizeof *grown);
        if (parent->count > 0) {
            memcpy(grown, parent->child, parent->count * sizeof *grown);
        }
        free(parent->child);
        parent->child = grown;
        parent->room = room;
    }
    parent->child[parent->count++] = child;
}

static struct yaml_node *node_new(struct builder *b, enum yaml_kind kind, yaml_mark_t mark)
{
    struct yaml_node *n = zalloc(sizeof *n);
    n->kind = kind;
    n->line = (int)mark.line + 1;
    n->column = (int)mark.column + 1;
    b->nodes++;
    return n;
}

static bool refuse_extras(struct builder *b, const yaml_char_t *anchor, const yaml_char_t *tag,
                          yaml_mark_t mark)
{
    if (anchor != NULL) {
        return fail_at(b, mark, "anchors (&name) are not used in these files; write the value out");
    }
    if (tag != NULL) {
        return fail_at(b, mark, "tags (!name) are not used in these files; leave it out");
    }
    return true;
}

static bool build(struct builder *b, const yaml_event_t *event, int depth, struct yaml_node **out);

static bool check_key(struct builder *b, const struct yaml_node *map, const struct yaml_node *key,
                      yaml_mark_t mark)
{
    if (key->kind != YAML_TEXT) {
        return fail_at(b, mark, "a key is a plain word");
    }
    if (key->text[0] == '\0') {
        return fail_at(b, mark, "a key is missing before the \":\"");
    }
    for (size_t i = 0; i + 1 < map->count; i += 2) {
        if (strcmp(map->child[i]->text, key->text) == 0) {
            char text[200];
            text_format(text, sizeof text, "the key \"%.60s\" stands here twice (first on line %d)",
                        key->text, map->child[i]->line);
            return fail_at(b, mark, text);
        }
    }
    return true;
}

static bool build_children(struct builder *b, struct yaml_node *parent, yaml_event_type_t last,
                           int depth)
{
    for (;;) {
        yaml_event_t event;
        struct yaml_node *child = NULL;
        if (!next_event(b, &event)) {
            return false;
        }
        bool done = event.type == last;
        bool is_key = parent->kind == YAML_MAP && parent->count % 2 == 0;
        bool ok = done || build(b, &event, depth + 1, &child);
        ok = ok && (done || !is_key || check_key(b, parent, child, event.start_mark));
        yaml_event_delete(&event);
        if (child != NULL) {
            append(parent, child);
        }
        if (!ok || done) {
            return ok;
        }
    }
}

/* What a terminal would act on stays out, however it was written: "\e" as the byte itself. */
static bool check_characters(struct builder *b, const char *text, yaml_mark_t mark)
{
    uint32_t c = 0;
    for (size_t used = 0; *text != '\0'; text += used) {
        used = utf8_decode(text, strlen(text), &c);
        if (used == 0 || !yaml_is_allowed(c)) {
            char why[64];
            text_format(why, sizeof why, "the character U+%04X cannot stand in a text",
                        (unsigned)c);
            return fail_at(b, mark, why);
        }
    }
    return true;
}

static bool build_text(struct builder *b, const yaml_event_t *event, struct yaml_node **out)
{
    if (!refuse_extras(b, event->data.scalar.anchor, event->data.scalar.tag, event->start_mark)) {
        return false;
    }
    if (strlen((const char *)event->data.scalar.value) != event->data.scalar.length) {
        return fail_at(b, event->start_mark, "a NUL character cannot stand in a text");
    }
    if (!check_characters(b, (const char *)event->data.scalar.value, event->start_mark)) {
        return false;
    }
    *out = node_new(b, YAML_TEXT, event->start_mark);
    (*out)->text = text_copy((const char *)event->data.scalar.value);
    return true;
}

static bool build(struct builder *b, const yaml_event_t *event, int depth, struct yaml_node **out)
{
    if (depth > DEPTH_MOST || b->nodes >= NODES_MOST) {
        return fail_at(b, event->start_mark,
                       depth > DEPTH_MOST ? "nested too deeply (at most 20 levels)"
                                          : "too many entries (at most 20000)");
    }
    if (event->type == YAML_SCALAR_EVENT) {
        return build_text(b, event, out);
    }
    if (event->type == YAML_SEQUENCE_START_EVENT) {
        *out = node_new(b, YAML_LIST, event->start_mark);
        return refuse_extras(b, event->data.sequence_start.anchor, event->data.sequence_start.tag,
                             event->start_mark) &&
               build_children(b, *out, YAML_SEQUENCE_END_EVENT, depth);
    }
    if (event->type == YAML_MAPPING_START_EVENT) {
        *out = node_new(b, YAML_MAP, event->start_mark);
        return refuse_extras(b, event->data.mapping_start.anchor, event->data.mapping_start.tag,
                             event->start_mark) &&
               build_children(b, *out, YAML_MAPPING_END_EVENT, depth);
    }
    return fail_at(b, event->start_mark,
                   "aliases (*name) are not used in these files; write the value out");
}

/* Stream start, document start, one node, document end, stream end. */
static bool build_document(struct builder *b)
{
    bool ended = false;
    while (!ended) {
        yaml_event_t event;
        bool ok = true;
        if (!next_event(b, &event)) {
            return false;
        }
        switch (event.type) {
        case YAML_STREAM_END_EVENT:
            ended = true;
            break;
        case YAML_DOCUMENT_START_EVENT:
            if (b->doc->root != NULL) {
                ok = fail_at(b, event.start_mark, "one document per file; a second begins here");
            } else if (event.data.document_start.tag_directives.start !=
                       event.data.document_start.tag_directives.end) {
                ok = fail_at(b, event.start_mark, "tags (%TAG) are not used in these files");
            }
            break;
        case YAML_NO_EVENT:
        case YAML_STREAM_START_EVENT:
        case YAML_DOCUMENT_END_EVENT:
            break;
        case YAML_ALIAS_EVENT:
        case YAML_SCALAR_EVENT:
        case YAML_SEQUENCE_START_EVENT:
        case YAML_SEQUENCE_END_EVENT:
        case YAML_MAPPING_START_EVENT:
        case YAML_MAPPING_END_EVENT:
            ok = build(b, &event, 1, &b->doc->root);
            break;
        }
        yaml_event_delete(&event);
        if (!ok) {
            return false;
        }
    }
    if (b->doc->root == NULL) {
        return err_set(b->e, ERR_CONFIG, "%s: the file is empty", b->doc->name);
    }
    return true;
}

/* Windows editors put a byte order mark first; it is no part of the text, and
 * libyaml would count it as a column. */
static size_t byte_order_mark(const char *text, size_t n)
{
    return n >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0 ? 3 : 0;
}

static bool parse(struct yaml_doc *d, struct err *e)
{
    struct builder b = {.doc = d, .e = e};
    if (!yaml_check_bytes(d, e)) {
        return false;
    }
    if (!yaml_parser_initialize(&b.parser)) {
        return err_set(e, ERR_SYSTEM, "%s: out of memory", d->name);
    }
    yaml_parser_set_encoding(&b.parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&b.parser, (const unsigned char *)d->source, d->source_size);
    bool ok = build_document(&b);
    yaml_parser_delete(&b.parser);
    return ok;
}

bool yaml_load_text(const char *name, const char *text, size_t n, struct yaml_doc **out,
                    struct err *e)
{
    if (n > SIZE_MOST) {
        return err_set(e, ERR_CONFIG, "%s: larger than 1 MiB; that is no file of ours", name);
    }
    size_t mark = byte_order_mark(text, n);
    struct yaml_doc *d = zalloc(sizeof *d);
    d->name = text_copy(name);
    d->source = zalloc(n - mark + 1);
    memcpy(d->source, text + mark, n - mark);
    d->source_size = n - mark;
    if (!parse(d, e)) {
        yaml_doc_free(d);
        return false;
    }
    *out = d;
    return true;
}

bool yaml_load_file(const char *path, struct yaml_doc **out, struct err *e)
{
    char *text = NULL;
    size_t n = 0;
    if (!file_read(path, SIZE_MOST, &text, &n, e)) {
        return false;
    }
    bool ok = yaml_load_text(path, text, n, out, e);
    free(text);
    return ok;
}
