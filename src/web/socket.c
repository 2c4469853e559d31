/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/socket: the Unix socket the API listens on, and the one for browsers. */
#include "web/socket.h"

#include "base/file.h"
#include "bench/bench.h"

#include <errno.h>
#include <grp.h>
#include <netdb.h>
#include <netinet/in.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define BACKLOG 128 /* who comes while it is full is sent away */

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

static bool set_group(const char *path, const char *group, struct err *e)
{
    struct group found, *known = NULL;
    char names[4096];
    if (group[0] == '\0') {
        return true;
    }
    if (getgrnam_r(group, &found, names, sizeof names, &known) != 0 || known == NULL) {
        return err_set(e, ERR_CONFIG,
                       "there is no group \"%s\" on this computer (socket: in bench.yaml)", group);
    }
    return chown(path, (uid_t)-1, known->gr_gid) == 0 ||
           err_set_errno(e, errno,
                         "give the socket %s to the group \"%s\" (the daemon's user must be a "
                         "member of it)",
                         path, group);
}

/* Nobody can connect before listen(): mode and group are right from the first moment. */
static bool bind_and_listen(int fd, const struct sockaddr_un *a, const struct socket_wanted *wanted,
                            struct err *e)
{
    if (bind(fd, (const struct sockaddr *)a, sizeof *a) != 0) {
        return err_set_errno(e, errno, "make the socket %s (does its folder exist?)", a->sun_path);
    }
    if (!set_group(a->sun_path, wanted->group, e)) {
        unlink(a->sun_path);
        return false;
    }
    if (chmod(a->sun_path, wanted->mode) != 0 || listen(fd, BACKLOG) != 0) {
        err_set_errno(e, errno, "listen on the socket %s", a->sun_path);
        unlink(a->sun_path);
        return false;
    }
    return true;
}

bool socket_listen(const struct socket_wanted *wanted, int *fd, struct err *e)
{
    struct sockaddr_un a;
    if (!fill_address(wanted->path, &a, e) || !make_room(&a, e)) {
        return false;
    }
    *fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (*fd < 0) {
        return err_set_errno(e, errno, "open a socket");
    }
    if (!bind_and_listen(*fd, &a, wanted, e)) {
        close(*fd);
        *fd = -1;
        return false;
    }
    return true;
}

static bool find_address(const char *address, struct addrinfo **out, struct err *e)
{
    const struct addrinfo wanted = {.ai_flags = AI_NUMERICHOST | AI_NUMERICSERV | AI_PASSIVE,
                                    .ai_family = AF_UNSPEC,
                                    .ai_socktype = SOCK_STREAM};
    const char *colon = strrchr(address, ':');
    char host[HTTP_ADDRESS_SIZE] = "";
    size_t n = colon != NULL ? (size_t)(colon - address) : 0;
    size_t skip = address[0] == '[' ? 1 : 0;
    if (n <= 2 * skip ||
        !text_format(host, sizeof host, "%.*s", (int)(n - 2 * skip), address + skip) ||
        getaddrinfo(host, colon + 1, &wanted, out) != 0) {
        return err_set(e, ERR_BUG, "\"%s\" is no address to listen on", address);
    }
    return true;
}

static bool bind_tcp(int fd, const char *address, const struct addrinfo *a, struct err *e)
{
    const int yes = 1;
    (void)setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    if (bind(fd, a->ai_addr, a->ai_addrlen) != 0 || listen(fd, SOMAXCONN) != 0) {
        return errno == EADDRINUSE
                   ? err_set(e, ERR_REFUSED,
                             "another program listens on %s; stop it, or give this bench another "
                             "port: http: in bench.yaml, or --http",
                             address)
                   : err_set_errno(e, errno, "listen on %s", address);
    }
    return true;
}

/* An error and not a 0 that goes on as a port: what has none counts as the Unix socket. */
static bool find_port(int fd, int *port, struct err *e)
{
    struct sockaddr_storage a = {0};
    socklen_t n = sizeof a;
    if (getsockname(fd, (struct sockaddr *)&a, &n) != 0) {
        return err_set_errno(e, errno, "find the port of a socket");
    }
    /* NOLINTNEXTLINE(clang-analyzer-core.CallAndMessage): it was filled, as getsockname() says */
    *port = ntohs(a.ss_family == AF_INET6 ? ((const struct sockaddr_in6 *)&a)->sin6_port
                                          : ((const struct sockaddr_in *)&a)->sin_port);
    return true;
}

bool socket_listen_tcp(const char *address, char *out, int *port, int *fd, struct err *e)
{
    struct addrinfo *a = NULL;
    if (!find_address(address, &a, e)) {
        return false;
    }
    *fd = socket(a->ai_family, SOCK_STREAM | SOCK_CLOEXEC, 0);
    bool ok = *fd >= 0 ? bind_tcp(*fd, address, a, e) && find_port(*fd, port, e)
                       : err_set_errno(e, errno, "open a socket");
    freeaddrinfo(a);
    if (!ok) {
        if (*fd >= 0) {
            close(*fd);
        }
        *fd = -1;
        return false;
    }
    char host[HTTP_ADDRESS_SIZE];
    return text_format(host, sizeof host, "%.*s", (int)(strrchr(address, ':') - address),
                       address) &&
           text_format(out, HTTP_ADDRESS_SIZE, "%s:%d", host, *port);
}
