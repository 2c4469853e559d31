/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver: reads a driver file and refuses one that could not switch
 * its instrument off or tell what it does. */
#include "instrument/driver.h"

#include "base/file.h"
#include "base/yaml.h"
#include "instrument/driver_keys.h"
#include "instrument/driver_line.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define DRIVER_FILE_MAX ((size_t)64 * 1024)
#define DEFAULT_SETTLE_MS 100
/* No reading is taken meanwhile, and trust in the last one is over after 3 s. */
#define SETTLE_MAX_S 1.0
#define REPLY_MIN_MS 20
#define REPLY_MAX_S 10.0
#define CHANNELS_MAX 16

const char *const role_names[] = {"load", "supply", "meter", "thermometer", NULL};
static const char *const protocol_names[] = {"scpi", "lines", "file", NULL};
static const char *const field_names[] = {"voltage", "current", "temperature", NULL};
static const char *const sign_names[] = {"positive-when-sinking", "positive-when-sourcing", NULL};
static const char *const verb_names[] = {
    "remote",       "local",          "prepare", "set_current", "set_voltage",
    "set_power",    "set_resistance", "on",      "off",         "under_voltage",
    "over_voltage", "over_current",   NULL};
static const char *const question_names[] = {"state",        "set_current",    "set_voltage",
                                             "set_power",    "set_resistance", "under_voltage",
                                             "over_voltage", "over_current",   NULL};
static const char *const hold_names[] = {"current", "power", "resistance", NULL};
static const char *const driver_keys[] = {
    "driver",   "role",   "protocol",  "identity", "link", "settle", "ratings",
    "accuracy", "verbs",  "questions", "mode",     "read", "errors", "current_reported",
    "channels", "checks", NULL};
static const char *const identity_keys[] = {"ask", "match", NULL};
static const char *const mode_keys[] = {"ask", "match", "current", "power", "resistance", NULL};
static const char *const mode_of_keys[] = {"select", "match", NULL};
static const char *const check_keys[] = {"ask", "match", NULL};
static const char *const link_keys[] = {
    "baud",      "bits",         "parity", "stop_bits", "flow", "dtr",    "rts",
    "ends_with", "reply_within", "pause",  "resync",    "echo", "prompt", NULL};
static const char *const ends_names[] = {"lf", "crlf", NULL};
static const char *const resync_names[] = {"nonce", "identity", "quiet", NULL};
static const char *const read_keys[] = {"ask", "pattern", "gives", "scale", NULL};

/* A document being read into a driver. */
struct loading {
    const struct yaml_doc *doc;
    const struct yaml_node *root;
    struct driver *d;
};

static unsigned verb_values(enum verb v)
{
    switch (v) {
    case VERB_SET_CURRENT:
    case VERB_OVER_CURRENT:
        return LINE_HAS_CURRENT;
    case VERB_SET_VOLTAGE:
    case VERB_UNDER_VOLTAGE:
    case VERB_OVER_VOLTAGE:
        return LINE_HAS_VOLTAGE;
    case VERB_SET_POWER:
        return LINE_HAS_POWER;
    case VERB_SET_RESISTANCE:
        return LINE_HAS_RESISTANCE;
    case VERB_REMOTE:
    case VERB_LOCAL:
    case VERB_PREPARE:
    case VERB_ON:
    case VERB_OFF:
    case VERB_COUNT:
        break;
    }
    return 0;
}

/* --- single lines --- */

static unsigned channel_allowed(const struct loading *l)
{
    return l->d->channels > 0 ? LINE_HAS_CHANNEL : 0;
}

/* Copies the text of a node that must be one short line. */
static bool take_text(const struct loading *l, const struct yaml_node *n,
                      char out[DRIVER_LINE_SIZE], struct err *e)
{
    if (yaml_node_kind(n) != YAML_TEXT) {
        return yaml_fail(l->doc, n, e, "one line in quotes is wanted here");
    }
    if (!text_format(out, DRIVER_LINE_SIZE, "%s", yaml_text(n))) {
        return yaml_fail(l->doc, n, e, "the line is too long; the most is %d characters",
                         DRIVER_LINE_SIZE - 1);
    }
    return true;
}

/* Where lines that command go, and which values they may hold. */
struct commands {
    const char *name; /* of the key */
    unsigned values;
    struct driver_lines *lines;
};

