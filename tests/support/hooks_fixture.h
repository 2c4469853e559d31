/* SPDX-License-Identifier: GPL-3.0-or-later
 * Support for the tests of hooks: a folder, events of the boat-hire yard, and
 * waiting for what became of them. */
#ifndef AMPLEDGER_TESTS_HOOKS_FIXTURE_H
#define AMPLEDGER_TESTS_HOOKS_FIXTURE_H

#include "base/clock.h"
#include "base/file.h"
#include "hooks/hooks.h"

#include <dirent.h>
#include <poll.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#define YARD "Lakeside boat-hire yard"

/* Impatient, so that a test takes a second and not two minutes. */
static const struct hooks_pace quick = {
    .command_ms = 5000, .post_ms = 1000, .pause_ms = {50, 100, 200, 400}, .flush_ms = 3000};

static inline struct hook_event yard_event(enum hook_kind kind, const char *text)
{
    struct hook_event e = hook_event_blank(kind);
    strcpy(e.stand, "jetty");
    strcpy(e.battery, "launch-a");
    text_format(e.text, sizeof e.text, "%s", text);
    return e;
}

static inline void tell(struct hooks *h, enum hook_kind kind, const char *text)
{
    struct hook_event e = yard_event(kind, text);
    hooks_tell(h, &e);
}

static inline struct hooks *start_hooks(char **command, const char *url,
                                        const struct hooks_pace *pace)
{
    struct hooks_config c = {.command = command, .on = {true, true, true, true, true}};
    struct hooks *h = NULL;
    struct err e = {0};
    text_format(c.post, sizeof c.post, "%s", url);
    if (!hooks_start(&c, YARD, pace, &h, &e)) {
        fail_msg("%s", e.text);
    }
    return h;
}

static inline void pause_ms(int ms)
{
    poll(NULL, 0, ms);
}

/* Wait until at least n events are settled; *newest is the last of them. */
static inline void await_records(struct hooks *h, size_t n, struct hook_record *newest)
{
    static struct hook_record all[HOOK_RECORDS];
    int64_t until_ns = clock_real_ns() + 20 * NS_PER_S;
    while (hooks_list(h, all, HOOK_RECORDS) < n) {
        assert_true(clock_real_ns() < until_ns);
        pause_ms(5);
    }
    *newest = all[0];
}

static inline size_t open_descriptors(void)
{
    size_t n = 0;
    DIR *d = opendir("/proc/self/fd");
    assert_non_null(d);
    while (readdir(d) != NULL) {
        n++;
    }
    closedir(d);
    return n;
}

#endif
