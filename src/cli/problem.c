/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/problem: what the API says when something went wrong, and addresses with
 * names in them. Pure. */
#include "cli/client.h"

#include <stdio.h>
#include <string.h>

/* From the daemon's view: the house's code whose name it sent. */
static enum err_code code_named(const char *name)
{
    for (int code = ERR_TIMEOUT; name != NULL && code <= ERR_BUG; code++) {
        if (strcmp(err_code_name((enum err_code)code), name) == 0) {
            return (enum err_code)code;
        }
    }
    return ERR_BUG;
}

static enum err_code code_for_us(enum err_code remote)
{
    switch (remote) {
    case ERR_TIMEOUT:
    case ERR_INTERRUPTED:
    case ERR_LINK_LOST:
    case ERR_BAD_REPLY:
    case ERR_INSTRUMENT:
        return ERR_REFUSED;
    case ERR_NONE:
    case ERR_CONFIG:
    case ERR_NOT_FOUND:
    case ERR_REFUSED:
    case ERR_STORE:
    case ERR_SYSTEM:
    case ERR_BUG:
        break;
    }
    return remote;
}

void problem_read(const char *text, size_t n, long status, struct err *e)
{
    json_t *doc = json_loadb(text, n, 0, NULL);
    const char *detail = json_string_value(json_object_get(doc, "detail"));
    const char *code = json_string_value(json_object_get(doc, "code"));
    if (detail != NULL) {
        err_set(e, code_for_us(code_named(code)), "%s", detail);
    } else {
        err_set(e, ERR_BUG,
                "the daemon answered with status %ld and no reason; is this really ampledgerd?",
                status);
    }
    json_decref(doc);
}

static bool is_unreserved(unsigned char c)
{
    return (c >= '0' && c <= '9') || (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
           (c != '\0' && strchr("-._~", c) != NULL);
}

bool client_path(char out[CLIENT_PATH_SIZE], const char *before, const char *name,
                 const char *after, struct err *e)
{
    char encoded[CLIENT_PATH_SIZE];
    size_t n = 0;
    for (const char *p = name; *p != '\0'; p++) {
        unsigned char c = (unsigned char)*p;
        if (n + 4 > sizeof encoded) {
            return err_set(e, ERR_CONFIG, "the name \"%.40s...\" is too long", name);
        }
        n += (size_t)snprintf(encoded + n, sizeof encoded - n, is_unreserved(c) ? "%c" : "%%%02X",
                              c);
    }
    encoded[n] = '\0';
    int total = snprintf(out, CLIENT_PATH_SIZE, "%s%s%s", before, encoded, after);
    return (total > 0 && total < CLIENT_PATH_SIZE) ||
           err_set(e, ERR_CONFIG, "the name \"%.40s...\" is too long", name);
}