static bool take_line(const struct loading *l, const struct yaml_node *n, const struct commands *c,
                      struct err *e)
{
    struct err why;
    unsigned found = 0;
    char *line = c->lines->line[c->lines->count];
    if (!take_text(l, n, line, e)) {
        return false;
    }
    if (!line_check(line, c->values | channel_allowed(l), &found, &why)) {
        return yaml_fail(l->doc, n, e, "%s: %s", c->name, why.text);
    }
    if (strchr(line, '?') != NULL) {
        return yaml_fail(l->doc, n, e,
                         "%s: \"%s\" is a question, and its answer would be taken for the next "
                         "one's; verbs only command",
                         c->name, line);
    }
    c->lines->count++;
    return true;
}

static bool take_lines(const struct loading *l, const struct yaml_node *n, const struct commands *c,
                       struct err *e)
{
    if (yaml_node_kind(n) != YAML_LIST) {
        return take_line(l, n, c, e);
    }
    if (yaml_count(n) == 0 || yaml_count(n) > DRIVER_LINES_MAX) {
        return yaml_fail(l->doc, n, e, "%s: from 1 to %d lines are wanted", c->name,
                         DRIVER_LINES_MAX);
    }
    for (size_t i = 0; i < yaml_count(n); i++) {
        if (!take_line(l, yaml_item(n, i), c, e)) {
            return false;
        }
    }
    return true;
}

static bool take_question(const struct loading *l, const struct yaml_node *n,
                          char out[DRIVER_LINE_SIZE], struct err *e)
{
    struct err why;
    unsigned found = 0;
    if (!take_text(l, n, out, e)) {
        return false;
    }
    if (!line_check(out, channel_allowed(l), &found, &why)) {
        return yaml_fail(l->doc, n, e, "%s", why.text);
    }
    if (strchr(out, '?') == NULL) {
        return yaml_fail(l->doc, n, e, "\"%s\" asks nothing: a question has a \"?\"", out);
    }
    return true;
}

/* --- sections --- */

static bool read_head(const struct loading *l, struct err *e)
{
    struct driver *d = l->d;
    int role = 0, protocol = 0, sign = 0;
    if (!yaml_read_text(l->doc, l->root, "driver", true, d->about, sizeof d->about, e) ||
        !yaml_read_choice(l->doc, l->root, "role", true, role_names, &role, e) ||
        !yaml_read_choice(l->doc, l->root, "protocol", true, protocol_names, &protocol, e)) {
        return false;
    }
    d->role = (enum role)role;
    d->protocol = (enum protocol)protocol;
    sign = d->role == ROLE_LOAD ? 0 : 1;
    if (!yaml_read_choice(l->doc, l->root, "current_reported", false, sign_names, &sign, e)) {
        return false;
    }
    d->current_sign = sign == 0 ? -1 : 1;
    return yaml_read_int(l->doc, l->root, "channels", false, 2, CHANNELS_MAX, &d->channels, e);
}

static bool read_identity(const struct loading *l, struct err *e)
{
    const struct yaml_node *identity = yaml_get(l->root, "identity");
    struct driver *d = l->d;
    if (identity == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, identity, identity_keys, e)) {
        return false;
    }
    const struct yaml_node *ask = yaml_get(identity, "ask");
    if (ask != NULL) {
        if (!take_question(l, ask, d->identity_query, e)) {
            return false;
        }
        /* The same question finds it again after a late answer. */
        strcpy(d->scpi.identity_query, d->identity_query);
    }
    return yaml_read_text(l->doc, identity, "match", false, d->identity_match,
                          sizeof d->identity_match, e);
}

/* A pattern that any answer fits would prove nothing. */
static bool take_match(const struct loading *l, const struct yaml_node *n,
                       char out[DRIVER_LINE_SIZE], struct err *e)
{
    return take_text(l, n, out, e) &&
           (strspn(out, "*?") < strlen(out) ||
            yaml_fail(l->doc, n, e, "\"%s\" fits every answer; write the one that is right", out));
}

