/* SPDX-License-Identifier: GPL-3.0-or-later
 * hooks/command: posix_spawn() does what must happen between fork and exec,
 * safely in a process with threads. */
#include "hooks/command.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/log.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/pidfd.h>
#include <sys/wait.h>
#include <unistd.h>

#define SHOWN_MOST 16384 /* bytes of output that may go into the log */

struct command command_none(void)
{
    return (struct command){.pidfd = -1, .out_fd = -1};
}

static void close_fd(int *fd)
{
    if (*fd >= 0) {
        close(*fd);
    }
    *fd = -1;
}

/* Moves *fd above standard error, so that no dup2() in the child hits it. */
static bool lift(int *fd)
{
    if (*fd > STDERR_FILENO) {
        return true;
    }
    int higher = fcntl(*fd, F_DUPFD_CLOEXEC, STDERR_FILENO + 1);
    close_fd(fd);
    *fd = higher;
    return higher >= 0;
}

/* A file without a name: the command may read it late, or not at all, and nobody waits. */
static bool document_open(const char *text, int *fd, struct err *e)
{
    size_t n = strlen(text);
    *fd = memfd_create("event", MFD_CLOEXEC);
    if (*fd < 0 || !lift(fd) || write(*fd, text, n) != (ssize_t)n || lseek(*fd, 0, SEEK_SET) != 0) {
        err_set_errno(e, errno, "its standard input cannot be made");
        close_fd(fd);
        return false;
    }
    return true;
}

static bool output_open(int *read_fd, int *write_fd, struct err *e)
{
    int pair[2] = {-1, -1};
    if (pipe2(pair, O_CLOEXEC) != 0) {
        return err_set_errno(e, errno, "its standard output cannot be made");
    }
    *read_fd = pair[0];
    *write_fd = pair[1];
    if (!lift(read_fd) || !lift(write_fd) || fcntl(*read_fd, F_SETFL, O_NONBLOCK) != 0) {
        err_set_errno(e, errno, "its standard output cannot be made");
        close_fd(read_fd);
        close_fd(write_fd);
        return false;
    }
    return true;
}

static int spawn(pid_t *pid, const struct command_wanted *w, int in_fd, int out_fd)
{
    posix_spawn_file_actions_t files;
    posix_spawnattr_t attributes;
    sigset_t none, all;
    sigemptyset(&none);
    sigfillset(&all);
    posix_spawn_file_actions_init(&files);
    posix_spawnattr_init(&attributes);
    int failed = posix_spawn_file_actions_adddup2(&files, in_fd, STDIN_FILENO);
    failed = failed ? failed : posix_spawn_file_actions_adddup2(&files, out_fd, STDOUT_FILENO);
    failed = failed ? failed : posix_spawn_file_actions_adddup2(&files, out_fd, STDERR_FILENO);
    failed = failed ? failed : posix_spawn_file_actions_addclosefrom_np(&files, STDERR_FILENO + 1);
    failed = failed ? failed : posix_spawnattr_setsigmask(&attributes, &none);
    failed = failed ? failed : posix_spawnattr_setsigdefault(&attributes, &all);
    failed = failed ? failed : posix_spawnattr_setpgroup(&attributes, 0);
    failed = failed ? failed
                    : posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK |
                                                                POSIX_SPAWN_SETSIGDEF |
                                                                POSIX_SPAWN_SETPGROUP);
    failed = failed ? failed
                    : posix_spawn(pid, w->argv[0], &files, &attributes, w->argv, w->environment);
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&files);
    return failed;
}

bool command_begin(struct command *c, const struct command_wanted *w, struct err *e)
{
    int in_fd = -1, out_fd = -1;
    *c = command_none();
    if (!document_open(w->document, &in_fd, e)) {
        return false;
    }
    if (!output_open(&c->out_fd, &out_fd, e)) {
        close_fd(&in_fd);
        return false;
    }
    pid_t pid = 0;
    int failed = spawn(&pid, w, in_fd, out_fd);
    close_fd(&in_fd);
    close_fd(&out_fd);
    if (failed != 0) {
        close_fd(&c->out_fd);
        return err_set_errno(e, failed, "%s cannot be run", w->argv[0]);
    }
    c->pid = pid;
    c->pidfd = pidfd_open(pid, 0);
    c->path = w->argv[0];
    c->limit_ms = w->limit_ms;
    c->until_ns = clock_real_ns() + w->limit_ms * NS_PER_MS;
    return true;
}

static void show_output(struct command *c)
{
    char bytes[512];
    ssize_t n = 0;
    /* Bounded: a command that floods us must not keep the thread here. */
    for (int i = 0; c->out_fd >= 0 && i < 64; i++) {
        n = read(c->out_fd, bytes, sizeof bytes);
        if (n <= 0) {
            break;
        }
        if (c->shown < SHOWN_MOST) {
            c->shown += (size_t)n;
            log_debug("events: %s says: %.*s", c->path, (int)n, bytes);
        }
    }
    if (n == 0 || (n < 0 && errno != EAGAIN && errno != EINTR)) {
        close_fd(&c->out_fd);
    }
}

static void describe(const struct command *c, int status, struct command_result *out)
{
    out->ok = WIFEXITED(status) && WEXITSTATUS(status) == 0;
    if (c->killed) {
        out->ok = false;
        text_format(out->text, sizeof out->text, "killed: not done within %g s",
                    (double)c->limit_ms / 1000);
    } else if (WIFEXITED(status)) {
        text_format(out->text, sizeof out->text, "exit status %d", WEXITSTATUS(status));
    } else {
        text_format(out->text, sizeof out->text, "ended by signal %d", WTERMSIG(status));
    }
}

bool command_work(struct command *c, bool kill_now, struct command_result *out)
{
    int status = 0;
    show_output(c);
    if ((kill_now || clock_real_ns() >= c->until_ns) && !c->killed) {
        /* Not reaped yet, so the number still is that of its group and of no other. */
        kill(-c->pid, SIGKILL);
        c->killed = true;
    }
    if (waitpid(c->pid, &status, WNOHANG) != c->pid) {
        return false;
    }
    show_output(c);
    describe(c, status, out);
    close_fd(&c->pidfd);
    close_fd(&c->out_fd);
    c->pid = 0;
    return true;
}
