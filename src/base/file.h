/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/file: whole small files, and paths relative to the file that names them. */
#ifndef AMPLEDGER_BASE_FILE_H
#define AMPLEDGER_BASE_FILE_H

#include "base/err.h"

#include <stddef.h>

/* Read a regular file of at most max bytes; *text is owned, NUL-terminated. */
bool file_read(const char *path, size_t max, char **text, size_t *n, struct err *e) NODISCARD;

/* The same into a buffer of the caller's, which takes size - 3 bytes; allocates nothing. */
bool file_read_into(const char *path, char *out, size_t size, struct err *e) NODISCARD;

/* Put into out: `path` as it is when absolute, else beside the file `beside`.
 * False when it does not fit. */
bool path_beside(const char *beside, const char *path, char *out, size_t size,
                 struct err *e) NODISCARD;

/* Owned copy of a text (like strdup, but aborts the process when memory is out:
 * used at set-up only, never in the sample path). */
char *text_copy(const char *s);
void *zalloc(size_t n); /* zeroed memory; same rule */
/* Called, from any thread, just before the process aborts for lack of memory: may
 * not allocate, wait for a lock, or take long. */
void on_out_of_memory(void last_words(void));

/* snprintf that reports truncation: true when all fitted. */
bool text_format(char *out, size_t size, const char *fmt, ...) PRINTF_LIKE(3, 4);

/* Shell-style match with * and ?, case-insensitive, whole text. */
bool text_matches(const char *pattern, const char *text);

#endif