/* One of the things it can hold: {select: "FUNCtion POWer", match: "POW*"}. */
static bool read_mode_of(const struct loading *l, const struct yaml_node *mode, enum hold h,
                         struct err *e)
{
    const struct yaml_node *n = yaml_get(mode, hold_names[h]);
    struct driver_mode *m = &l->d->mode[h];
    const struct commands select = {"select", 0, &m->select};
    if (n == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, n, mode_of_keys, e)) {
        return false;
    }
    const struct yaml_node *lines = yaml_get(n, "select"), *match = yaml_get(n, "match");
    if (lines == NULL || match == NULL) {
        return yaml_fail(l->doc, n, e,
                         "\"%s\" needs both what selects this mode and what must be answered "
                         "then, e.g. %s: {select: \"FUNCtion CURRent\", match: \"CURR*\"}",
                         hold_names[h], hold_names[h]);
    }
    return take_lines(l, lines, &select, e) && take_match(l, match, m->match, e);
}

static bool read_modes(const struct loading *l, const struct yaml_node *mode, struct err *e)
{
    for (int h = 0; h < HOLD_COUNT; h++) {
        if (!read_mode_of(l, mode, (enum hold)h, e)) {
            return false;
        }
    }
    return true;
}

/* Constant current alone may be chosen by "prepare"; then `match` says its answer. */
static bool read_mode(const struct loading *l, struct err *e)
{
    const struct yaml_node *mode = yaml_get(l->root, "mode");
    struct driver *d = l->d;
    if (mode == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, mode, mode_keys, e)) {
        return false;
    }
    const struct yaml_node *ask = yaml_get(mode, "ask"), *match = yaml_get(mode, "match");
    const struct yaml_node *current = yaml_get(mode, "current");
    if (ask == NULL || (match == NULL && current == NULL)) {
        return yaml_fail(l->doc, mode, e,
                         "\"mode\" needs both the question and what must be answered once "
                         "\"prepare\" has chosen it, e.g. mode: {ask: \"FUNCtion?\", match: "
                         "\"CURR*\"}");
    }
    if (match != NULL && current != NULL) {
        return yaml_fail(l->doc, match, e,
                         "\"match\" and \"current\" both say what must be answered in constant "
                         "current; leave \"match\" out");
    }
    return take_question(l, ask, d->mode_query, e) && read_modes(l, mode, e) &&
           (match == NULL || take_match(l, match, d->mode[HOLD_CURRENT].match, e));
}

static bool read_check(const struct loading *l, const struct yaml_node *n, struct err *e)
{
    struct driver_check *c = &l->d->check[l->d->check_count++];
    if (!yaml_check_keys(l->doc, n, check_keys, e)) {
        return false;
    }
    const struct yaml_node *ask = yaml_get(n, "ask"), *match = yaml_get(n, "match");
    if (ask == NULL || match == NULL) {
        return yaml_fail(l->doc, n, e,
                         "a check needs both the question and what must be answered, e.g. {ask: "
                         "\"CURRent:RANGe?\", match: \"40\"}");
    }
    return take_question(l, ask, c->ask, e) && take_match(l, match, c->match, e);
}

static bool read_checks(const struct loading *l, struct err *e)
{
    const struct yaml_node *checks = yaml_get(l->root, "checks");
    if (checks == NULL) {
        return true;
    }
    if (yaml_node_kind(checks) != YAML_LIST || yaml_count(checks) == 0 ||
        yaml_count(checks) > DRIVER_CHECKS_MAX) {
        return yaml_fail(l->doc, checks, e,
                         "a list of 1 to %d checks is wanted, e.g. checks: [{ask: "
                         "\"CURRent:RANGe?\", match: \"40\"}]",
                         DRIVER_CHECKS_MAX);
    }
    for (size_t i = 0; i < yaml_count(checks); i++) {
        if (!read_check(l, yaml_item(checks, i), e)) {
            return false;
        }
    }
    return true;
}

static bool read_ms(const struct loading *l, const struct yaml_node *map, const char *key,
                    double max_s, int *out, struct err *e)
{
    double seconds = *out / 1000.0;
    if (!yaml_read_value(l->doc, map, key, false, DIM_TIME, &seconds, e)) {
        return false;
    }
    if (seconds < 0 || seconds > max_s) {
        return yaml_fail(l->doc, yaml_get(map, key), e, "%s must be between 0 s and %g s", key,
                         max_s);
    }
    *out = (int)lround(seconds * 1000.0);
    return true;
}

static enum resync_how resync_of(int word)
{
    static const enum resync_how how[] = {RESYNC_NONCE, RESYNC_IDENTITY, RESYNC_QUIET};
    return how[word];
}

