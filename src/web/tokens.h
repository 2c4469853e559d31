/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/tokens: who may ask over the network: secrets made here, and what each allows. Kept
 * in a small file of their own, not in the database: orders to stop must not wait for it,
 * and a copy of the ledger that is given away holds none of them. Thread-safe. */
#ifndef AMPLEDGER_WEB_TOKENS_H
#define AMPLEDGER_WEB_TOKENS_H

#include "base/battery.h"
#include "base/err.h"

#include <jansson.h>
#include <stdint.h>

#define TOKENS_MAX 64
/* 160 random bits as 32 letters and digits in four groups: to be typed on a phone. */
#define TOKEN_TEXT_SIZE 36

/* Each includes those before it. No token allows all: that takes the Unix socket. */
enum may { MAY_NOTHING, MAY_READ, MAY_CHANGE, MAY_ALL };

/* "read", "change"; MAY_NOTHING when it is neither. */
enum may may_parse(const char *word);
const char *may_word(enum may may);

struct token_holder {
    enum may may;
    uint32_t serial; /* of this token in this process, never used twice; 0 none */
    char name[LABEL_SIZE];
};

struct tokens;

/* Reads the file; one that is not there holds none. False with one that cannot be read: *out
 * (owned, as ever) holds none either, and takes none. */
bool tokens_open(const char *path, struct tokens **out, struct err *e) NODISCARD;
void tokens_free(struct tokens *t); /* NULL is fine */
size_t tokens_count(struct tokens *t);
/* False with why the file could not be read. */
bool tokens_are_read(const struct tokens *t, struct err *e) NODISCARD;

/* A token by that name; `text` is told this once. It holds when the file is on the disk. */
bool tokens_make(struct tokens *t, const struct token_holder *wanted, int64_t utc_ns,
                 char text[TOKEN_TEXT_SIZE], struct err *e) NODISCARD;
/* *serial: whose it was. It holds at once, whether or not the file can be written. */
bool tokens_withdraw(struct tokens *t, const char *name, uint32_t *serial, struct err *e) NODISCARD;
/* Whose is it? Never waits for a disk. */
bool tokens_find(struct tokens *t, const char *text, struct token_holder *out) NODISCARD;
/* {"tokens": [{name, may, made_utc}]}; new reference. */
json_t *tokens_to_json(struct tokens *t);

#endif
