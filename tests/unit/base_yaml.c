/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of base/yaml: the tree and its places; every slip refused with its one
 * exact message, the line and a caret under the right character. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"
#include "base/utf8.h"
#include "base/yaml.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define COUNT(a) (sizeof(a) / sizeof *(a))
#define SHOWN "\n    "

static struct yaml_doc *load(const char *text, size_t n)
{
    struct yaml_doc *d = NULL;
    struct err e = {0};
    if (!yaml_load_text("f", text, n, &d, &e)) {
        fail_msg("%s", e.text);
    }
    return d;
}

static struct yaml_doc *load_text(const char *text)
{
    return load(text, strlen(text));
}

static void refuses(const char *text, size_t n, const char *message)
{
    static char untouched;
    struct yaml_doc *d = (struct yaml_doc *)&untouched;
    struct err e = {0};
    if (yaml_load_text("f", text, n, &d, &e)) {
        yaml_doc_free(d);
        fail_msg("accepted: %s", text);
    }
    assert_string_equal(e.text, message);
    assert_int_equal(e.code, ERR_CONFIG);
    assert_ptr_equal(d, &untouched);
    assert_false(yaml_load_text("f", text, n, &d, NULL));
}

/* --- the tree --- */

static void is_at(const struct yaml_node *n, enum yaml_kind kind, int line, int column)
{
    assert_non_null(n);
    assert_int_equal(yaml_node_kind(n), kind);
    assert_int_equal(yaml_line(n), line);
    assert_int_equal(yaml_column(n), column);
}

static void tree_and_places(void **state)
{
    (void)state;
    static const char text[] = "# The yard\n"
                               "bench: Lakeside   # a comment\n"
                               "stands:\n"
                               "  - name: jetty\n"
                               "    leads: 12 mOhm\n"
                               "  - {name: \"boat: house\", spare: [a, 'b', ]}\n"
                               "about: |\n"
                               "  two\n"
                               "  lines\n"
                               "empty:\n";
    struct yaml_doc *d = load_text(text);
    size_t n = 0;
    assert_string_equal(yaml_source(d, &n), text);
    assert_int_equal(n, strlen(text));
    assert_string_equal(yaml_source(d, NULL), text);
    assert_string_equal(yaml_name(d), "f");

    const struct yaml_node *root = yaml_root(d);
    is_at(root, YAML_MAP, 2, 1);
    assert_int_equal(yaml_count(root), 4);
    assert_string_equal(yaml_text(root), "");
    is_at(yaml_key_at(root, 1), YAML_TEXT, 3, 1);
    assert_string_equal(yaml_text(yaml_key_at(root, 1)), "stands");
    assert_ptr_equal(yaml_value_at(root, 1), yaml_get(root, "stands"));
    assert_null(yaml_key_at(root, 4));
    assert_null(yaml_value_at(root, 4));
    assert_null(yaml_item(root, 0)); /* not a list */

    is_at(yaml_get(root, "bench"), YAML_TEXT, 2, 8);
    assert_string_equal(yaml_text(yaml_get(root, "bench")), "Lakeside");
    assert_int_equal(yaml_count(yaml_get(root, "bench")), 0);
    assert_null(yaml_get(root, "Bench"));
    assert_null(yaml_get(yaml_get(root, "bench"), "bench"));
    assert_null(yaml_get(NULL, "bench"));
    assert_string_equal(yaml_text(yaml_get(root, "about")), "two\nlines\n");
    is_at(yaml_get(root, "empty"), YAML_TEXT, 10, 7);
    assert_string_equal(yaml_text(yaml_get(root, "empty")), "");

    const struct yaml_node *stands = yaml_get(root, "stands");
    is_at(stands, YAML_LIST, 4, 3);
    assert_int_equal(yaml_count(stands), 2);
    assert_null(yaml_item(stands, 2));
    assert_null(yaml_key_at(stands, 0)); /* not a map */
    is_at(yaml_item(stands, 0), YAML_MAP, 4, 5);
    is_at(yaml_get(yaml_item(stands, 0), "leads"), YAML_TEXT, 5, 12);
    const struct yaml_node *flow = yaml_item(stands, 1);
    is_at(flow, YAML_MAP, 6, 5);
    assert_string_equal(yaml_text(yaml_get(flow, "name")), "boat: house");
    assert_int_equal(yaml_count(yaml_get(flow, "spare")), 2);
    assert_string_equal(yaml_text(yaml_item(yaml_get(flow, "spare"), 1)), "b");
    yaml_doc_free(d);
    yaml_doc_free(NULL);
}

/* The same tree, however an editor wrote it. */
static void editors(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "a: 1\nb: \xC3\xA4\n",
        "a: 1\nb: \xC3\xA4",                  /* no line end at the end */
        "a: 1\r\nb: \xC3\xA4\r\n",            /* CR LF */
        "a: 1\rb: \xC3\xA4\r",                /* CR alone */
        "\xEF\xBB\xBF\x61: 1\nb: \xC3\xA4\n", /* byte order mark */
        "a: 1   \nb:    \xC3\xA4 # x\n",      /* spaces and comments */
        "a: \t1\t\nb: \xC3\xA4\t\n",          /* tabs where they do not indent */
        "a: 1\nb: \"\xC3\xA4\"\n",            /* quoted */
        "a: '1'\nb: \"\\u00e4\"\n",           /* escaped */
        "{a: 1,\nb: \xC3\xA4}\n",             /* flow */
    };
    for (size_t i = 0; i < COUNT(texts); i++) {
        struct yaml_doc *d = load_text(texts[i]);
        const struct yaml_node *root = yaml_root(d);
        assert_int_equal(yaml_count(root), 2);
        assert_string_equal(yaml_text(yaml_get(root, "a")), "1");
        assert_string_equal(yaml_text(yaml_get(root, "b")), "\xC3\xA4");
        assert_int_equal(yaml_line(yaml_get(root, "b")), 2);
        yaml_doc_free(d);
    }
}