/* "=>" comes at the end of an answer as it is, "=>\n" as a line of its own. */
static bool read_prompt(const struct loading *l, const struct yaml_node *link, struct err *e)
{
    const struct yaml_node *n = yaml_get(link, "prompt");
    struct scpi_options *o = &l->d->scpi;
    char text[SCPI_PROMPT_SIZE + 1] = "";
    if (!yaml_read_text(l->doc, link, "prompt", false, text, sizeof text, e)) {
        return false;
    }
    size_t length = strlen(text);
    o->prompt_is_line = length > 0 && text[length - 1] == '\n';
    length -= o->prompt_is_line ? 1 : 0;
    text[length] = '\0';
    for (size_t i = 0; i < length; i++) {
        if (text[i] < 0x20 || text[i] > 0x7e) {
            return yaml_fail(l->doc, n, e, "a prompt is plain text, e.g. prompt: \"> \"");
        }
    }
    if (n != NULL && length == 0) {
        return yaml_fail(l->doc, n, e, "the prompt is empty; leave the key out when there is none");
    }
    text_format(o->prompt, sizeof o->prompt, "%s", text);
    return true;
}

static bool read_link(const struct loading *l, struct err *e)
{
    const struct yaml_node *link = yaml_get(l->root, "link");
    struct scpi_options *o = &l->d->scpi;
    int ends = 0, resync = 0;
    if (link == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, link, link_keys, e) ||
        !driver_read_port(l->doc, link, &l->d->link, e) ||
        !yaml_read_choice(l->doc, link, "ends_with", false, ends_names, &ends, e) ||
        !yaml_read_choice(l->doc, link, "resync", false, resync_names, &resync, e) ||
        !yaml_read_bool(l->doc, link, "echo", false, &o->echo, e) || !read_prompt(l, link, e) ||
        !read_ms(l, link, "reply_within", REPLY_MAX_S, &o->reply_timeout_ms, e) ||
        !read_ms(l, link, "pause", 1, &o->pause_ms, e)) {
        return false;
    }
    if (o->reply_timeout_ms < REPLY_MIN_MS) {
        return yaml_fail(l->doc, yaml_get(link, "reply_within"), e,
                         "reply_within must be at least %d ms", REPLY_MIN_MS);
    }
    o->crlf_out = ends == 1;
    o->how = resync_of(resync);
    if (o->prompt[0] != '\0' && o->how != RESYNC_QUIET) {
        return yaml_fail(l->doc, yaml_get(link, "prompt"), e,
                         "an instrument with a prompt is found again by silence only: write "
                         "resync: quiet");
    }
    return true;
}

static bool read_verb(const struct loading *l, const struct yaml_node *n, enum verb v,
                      struct err *e)
{
    const struct commands c = {verb_names[v], verb_values(v), &l->d->verb[v]};
    return take_lines(l, n, &c, e);
}

/* A verb that sets something but holds no value would always set the same. */
static bool value_used(const struct loading *l, const struct yaml_node *n, enum verb v,
                       struct err *e)
{
    unsigned wanted = verb_values(v), found = 0;
    for (size_t i = 0; i < l->d->verb[v].count; i++) {
        unsigned one = 0;
        if (line_check(l->d->verb[v].line[i], wanted | LINE_HAS_CHANNEL, &one, NULL)) {
            found |= one & ~(unsigned)LINE_HAS_CHANNEL;
        }
    }
    if (found == wanted) {
        return true;
    }
    return yaml_fail(l->doc, n, e, "%s: the value is nowhere in the line; write %s where it goes",
                     verb_names[v], line_placeholder(wanted));
}

static bool read_verbs(const struct loading *l, struct err *e)
{
    const struct yaml_node *verbs = yaml_get(l->root, "verbs");
    if (verbs == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, verbs, verb_names, e)) {
        return false;
    }
    for (int v = 0; v < VERB_COUNT; v++) {
        const struct yaml_node *n = yaml_get(verbs, verb_names[v]);
        if (n != NULL &&
            (!read_verb(l, n, (enum verb)v, e) || !value_used(l, n, (enum verb)v, e))) {
            return false;
        }
    }
    return true;
}

