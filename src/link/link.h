/* SPDX-License-Identifier: GPL-3.0-or-later
 * link: a byte connection to an instrument, with deadlines. Hides libserialport,
 * pseudo-terminals, sockets and USB test instruments. Every wait ends at its deadline or when the
 * wake-up descriptor becomes readable; nothing blocks without one. Deadlines are real time: what is
 * on a wire knows no other. After opening nothing is allocated. Not thread-safe: one thread owns a
 * link. */
#ifndef AMPLEDGER_LINK_LINK_H
#define AMPLEDGER_LINK_LINK_H

#include "base/err.h"

#include <stddef.h>
#include <sys/types.h>

struct link;

/* FLOW_DTR_DSR is refused at opening: Linux has it for no port. */
enum link_flow { FLOW_NONE, FLOW_RTS_CTS, FLOW_DTR_DSR, FLOW_XON_XOFF };

struct link_settings {
    int baud;
    int bits;    /* 5 to 8 */
    char parity; /* 'n', 'e', 'o' */
    int stop_bits;
    enum link_flow flow;
    int dtr, rts; /* -1 as the system leaves them, 0 off, 1 on */
    int wake_fd;  /* as link_set_wake(), from before the link is open; -1 */
};

/* 115200 baud, 8 bits, no parity, 1 stop bit, no flow control, lines left alone. */
struct link_settings link_settings_default(void);
/* Of the port, whatever may wake. */
bool link_settings_equal(const struct link_settings *a, const struct link_settings *b);

/* `serial:/dev/ttyUSB0` opens through libserialport, `tty:/dev/pts/7` a terminal
 * as it is, both exclusively. `tcp:192.168.1.20:5025` and `tcp:[fd00::20]:5025`
 * connect to a socket, within 1.5 s or until wake_fd is readable; addresses are
 * numeric, since a name server could delay off. `usbtmc:/dev/usbtmc0` is an
 * instrument behind the kernel's driver for USB test and measurement, Linux 4.20 or
 * newer; one that does not tell when an answer is there is refused, see
 * link_usbtmc.c. Its deadlines may be overrun by a kernel call of up to 1 s, where it
 * hangs. Settings of the port matter to `serial:` only. ERR_CONFIG for an address of no known kind
 * and for settings that the port cannot have; ERR_LINK_LOST for a port that is missing, forbidden
 * or held by another process; each with the remedy. Returns owned *out. */
bool link_open(const char *address, const struct link_settings *settings, struct link **out,
               struct err *e) NODISCARD;
void link_close(struct link *l); /* NULL is fine */

const char *link_address(const struct link *l);
/* Path with all symbolic links resolved; HOST:PORT of a socket. */
const char *link_device(const struct link *l);
int link_fd(const struct link *l);
/* One write is one whole message at this address: no half line can stand in the
 * input of its instrument. */
bool link_by_message(const char *address);
/* "192.168.1.20:5025" is an address that tcp: can connect to. */
bool link_tcp_check(const char *place);

/* An eventfd (or anything pollable): while it is readable every read fails with
 * ERR_INTERRUPTED. -1: nothing interrupts. Borrowed. */
void link_set_wake(struct link *l, int wake_fd);

/* All n bytes are with the system when it returns true. Never interrupted: half
 * a command must not stay on the wire. */
bool link_write(struct link *l, const char *bytes, size_t n, int timeout_ms,
                struct err *e) NODISCARD;

/* The same through a duplicate of a link's descriptor, for who cannot wait until the
 * thread that owns the link is done with it. */
bool link_write_copy(int fd, const char *bytes, size_t n, int timeout_ms) NODISCARD;

/* What has come, or comes within timeout_ms, through a duplicate; 0 or less: nothing,
 * or the link is lost. Kernel calls only. */
ssize_t link_read_copy(int fd, char *out, size_t size, int timeout_ms);

/* One line up to LF, without its end (LF or CR LF), NUL-terminated; *n its
 * length (a line may hold NUL bytes). What follows stays for the next call.
 * ERR_BAD_REPLY: the line is longer than size - 1; what had come is discarded. */
bool link_read_line(struct link *l, char *line, size_t size, size_t *n, int timeout_ms,
                    struct err *e) NODISCARD;

/* Exactly n bytes into out, n at most 64, NUL put after them: for what has no end
 * of line. */
bool link_read_bytes(struct link *l, char *out, size_t n, int timeout_ms, struct err *e) NODISCARD;

/* Bytes are waiting; does not wait. A lost link counts as waiting: reading tells. */
bool link_pending(struct link *l);

/* Bytes came with the line that was read last, behind it. Asks nobody and so never waits:
 * a terminal that is asked lets one wait for the system's thread that serves it, an
 * ordinary one, which may be milliseconds on a busy computer. */
bool link_holds_more(const struct link *l);

/* Read and discard until nothing came for quiet_ms. *discarded (may be NULL)
 * counts bytes. ERR_BAD_REPLY when it does not fall silent within timeout_ms. */
bool link_drain(struct link *l, int quiet_ms, int timeout_ms, size_t *discarded,
                struct err *e) NODISCARD;

#endif
