/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/link_backend: what each kind of link gives: an open descriptor. All else
 * is the same for all and stands in link.c. */
#ifndef AMPLEDGER_LINK_LINK_BACKEND_H
#define AMPLEDGER_LINK_LINK_BACKEND_H

#include "link/link.h"

#include <stdint.h>
#include <sys/types.h>

#define LINK_BUFFER 4096

struct sp_port;

enum link_kind { LINK_TERMINAL, LINK_SOCKET, LINK_MESSAGES };

struct link {
    enum link_kind kind;
    int fd;
    struct sp_port *port; /* serial: owns the descriptor */
    int wake_fd;
    size_t held; /* bytes read but not yet asked for */
    char buffer[LINK_BUFFER];
    char address[288];
    char device[288];
};

/* Open l->device (already resolved) and set l->fd (and l->port). */
bool link_open_serial(struct link *l, const struct link_settings *s, struct err *e) NODISCARD;
/* An enum sp_return in words. */
const char *link_serial_words(int code);
bool link_open_tty(struct link *l, struct err *e) NODISCARD;
/* `place` is HOST:PORT; sets l->device to it. */
bool link_open_tcp(struct link *l, const char *place, struct err *e) NODISCARD;
void link_close_tcp(struct link *l);

bool link_open_usbtmc(struct link *l, struct err *e) NODISCARD;

/* The same for a descriptor of unknown origin: kernel calls only, no memory. */
bool usbtmc_is(int fd);
enum usbtmc_look { USBTMC_NOTHING, USBTMC_ANSWER, USBTMC_GONE };
/* Is an answer there now? */
enum usbtmc_look usbtmc_look(int fd);
/* Look until one is, the deadline is over, or wake_fd (-1: none) is readable. */
enum usbtmc_look usbtmc_wait(int fd, int wake_fd, int64_t deadline_ns, bool *woken);
/* One answer or as much of it as there is room for, less one byte, ended by LF; 0:
 * nothing came; negative: the device is gone. */
ssize_t usbtmc_read(int fd, char *out, size_t size);

/* Take the descriptor for this process alone; else says who holds it. */
bool link_lock(struct link *l, struct err *e) NODISCARD;

/* Errors of opening, in words with a remedy; always false. */
bool link_fail_open(const struct link *l, int errno_value, struct err *e);

#endif