static bool read_questions(const struct loading *l, struct err *e)
{
    const struct yaml_node *questions = yaml_get(l->root, "questions");
    const struct yaml_node *errors = yaml_get(l->root, "errors");
    if (errors != NULL && !take_question(l, errors, l->d->scpi.error_query, e)) {
        return false;
    }
    if (questions == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, questions, question_names, e)) {
        return false;
    }
    for (int q = 0; q < ASK_COUNT; q++) {
        const struct yaml_node *n = yaml_get(questions, question_names[q]);
        if (n != NULL && !take_question(l, n, l->d->question[q], e)) {
            return false;
        }
    }
    return true;
}

static bool field_fits(enum role role, enum reading_field f)
{
    if (role == ROLE_THERMOMETER) {
        return f == FIELD_TEMPERATURE;
    }
    return f == FIELD_VOLTAGE || (f == FIELD_CURRENT && role != ROLE_METER);
}

static int word_index(const char *word, const char *const *words)
{
    for (int i = 0; words[i] != NULL; i++) {
        if (strcmp(word, words[i]) == 0) {
            return i;
        }
    }
    return -1;
}

static bool take_field(const struct loading *l, const struct yaml_node *n, struct err *e)
{
    struct driver_read *r = &l->d->read;
    int f = word_index(yaml_text(n), field_names);
    if (f < 0 || !field_fits(l->d->role, (enum reading_field)f)) {
        return yaml_fail(l->doc, n, e, "a %s does not give \"%s\"; %s", role_names[l->d->role],
                         yaml_text(n),
                         l->d->role == ROLE_THERMOMETER ? "it gives temperature"
                         : l->d->role == ROLE_METER     ? "it gives voltage"
                                                        : "it gives voltage and current");
    }
    for (size_t i = 0; i < r->count; i++) {
        if (r->field[i] == (enum reading_field)f) {
            return yaml_fail(l->doc, n, e, "\"%s\" is given twice", yaml_text(n));
        }
    }
    r->field[r->count++] = (enum reading_field)f;
    return true;
}

static bool read_gives(const struct loading *l, const struct yaml_node *map, struct err *e)
{
    const struct yaml_node *gives = yaml_get(map, "gives");
    if (gives == NULL) {
        return yaml_fail(l->doc, map, e,
                         "\"gives\" is missing: which values the answer holds, in order, e.g. "
                         "gives: [voltage, current]");
    }
    if (yaml_node_kind(gives) == YAML_TEXT) {
        return take_field(l, gives, e);
    }
    if (yaml_node_kind(gives) != YAML_LIST || yaml_count(gives) == 0) {
        return yaml_fail(l->doc, gives, e, "a list of values is wanted, e.g. [voltage, current]");
    }
    for (size_t i = 0; i < yaml_count(gives); i++) {
        if (!take_field(l, yaml_item(gives, i), e)) {
            return false;
        }
    }
    return true;
}

/* Which of ask, pattern and scale goes with which protocol. */
static bool read_how(const struct loading *l, const struct yaml_node *map, struct err *e)
{
    static const char *const wanted[] = {
        [PROTOCOL_SCPI] = "ask", [PROTOCOL_LINES] = "pattern", [PROTOCOL_FILE] = "scale"};
    enum protocol p = l->d->protocol;
    for (size_t i = 0; i < sizeof wanted / sizeof *wanted; i++) {
        const struct yaml_node *n = yaml_get(map, wanted[i]);
        if (n != NULL && i != (size_t)p) {
            return yaml_fail(l->doc, n, e, "\"%s\" has no meaning with protocol: %s", wanted[i],
                             protocol_names[p]);
        }
        if (n == NULL && i == (size_t)p && p != PROTOCOL_FILE) {
            return yaml_fail(l->doc, map, e, "\"%s\" is missing: protocol %s needs it", wanted[i],
                             protocol_names[p]);
        }
    }
    return true;
}

static bool read_pattern(const struct loading *l, const struct yaml_node *n, struct err *e)
{
    struct err why;
    if (!take_text(l, n, l->d->read.pattern, e)) {
        return false;
    }
    return pattern_check(l->d->read.pattern, &why) || yaml_fail(l->doc, n, e, "%s", why.text);
}

static bool read_scale(const struct loading *l, const struct yaml_node *map, struct err *e)
{
    double *scale = &l->d->read.scale;
    if (!yaml_read_value(l->doc, map, "scale", false, DIM_NUMBER, scale, e)) {
        return false;
    }
    return *scale > 0 ||
           yaml_fail(l->doc, yaml_get(map, "scale"), e,
                     "scale must be above 0: degC = number x scale, e.g. 0.001 for millidegrees");
}