/* --- what is no file of ours --- */

static const char anchors[] = "anchors (&name) are not used in these files; write the value out";
static const char aliases[] = "aliases (*name) are not used in these files; write the value out";
static const char tags[] = "tags (!name) are not used in these files; leave it out";

static void refused_form(void **state)
{
    (void)state;
    static const struct {
        const char *text, *place, *message, *shown;
    } rows[] = {
        /* tabs */
        {"a: 1\n\tb: 2\n", "2:1", "a tab cannot indent; use spaces", SHOWN "\tb: 2" SHOWN "^"},
        {"a:\n\tb: 2\n", "2:1", "a tab cannot indent; use spaces", SHOWN "\tb: 2" SHOWN "^"},
        {"a:\n  \tb: 2\n", "2:3", "a tab cannot indent; use spaces", SHOWN "  \tb: 2" SHOWN "  ^"},
        {"a:\n-\tb\n", "2:2", "a tab cannot indent; use spaces", SHOWN "-\tb" SHOWN " ^"},
        {"a: |\n\tx\n", "2:1", "a tab cannot indent; use spaces", SHOWN "\tx" SHOWN "^"},
        /* what other programs use YAML for */
        {"a: &x 1\n", "1:4", anchors, SHOWN "a: &x 1" SHOWN "   ^"},
        {"&x a: 1\n", "1:1", anchors, SHOWN "&x a: 1" SHOWN "^"},
        {"a: &x\n  b: 1\n", "1:4", anchors, SHOWN "a: &x" SHOWN "   ^"},
        {"a: &x [1]\n", "1:4", anchors, SHOWN "a: &x [1]" SHOWN "   ^"},
        {"a: *x\n", "1:4", aliases, SHOWN "a: *x" SHOWN "   ^"},
        {"<<: *x\n", "1:5", aliases, SHOWN "<<: *x" SHOWN "    ^"},
        {"*x : 1\n", "1:1", aliases, SHOWN "*x : 1" SHOWN "^"},
        {"a: !!int 5\n", "1:4", tags, SHOWN "a: !!int 5" SHOWN "   ^"},
        {"a: !x {}\n", "1:4", tags, SHOWN "a: !x {}" SHOWN "   ^"},
        {"a: !x []\n", "1:4", tags, SHOWN "a: !x []" SHOWN "   ^"},
        {"a: !x!y z\n", "1:4", tags, SHOWN "a: !x!y z" SHOWN "   ^"},
        {"%YAML 2.0\n---\na: 1\n", "1:1",
         "lines that begin with % are not used in these files; leave it out",
         SHOWN "%YAML 2.0" SHOWN "^"},
        {"? [a]\n: 1\n", "1:3", "a key is a plain word", SHOWN "? [a]" SHOWN "  ^"},
        {"{a: 1}: 2\n", "1:1", "a key is a plain word", SHOWN "{a: 1}: 2" SHOWN "^"},
        {"?\n: 1\n", "1:2", "a key is missing before the \":\"", SHOWN "?" SHOWN " ^"},
        {": 1\n", "1:1",
         "a key with a value is expected here; check the indentation, and put quotes around the "
         "whole text",
         SHOWN ": 1" SHOWN "^"},
        {"\"\": 1\n", "1:1", "a key is missing before the \":\"", SHOWN "\"\": 1" SHOWN "^"},
        /* twice */
        {"a: 1\nb: 2\na: 3\n", "3:1", "the key \"a\" stands here twice (first on line 1)",
         SHOWN "a: 3" SHOWN "^"},
        {"x: {a: 1, b: 2, \"a\": 3}\n", "1:17", "the key \"a\" stands here twice (first on line 1)",
         SHOWN "x: {a: 1, b: 2, \"a\": 3}" SHOWN "                ^"},
        {"a: 1\n---\nb: 2\n", "2:1", "one document per file; a second begins here",
         SHOWN "---" SHOWN "^"},
        {"---\na: 1\n--- b\n", "3:1", "one document per file; a second begins here",
         SHOWN "--- b" SHOWN "^"},
        {"a: 1\n...\nb: 2\n", "3:1",
         "the text has ended before this; check the indentation, and keep one document in a file",
         SHOWN "b: 2" SHOWN "^"},
        /* indentation, colons, brackets, quotes */
        {"a: b: c\n", "1:5",
         "a \":\" is not expected here; check the indentation, end the line above, or put the text "
         "in quotes",
         SHOWN "a: b: c" SHOWN "    ^"},
        {"a: 1\n b: 2\n", "2:3",
         "a \":\" is not expected here; check the indentation, end the line above, or put the text "
         "in quotes",
         SHOWN " b: 2" SHOWN "  ^"},
        {"a: 1\nb\nc: 2\n", "2:1", "a \":\" is missing after this key", SHOWN "b" SHOWN "^"},
        {"a: 1\nb:2\n", "2:1", "a \":\" is missing after this key", SHOWN "b:2" SHOWN "^"},
        {"a:\n  b: 1\n c: 2\n", "3:2",
         "a key with a value is expected here; check the indentation, and put quotes around the "
         "whole text",
         SHOWN " c: 2" SHOWN " ^"},
        {"a: \"b\" c\n", "1:8",
         "a key with a value is expected here; check the indentation, and put quotes around the "
         "whole text",
         SHOWN "a: \"b\" c" SHOWN "       ^"},
        {"- a\nb: 1\n", "2:1",
         "a list entry \"- \" is expected here; check the indentation of this line",
         SHOWN "b: 1" SHOWN "^"},
        {"a: - b\n", "1:4",
         "a list entry \"- \" is not expected here; begin it on a line of its own",
         SHOWN "a: - b" SHOWN "   ^"},
        {"a: [1, 2\nb: 3\n", "1:4",
         "this \"[\" is never closed by \"]\", or a \",\" is missing in it",
         SHOWN "a: [1, 2" SHOWN "   ^"},
        {"a: {x: 1\nb: 3\n", "1:4",
         "this \"{\" is never closed by \"}\", or a \",\" is missing in it",
         SHOWN "a: {x: 1" SHOWN "   ^"},
        {"a: ]\n", "1:4", "a value is expected here", SHOWN "a: ]" SHOWN "   ^"},
        {"a: \"x\nb: 2\n", "1:4", "these quotes are opened here and never closed",
         SHOWN "a: \"x" SHOWN "   ^"},
        {"a: 'x\n", "1:4", "these quotes are opened here and never closed",
         SHOWN "a: 'x" SHOWN "   ^"},
        {"a: 'x\n---\nb'\n", "1:4", "these quotes are opened here and never closed",
         SHOWN "a: 'x" SHOWN "   ^"},
        {"a: @x\n", "1:4", "no text can begin with this character; put the text in quotes",
         SHOWN "a: @x" SHOWN "   ^"},
        {"a: `x\n", "1:4", "no text can begin with this character; put the text in quotes",
         SHOWN "a: `x" SHOWN "   ^"},
        {"a: %x\n", "1:4", "no text can begin with this character; put the text in quotes",
         SHOWN "a: %x" SHOWN "   ^"},
        {"a: \"C:\\data\"\n", "1:7",
         "an unknown \\ in double quotes; write \\\\ for the character itself, or use single "
         "quotes",
         SHOWN "a: \"C:\\data\"" SHOWN "      ^"},
        {"a: \"\\xZZ\"\n", "1:7",
         "an unfinished \\x, \\u or \\U in double quotes; write \\\\ for the character itself, or "
         "use "
         "single quotes",
         SHOWN "a: \"\\xZZ\"" SHOWN "      ^"},
        {"a: \"x\\0y\"\n", "1:4", "a NUL character cannot stand in a text",
         SHOWN "a: \"x\\0y\"" SHOWN "   ^"},
        {"a: \"x\\e[31m\"\n", "1:4", "the character U+001B cannot stand in a text",
         SHOWN "a: \"x\\e[31m\"" SHOWN "   ^"},
        {"a: \"x\\x9b\"\n", "1:4", "the character U+009B cannot stand in a text",
         SHOWN "a: \"x\\x9b\"" SHOWN "   ^"},
        {"a: >5 V\n", "1:4",
         "a text begun with | or > starts on the next line; if the sign is meant, put the text in "
         "quotes",
         SHOWN "a: >5 V" SHOWN "   ^"},
        {"a: |x\n  b\n", "1:4",
         "a text begun with | or > starts on the next line; if the sign is meant, put the text in "
         "quotes",
         SHOWN "a: |x" SHOWN "   ^"},
        {"a: ? b\n", "1:4", "no text can begin with \"? \"; put the text in quotes",
         SHOWN "a: ? b" SHOWN "   ^"},
        {"%a: 1\n", "1:1", "lines that begin with % are not used in these files; leave it out",
         SHOWN "%a: 1" SHOWN "^"},
        /* lines end as editors end them */
        {"a: 1\r\nb: &x 2\r\n", "2:4", anchors, SHOWN "b: &x 2" SHOWN "   ^"},
        {"a: 1\rb: &x 2\r", "2:4", anchors, SHOWN "b: &x 2" SHOWN "   ^"},
        {"\xEF\xBB\xBF"
         "a: &x 1\n",
         "1:4", anchors, SHOWN "a: &x 1" SHOWN "   ^"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        char want[ERR_TEXT_SIZE];
        assert_true(text_format(want, sizeof want, "f:%s: %s%s", rows[i].place, rows[i].message,
                                rows[i].shown));
        refuses(rows[i].text, strlen(rows[i].text), want);
    }
}

#define BYTES(literal) literal, sizeof(literal) - 1

static void refused_bytes(void **state)
{
    (void)state;
    static const char not_utf8[] = "this is not UTF-8 text; save the file as UTF-8";
    static const struct {
        const char *text;
        size_t n;
        const char *place, *message, *shown;
    } rows[] = {
        {BYTES("a: \xFF\n"), "1:4", not_utf8, SHOWN "a: ?" SHOWN "   ^"},
        {BYTES("a: 1\nb: \xC3\xA4\xE4\n"), "2:5", not_utf8,
         SHOWN "b: \xC3\xA4?" SHOWN "    ^"},                                       /* Latin-1 */
        {BYTES("a: \xC3"), "1:4", not_utf8, SHOWN "a: ?" SHOWN "   ^"},             /* cut short */
        {BYTES("a: \xC0\xAF\n"), "1:4", not_utf8, SHOWN "a: ??" SHOWN "   ^"},      /* overlong */
        {BYTES("a: \xED\xA0\x80\n"), "1:4", not_utf8, SHOWN "a: ???" SHOWN "   ^"}, /* surrogate */
        {BYTES("a: \xF4\x90\x80\x80\n"), "1:4", not_utf8, SHOWN "a: ????" SHOWN "   ^"},
        {BYTES("\xFF\xFE"
               "a\0:\0"),
         "1:1", not_utf8, SHOWN "??a" SHOWN "^"}, /* UTF-16 */
        {BYTES("\xFE\xFF\0a\0:"), "1:1", not_utf8, SHOWN "??" SHOWN "^"},
        {BYTES("a: 1\nb: x\0y\n"), "2:5", "the character U+0000 cannot stand in a file",
         SHOWN "b: x" SHOWN "    ^"},
        {BYTES("a: 1\nb: \x01\n"), "2:4", "the character U+0001 cannot stand in a file",
         SHOWN "b: ?" SHOWN "   ^"},
        {BYTES("a: \x1B[2J\n"), "1:4", "the character U+001B cannot stand in a file",
         SHOWN "a: ?[2J" SHOWN "   ^"},
        {BYTES("a: \x7F\n"), "1:4", "the character U+007F cannot stand in a file",
         SHOWN "a: ?" SHOWN "   ^"},
        {BYTES("a: \xC2\x9B\n"), "1:4", "the character U+009B cannot stand in a file",
         SHOWN "a: ?" SHOWN "   ^"},
        /* libyaml ends a line at these, no editor does */
        {BYTES("a: 1\xC2\x85"
               "b: 2\n"),
         "1:5", "the character U+0085 cannot stand in a file", SHOWN "a: 1?b: 2" SHOWN "    ^"},
        {BYTES("a: 1\xE2\x80\xA8"
               "b\n"),
         "1:5", "the character U+2028 cannot stand in a file",
         SHOWN "a: 1\xE2\x80\xA8"
               "b" SHOWN "    ^"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        char want[ERR_TEXT_SIZE];
        assert_true(text_format(want, sizeof want, "f:%s: %s%s", rows[i].place, rows[i].message,
                                rows[i].shown));
        refuses(rows[i].text, rows[i].n, want);
    }
}

static void empty_files(void **state)
{
    (void)state;
    static const char *const texts[] = {"", "\n", "   \n", "# a comment\n", "\xEF\xBB\xBF", "\r\n"};
    for (size_t i = 0; i < COUNT(texts); i++) {
        refuses(texts[i], strlen(texts[i]), "f: the file is empty");
    }
}

/* --- bounds --- */

static void depth(void **state)
{
    (void)state;
    refuses("[[[[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]]]]", 43,
            "f:1:21: nested too deeply (at most 20 levels)" SHOWN
            "[[[[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]]]]" SHOWN "                    ^");
    yaml_doc_free(load_text("[[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]]"));
    char *deep = zalloc(500001);
    memset(deep, '[', 500000);
    struct yaml_doc *d = NULL;
    struct err e = {0};
    assert_false(yaml_load_text("f", deep, 500000, &d, &e));
    assert_non_null(strstr(e.text, "f:1:21: nested too deeply (at most 20 levels)\n"));
    free(deep);
}

/* A list of so many entries, each on a line of its own. */
static char *list_of(size_t entries, size_t *n)
{
    char *text = zalloc(entries * 4 + 1);
    for (size_t i = 0; i < entries; i++) {
        memcpy(text + 4 * i, "- x\n", 4);
    }
    *n = 4 * entries;
    return text;
}

static void entries(void **state)
{
    (void)state;
    size_t n = 0;
    char *text = list_of(19999, &n); /* and the list itself */
    struct yaml_doc *d = load(text, n);
    assert_int_equal(yaml_count(yaml_root(d)), 19999);
    yaml_doc_free(d);
    free(text);
    text = list_of(20000, &n);
    refuses(text, n, "f:20000:3: too many entries (at most 20000)" SHOWN "- x" SHOWN "  ^");
    free(text);
}

static void size(void **state)
{
    (void)state;
    const size_t most = 1024 * 1024;
    char *text = zalloc(most + 2);
    memset(text, '#', most + 1);
    memcpy(text, "a: 1\n", 5);
    yaml_doc_free(load(text, most));
    refuses(text, most + 1, "f: larger than 1 MiB; that is no file of ours");
    free(text);
}

/* --- where the caret stands --- */

struct letter {
    const char *bytes;
    const char *below; /* what the caret's line has below it */
};

/* Widths as a terminal has them (Unicode Standard Annex #11 for the wide ones). */
static const struct letter letters[] = {
    {"a", " "},
    {"\xC3\xA4", " "},          /* a with diaeresis, one character */
    {"o\xCC\x88", " "},         /* o and a combining diaeresis: two */
    {"\t", "\t"},               /* keeps its column whatever it is */
    {"\xE2\x84\xA6", " "},      /* ohm sign */
    {"\xC2\xB0", " "},          /* degree sign */
    {"\xE9\x9B\xBB", "  "},     /* a wide ideograph */
    {"\xF0\x9F\x94\x8B", "  "}, /* a pictograph of four bytes */
    {"\xE2\x80\x8B", ""},       /* zero-width space */
    {"z", " "},
};

/* Quoted text of so many letters, then an anchor. */
static void caret_after(size_t from, size_t count)
{
    char line[200] = "k: [\"", below[200] = "     ", want[ERR_TEXT_SIZE];
    int column = 6;
    for (size_t i = 0; i < count; i++) {
        const struct letter *l = &letters[(from + i) % COUNT(letters)];
        strcat(line, l->bytes);
        strcat(below, l->below);
        for (const char *p = l->bytes; *p; p++) {
            column += ((unsigned char)*p & 0xC0) != 0x80;
        }
    }
    strcat(line, "\", &x 1]");
    column += 3;
    assert_true(text_format(want, sizeof want, "f:1:%d: %s" SHOWN "%s" SHOWN "%s   ^", column,
                            anchors, line, below));
    refuses(line, strlen(line), want);
}

static void caret_under_the_right_character(void **state)
{
    (void)state;
    for (size_t from = 0; from < COUNT(letters); from++) {
        for (size_t count = 0; count <= 2 * COUNT(letters); count++) {
            caret_after(from, count);
        }
    }
}

/* Of a long line, the part around the caret. */
static void long_lines(void **state)
{
    (void)state;
    static const int before[] = {3, 55, 56, 57, 58, 59, 60, 61, 100, 500, 3000};
    for (size_t i = 0; i < COUNT(before); i++) {
        for (int after = 0; after < 200; after += 33) {
            char text[4000], want[ERR_TEXT_SIZE];
            int n = snprintf(text, sizeof text, "a: [\"");
            for (; n < before[i] + 3; n++) {
                text[n] = "123456789*"[n % 10];
            }
            n += snprintf(text + n, sizeof text - (size_t)n, "\", &x 1]");
            for (int k = 0; k < after; k++, n++) {
                text[n] = ' ';
            }
            text[n] = '\0';
            int column = (int)(strchr(text, '&') - text) + 1;
            struct yaml_doc *d = NULL;
            struct err e = {0};
            assert_false(yaml_load_text("f", text, strlen(text), &d, &e));
            snprintf(want, sizeof want, "f:1:%d: %s" SHOWN, column, anchors);
            assert_memory_equal(e.text, want, strlen(want));

            /* The character above the caret is the one meant; the excerpt is bounded. */
            const char *shown = e.text + strlen(want);
            const char *below = strchr(shown, '\n');
            assert_non_null(below);
            const char *caret = strchr(below, '^');
            assert_non_null(caret);
            assert_string_equal(caret, "^");
            size_t at = (size_t)(caret - below) - strlen(SHOWN);
            assert_true(at < (size_t)(below - shown));
            assert_int_equal(shown[at], '&');
            assert_true(below - shown <= 106);
            bool cut_left = column > 60;
            assert_int_equal(memcmp(shown, "...", 3) == 0, cut_left);
            assert_int_equal(memcmp(shown, "a: [", 4) == 0, !cut_left);
        }
    }
}

static void long_names_and_messages(void **state)
{
    (void)state;
    char name[2000], words[2000];
    memset(name, 'n', sizeof name);
    memcpy(name + sizeof name - 12, "/bench.yaml", 12);
    memset(words, 'w', sizeof words);
    words[sizeof words - 1] = '\0';
    struct yaml_doc *d = NULL;
    struct err e = {0};
    assert_false(yaml_load_text(name, "a: &x 1\n", 8, &d, &e));
    /* The end of the path says which file; the place and the line are complete. */
    assert_memory_equal(e.text, "...nnn", 6);
    char tail[200];
    snprintf(tail, sizeof tail, "n/bench.yaml:1:4: %s" SHOWN "a: &x 1" SHOWN "   ^", anchors);
    assert_true(strlen(e.text) > strlen(tail));
    assert_string_equal(e.text + strlen(e.text) - strlen(tail), tail);

    assert_true(yaml_load_text(name, "a: 1\n", 5, &d, &e));
    assert_false(yaml_fail(d, yaml_root(d), &e, "%s", words));
    assert_non_null(strstr(e.text, "/bench.yaml:1:1: wwww"));
    assert_non_null(strstr(e.text, "w" SHOWN "a: 1" SHOWN "^"));
    yaml_doc_free(d);
}

static void a_message_of_our_own(void **state)
{
    (void)state;
    struct yaml_doc *d = load_text("a: 1\nb:\n  c: \xC3\xBC\n");
    struct err e = {0};
    const struct yaml_node *b = yaml_get(yaml_root(d), "b");
    assert_false(yaml_fail(d, yaml_get(b, "c"), &e, "\"%s\" is no %s", "\xC3\xBC", "word"));
    assert_string_equal(e.text,
                        "f:3:6: \"\xC3\xBC\" is no word" SHOWN "  c: \xC3\xBC" SHOWN "     ^");
    assert_int_equal(e.code, ERR_CONFIG);
    assert_false(yaml_fail(d, b, NULL, "nobody listens"));
    yaml_doc_free(d);
}

/* --- keys --- */

static const char *const known[] = {"name", "current", "voltage", "until", NULL};

static void keys(void **state)
{
    (void)state;
    static const struct {
        const char *text, *message;
    } rows[] = {
        {"name: a\ncurrent: b\n", NULL},
        {"{}\n", NULL},
        {"curent: 5 A\n",
         "f:1:1: unknown key \"curent\"; did you mean \"current\"?" SHOWN "curent: 5 A" SHOWN "^"},
        {"name: a\n  \nNAME: b\n",
         "f:3:1: unknown key \"NAME\"; did you mean \"name\"?" SHOWN "NAME: b" SHOWN "^"},
        {"{name: a, voltgae: b}\n",
         "f:1:11: unknown key \"voltgae\"; did you mean \"voltage\"?" SHOWN
         "{name: a, voltgae: b}" SHOWN "          ^"},
        {"weather: fine\n",
         "f:1:1: unknown key \"weather\"; known are name, current, voltage, until" SHOWN
         "weather: fine" SHOWN "^"},
        {"- name\n", "f:1:1: keys with values are wanted here: name, current, voltage, until" SHOWN
                     "- name" SHOWN "^"},
        {"name\n", "f:1:1: keys with values are wanted here: name, current, voltage, until" SHOWN
                   "name" SHOWN "^"},
        {"---\n", "f:2:1: keys with values are wanted here: name, current, voltage, until"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        struct yaml_doc *d = load_text(rows[i].text);
        struct err e = {0};
        bool fine = yaml_check_keys(d, yaml_root(d), known, &e);
        assert_int_equal(fine, rows[i].message == NULL);
        assert_string_equal(e.text, rows[i].message ? rows[i].message : "");
        yaml_doc_free(d);
    }
}

/* A list of known words that is too long ends with a whole word and dots. */
static void many_known_keys(void **state)
{
    (void)state;
    static char words[100][12];
    const char *many[101];
    for (int i = 0; i < 100; i++) {
        snprintf(words[i], sizeof words[i], "word-%02d", i);
        many[i] = words[i];
    }
    many[100] = NULL;
    struct yaml_doc *d = load_text("x: 1\n");
    struct err e = {0};
    assert_false(yaml_check_keys(d, yaml_root(d), many, &e));
    assert_memory_equal(e.text, "f:1:1: unknown key \"x\"; known are word-00, word-01, ", 52);
    const char *dots = strstr(e.text, ", ...");
    assert_non_null(dots);
    assert_string_equal(dots, ", ..." SHOWN "x: 1" SHOWN "^");
    assert_int_equal(dots[-8], ' '); /* "word-NN" whole */
    yaml_doc_free(d);
}

static void nearest(void **state)
{
    (void)state;
    static const char *const names[] = {"lfp", "li-ion", "lead-agm", "A", "current", "name", NULL};
    static const char *const none[] = {NULL};
    static const struct {
        const char *word, *near;
    } rows[] = {
        {"lfp", "lfp"},
        {"LFP", "lfp"},     /* capitals are no slip at all */
        {"lpf", "lfp"},     /* neighbours swapped */
        {"lf", "lfp"},      /* left out */
        {"lfpp", "lfp"},    /* once too often */
        {"lion", "li-ion"}, /* two of six */
        {"leadagm", "lead-agm"},
        {"curernt", "current"},
        {"time", NULL}, /* half of it is another word */
        {"cur", NULL},  /* an abbreviation is no slip */
        {"xyz", NULL},
        {"", NULL},
        {"B", NULL}, /* nothing of it is left */
        {"something much longer than all of these", NULL},
        {"cccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccccc", NULL},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        const char *near = nearest_word(rows[i].word, names);
        if (rows[i].near == NULL ? near != NULL : near == NULL || strcmp(near, rows[i].near) != 0) {
            fail_msg("\"%s\" gave %s", rows[i].word, near ? near : "nothing");
        }
        assert_null(nearest_word(rows[i].word, none));
    }
}

/* --- typed reads --- */

static const char typed[] = "text: navigation lamp\n" /* 1 */
                            "word: cccv\n"            /* 2 */
                            "flag: yes\n"             /* 3 */
                            "count: 12\n"             /* 4 */
                            "current: 0.2 C\n"        /* 5 */
                            "voltage: 3650 mV\n"      /* 6 */
                            "list: [a, b]\n"          /* 7 */
                            "map: {a: b}\n"           /* 8 */
                            "empty:\n"                /* 9 */
                            "quoted: \"\"\n"          /* 10 */
                            "bare: 5\n"               /* 11 */
                            "comma: 0,5 A\n";         /* 12 */

static const char *const words[] = {"cc", "cv", "cccv", NULL};

static void reads_what_is_there(void **state)
{
    (void)state;
    struct yaml_doc *d = load_text(typed);
    const struct yaml_node *m = yaml_root(d);
    struct err e = {0};
    char text[32];
    bool flag = false;
    int number = 0;
    struct quantity q;
    double value = 0;
    assert_true(yaml_read_text(d, m, "text", true, text, sizeof text, &e));
    assert_string_equal(text, "navigation lamp");
    assert_true(yaml_read_text(d, m, "text", true, text, 16, &e)); /* just fits */
    assert_true(yaml_read_choice(d, m, "word", true, words, &number, &e));
    assert_int_equal(number, 2);
    assert_true(yaml_read_bool(d, m, "flag", true, &flag, &e));
    assert_true(flag);
    assert_true(yaml_read_int(d, m, "count", true, 12, 12, &number, &e));
    assert_int_equal(number, 12);
    assert_true(yaml_read_quantity(d, m, "current", true,
                                   DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT), &q, &e));
    assert_int_equal(q.dimension, DIM_RELATIVE_CURRENT);
    assert_float_equal(q.value, 0.2, 0);
    assert_true(yaml_read_value(d, m, "voltage", true, DIM_VOLTAGE, &value, &e));
    assert_float_equal(value, 3.65, 0);
    assert_string_equal(e.text, "");
    yaml_doc_free(d);
}

static void absent_keys_leave_things_as_they_are(void **state)
{
    (void)state;
    struct yaml_doc *d = load_text(typed);
    const struct yaml_node *m = yaml_root(d);
    struct err e = {0};
    char text[32] = "before";
    bool flag = true;
    int number = 7;
    struct quantity q = {4, DIM_POWER};
    double value = 2.5;
    assert_true(yaml_read_text(d, m, "none", false, text, sizeof text, &e));
    assert_true(yaml_read_choice(d, m, "none", false, words, &number, &e));
    assert_true(yaml_read_int(d, m, "none", false, 0, 1, &number, &e));
    assert_true(yaml_read_bool(d, m, "none", false, &flag, &e));
    assert_true(yaml_read_quantity(d, m, "none", false, DIM_BIT(DIM_TIME), &q, &e));
    assert_true(yaml_read_value(d, m, "none", false, DIM_TIME, &value, &e));
    assert_true(yaml_read_text(d, NULL, "text", false, text, sizeof text, &e));
    assert_string_equal(text, "before");
    assert_true(flag);
    assert_int_equal(number, 7);
    assert_float_equal(q.value, 4, 0);
    assert_int_equal(q.dimension, DIM_POWER);
    assert_float_equal(value, 2.5, 0);
    yaml_doc_free(d);
}

static void bools(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        bool value;
    } rows[] = {{"yes", true},    {"no", false}, {"true", true},
                {"false", false}, {"on", true},  {"off", false}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        char text[32];
        snprintf(text, sizeof text, "x: %s\n", rows[i].text);
        struct yaml_doc *d = load_text(text);
        bool value = !rows[i].value;
        assert_true(yaml_read_bool(d, yaml_root(d), "x", true, &value, NULL));
        assert_int_equal(value, rows[i].value);
        yaml_doc_free(d);
    }
}

enum reading { READ_TEXT, READ_CHOICE, READ_BOOL, READ_INT, READ_QUANTITY, READ_VALUE };

static bool read_key(const struct yaml_doc *d, enum reading how, const char *key, bool required,
                     struct err *e)
{
    const struct yaml_node *m = yaml_root(d);
    char text[8] = "";
    bool flag = false;
    int number = 7;
    struct quantity q = {0, DIM_NUMBER};
    double value = 0;
    switch (how) {
    case READ_TEXT:
        return yaml_read_text(d, m, key, required, text, sizeof text, e);
    case READ_CHOICE:
        return yaml_read_choice(d, m, key, required, words, &number, e) || number != 7;
    case READ_BOOL:
        return yaml_read_bool(d, m, key, required, &flag, e) || flag;
    case READ_INT:
        return yaml_read_int(d, m, key, required, 1, 10, &number, e) || number != 7;
    case READ_QUANTITY:
        return yaml_read_quantity(d, m, key, required,
                                  DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT), &q, e);
    case READ_VALUE:
    default:
        return yaml_read_value(d, m, key, required, DIM_VOLTAGE, &value, e);
    }
}

