/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/yaml_syntax: says what is wrong with a text that is no YAML. */
#include "base/utf8.h"
#include "base/yaml_tree.h"

#include <string.h>

struct yaml_node yaml_place(size_t line_from_0, size_t column_from_0)
{
    struct yaml_node n = {.line = (int)line_from_0 + 1, .column = (int)column_from_0 + 1};
    return n;
}

/* libyaml also ends lines at U+0085, U+2028 and U+2029; no editor counts those,
 * so lines would be misnumbered: they are refused with the control characters. */
bool yaml_is_allowed(uint32_t c)
{
    if (c < 0x20) {
        return c == '\t' || c == '\n' || c == '\r';
    }
    return (c < 0x7F || c >= 0xA0) && c != 0x2028 && c != 0x2029 && c != 0xFEFF && c != 0xFFFE &&
           c != 0xFFFF;
}

static size_t line_end_at(const char *s)
{
    return s[0] == '\r' && s[1] == '\n' ? 2 : s[0] == '\r' || s[0] == '\n';
}

bool yaml_check_bytes(const struct yaml_doc *d, struct err *e)
{
    size_t line = 0;
    size_t column = 0;
    size_t used = 0;
    for (size_t i = 0; i < d->source_size; i += used) {
        uint32_t code = 0;
        struct yaml_node here = yaml_place(line, column++);
        used = utf8_decode(d->source + i, d->source_size - i, &code);
        if (used == 0) {
            return yaml_fail(d, &here, e, "this is not UTF-8 text; save the file as UTF-8");
        }
        if (!yaml_is_allowed(code)) {
            return yaml_fail(d, &here, e, "the character U+%04X cannot stand in a file",
                             (unsigned)code);
        }
        size_t end = line_end_at(d->source + i);
        if (end > 0) {
            used = end;
            line++;
            column = 0;
        }
    }
    return true;
}

const char *yaml_find(const char *source, int line, int column)
{
    for (int i = 1; i < line && *source != '\0'; i++) {
        source += strcspn(source, "\r\n");
        source += line_end_at(source);
    }
    for (int i = 1; i < column && *source != '\0' && line_end_at(source) == 0; i++) {
        uint32_t code = 0;
        size_t used = utf8_decode(source, strlen(source), &code);
        source += used > 0 ? used : 1;
    }
    return source;
}

/* The first row whose words are in libyaml's problem speaks. */
static const struct {
    const char *problem;
    bool at_context; /* the slip is where the thing began, not where it was missed */
    const char *message;
} slips[] = {
    {"tab character", false, "a tab cannot indent; use spaces"},
    {"cannot start any token", false,
     "no text can begin with this character; put the text in quotes"},
    {"mapping values are not allowed", false,
     "a \":\" is not expected here; check the indentation, end the line above, or put the text in "
     "quotes"},
    {"block sequence entries are not allowed", false,
     "a list entry \"- \" is not expected here; begin it on a line of its own"},
    {"unexpected end of stream", true, "these quotes are opened here and never closed"},
    {"unexpected document indicator", true, "these quotes are opened here and never closed"},
    {"',' or ']'", true, "this \"[\" is never closed by \"]\", or a \",\" is missing in it"},
    {"',' or '}'", true, "this \"{\" is never closed by \"}\", or a \",\" is missing in it"},
    {"expected key", false,
     "a key with a value is expected here; check the indentation, and put quotes around the whole "
     "text"},
    {"expected ':'", true, "a \":\" is missing after this key"},
    {"'-' indicator", false,
     "a list entry \"- \" is expected here; check the indentation of this line"},
    {"expected <document start>", false,
     "the text has ended before this; check the indentation, and keep one document in a file"},
    {"expected node content", false, "a value is expected here"},
    {"escape character", false,
     "an unknown \\ in double quotes; write \\\\ for the character itself, or use single quotes"},
    {"hexdecimal number", false,
     "an unfinished \\x, \\u or \\U in double quotes; write \\\\ for the character itself, or use "
     "single quotes"},
    {"undefined tag handle", false, "tags (!name) are not used in these files; leave it out"},
    {"expected comment or line break", true,
     "a text begun with | or > starts on the next line; if the sign is meant, put the text in "
     "quotes"},
    {"mapping keys are not allowed", false,
     "no text can begin with \"? \"; put the text in quotes"},
    {"non-alphabetical character", true,
     "lines that begin with % are not used in these files; leave it out"},
    {"directive", true, "lines that begin with % are not used in these files; leave it out"},
    {"incompatible YAML", true,
     "lines that begin with % are not used in these files; leave it out"},
    {"alphabetic or numeric", true,
     "no text can begin with this character; put the text in quotes"},
};

bool yaml_fail_syntax(const struct yaml_doc *d, const struct yaml_slip *slip, struct err *e)
{
    const char *problem = slip->problem != NULL ? slip->problem : "it cannot be read";
    if (*yaml_find(d->source, slip->at.line, slip->at.column) == '\t') {
        problem = "tab character";
    }
    for (size_t i = 0; i < sizeof slips / sizeof *slips; i++) {
        if (strstr(problem, slips[i].problem) != NULL) {
            return yaml_fail(d, slips[i].at_context ? &slip->context : &slip->at, e, "%s",
                             slips[i].message);
        }
    }
    return yaml_fail(d, &slip->at, e, "this is not YAML: %s", problem);
}
