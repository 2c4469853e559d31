/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/notify: tells the service manager how we are, by the protocol of
 * sd_notify(3): datagrams to the socket that NOTIFY_SOCKET names. Without that
 * variable every call does nothing. Only the keeper speaks: it is the process
 * that the service manager started and listens to. */
#ifndef AMPLEDGER_DAEMON_NOTIFY_H
#define AMPLEDGER_DAEMON_NOTIFY_H

#include <stdint.h>

/* One or more lines "KEY=value", separated by \n. Never blocks; a manager that
 * does not listen is no reason to stop. */
void notify_send(const char *lines);

/* "STATUS=text", cut to one line; extra: further lines before it ("READY=1"), or "". */
void notify_status(const char *extra, const char *text);

/* Half of WATCHDOG_USEC, in ns; 0 when no watchdog waits for this process
 * (WATCHDOG_PID names another one, or nothing sensible is set). */
int64_t notify_watchdog_period_ns(void);

#endif