static void reads_refused(void **state)
{
    (void)state;
    static const struct {
        enum reading how;
        const char *key, *message;
    } rows[] = {
        {READ_TEXT, "text",
         "f:1:7: \"text\" is too long (at most 7 characters)" SHOWN "text: navigation lamp" SHOWN
         "      ^"},
        {READ_TEXT, "list", "f:7:7: \"list\" wants one value" SHOWN "list: [a, b]" SHOWN "      ^"},
        {READ_TEXT, "map", "f:8:6: \"map\" wants one value" SHOWN "map: {a: b}" SHOWN "     ^"},
        {READ_TEXT, "empty", "f:9:7: \"empty\" wants one value" SHOWN "empty:" SHOWN "      ^"},
        {READ_INT, "quoted",
         "f:10:9: \"quoted\" wants one value" SHOWN "quoted: \"\"" SHOWN "        ^"},
        {READ_CHOICE, "flag",
         "f:3:7: unknown flag \"yes\"; known are cc, cv, cccv" SHOWN "flag: yes" SHOWN "      ^"},
        {READ_BOOL, "count",
         "f:4:8: unknown count \"12\"; known are no, yes, false, true, off, on" SHOWN
         "count: 12" SHOWN "       ^"},
        {READ_INT, "count",
         "f:4:8: \"count\" wants a whole number from 1 to 10" SHOWN "count: 12" SHOWN "       ^"},
        {READ_INT, "text",
         "f:1:7: \"text\" wants a whole number from 1 to 10" SHOWN "text: navigation lamp" SHOWN
         "      ^"},
        {READ_QUANTITY, "voltage",
         "f:6:10: \"3650 mV\" is a voltage; a current is wanted here, e.g. 10 A or 0.2 C" SHOWN
         "voltage: 3650 mV" SHOWN "         ^"},
        {READ_QUANTITY, "bare",
         "f:11:7: \"5\" needs a unit, e.g. 5 A" SHOWN "bare: 5" SHOWN "      ^"},
        {READ_QUANTITY, "comma",
         "f:12:8: \"0,5 A\" has a decimal comma; write 0.5 A" SHOWN "comma: 0,5 A" SHOWN
         "       ^"},
        {READ_VALUE, "current",
         "f:5:10: \"0.2 C\" is a relative current; a voltage is wanted here, e.g. 12.6 V" SHOWN
         "current: 0.2 C" SHOWN "         ^"},
        {READ_VALUE, "list",
         "f:7:7: \"list\" wants one value" SHOWN "list: [a, b]" SHOWN "      ^"},
    };
    struct yaml_doc *d = load_text(typed);
    for (size_t i = 0; i < COUNT(rows); i++) {
        for (int required = 0; required < 2; required++) {
            struct err e = {0};
            assert_false(read_key(d, rows[i].how, rows[i].key, required == 1, &e));
            assert_string_equal(e.text, rows[i].message);
            assert_int_equal(e.code, ERR_CONFIG);
            assert_false(read_key(d, rows[i].how, rows[i].key, required == 1, NULL));
        }
    }
    for (enum reading how = READ_TEXT; how <= READ_VALUE; how++) {
        struct err e = {0};
        assert_true(read_key(d, how, "none", false, &e) || e.code == ERR_NONE);
        assert_false(read_key(d, how, "none", true, &e));
        assert_string_equal(e.text, "f:1:1: the key \"none\" is missing here" SHOWN
                                    "text: navigation lamp" SHOWN "^");
    }
    struct err e = {0};
    char text[8];
    assert_false(yaml_read_text(d, NULL, "none", true, text, sizeof text, &e));
    assert_non_null(strstr(e.text, "f:1:1: the key \"none\" is missing here"));
    yaml_doc_free(d);
}

