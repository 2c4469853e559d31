/* SPDX-License-Identifier: GPL-3.0-or-later
 * support/usbtmc_device: an EMULATED USB test instrument, for a test program that is
 * linked with --wrap=open and --wrap=ioctl: opening device.path gives a
 * SOCK_SEQPACKET socket, of which a read gives one message and a write takes one, as
 * the kernel's driver does; the ioctls that the link room uses are answered here. No
 * real instrument and no kernel driver has a part in it. Header only. */
#ifndef AMPLEDGER_TEST_USBTMC_DEVICE_H
#define AMPLEDGER_TEST_USBTMC_DEVICE_H

#include <errno.h>
#include <fcntl.h>
#include <linux/usb/tmc.h>
#include <poll.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

static struct {
    char path[64];
    int ours;     /* what open() gives */
    int theirs;   /* the instrument's end */
    bool mute;    /* has no status byte */
    bool foreign; /* is no usbtmc at all */
    atomic_bool gone;
    unsigned timeout_ms;
    int clears;
    atomic_int looks;
} device;

int __real_open(const char *path, int flags, ...);
int __wrap_open(const char *path, int flags, ...);
int __wrap_open(const char *path, int flags, ...)
{
    va_list args;
    va_start(args, flags);
    unsigned mode = (flags & O_CREAT) != 0 ? va_arg(args, unsigned) : 0;
    va_end(args);
    if (device.path[0] != '\0' && strcmp(path, device.path) == 0) {
        return fcntl(device.ours, F_DUPFD_CLOEXEC, 0);
    }
    return __real_open(path, flags, mode);
}

static bool is_device(int fd)
{
    struct stat a, b;
    return device.path[0] != '\0' && fstat(fd, &a) == 0 && fstat(device.ours, &b) == 0 &&
           a.st_ino == b.st_ino && a.st_dev == b.st_dev;
}

static int refuse(int errno_value)
{
    errno = errno_value;
    return -1;
}

static int on_device(unsigned long request, void *argument)
{
    struct pollfd p = {.fd = device.ours, .events = POLLIN};
    if (atomic_load(&device.gone)) {
        return refuse(ENODEV);
    }
    switch (request) {
    case USBTMC_IOCTL_API_VERSION:
        return device.foreign ? refuse(ENOTTY) : 0;
    case USBTMC_IOCTL_SET_TIMEOUT:
        device.timeout_ms = *(unsigned *)argument;
        return 0;
    case USBTMC_IOCTL_CLEAR:
        device.clears++;
        return 0;
    case USBTMC488_IOCTL_READ_STB:
        atomic_fetch_add(&device.looks, 1);
        *(unsigned char *)argument = poll(&p, 1, 0) == 1 ? 0x10 : 0x00;
        return device.mute ? refuse(EPIPE) : 0;
    case USBTMC_IOCTL_MSG_IN_ATTR:
        *(unsigned char *)argument = 1;
        return 0;
    default:
        return refuse(ENOTTY);
    }
}

int __real_ioctl(int fd, unsigned long request, ...);
int __wrap_ioctl(int fd, unsigned long request, ...);
int __wrap_ioctl(int fd, unsigned long request, ...)
{
    va_list args;
    va_start(args, request);
    void *argument = va_arg(args, void *);
    va_end(args);
    return is_device(fd) ? on_device(request, argument) : __real_ioctl(fd, request, argument);
}

/* False when the system gives no sockets. */
static inline bool device_start(void)
{
    int ends[2];
    memset(&device, 0, sizeof device);
    strcpy(device.path, "/tmp/ampledger-usbtmc-XXXXXX");
    int file = mkstemp(device.path); /* something to resolve; nobody opens it */
    if (file < 0 || socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends) != 0) {
        return false;
    }
    close(file);
    device.ours = ends[0];
    device.theirs = ends[1];
    return true;
}

static inline void device_stop(void)
{
    close(device.ours);
    close(device.theirs);
    unlink(device.path);
    device.path[0] = '\0';
}

#endif
