/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/client: asks the daemon over its Unix socket. Hides libcurl and the form
 * of the API's errors. */
#ifndef AMPLEDGER_CLI_CLIENT_H
#define AMPLEDGER_CLI_CLIENT_H

#include "base/err.h"

#include <jansson.h>
#include <stddef.h>
#include <stdio.h>

struct client;

/* Makes the object; the first request connects. `socket` is borrowed. */
bool client_open(const char *socket, struct client **out, struct err *e) NODISCARD;
void client_close(struct client *c); /* NULL is fine */
/* What is asked next may take long: an hour, instead of 100 s for an answer. */
void client_be_patient(struct client *c);

/* ERR_LINK_LOST: no daemon answers, with the remedy. What the daemon itself says
 * keeps its code and sentence; troubles with instruments become ERR_REFUSED, so
 * that ERR_LINK_LOST always speaks of the daemon. *out is a new reference. */
bool client_get(struct client *c, const char *path, json_t **out, struct err *e) NODISCARD;
/* body borrowed; NULL: none */
bool client_post(struct client *c, const char *path, const json_t *body, json_t **out,
                 struct err *e) NODISCARD;
/* Writes what comes into `to` as it comes. False also when it ended too early. */
bool client_download(struct client *c, const char *path, FILE *to, struct err *e) NODISCARD;

#define CLIENT_PATH_SIZE 1024
/* before + name (percent-encoded, RFC 3986) + after. */
bool client_path(char out[CLIENT_PATH_SIZE], const char *before, const char *name,
                 const char *after, struct err *e) NODISCARD;

/* A problem document as an error. */
void problem_read(const char *text, size_t n, long status, struct err *e);

#endif