static bool read_read(const struct loading *l, struct err *e)
{
    const struct yaml_node *map = yaml_get(l->root, "read");
    struct driver_read *r = &l->d->read;
    if (map == NULL) {
        return yaml_fail(l->doc, l->root, e,
                         "\"read\" is missing: how this %s is read, e.g. read: {ask: "
                         "\"MEASure:VOLTage?\", gives: [voltage]}",
                         role_names[l->d->role]);
    }
    if (!yaml_check_keys(l->doc, map, read_keys, e) || !read_how(l, map, e) ||
        !read_gives(l, map, e)) {
        return false;
    }
    switch (l->d->protocol) {
    case PROTOCOL_SCPI:
        return take_question(l, yaml_get(map, "ask"), r->line, e);
    case PROTOCOL_LINES:
        return read_pattern(l, yaml_get(map, "pattern"), e);
    case PROTOCOL_FILE:
        return read_scale(l, map, e);
    }
    return false;
}

/* --- is it enough to trust --- */

static bool needs_verb(const struct loading *l, enum verb v, const char *why, struct err *e)
{
    if (l->d->verb[v].count > 0) {
        return true;
    }
    const struct yaml_node *at = yaml_get(l->root, "verbs");
    return yaml_fail(l->doc, at != NULL ? at : l->root, e, "a %s needs the verb \"%s\": %s",
                     role_names[l->d->role], verb_names[v], why);
}

static bool needs_question(const struct loading *l, enum question q, const char *why, struct err *e)
{
    if (l->d->question[q][0] != '\0') {
        return true;
    }
    const struct yaml_node *at = yaml_get(l->root, "questions");
    return yaml_fail(l->doc, at != NULL ? at : l->root, e, "a %s needs the question \"%s\": %s",
                     role_names[l->d->role], question_names[q], why);
}

static bool gives(const struct driver *d, enum reading_field f)
{
    for (size_t i = 0; i < d->read.count; i++) {
        if (d->read.field[i] == f) {
            return true;
        }
    }
    return false;
}

static bool says_channel(const struct loading *l, const char *line, const char *section,
                         const char *what, struct err *e)
{
    const struct yaml_node *at = yaml_get(l->root, section);
    if (line[0] == '\0' || strstr(line, "{channel}") != NULL) {
        return true;
    }
    return yaml_fail(l->doc, at != NULL ? at : l->root, e,
                     "%s: with channels: %d every line must say which output it means: \"%s\" "
                     "lacks {channel}",
                     what, l->d->channels, line);
}

static bool lines_say_channel(const struct loading *l, const struct driver_lines *lines,
                              const char *section, const char *what, struct err *e)
{
    for (size_t i = 0; i < lines->count; i++) {
        if (!says_channel(l, lines->line[i], section, what, e)) {
            return false;
        }
    }
    return true;
}

static bool modes_say_channel(const struct loading *l, struct err *e)
{
    for (int h = 0; h < HOLD_COUNT; h++) {
        if (!lines_say_channel(l, &l->d->mode[h].select, "mode", hold_names[h], e)) {
            return false;
        }
    }
    return says_channel(l, l->d->mode_query, "mode", "mode", e);
}

/* A line that leaves the output to what was selected before could mean the
 * other stand's. */
static bool check_channels(const struct loading *l, struct err *e)
{
    const struct driver *d = l->d;
    if (d->channels == 0) {
        return true;
    }
    for (int v = VERB_PREPARE; v < VERB_COUNT; v++) {
        if (!lines_say_channel(l, &d->verb[v], "verbs", verb_names[v], e)) {
            return false;
        }
    }
    for (int q = 0; q < ASK_COUNT; q++) {
        if (!says_channel(l, d->question[q], "questions", question_names[q], e)) {
            return false;
        }
    }
    for (size_t i = 0; i < d->check_count; i++) {
        if (!says_channel(l, d->check[i].ask, "checks", "checks", e)) {
            return false;
        }
    }
    return modes_say_channel(l, e) && says_channel(l, d->read.line, "read", "read", e);
}

static const char set_again[] = "what was set is read back before an output goes on";

