/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/serve: the client's side, for shell scripts. */
#include "base/file.h"
#include "virtual/control.h"
#include "virtual/serve.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

static bool connect_to(const char *path, int *out, struct err *e)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (!text_format(address.sun_path, sizeof address.sun_path, "%s", path)) {
        return err_set(e, ERR_CONFIG, "the path %s is too long for a socket", path);
    }
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0) {
        return err_set_errno(e, errno, "cannot make a socket");
    }
    if (connect(fd, (struct sockaddr *)&address, sizeof address) != 0) {
        int cause = errno;
        close(fd);
        return err_set(e, ERR_LINK_LOST, "no virtual bench answers at %s (%s); is it running?",
                       path, strerror(cause));
    }
    *out = fd;
    return true;
}

static bool send_line(int fd, const char *command, struct err *e)
{
    char line[1024];
    if (strchr(command, '\n') || !text_format(line, sizeof line, "%s\n", command)) {
        return err_set(e, ERR_CONFIG, "a command is one line of at most 1000 characters");
    }
    size_t n = strlen(line);
    if (send(fd, line, n, MSG_NOSIGNAL) != (ssize_t)n) {
        return err_set(e, ERR_LINK_LOST, "the virtual bench hung up");
    }
    return true;
}

static bool begins(const char *line, const char *how)
{
    return strncmp(line, how, strlen(how)) == 0;
}

/* The first line says how it went and whether more follow. */
static bool print_answer(FILE *from, bool *ok, struct err *e)
{
    char line[20000];
    if (!fgets(line, sizeof line, from)) {
        return err_set(e, ERR_LINK_LOST, "the virtual bench hung up without an answer");
    }
    *ok = begins(line, "ok");
    fputs(line, stdout);
    bool more = begins(line, CONTROL_HELLO) || begins(line, CONTROL_HELP);
    while (more && fgets(line, sizeof line, from)) {
        fputs(line, stdout);
        more = strcmp(line, CONTROL_END "\n") != 0;
    }
    return true;
}

bool ask(const char *socket_path, const char *command, bool *ok, struct err *e)
{
    int fd = -1;
    if (!connect_to(socket_path, &fd, e)) {
        return false;
    }
    if (!send_line(fd, command, e)) {
        close(fd);
        return false;
    }
    FILE *from = fdopen(fd, "r");
    if (!from) {
        close(fd);
        return err_set_errno(e, errno, "cannot read from %s", socket_path);
    }
    bool done = print_answer(from, ok, e);
    fclose(from);
    return done;
}