static void whole_numbers(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        bool fine;
        int value;
    } rows[] = {
        {"0", true, 0},
        {"-5", true, -5},
        {"+5", true, 5},
        {"007", true, 7},
        {"100", true, 100},
        {"101", false, 0},
        {"-101", false, 0},
        {"1.0", false, 0},
        {"1e2", false, 0},
        {"0x10", false, 0},
        {"5 A", false, 0},
        {"\" 5\"", false, 0},
        {"\"5 \"", false, 0},
        {"\"-\"", false, 0},
        {"+-5", false, 0},
        {"~", false, 0},
        {"99999999999999999999", false, 0},
        {"-99999999999999999999", false, 0},
        {"4294967297", false, 0},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        char text[64];
        snprintf(text, sizeof text, "x: %s\n", rows[i].text);
        struct yaml_doc *d = load_text(text);
        int value = 33;
        struct err e = {0};
        bool fine = yaml_read_int(d, yaml_root(d), "x", true, -100, 100, &value, &e);
        if (fine != rows[i].fine || value != (fine ? rows[i].value : 33)) {
            fail_msg("%s gave %d", rows[i].text, value);
        }
        char want[200];
        snprintf(want, sizeof want,
                 "f:1:4: \"x\" wants a whole number from -100 to 100" SHOWN "x: %s" SHOWN "   ^",
                 rows[i].text);
        assert_string_equal(e.text, fine ? "" : want);
        yaml_doc_free(d);
    }
}