/* A load that is made to hold power must be known to hold it, and be brought back. */
static bool check_hold(const struct loading *l, enum hold h, enum verb v, enum question q,
                       struct err *e)
{
    const struct driver *d = l->d;
    const struct yaml_node *at = yaml_get(yaml_get(l->root, "verbs"), verb_names[v]);
    const struct yaml_node *mode = yaml_get(l->root, "mode");
    if (at == NULL) {
        return d->mode[h].match[0] == '\0' ||
               yaml_fail(l->doc, yaml_get(mode, hold_names[h]), e,
                         "mode: \"%s\" is of no use without the verb \"%s\"", hold_names[h],
                         verb_names[v]);
    }
    if (d->role != ROLE_LOAD) {
        return yaml_fail(l->doc, at, e, "only a load holds a constant %s", hold_names[h]);
    }
    if (d->mode[h].match[0] == '\0' || d->mode[HOLD_CURRENT].select.count == 0) {
        return yaml_fail(l->doc, at, e,
                         "%s: \"mode\" must say how constant %s is selected, and constant current "
                         "again, e.g. mode: {ask: \"FUNCtion?\", current: {select: \"FUNCtion "
                         "CURRent\", match: \"CURR*\"}, %s: {select: \"FUNCtion ...\", match: "
                         "\"...\"}}",
                         verb_names[v], hold_names[h], hold_names[h]);
    }
    return needs_question(l, q, set_again, e);
}

static bool check_output(const struct loading *l, struct err *e)
{
    if (l->d->protocol != PROTOCOL_SCPI) {
        return yaml_fail(l->doc, yaml_get(l->root, "protocol"), e,
                         "a %s must answer questions: protocol: scpi", role_names[l->d->role]);
    }
    if (!needs_verb(l, VERB_OFF, "without it nothing could be switched off", e) ||
        !needs_question(l, ASK_STATE, "without it nobody knows that the output is off", e)) {
        return false;
    }
    if (!gives(l->d, FIELD_CURRENT)) {
        return yaml_fail(l->doc, yaml_get(l->root, "read"), e,
                         "a %s must read current: capacity is measured current, and off is "
                         "confirmed by it",
                         role_names[l->d->role]);
    }
    if (!needs_verb(l, VERB_ON, "without it nothing could be switched on", e) ||
        !needs_verb(l, VERB_SET_CURRENT, "without it no current could be set", e) ||
        !needs_question(l, ASK_SET_CURRENT, set_again, e) ||
        !check_hold(l, HOLD_POWER, VERB_SET_POWER, ASK_SET_POWER, e) ||
        !check_hold(l, HOLD_RESISTANCE, VERB_SET_RESISTANCE, ASK_SET_RESISTANCE, e)) {
        return false;
    }
    return l->d->role == ROLE_LOAD ||
           (needs_verb(l, VERB_SET_VOLTAGE, "without it no charge voltage could be set", e) &&
            needs_question(l, ASK_SET_VOLTAGE, set_again, e));
}

/* An instrument that is only listened to cannot be told or asked anything. */
static bool check_listened_to(const struct loading *l, struct err *e)
{
    static const char *const spoken[] = {"identity", "verbs",  "questions", "mode",
                                         "checks",   "errors", NULL};
    for (size_t i = 0; spoken[i] != NULL; i++) {
        const struct yaml_node *n = yaml_get(l->root, spoken[i]);
        if (n != NULL) {
            return yaml_fail(l->doc, n, e,
                             "\"%s\" has no meaning with protocol: %s, where nothing is sent",
                             spoken[i], protocol_names[l->d->protocol]);
        }
    }
    return true;
}

static bool check_whole(const struct loading *l, struct err *e)
{
    switch (l->d->role) {
    case ROLE_LOAD:
    case ROLE_SUPPLY:
        return check_output(l, e);
    case ROLE_METER:
    case ROLE_THERMOMETER:
        break;
    }
    return l->d->protocol == PROTOCOL_SCPI || check_listened_to(l, e);
}

/* --- the whole file --- */

static bool name_from_path(const char *path, char *out, size_t size, struct err *e)
{
    const char *slash = strrchr(path, '/');
    const char *base = slash != NULL ? slash + 1 : path;
    size_t n = strlen(base);
    if (n > 5 && strcmp(base + n - 5, ".yaml") == 0) {
        n -= 5;
    }
    return text_format(out, size, "%.*s", (int)n, base) ||
           err_set(e, ERR_CONFIG, "%s: the file name is too long; the most is %zu characters", path,
                   size - 1);
}

