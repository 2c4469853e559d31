/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/link_usbtmc: USB test and measurement instruments through the kernel's
 * driver (linux/usb/tmc.h; Linux 4.20 or newer).
 *
 * What is written in one write() is one message, what read() gives is one message
 * or a part of it. A read() that finds nothing blocks in the kernel until the
 * driver's timeout, and gives the request up in a way that not every instrument
 * survives; poll() tells of service requests only. So nothing is read before the
 * instrument says that an answer is there: bit 4, message available, of its status
 * byte (IEEE 488.2, 11.2.1), which a USB488 interface gives over the control
 * endpoint without disturbing what it does. Between two looks the wake-up
 * descriptor is waited for, so a stop interrupts at once; a look takes a
 * millisecond, and no kernel call longer than the driver's timeout set here. */
#include "link/link_backend.h"

#include "base/clock.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/usb/tmc.h>
#include <poll.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

#define DRIVER_TIMEOUT_MS 1000
#define MESSAGE_AVAILABLE 0x10
#define END_OF_MESSAGE 0x01
#define LOOK_FIRST_MS 1
#define LOOK_MOST_MS 8

bool link_by_message(const char *address)
{
    return strncmp(address, "usbtmc:", 7) == 0;
}

bool usbtmc_is(int fd)
{
    __u32 version = 0;
    return ioctl(fd, USBTMC_IOCTL_API_VERSION, &version) == 0;
}

enum usbtmc_look usbtmc_look(int fd)
{
    unsigned char status = 0;
    if (ioctl(fd, USBTMC488_IOCTL_READ_STB, &status) == 0) {
        return (status & MESSAGE_AVAILABLE) != 0 ? USBTMC_ANSWER : USBTMC_NOTHING;
    }
    /* Not told in time, or busy: perhaps the next time. */
    return errno == ETIMEDOUT || errno == EINTR || errno == EAGAIN || errno == EBUSY
               ? USBTMC_NOTHING
               : USBTMC_GONE;
}

enum usbtmc_look usbtmc_wait(int fd, int wake_fd, int64_t deadline_ns, bool *woken)
{
    int wait_ms = 0;
    *woken = false;
    for (;;) {
        struct pollfd p = {.fd = wake_fd, .events = POLLIN};
        if (poll(&p, wake_fd >= 0 ? 1 : 0, wait_ms) == 1) {
            *woken = true;
            return USBTMC_NOTHING;
        }
        enum usbtmc_look seen = usbtmc_look(fd);
        int64_t left_ns = deadline_ns - clock_real_ns();
        if (seen != USBTMC_NOTHING || left_ns <= 0) {
            return seen;
        }
        int doubled_ms = wait_ms * 2 < LOOK_MOST_MS ? wait_ms * 2 : LOOK_MOST_MS;
        int64_t left_ms = left_ns / NS_PER_MS + 1;
        wait_ms = doubled_ms > 0 ? doubled_ms : LOOK_FIRST_MS;
        wait_ms = wait_ms < left_ms ? wait_ms : (int)left_ms;
    }
}

/* Not every instrument ends its answers with LF: the message's own end is enough. */
ssize_t usbtmc_read(int fd, char *out, size_t size)
{
    unsigned char attributes = 0;
    if (size < 2) {
        return 0;
    }
    ssize_t n = read(fd, out, size - 1);
    if (n < 0 && (errno == ETIMEDOUT || errno == EINTR || errno == EAGAIN)) {
        return 0;
    }
    bool ended =
        n > 0 && ((size_t)n < size - 1 || (ioctl(fd, USBTMC_IOCTL_MSG_IN_ATTR, &attributes) == 0 &&
                                           (attributes & END_OF_MESSAGE) != 0));
    if (ended && out[n - 1] != '\n') {
        out[n++] = '\n';
    }
    return n;
}

/* What somebody left there is thrown away by the interface itself. A message that the
 * kernel could not send whole is told as a failure, and the link opened anew. */
static bool prepare(const struct link *l, struct err *e)
{
    __u32 timeout_ms = DRIVER_TIMEOUT_MS;
    unsigned char status = 0;
    if (ioctl(l->fd, USBTMC_IOCTL_SET_TIMEOUT, &timeout_ms) != 0) {
        return err_set_errno(e, errno, "%s: set the driver's timeout", l->address);
    }
    (void)ioctl(l->fd, USBTMC_IOCTL_CLEAR);
    return ioctl(l->fd, USBTMC488_IOCTL_READ_STB, &status) == 0 ||
           err_set(e, ERR_LINK_LOST,
                   "%s: it does not tell its status byte (%s), and without it nobody knows when "
                   "an answer is there: switch it off and on, or use its serial port or network",
                   l->address, strerror(errno));
}

bool link_open_usbtmc(struct link *l, struct err *e)
{
    l->kind = LINK_MESSAGES;
    l->fd = open(l->device, O_RDWR | O_CLOEXEC);
    if (l->fd < 0) {
        return link_fail_open(l, errno, e);
    }
    if (!usbtmc_is(l->fd)) {
        return err_set(e, ERR_LINK_LOST,
                       "%s: this is no USB test and measurement device; `ampledger ports` lists "
                       "what is there",
                       l->address);
    }
    return link_lock(l, e) && prepare(l, e);
}