/* --- files --- */

static void files(void **state)
{
    (void)state;
    char path[] = "/tmp/ampledger-yaml-XXXXXX";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, "a: 1\nb: *x\n", 11), 11);
    struct yaml_doc *d = NULL;
    struct err e = {0};
    char want[300];
    assert_false(yaml_load_file(path, &d, &e));
    snprintf(want, sizeof want, "%s:2:4: %s" SHOWN "b: *x" SHOWN "   ^", path, aliases);
    assert_string_equal(e.text, want);

    assert_int_equal(pwrite(fd, "a: 1\nb: +x\n", 11, 0), 11);
    assert_true(yaml_load_file(path, &d, &e));
    assert_string_equal(yaml_name(d), path);
    assert_string_equal(yaml_text(yaml_get(yaml_root(d), "b")), "+x");
    yaml_doc_free(d);

    assert_int_equal(ftruncate(fd, 1024 * 1024 + 1), 0);
    assert_false(yaml_load_file(path, &d, &e));
    snprintf(want, sizeof want, "%s: it is larger than 1048576 bytes, the most that is read", path);
    assert_string_equal(e.text, want);
    close(fd);
    unlink(path);
    assert_false(yaml_load_file(path, &d, &e));
    snprintf(want, sizeof want, "cannot open %s: No such file or directory", path);
    assert_string_equal(e.text, want);
    assert_int_equal(e.code, ERR_NOT_FOUND);
}