static void set_defaults(struct driver *d)
{
    d->link = link_settings_default();
    d->scpi = scpi_options_default();
    d->scpi.error_query[0] = '\0';
    strcpy(d->identity_match, "*");
    d->settle_ms = DEFAULT_SETTLE_MS;
    d->read.scale = 1;
    d->current_max_A = d->voltage_max_V = d->power_max_W = d->voltage_min_V = NAN;
    d->voltage_gain = d->voltage_offset_V = d->voltage_resolution_V = NAN;
    d->current_gain = d->current_offset_A = d->current_resolution_A = NAN;
    d->power_resolution_W = d->resistance_resolution_ohm = NAN;
    d->temperature_offset_C = NAN;
}

static bool read_all(const struct loading *l, struct err *e)
{
    return yaml_check_keys(l->doc, l->root, driver_keys, e) && read_head(l, e) &&
           read_identity(l, e) && read_link(l, e) &&
           read_ms(l, l->root, "settle", SETTLE_MAX_S, &l->d->settle_ms, e) &&
           driver_read_ratings(l->doc, l->root, l->d, e) &&
           driver_read_accuracy(l->doc, l->root, l->d, e) && read_verbs(l, e) &&
           read_questions(l, e) && read_mode(l, e) && read_checks(l, e) && read_read(l, e) &&
           check_whole(l, e) && check_channels(l, e);
}

bool driver_load_text(const char *path, const char *text, size_t n, struct driver **out,
                      struct err *e)
{
    struct yaml_doc *doc = NULL;
    struct driver *d = zalloc(sizeof *d);
    bool ok = false;
    set_defaults(d);
    if (!text_format(d->path, sizeof d->path, "%s", path)) {
        err_set(e, ERR_CONFIG, "%s: the path is too long", path);
        goto out;
    }
    if (!name_from_path(path, d->name, sizeof d->name, e) ||
        !yaml_load_text(path, text, n, &doc, e)) {
        goto out;
    }
    struct loading l = {.doc = doc, .root = yaml_root(doc), .d = d};
    if (!read_all(&l, e)) {
        goto out;
    }
    size_t length = 0;
    d->text = text_copy(yaml_source(doc, &length));
    sha256_hex(text, n, d->sha256);
    *out = d;
    d = NULL;
    ok = true;
out:
    yaml_doc_free(doc);
    driver_free(d);
    return ok;
}

bool driver_load_file(const char *path, struct driver **out, struct err *e)
{
    char *text = NULL;
    size_t n = 0;
    if (!file_read(path, DRIVER_FILE_MAX, &text, &n, e)) {
        return false;
    }
    bool ok = driver_load_text(path, text, n, out, e);
    free(text);
    return ok;
}

struct driver *driver_copy(const struct driver *d)
{
    struct driver *copy = zalloc(sizeof *copy);
    *copy = *d;
    copy->text = text_copy(d->text);
    return copy;
}

static void choose_channel(struct driver_lines *lines, int channel)
{
    for (size_t i = 0; i < lines->count; i++) {
        line_set_channel(lines->line[i], channel);
    }
}

void driver_choose_channel(struct driver *d, int channel)
{
    for (int v = 0; v < VERB_COUNT; v++) {
        choose_channel(&d->verb[v], channel);
    }
    for (int h = 0; h < HOLD_COUNT; h++) {
        choose_channel(&d->mode[h].select, channel);
    }
    for (size_t i = 0; i < d->check_count; i++) {
        line_set_channel(d->check[i].ask, channel);
    }
    for (int q = 0; q < ASK_COUNT; q++) {
        line_set_channel(d->question[q], channel);
    }
    line_set_channel(d->mode_query, channel);
    line_set_channel(d->read.line, channel);
    d->channel = channel;
}

bool driver_can_hold(const struct driver *d, enum hold h)
{
    static const enum verb sets[] = {[HOLD_CURRENT] = VERB_SET_CURRENT,
                                     [HOLD_POWER] = VERB_SET_POWER,
                                     [HOLD_RESISTANCE] = VERB_SET_RESISTANCE};
    return d->verb[sets[h]].count > 0;
}

void driver_free(struct driver *d)
{
    if (d != NULL) {
        free(d->text);
        free(d);
    }
}
