/* SPDX-License-Identifier: GPL-3.0-or-later
 * store/lock: one daemon per database. The lock belongs to an open file
 * description, so it vanishes with the process however that ends. The file
 * itself stays: removing it would let two processes lock two different files. */
#include "store/schema.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <unistd.h>

static long holder(int fd)
{
    char text[32] = "";
    ssize_t n = pread(fd, text, sizeof text - 1, 0);
    long pid = 0;
    for (ssize_t i = 0; i < n && text[i] >= '0' && text[i] <= '9' && pid < 100000000; i++)
        pid = pid * 10 + (text[i] - '0');
    return pid;
}

/* Only for the message of others: a failure here (disk full) is no reason to stop. */
static void sign(int fd)
{
    char text[32];
    int n = snprintf(text, sizeof text, "%ld\n", (long)getpid());
    if (ftruncate(fd, 0) != 0 || pwrite(fd, text, (size_t)n, 0) != n)
        return;
}

static bool in_use(int fd, const char *path, struct err *e)
{
    long pid = holder(fd);
    char who[48] = "another process";
    if (pid > 0)
        snprintf(who, sizeof who, "process %ld", pid);
    return err_set(e, ERR_REFUSED,
                   "the database %s is in use by %s: stop that ampledgerd first, or name another "
                   "\"database\" in bench.yaml",
                   path, who);
}

bool store_lock(const char *path, int *fd, struct err *e)
{
    char name[PATH_MAX];
    if (!text_format(name, sizeof name, "%s.lock", path))
        return err_set(e, ERR_CONFIG, "the database path is too long: %s", path);
    int f = open(name, O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    if (f < 0)
        return err_set_errno(e, errno,
                             "cannot make the lock file %s; this user must be able to write in "
                             "the folder of the database",
                             name);
    struct flock whole = {.l_type = F_WRLCK, .l_whence = SEEK_SET};
    if (fcntl(f, F_OFD_SETLK, &whole) != 0) {
        int why = errno;
        if (why == EAGAIN || why == EACCES)
            in_use(f, path, e);
        else
            err_set_errno(e, why, "cannot lock %s; keep the database on a local disk", name);
        close(f);
        return false;
    }
    sign(f);
    *fd = f;
    return true;
}
