/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/syntax: reading program messages by hand, one character after the other. */
#include "virtual/syntax.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* The standard speaks of ASCII; the C library's own tests depend on a locale. */
static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static char upper(char c)
{
    return c >= 'a' && c <= 'z' ? (char)(c - 'a' + 'A') : c;
}

static bool is_letter(char c)
{
    return upper(c) >= 'A' && upper(c) <= 'Z';
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static bool is_header_char(char c)
{
    return is_letter(c) || is_digit(c) || c == '_' || c == ':' || c == '*';
}

static bool is_text_char(char c)
{
    return (c >= ' ' && c <= '~') || c == '\t';
}

static void skip_blanks(struct cursor *c)
{
    while (c->at < c->end && is_blank(*c->at)) {
        c->at++;
    }
}

bool syntax_more(struct cursor *c)
{
    skip_blanks(c);
    return c->at < c->end;
}

static int take_header(struct cursor *c, struct unit *u)
{
    if (c->at < c->end && *c->at == ':') {
        u->rooted = true;
        c->at++;
    }
    size_t n = 0;
    while (c->at < c->end && is_header_char(*c->at)) {
        if (n + 1 >= sizeof u->header) {
            return SCPI_SYNTAX;
        }
        u->header[n++] = upper(*c->at++);
    }
    u->header[n] = '\0';
    u->common = u->header[0] == '*';
    if (n == 0) {
        bool strange = c->at < c->end && *c->at != ';' && *c->at != '?' && *c->at != ',';
        return strange ? SCPI_INVALID_CHARACTER : SCPI_SYNTAX;
    }
    const char *star = strrchr(u->header, '*');
    if ((star && star != u->header) || (u->common && u->rooted) || strstr(u->header, "::") ||
        u->header[n - 1] == ':' || (u->common && strchr(u->header, ':'))) {
        return SCPI_SYNTAX;
    }
    return 0;
}

/* What may stand behind a header: "?", then a blank, a semicolon or the end. */
static int take_header_end(struct cursor *c, struct unit *u)
{
    if (c->at < c->end && *c->at == '?') {
        u->query = true;
        c->at++;
    }
    if (c->at == c->end || is_blank(*c->at) || *c->at == ';') {
        return 0;
    }
    if (u->query || *c->at == ',') {
        return SCPI_SEPARATOR;
    }
    return SCPI_INVALID_CHARACTER;
}

static int take_string(struct cursor *c)
{
    char quote = *c->at++;
    while (c->at < c->end) {
        if (*c->at++ == quote) {
            if (c->at == c->end || *c->at != quote) {
                return 0;
            }
            c->at++; /* a doubled quote stands for one */
        }
    }
    return SCPI_BAD_STRING;
}

static int take_parameter(struct cursor *c, struct word *w)
{
    skip_blanks(c);
    w->text = c->at;
    while (c->at < c->end && *c->at != ',' && *c->at != ';') {
        if (!is_text_char(*c->at)) {
            return SCPI_INVALID_CHARACTER;
        }
        if (*c->at == '"' || *c->at == '\'') {
            int error = take_string(c);
            if (error) {
                return error;
            }
        } else {
            c->at++;
        }
    }
    w->n = (size_t)(c->at - w->text);
    while (w->n > 0 && is_blank(w->text[w->n - 1])) {
        w->n--;
    }
    return w->n > 0 ? 0 : SCPI_SYNTAX;
}

static int take_parameters(struct cursor *c, struct unit *u)
{
    skip_blanks(c);
    if (c->at == c->end || *c->at == ';') {
        return 0;
    }
    for (;;) {
        struct word w;
        int error = take_parameter(c, &w);
        if (error) {
            return error;
        }
        if (u->count == SYNTAX_PARAMETERS) {
            return SCPI_TOO_MANY;
        }
        u->parameters[u->count++] = w;
        if (c->at == c->end || *c->at == ';') {
            return 0;
        }
        c->at++; /* the comma */
    }
}

int syntax_unit(struct cursor *c, struct unit *u)
{
    memset(u, 0, sizeof *u);
    skip_blanks(c);
    int error = take_header(c, u);
    error = error ? error : take_header_end(c, u);
    error = error ? error : take_parameters(c, u);
    if (!error && c->at < c->end) {
        c->at++; /* the semicolon; nothing behind it is a unit without a header */
        if (c->at == c->end) {
            return SCPI_SYNTAX;
        }
    }
    return error;
}

/* Length of the short form: the leading capitals (and digits) of a mnemonic. */
static size_t short_length(const char *mnemonic, size_t n)
{
    size_t k = 0;
    while (k < n && !(mnemonic[k] >= 'a' && mnemonic[k] <= 'z')) {
        k++;
    }
    return k;
}

static bool node_matches(const char *mnemonic, size_t mnemonic_n, const char *word, size_t word_n)
{
    if (word_n != mnemonic_n && word_n != short_length(mnemonic, mnemonic_n)) {
        return false;
    }
    for (size_t i = 0; i < word_n; i++) {
        if (upper(mnemonic[i]) != upper(word[i])) {
            return false;
        }
    }
    return true;
}

bool syntax_is(struct word w, const char *mnemonic)
{
    return node_matches(mnemonic, strlen(mnemonic), w.text, w.n);
}

/* One node of a pattern, "[:SCALar]" or ":VOLTage" or, at the beginning,
 * "[SOURce:]" or "MEASure". */
struct node {
    const char *mnemonic;
    size_t n;
    bool optional;
};

static const char *next_node(const char *pattern, struct node *node)
{
    node->optional = *pattern == '[';
    pattern += strspn(pattern, "[:");
    node->mnemonic = pattern;
    node->n = strcspn(pattern, "[:]");
    pattern += node->n;
    if (node->optional) {
        pattern += strspn(pattern, ":]");
    }
    return pattern;
}

bool syntax_matches(const char *pattern, const char *header)
{
    if (*pattern == '\0') {
        return *header == '\0';
    }
    struct node node;
    const char *rest = next_node(pattern, &node);
    size_t n = strcspn(header, ":");
    const char *header_rest = header + n + (header[n] == ':' ? 1 : 0);
    if (node_matches(node.mnemonic, node.n, header, n) && syntax_matches(rest, header_rest)) {
        return true;
    }
    return node.optional && syntax_matches(rest, header);
}

/* Multipliers of 488.2; M alone is milli, but mega before OHM. */
static const struct {
    const char *prefix;
    double factor;
} multipliers[] = {{"EX", 1e18}, {"PE", 1e15}, {"T", 1e12}, {"G", 1e9},  {"MA", 1e6},
                   {"K", 1e3},   {"", 1.0},    {"M", 1e-3}, {"U", 1e-6}, {"N", 1e-9},
                   {"P", 1e-12}, {"F", 1e-15}, {"A", 1e-18}};

static bool same_text(struct word w, const char *text)
{
    if (w.n != strlen(text)) {
        return false;
    }
    for (size_t i = 0; i < w.n; i++) {
        if (upper(w.text[i]) != text[i]) {
            return false;
        }
    }
    return true;
}

static int suffix_factor(struct word suffix, const char *unit, double *factor)
{
    size_t unit_n = strlen(unit);
    if (suffix.n < unit_n ||
        !same_text((struct word){suffix.text + suffix.n - unit_n, unit_n}, unit)) {
        return SCPI_BAD_SUFFIX;
    }
    struct word prefix = {suffix.text, suffix.n - unit_n};
    if (strcmp(unit, "OHM") == 0 && same_text(prefix, "M")) {
        *factor = 1e6;
        return 0;
    }
    for (size_t i = 0; i < sizeof multipliers / sizeof multipliers[0]; i++) {
        if (same_text(prefix, multipliers[i].prefix)) {
            *factor = multipliers[i].factor;
            return 0;
        }
    }
    return SCPI_BAD_SUFFIX;
}

static size_t count_digits(struct word w, size_t from)
{
    size_t n = 0;
    while (from + n < w.n && is_digit(w.text[from + n])) {
        n++;
    }
    return n;
}

static bool is_sign(struct word w, size_t at)
{
    return at < w.n && (w.text[at] == '+' || w.text[at] == '-');
}

/* Length of the number at the beginning of w; 0 when there is none. */
static size_t number_length(struct word w)
{
    size_t at = is_sign(w, 0) ? 1 : 0;
    size_t digits = count_digits(w, at);
    at += digits;
    if (at < w.n && w.text[at] == '.') {
        size_t fraction = count_digits(w, at + 1);
        at += 1 + fraction;
        digits += fraction;
    }
    if (digits == 0) {
        return 0;
    }
    if (at < w.n && upper(w.text[at]) == 'E') {
        size_t exponent = at + 1 + (is_sign(w, at + 1) ? 1 : 0);
        size_t n = count_digits(w, exponent);
        at = n > 0 ? exponent + n : at;
    }
    return at;
}

static bool take_extreme(struct word w, enum extreme *extreme)
{
    static const char *const names[] = {"MINimum", "MAXimum", "DEFault"};
    for (int i = 0; i < 3; i++) {
        if (syntax_is(w, names[i])) {
            *extreme = (enum extreme)(EXTREME_MIN + i);
            return true;
        }
    }
    return false;
}

int syntax_number(struct word w, const char *unit, double *out, enum extreme *extreme)
{
    if (extreme) {
        *extreme = EXTREME_NONE;
        if (take_extreme(w, extreme)) {
            return 0;
        }
    }
    if (is_letter(w.text[0]) || w.text[0] == '"' || w.text[0] == '\'' || w.text[0] == '#' ||
        w.text[0] == '(') {
        return SCPI_DATA_TYPE;
    }
    char digits[64];
    size_t n = number_length(w);
    if (n == 0 || n >= sizeof digits) {
        return SCPI_BAD_NUMBER;
    }
    memcpy(digits, w.text, n);
    digits[n] = '\0';
    *out = strtod(digits, NULL);
    size_t at = n;
    while (at < w.n && is_blank(w.text[at])) {
        at++;
    }
    if (at == w.n) {
        return 0;
    }
    struct word suffix = {w.text + at, w.n - at};
    if (!is_letter(suffix.text[0])) {
        return SCPI_BAD_NUMBER;
    }
    if (!unit) {
        return SCPI_NO_SUFFIX;
    }
    double factor = 1.0;
    int error = suffix_factor(suffix, unit, &factor);
    *out *= factor;
    return error;
}

int syntax_boolean(struct word w, bool *out)
{
    if (syntax_is(w, "ON") || syntax_is(w, "OFF")) {
        *out = syntax_is(w, "ON");
        return 0;
    }
    double value = 0.0;
    int error = syntax_number(w, NULL, &value, NULL);
    if (error) {
        return error;
    }
    *out = value > 0.5;
    bool known = fabs(value) < 1e-9 || fabs(value - 1.0) < 1e-9;
    return known ? 0 : SCPI_RANGE;
}

static const struct {
    int number;
    const char *text;
} texts[] = {
    {0, "No error"},
    {SCPI_INVALID_CHARACTER, "Invalid character"},
    {SCPI_SYNTAX, "Syntax error"},
    {SCPI_SEPARATOR, "Invalid separator"},
    {SCPI_DATA_TYPE, "Data type error"},
    {SCPI_TOO_MANY, "Parameter not allowed"},
    {SCPI_MISSING, "Missing parameter"},
    {SCPI_UNDEFINED, "Undefined header"},
    {SCPI_BAD_NUMBER, "Invalid character in number"},
    {SCPI_BAD_SUFFIX, "Invalid suffix"},
    {SCPI_NO_SUFFIX, "Suffix not allowed"},
    {SCPI_BAD_STRING, "Invalid string data"},
    {SCPI_EXECUTION, "Execution error"},
    {SCPI_CONFLICT, "Settings conflict"},
    {SCPI_RANGE, "Data out of range"},
    {SCPI_LIST_FULL, "Queue overflow"},
    {SCPI_INPUT_OVERRUN, "Input buffer overrun"},
    {SCPI_INTERRUPTED, "Query INTERRUPTED"},
};

const char *syntax_error_text(int number)
{
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        if (texts[i].number == number) {
            return texts[i].text;
        }
    }
    return "Device-specific error";
}
