/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/socket: the sockets the API listens on. */
#ifndef AMPLEDGER_WEB_SOCKET_H
#define AMPLEDGER_WEB_SOCKET_H

#include "base/err.h"

struct socket_wanted {
    const char *path;
    unsigned mode;     /* 0660 */
    const char *group; /* "" that of the process */
};
/* Bound, with that mode and group, listening; see web_start(). *fd is owned. */
bool socket_listen(const struct socket_wanted *wanted, int *fd, struct err *e) NODISCARD;

/* "127.0.0.1:8470" as bench_http_parse() gives it. *fd is owned; *port is the port it
 * really is, and `out` (HTTP_ADDRESS_SIZE; may be `address`) the address with it. */
bool socket_listen_tcp(const char *address, char *out, int *port, int *fd, struct err *e) NODISCARD;

#endif
