/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/socket: the Unix socket the API listens on. */
#include "web/socket.h"

#include <errno.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define SOCKET_MODE 0660
#define BACKLOG 16

static bool fill_address(const char *path, struct sockaddr_un *a, struct err *e)
{
    size_t n = strlen(path);
    *a = (struct sockaddr_un){.sun_family = AF_UNIX};
    if (n == 0 || n >= sizeof a->sun_path) {
        return err_set(e, ERR_CONFIG,
                       "the socket's path must have 1 to %zu bytes, this has %zu: %s; choose a "
                       "shorter one in bench.yaml",
                       sizeof a->sun_path - 1, n, path);
    }
    memcpy(a->sun_path, path, n + 1);
    return true;
}

static bool somebody_answers(const struct sockaddr_un *a)
{
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0) {
        return false;
    }
    /* EAGAIN: its queue is full, so somebody is there. */
    bool answered = connect(fd, (const struct sockaddr *)a, sizeof *a) == 0 || errno == EAGAIN;
    close(fd);
    return answered;
}

static bool make_room(const struct sockaddr_un *a, struct err *e)
{
    struct stat st;
    if (lstat(a->sun_path, &st) != 0) {
        return errno == ENOENT || err_set_errno(e, errno, "look at %s", a->sun_path);
    }
    if (!S_ISSOCK(st.st_mode)) {
        return err_set(e, ERR_CONFIG,
                       "%s is there and is not a socket; choose another path, or move it away",
                       a->sun_path);
    }
    if (somebody_answers(a)) {
        return err_set(e, ERR_REFUSED,
                       "another program answers on %s; stop it, or give this bench another socket",
                       a->sun_path);
    }
    return unlink(a->sun_path) == 0 ||
           err_set_errno(e, errno, "remove the socket %s left behind", a->sun_path);
}

/* Nobody can connect before listen(): the mode is right from the first moment. */
static bool bind_and_listen(int fd, const struct sockaddr_un *a, struct err *e)
{
    if (bind(fd, (const struct sockaddr *)a, sizeof *a) != 0) {
        return err_set_errno(e, errno, "make the socket %s (does its folder exist?)", a->sun_path);
    }
    if (chmod(a->sun_path, SOCKET_MODE) != 0 || listen(fd, BACKLOG) != 0) {
        err_set_errno(e, errno, "listen on the socket %s", a->sun_path);
        unlink(a->sun_path);
        return false;
    }
    return true;
}

bool socket_listen(const char *path, int *fd, struct err *e)
{
    struct sockaddr_un a;
    if (!fill_address(path, &a, e) || !make_room(&a, e)) {
        return false;
    }
    *fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (*fd < 0) {
        return err_set_errno(e, errno, "open a socket");
    }
    if (!bind_and_listen(*fd, &a, e)) {
        close(*fd);
        *fd = -1;
        return false;
    }
    return true;
}
