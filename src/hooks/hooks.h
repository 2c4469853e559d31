/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks: tells somebody outside what happened: runs a command and posts to a
 * URL when a run starts, holds, ends or trips, or an output does not go off.
 *
 * One thread of its own does all the telling. hooks_tell() copies one struct
 * into a bounded queue and never waits for a command, a network or a disk: the
 * run loop calls it while the guard must go on. Times here are real time. */
#ifndef AMPLEDGER_HOOKS_HOOKS_H
#define AMPLEDGER_HOOKS_HOOKS_H

#include "base/battery.h"
#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

enum hook_kind { HOOK_START, HOOK_HOLD, HOOK_END, HOOK_TRIP, HOOK_ALARM, HOOK_KINDS };
/* NULL-terminated, in the order of enum hook_kind: "start", "hold", "end", "trip", "alarm". */
extern const char *const hook_kind_names[];
/* False when the word is none of them. */
bool hook_kind_parse(const char *word, enum hook_kind *out) NODISCARD;

#define HOOK_PROFILE_SIZE 64
#define HOOK_REASON_SIZE 32
#define HOOK_TEXT_SIZE 256

/* What happened. Texts "" and numbers NAN (run_nr 0) where there is nothing to say. */
struct hook_event {
    enum hook_kind kind;
    char stand[LABEL_SIZE];
    char battery[LABEL_SIZE]; /* label */
    char run[UUID_TEXT_SIZE];
    int64_t run_nr;
    char profile[HOOK_PROFILE_SIZE];
    char reason[HOOK_REASON_SIZE]; /* why it tripped, how it ended */
    double value, limit;           /* what was seen and what it was held against, in `unit` */
    char unit[16];
    char text[HOOK_TEXT_SIZE]; /* for a person */
    int64_t at_utc_ns;
    double at_s; /* seconds since the run began */
};
struct hook_event hook_event_blank(enum hook_kind kind);

#define HOOK_URL_SIZE 512
#define HOOK_WORDS_MAX 32
#define HOOK_TRIES 5

/* What bench.yaml says under `events`. Neither command nor post: nothing is told. */
struct hooks_config {
    char **command; /* argv, NULL-terminated, first word a path; NULL: no command. Owned */
    char post[HOOK_URL_SIZE]; /* "": no POST */
    bool on[HOOK_KINDS];
};
void hooks_config_clear(struct hooks_config *c); /* frees the words */
/* http or https with a host. The message is a bare sentence. */
bool hooks_check_url(const char *url, struct err *e) NODISCARD;

struct hooks_pace {
    int command_ms;               /* then the command's process group is killed */
    int post_ms;                  /* for one try */
    int pause_ms[HOOK_TRIES - 1]; /* before try 2, 3, ... */
    int flush_ms;                 /* how long hooks_stop() may take */
};
extern const struct hooks_pace hooks_pace_default; /* 30 s; 10 s; 5, 15, 30, 60 s; 3 s */

struct hooks;

/* Start the thread; where config tells nobody there is none, and *out is NULL, which all
 * functions take. config is copied; title is that of the bench, told with
 * every event; pace NULL: the default. */
bool hooks_start(const struct hooks_config *config, const char *title,
                 const struct hooks_pace *pace, struct hooks **out, struct err *e) NODISCARD;

/* Never blocks, cannot fail. When the queue is full, the oldest that is neither
 * trip nor alarm gives way; that is counted and logged. NULL hooks is fine. */
void hooks_tell(struct hooks *h, const struct hook_event *event);

/* Tell what is still waiting, for at most pace.flush_ms and without further
 * pauses; kill what still runs then, log what was not told, free. NULL is fine. */
void hooks_stop(struct hooks *h);

/* What was told and what was not, newest first. */
struct hook_record {
    int64_t at_utc_ns; /* when it was settled */
    enum hook_kind kind;
    char stand[LABEL_SIZE];
    bool by_post; /* else by command */
    bool ok;
    int tries;
    char said[HOOK_TEXT_SIZE]; /* what was to be told */
    char text[HOOK_TEXT_SIZE]; /* "exit status 1", "HTTP 204", ... */
};
#define HOOK_RECORDS 100 /* kept in memory */
/* Copies at most max of them into out; returns how many. NULL hooks has none. */
size_t hooks_list(struct hooks *h, struct hook_record *out, size_t max);
/* Events that were given up since the start because the queue was full. */
uint64_t hooks_dropped(struct hooks *h);

#endif
