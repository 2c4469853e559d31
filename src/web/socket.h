/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/socket: the Unix socket the API listens on. */
#ifndef AMPLEDGER_WEB_SOCKET_H
#define AMPLEDGER_WEB_SOCKET_H

#include "base/err.h"

/* Bound, mode 0660, listening; see web_start(). *fd is owned. */
bool socket_listen(const char *path, int *fd, struct err *e) NODISCARD;

#endif
