/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/heart: tells the keeper at once when the worker dies.
 *
 * A process is not gone before its last thread is, and one that waits for a
 * slow disk inside the kernel does not go before the disk has answered. So
 * neither the end of the process (SIGCHLD) nor a descriptor that all threads
 * share tells of a death in time. The heart is a thread that never touches a
 * disk and has a table of descriptors of its own, with one end of a pipe alone
 * in it: whatever ends the worker ends this thread at once, and with it the
 * pipe. */
#ifndef AMPLEDGER_DAEMON_HEART_H
#define AMPLEDGER_DAEMON_HEART_H

/* In the worker, before it opens anything: start the thread. Takes fd, the end
 * of the pipe that the keeper watches the other end of. Where the system refuses
 * any of it, fd stays with the process, and its end is told when that is gone. */
void heart_start(int fd);

#endif
