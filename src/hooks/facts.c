/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/facts: the facts of an event, listed once, written two ways. */
#include "hooks/facts.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/utf8.h"

#include <ctype.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define PREFIX "AMPLEDGER_"
#define FACTS 14

struct fact {
    const char *key;
    const char *text; /* NULL: it is a number */
    double number;
};

struct facts {
    struct fact fact[FACTS];
    struct hook_event event;
    char title[HOOK_TEXT_SIZE];
    char at[CLOCK_UTC_TEXT_SIZE];
};

/* A reply of an instrument, or a text cut in the middle of a character, may not
 * be UTF-8; JSON takes nothing else. */
static void mend(char *text)
{
    utf8_drop_part(text);
    utf8_repair(text);
}

static void list_facts(struct facts *f, const struct hook_event *event, const char *title)
{
    struct hook_event *e = &f->event;
    *e = *event;
    text_format(f->title, sizeof f->title, "%s", title);
    mend(f->title);
    mend(e->stand);
    mend(e->battery);
    mend(e->profile);
    mend(e->text);
    clock_format_utc(e->at_utc_ns, f->at);
    const struct fact fact[FACTS] = {
        {"event", hook_kind_names[e->kind], 0},
        {"at", f->at, 0},
        {"bench", f->title, 0},
        {"stand", e->stand, 0},
        {"battery", e->battery, 0},
        {"run", e->run, 0},
        {"run_nr", NULL, e->run_nr > 0 ? (double)e->run_nr : (double)NAN},
        {"profile", e->profile, 0},
        {"reason", e->reason, 0},
        {"value", NULL, e->value},
        {"limit", NULL, e->limit},
        {"unit", e->unit, 0},
        {"text", e->text, 0},
        {"at_s", NULL, e->at_s},
    };
    memcpy(f->fact, fact, sizeof fact);
}

static json_t *json_number(double number)
{
    if (!isfinite(number)) {
        return json_null();
    }
    /* -9e15..9e15 holds every whole number exactly */
    if (trunc(number) == number && fabs(number) < 9e15) {
        return json_integer((json_int_t)number);
    }
    return json_real(number);
}

char *facts_json(const struct hook_event *event, const char *title)
{
    struct facts f;
    json_t *root = json_object();
    list_facts(&f, event, title);
    for (size_t i = 0; i < FACTS; i++) {
        const struct fact *fact = &f.fact[i];
        json_t *value = json_null();
        if (fact->text == NULL) {
            value = json_number(fact->number);
        } else if (fact->text[0] != '\0') {
            value = json_string(fact->text);
        }
        json_object_set_new(root, fact->key, value);
    }
    char *text = json_dumps(root, JSON_COMPACT | JSON_REAL_PRECISION(10));
    json_decref(root);
    return text;
}

static char *variable(const struct fact *f)
{
    char line[HOOK_TEXT_SIZE + 64];
    char name[32];
    size_t n = strlen(f->key);
    for (size_t i = 0; i <= n; i++) {
        name[i] = (char)toupper((unsigned char)f->key[i]);
    }
    if (f->text != NULL) {
        text_format(line, sizeof line, PREFIX "%s=%s", name, f->text);
    } else if (isfinite(f->number)) {
        text_format(line, sizeof line, PREFIX "%s=%.10g", name, f->number);
    } else {
        text_format(line, sizeof line, PREFIX "%s=", name);
    }
    return text_copy(line);
}

static bool has_name(const char *variable, const char *name, size_t n)
{
    return strncmp(variable, name, n) == 0 && variable[n] == '=';
}

/* What must not reach the command: the service manager's line to the daemon,
 * and an older value of what we set ourselves. */
static bool is_ours(const char *inherited, char *const *set)
{
    static const char *const own[] = {"NOTIFY_SOCKET", "WATCHDOG_PID", "WATCHDOG_USEC",
                                      "LISTEN_FDS",    "LISTEN_PID",   "LISTEN_FDNAMES"};
    for (size_t i = 0; i < sizeof own / sizeof own[0]; i++) {
        if (has_name(inherited, own[i], strlen(own[i]))) {
            return true;
        }
    }
    for (size_t i = 0; i < FACTS; i++) {
        if (has_name(inherited, set[i], strcspn(set[i], "="))) {
            return true;
        }
    }
    return false;
}

char **facts_environment(const struct hook_event *event, const char *title, char *const *inherited)
{
    struct facts f;
    size_t count = 0;
    list_facts(&f, event, title);
    while (inherited != NULL && inherited[count] != NULL) {
        count++;
    }
    char **out = zalloc((FACTS + count + 1) * sizeof *out);
    size_t n = 0;
    for (; n < FACTS; n++) {
        out[n] = variable(&f.fact[n]);
    }
    for (size_t i = 0; i < count; i++) {
        if (!is_ours(inherited[i], out)) {
            out[n++] = text_copy(inherited[i]);
        }
    }
    return out;
}

void facts_environment_free(char **environment)
{
    for (size_t i = 0; environment != NULL && environment[i] != NULL; i++) {
        free(environment[i]);
    }
    free(environment);
}
