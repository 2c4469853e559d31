/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/fault: names and arguments of faults. */
#include "virtual/fault.h"

#include "base/file.h"
#include "base/quantity.h"
#include "base/yaml.h"

#include <stdio.h>
#include <string.h>

static const char *const names[] = {
    "silence",    "hang",     "late",  "garbage", "truncate", "double",    "echo",
    "crlf",       "nul",      "flood", "unplug",  "nan",      "overrange", "absurd",
    "stuck",      "reversed", "jump",  "lost",    "identity", "refuse",    "ignore-set",
    "wrong-mode", "stays-on", "leak",  "open",    NULL,
};
_Static_assert(sizeof names / sizeof names[0] == FAULT_COUNT + 1, "one name for each fault");

const char *fault_name(enum fault_kind kind)
{
    return names[kind];
}

static bool find(const char *word, enum fault_kind *kind, struct err *e)
{
    for (int i = 0; i < FAULT_COUNT; i++) {
        if (strcmp(names[i], word) == 0) {
            *kind = (enum fault_kind)i;
            return true;
        }
    }
    const char *near = nearest_word(word, names);
    return err_set(e, ERR_NOT_FOUND, "there is no fault \"%s\"%s%s%s; `help` lists them", word,
                   near ? " (did you mean \"" : "", near ? near : "", near ? "\"?)" : "");
}

static bool take_late(struct faults *f, const char *arguments, struct err *e)
{
    char first[32], second[32], extra[2];
    if (sscanf(arguments, "%31s %31s %1s", first, second, extra) != 2 ||
        !number_parse(first, &f->late_min_s, NULL) || !number_parse(second, &f->late_max_s, NULL) ||
        f->late_min_s < 0.0 || f->late_max_s < f->late_min_s) {
        return err_set(e, ERR_CONFIG,
                       "late wants the shortest and the longest delay in seconds, as in: "
                       "fault load-1 late 0.5 2");
    }
    return true;
}

static bool take_stuck(struct faults *f, const char *argument, struct err *e)
{
    static const char *const quantities[VREAD_COUNT] = {"voltage", "current", "power",
                                                        "temperature"};
    bool known = !*argument;
    for (int i = 0; i < VREAD_COUNT; i++) {
        bool named = !*argument || strcmp(argument, quantities[i]) == 0;
        f->stuck[i] |= named;
        known |= named;
    }
    return known || err_set(e, ERR_CONFIG,
                            "stuck wants voltage, current, power, temperature, or nothing for all "
                            "of them, but was given \"%s\"",
                            argument);
}

static bool take_arguments(struct faults *f, enum fault_kind kind, const char *arguments,
                           struct err *e)
{
    if (kind == FAULT_LATE) {
        return take_late(f, arguments, e);
    }
    if (kind == FAULT_STUCK) {
        return take_stuck(f, arguments, e);
    }
    if (kind == FAULT_LEAK) {
        if (!number_parse(arguments, &f->leak_A, NULL) || f->leak_A < 0.0) {
            return err_set(e, ERR_CONFIG, "leak wants amperes, as in: fault load-1 leak 0.5");
        }
        return true;
    }
    if (kind == FAULT_IDENTITY) {
        if (!*arguments || !text_format(f->identity, sizeof f->identity, "%s", arguments)) {
            return err_set(e, ERR_CONFIG,
                           "identity wants a text of at most %zu characters, as in: "
                           "fault load-1 identity VIRTUAL,Load,other,1.0",
                           sizeof f->identity - 1);
        }
        return true;
    }
    return !*arguments || err_set(e, ERR_CONFIG, "%s takes no argument, but was given \"%s\"",
                                  names[kind], arguments);
}

bool faults_add(struct faults *f, const char *text, struct err *e)
{
    char word[32];
    size_t n = strcspn(text, " ");
    if (n == 0 || n >= sizeof word) {
        return err_set(e, ERR_CONFIG, "name a fault, as in: fault load-1 silence");
    }
    memcpy(word, text, n);
    word[n] = '\0';
    const char *arguments = text + n + strspn(text + n, " ");
    struct faults changed = *f;
    enum fault_kind kind = FAULT_COUNT;
    if (!find(word, &kind, e) || !take_arguments(&changed, kind, arguments, e)) {
        return false;
    }
    changed.on[kind] = true;
    *f = changed;
    return true;
}