/* --- whatever a stranger sends --- */

static uint32_t random_state = 2463534242u;

static uint32_t random_number(uint32_t below)
{
    random_state ^= random_state << 13;
    random_state ^= random_state >> 17;
    random_state ^= random_state << 5;
    return random_state % below;
}

/* A message is one of ours: a place, and nothing that is not text. */
static void is_fit_to_show(const char *text)
{
    char copy[ERR_TEXT_SIZE];
    strcpy(copy, text);
    utf8_repair(copy);
    assert_string_equal(copy, text);
    assert_memory_equal(text, "f:", 2);
    assert_true(strlen(text) > 10);
}

/* Good texts with a few bytes changed are read or refused, under the sanitizers. */
static void mangled_texts(void **state)
{
    (void)state;
    static const char bytes[] = "\t\n\r :-[]{},&*!|>'\"%@`#?~\\\0\x01\x7F\x80\xC3\xE2\xF0\xFF"
                                "a1";
    int refused = 0, read = 0;
    for (int round = 0; round < 20000; round++) {
        char text[sizeof typed];
        size_t n = sizeof typed - 1;
        memcpy(text, typed, sizeof typed);
        for (uint32_t k = 1 + random_number(3); k > 0; k--) {
            text[random_number((uint32_t)n)] = bytes[random_number(sizeof bytes - 1)];
        }
        n -= random_number(4) == 0 ? random_number((uint32_t)n) : 0;
        struct yaml_doc *d = NULL;
        struct err e = {0};
        if (yaml_load_text("f", text, n, &d, &e)) {
            read++;
            if (!yaml_check_keys(d, yaml_root(d), known, &e)) {
                is_fit_to_show(e.text);
            }
            yaml_doc_free(d);
        } else {
            refused++;
            is_fit_to_show(e.text);
        }
    }
    assert_true(read > 1000);
    assert_true(refused > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tree_and_places),
        cmocka_unit_test(editors),
        cmocka_unit_test(refused_form),
        cmocka_unit_test(refused_bytes),
        cmocka_unit_test(empty_files),
        cmocka_unit_test(depth),
        cmocka_unit_test(entries),
        cmocka_unit_test(size),
        cmocka_unit_test(caret_under_the_right_character),
        cmocka_unit_test(long_lines),
        cmocka_unit_test(long_names_and_messages),
        cmocka_unit_test(a_message_of_our_own),
        cmocka_unit_test(keys),
        cmocka_unit_test(many_known_keys),
        cmocka_unit_test(nearest),
        cmocka_unit_test(reads_what_is_there),
        cmocka_unit_test(absent_keys_leave_things_as_they_are),
        cmocka_unit_test(bools),
        cmocka_unit_test(reads_refused),
        cmocka_unit_test(whole_numbers),
        cmocka_unit_test(files),
        cmocka_unit_test(mangled_texts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
