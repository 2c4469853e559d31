/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/log: one line per event on standard error, UTC time first.
 *
 * The only global state of the house. Thread-safe. A line names the stand and
 * instrument it speaks of: the caller writes them into the message. What cannot be
 * written at once is lost, and the next line that arrives tells how many were. */
#ifndef AMPLEDGER_BASE_LOG_H
#define AMPLEDGER_BASE_LOG_H

#include "base/err.h"

#include <stddef.h>

enum log_level {
    LOG_ERROR, /* a person must act */
    LOG_WARN,  /* a person should look in the morning */
    LOG_INFO,  /* what the daemon does: starts, steps, ends */
    LOG_DEBUG, /* for the developer */
    LOG_WIRE   /* every byte each way */
};

void log_set_level(enum log_level level);
enum log_level log_level(void);
/* "error", "warn", "info", "debug", "wire"; false if none of these. */
bool log_level_parse(const char *text, enum log_level *out) NODISCARD;

void log_line(enum log_level level, const char *fmt, ...) PRINTF_LIKE(2, 3);
#define log_error(...) log_line(LOG_ERROR, __VA_ARGS__)
#define log_warn(...) log_line(LOG_WARN, __VA_ARGS__)
#define log_info(...) log_line(LOG_INFO, __VA_ARGS__)
#define log_debug(...) log_line(LOG_DEBUG, __VA_ARGS__)

/* Bytes on a link, printable form with \n \r \xNN escapes; direction '>' is
 * to the instrument, '<' from it. Costs nothing below LOG_WIRE. */
void log_wire(const char *link_name, char direction, const char *bytes, size_t n);

/* A file always says that it can be written to, and then lets one wait for as long as its
 * disk hangs. From here on a thread of the log's own does the waiting: lines go to it
 * through a pipe of 1 MiB. For a process that has threads who must not wait; once in it, and
 * not before a fork. Where the system refuses it, it stays as it was and a line says so.
 * Lines of the last milliseconds before the process is killed may be missing. */
void log_start_thread(void);
/* Until that thread has written what came so far, but no longer than a second: before the
 * process ends. Without a thread there is nothing to wait for. */
void log_flush(void);

#endif
