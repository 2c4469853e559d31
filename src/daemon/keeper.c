/* SPDX-License-Identifier: GPL-3.0-or-later
 * daemon/keeper: see keeper.h. Read it from the bottom: keeper_run() watches;
 * everything_off() is what it is there for. */
#include "daemon/keeper.h"

#include "base/clock.h"
#include "base/log.h"
#include "daemon/heart.h"
#include "daemon/notify.h"
#include "link/link.h"
#include "run/keeper_line.h"

#include <errno.h>
#include <fcntl.h>
#include <link.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdatomic.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/resource.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#define OFF_TRIES 5
#define WRITE_MS 100
#define ANSWER_MS 300
#define QUIET_MS 30
#define MARGIN_MS 50
#define BEAT_S 15  /* a worker that beats at all beats every second */
#define DYING_S 10 /* a worker without a heart dies by itself; then it is helped */
#define PAUSE_MOST_MS 1000
#define LEAVE_S 60      /* SIGTERM: how long the worker may take to make everything safe */
#define RESTARTS_MOST 5 /* in RESTARTS_S */
#define RESTARTS_S 600

struct slot {
    bool armed;
    int fd;
    struct keeper_message m;
};

struct keeper {
    int line_fd;
    int heart_fd; /* hangs up as soon as the worker is struck, before it is gone */
    int signal_fd;
    struct keeper_page *page; /* shared with the worker */
    uint32_t beats;           /* last seen */
    int64_t beats_ns; /* when they last changed, CLOCK_MONOTONIC: a suspended computer beats not */
    pid_t worker;
    int64_t leave_ns; /* 0: not leaving */
    int restarts;
    int64_t restarts_since_ns;
    int64_t ping_period_ns; /* 0: no watchdog of the service manager waits for us */
    int64_t ping_ns;        /* when it is to hear from us next */
    struct slot slot[KEEPER_SLOTS];
};

/* --- the acting path: kernel calls only --- */

static bool ready(int fd, short events, int timeout_ms)
{
    struct pollfd p = {.fd = fd, .events = events};
    return poll(&p, 1, timeout_ms) == 1 && (p.revents & events) != 0;
}

static void write_all(int fd, const char *bytes, size_t n)
{
    while (n > 0 && ready(fd, POLLOUT, WRITE_MS)) {
        ssize_t written = write(fd, bytes, n);
        if (written <= 0) {
            return;
        }
        bytes += written;
        n -= (size_t)written;
    }
}

/* Line by line, since some instruments lose the second of two that follow at once. */
static void write_lines(const struct slot *s, const char *bytes, size_t n)
{
    uint32_t pause_ms = s->m.pause_ms < PAUSE_MOST_MS ? s->m.pause_ms : PAUSE_MOST_MS;
    while (n > 0) {
        const char *end = memchr(bytes, '\n', n);
        size_t length = end != NULL ? (size_t)(end - bytes) + 1 : n;
        write_all(s->fd, bytes, length);
        bytes += length;
        n -= length;
        if (pause_ms > 0) {
            poll(NULL, 0, (int)pause_ms);
        }
    }
}

/* Answers to what the worker had asked may still come: until it is silent. */
static void throw_away_input(int fd)
{
    char waste[256];
    for (int i = 0; i < 64; i++) {
        if (link_read_copy(fd, waste, sizeof waste, QUIET_MS) <= 0) {
            return;
        }
    }
}

static bool is_letter_or_digit(char c)
{
    return (c >= '0' && c <= '9') || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}

/* Where the text of a line begins, after what a prompt may leave before it. */
static size_t text_begin(const char *line, size_t n)
{
    size_t i = 0;
    while (i < n && !is_letter_or_digit(line[i]) && line[i] != '+' && line[i] != '-') {
        i++;
    }
    return i;
}

/* Where it ends: before CR, LF, blanks and a prompt that follows. */
static size_t text_end(const char *line, size_t n)
{
    while (n > 0 && !is_letter_or_digit(line[n - 1])) {
        n--;
    }
    return n;
}

/* Some send back what they get; a question is none of the answers. */
static bool is_echo(const struct slot *s, const char *line, size_t n)
{
    size_t asked = s->m.ask_n;
    while (asked > 0 && (s->m.ask[asked - 1] == '\n' || s->m.ask[asked - 1] == '\r')) {
        asked--;
    }
    return n >= asked && memcmp(line + n - asked, s->m.ask, asked) == 0;
}

/* A whole line, 0, +0 or OFF: half a number or an error queue's answer is none. */
static bool is_off(const char *line, size_t n)
{
    static const char *const words[] = {"0", "+0", "OFF"};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (n == strlen(words[i]) && memcmp(line, words[i], n) == 0) {
            return true;
        }
    }
    return false;
}

static bool answers_off(const struct slot *s)
{
    char answer[KEEPER_NAME * 2];
    size_t n = 0;
    write_lines(s, s->m.ask, s->m.ask_n);
    while (n < sizeof answer) {
        ssize_t got = link_read_copy(s->fd, answer + n, sizeof answer - n, ANSWER_MS);
        if (got <= 0) {
            return false;
        }
        n += (size_t)got;
        for (const char *end = memchr(answer, '\n', n); end != NULL;
             end = memchr(answer, '\n', n)) {
            size_t length = (size_t)(end - answer) + 1, from = text_begin(answer, length);
            size_t to = text_end(answer, length);
            if (to > from && !is_echo(s, answer, length - (end > answer && end[-1] == '\r') - 1)) {
                /* nothing but a prompt may follow it */
                return is_off(answer + from, to - from) && text_end(end, n - length + 1) == 0;
            }
            n -= length;
            memmove(answer, end + 1, n);
        }
    }
    return false;
}

/* Twice in a row: one late answer to an earlier question cannot do that. */
static bool says_off(const struct slot *s)
{
    throw_away_input(s->fd);
    return answers_off(s) && answers_off(s); /* NOLINT(misc-redundant-expression): asked twice */
}

/* Every armed instrument gets its off lines at once, before any is asked back. True when
 * each has confirmed it. */
static bool everything_off(struct keeper *k, bool confirmed[KEEPER_SLOTS])
{
    for (int attempt = 0; attempt < OFF_TRIES; attempt++) {
        bool all = true;
        for (int i = 0; i < KEEPER_SLOTS; i++) {
            if (k->slot[i].armed && !confirmed[i]) {
                write_lines(&k->slot[i], k->slot[i].m.off, k->slot[i].m.off_n);
            }
        }
        for (int i = 0; i < KEEPER_SLOTS; i++) {
            if (k->slot[i].armed && !confirmed[i]) {
                confirmed[i] = k->slot[i].m.ask_n > 0 && says_off(&k->slot[i]);
                all = all && confirmed[i];
            }
        }
        if (all) {
            return true;
        }
    }
    return false;
}

/* --- what was done, in words; and the slate wiped --- */

static void release(struct slot *s)
{
    if (s->armed) {
        close(s->fd);
    }
    s->armed = false;
}

static void make_safe(struct keeper *k, const char *why)
{
    bool confirmed[KEEPER_SLOTS] = {false};
    everything_off(k, confirmed);
    for (int i = 0; i < KEEPER_SLOTS; i++) {
        if (k->slot[i].armed && confirmed[i]) {
            log_error("keeper: %s: %s switched off, and it says so", why, k->slot[i].m.name);
        } else if (k->slot[i].armed) {
            log_error("keeper: %s: %s was sent off but DOES NOT CONFIRM IT: disconnect the "
                      "battery by hand",
                      why, k->slot[i].m.name);
        }
        release(&k->slot[i]);
    }
}

/* --- the line from the worker --- */

static void answer_done(const struct keeper *k, const struct keeper_message *asked)
{
    struct keeper_message m = {.kind = KEEPER_DONE, .slot = asked->slot, .number = asked->number};
    (void)send(k->line_fd, &m, sizeof m, MSG_NOSIGNAL | MSG_DONTWAIT);
}

/* The worker itself acts when trust is over; only a worker that does not is hung. */
static int64_t deadline_ns(const struct keeper *k, int slot)
{
    return atomic_load(&k->page->until_ns[slot]) + MARGIN_MS * NS_PER_MS;
}

static void take_text(const struct keeper_message *m)
{
    char text[KEEPER_BYTES];
    memcpy(text, m->off, sizeof text);
    text[sizeof text - 1] = '\0';
    notify_status(m->kind == KEEPER_READY ? "READY=1" : "", text);
}

static void take_message(struct keeper *k, const struct keeper_message *m, int fd)
{
    if (m->kind == KEEPER_READY || m->kind == KEEPER_STATUS) {
        take_text(m);
        return;
    }
    struct slot *s = m->slot < KEEPER_SLOTS ? &k->slot[m->slot] : NULL;
    if (s == NULL) {
        return;
    }
    if (m->kind == KEEPER_ARM && fd >= 0 && m->off_n <= KEEPER_BYTES && m->ask_n <= KEEPER_NAME) {
        release(s);
        *s = (struct slot){.armed = true, .fd = fd, .m = *m};
        s->m.name[KEEPER_NAME - 1] = '\0';
        atomic_store(&k->page->until_ns[m->slot], clock_real_ns() + m->trust_ms * NS_PER_MS);
        answer_done(k, m);
    } else if (m->kind == KEEPER_DISARM) {
        release(s);
        answer_done(k, m);
    }
}

static bool receive(struct keeper *k)
{
    union {
        struct cmsghdr align;
        char bytes[CMSG_SPACE(sizeof(int))];
    } control = {0};
    struct keeper_message m;
    struct iovec data = {&m, sizeof m};
    struct msghdr header = {.msg_iov = &data,
                            .msg_iovlen = 1,
                            .msg_control = control.bytes,
                            .msg_controllen = sizeof control.bytes};
    int fd = -1;
    ssize_t n = recvmsg(k->line_fd, &header, MSG_DONTWAIT | MSG_CMSG_CLOEXEC);
    struct cmsghdr *c = n > 0 ? CMSG_FIRSTHDR(&header) : NULL;
    if (c != NULL && c->cmsg_type == SCM_RIGHTS) {
        memcpy(&fd, CMSG_DATA(c), sizeof fd);
    }
    if (n != (ssize_t)sizeof m) {
        return false;
    }
    take_message(k, &m, fd);
    return true;
}

/* --- the worker's life --- */

static bool is_hung(const struct keeper *k, int64_t now_ns)
{
    for (int i = 0; i < KEEPER_SLOTS; i++) {
        if (k->slot[i].armed && now_ns > deadline_ns(k, i)) {
            return true;
        }
    }
    return k->leave_ns != 0 && now_ns > k->leave_ns;
}

/* Outputs or not: a worker that does not turn guards nothing and answers nobody.
 * Before its first beat it may take as long as it needs, with nothing on yet;
 * while it leaves it has a time of its own. */
static bool beats_no_more(struct keeper *k)
{
    uint32_t beats = atomic_load(&k->page->beats);
    int64_t now_ns = clock_monotonic_ns();
    if (beats != k->beats || beats == 0 || k->leave_ns != 0) {
        k->beats = beats;
        k->beats_ns = now_ns;
    }
    return now_ns - k->beats_ns > BEAT_S * NS_PER_S;
}

/* Three times in the shortest trust time of those that are armed, so that a worker which
 * sees none of it has a stopped keeper; and no oftener, since each look costs a waking up. */
static int64_t look_every_ns(const struct keeper *k)
{
    int64_t every_ns = NS_PER_S;
    for (int i = 0; i < KEEPER_SLOTS; i++) {
        int64_t third_ns = k->slot[i].m.trust_ms * NS_PER_MS / 3;
        if (k->slot[i].armed && third_ns < every_ns) {
            every_ns = third_ns;
        }
    }
    return every_ns;
}

static int until_next_deadline_ms(const struct keeper *k, int64_t now_ns)
{
    int64_t next_ns = now_ns + look_every_ns(k);
    if (k->leave_ns != 0 && k->leave_ns < next_ns) {
        next_ns = k->leave_ns;
    }
    if (k->ping_period_ns != 0 && k->ping_ns < next_ns) {
        next_ns = k->ping_ns;
    }
    for (int i = 0; i < KEEPER_SLOTS; i++) {
        if (k->slot[i].armed && deadline_ns(k, i) < next_ns) {
            next_ns = deadline_ns(k, i);
        }
    }
    return next_ns > now_ns ? (int)((next_ns - now_ns) / NS_PER_MS) + 1 : 0;
}

/* -1: it is to be replaced; else the exit status to leave with. */
static int worker_ended(struct keeper *k, int wait_status)
{
    while (receive(k)) {
        /* what it still had to say: a last disarm saves an alarm */
    }
    make_safe(k, "the worker died");
    close(k->line_fd);
    close(k->heart_fd);
    k->line_fd = -1;
    k->heart_fd = -1;
    k->worker = 0;
    if (WIFEXITED(wait_status)) {
        return WEXITSTATUS(wait_status);
    }
    log_error("keeper: the worker was ended by signal %d", WTERMSIG(wait_status));
    notify_status("", "the worker died; outputs were switched off");
    return k->leave_ns != 0 ? 5 : -1;
}

/* Off first: a process that waits for a dead disk does not die at once. When it
 * has, make_safe() looks at every output once more. */
static int await_death(struct keeper *k, int64_t helped_ns)
{
    int wait_status = 0;
    bool confirmed[KEEPER_SLOTS] = {false};
    while (receive(k)) {
    }
    do {
        if (clock_monotonic_ns() >= helped_ns) {
            kill(k->worker, SIGKILL);
        }
        everything_off(k, confirmed);
        poll(NULL, 0, 5);
    } while (waitpid(k->worker, &wait_status, WNOHANG) != k->worker);
    return worker_ended(k, wait_status);
}

/* The log may be a file on the very disk that the worker hangs at, and this process has no
 * thread to write it (log.h), since it forks. So nothing is logged here before off is
 * confirmed; and all else that the keeper logs comes when no worker lives and nothing is
 * armed, so that what then waits for the disk is a new worker only. */
static int end_hung_worker(struct keeper *k)
{
    static const char words[] = "keeper: the worker gives no sign of life and is ended";
    bool confirmed[KEEPER_SLOTS] = {false};
    kill(k->worker, SIGKILL);
    bool is_safe = everything_off(k, confirmed);
    if (is_safe) {
        log_error("%s", words);
    }
    int status = await_death(k, 0);
    if (!is_safe) {
        log_error("%s", words);
    }
    return status;
}

static int take_signal(struct keeper *k)
{
    struct signalfd_siginfo info;
    int wait_status = 0;
    if (read(k->signal_fd, &info, sizeof info) != (ssize_t)sizeof info) {
        return -1;
    }
    if (info.ssi_signo == SIGCHLD) {
        return waitpid(k->worker, &wait_status, WNOHANG) == k->worker ? worker_ended(k, wait_status)
                                                                      : -1;
    }
    kill(k->worker, SIGTERM);
    if (k->leave_ns == 0) {
        k->leave_ns = clock_real_ns() + LEAVE_S * NS_PER_S;
        notify_status("STOPPING=1", "switching everything off");
    }
    return -1;
}

/* Twice as often as the service manager demands it, and only while all is well:
 * the worker lives and no armed instrument is overdue. */
static void ping(struct keeper *k, int64_t now_ns)
{
    if (k->ping_period_ns != 0 && now_ns >= k->ping_ns) {
        notify_send("WATCHDOG=1");
        k->ping_ns = now_ns + k->ping_period_ns;
    }
}

/* Returns when the worker is gone: its exit status, or -1 to start another. */
static int watch(struct keeper *k)
{
    int status = -1;
    while (k->worker != 0) {
        struct pollfd p[3] = {{.fd = k->heart_fd, .events = POLLIN},
                              {.fd = k->line_fd, .events = POLLIN},
                              {.fd = k->signal_fd, .events = POLLIN}};
        poll(p, 3, until_next_deadline_ms(k, clock_real_ns()));
        atomic_store(&k->page->looked_ns, clock_real_ns());
        if (((p[0].revents | p[1].revents) & POLLHUP) != 0) {
            return await_death(k, clock_monotonic_ns() + DYING_S * NS_PER_S);
        }
        while (receive(k)) {
        }
        if ((p[2].revents & POLLIN) != 0) {
            status = take_signal(k);
        }
        if (k->worker != 0 && (is_hung(k, clock_real_ns()) || beats_no_more(k))) {
            status = end_hung_worker(k);
        }
        if (k->worker != 0) {
            ping(k, clock_real_ns());
        }
    }
    return status;
}

static bool may_restart(struct keeper *k)
{
    int64_t now_ns = clock_real_ns();
    if (now_ns - k->restarts_since_ns > RESTARTS_S * NS_PER_S) {
        k->restarts_since_ns = now_ns;
        k->restarts = 0;
    }
    k->restarts++;
    return k->restarts <= RESTARTS_MOST;
}

/* What switching off runs through: the program itself and the libraries it calls meanwhile. Of
 * the mathematics it calls only what each sample has called before, which is kept since then. */
static int keep_what_off_needs(struct dl_phdr_info *part, size_t size, void *context)
{
    static const char *const needed[] = {"/libc.so", "/libserialport.so"};
    bool keep = part->dlpi_name[0] == '\0'; /* the program */
    (void)size;
    (void)context;
    for (size_t i = 0; i < sizeof needed / sizeof needed[0]; i++) {
        keep = keep || strstr(part->dlpi_name, needed[i]) != NULL;
    }
    for (int i = 0; keep && i < part->dlpi_phnum; i++) {
        const ElfW(Phdr) *segment = &part->dlpi_phdr[i];
        if (segment->p_type == PT_LOAD) {
            (void)!mlock((const void *)(part->dlpi_addr + segment->p_vaddr), segment->p_memsz);
        }
    }
    return 0;
}

/* Code that the system had dropped from memory would have to come back from the disk,
 * and off must not wait for a disk. What off needs is fetched now and kept; of all else
 * what was used once is kept, so that neither a stack nor a large library takes more room
 * than it needs. Only for whom no limit holds: beneath one, memory
 * would run out when it is reached. With a limit of nothing, who may lock all the same
 * (CAP_IPC_LOCK) is such a one. A child does not inherit it. */
static void stay_in_memory(const char *who)
{
    struct rlimit limit = {0, 0};
    getrlimit(RLIMIT_MEMLOCK, &limit);
    rlim_t found = limit.rlim_cur;
    bool unlimited = limit.rlim_max == RLIM_INFINITY;
    limit.rlim_cur = unlimited ? RLIM_INFINITY : 0;
    setrlimit(RLIMIT_MEMLOCK, &limit);
    if (mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT) != 0) {
        log_debug("%s: it may be dropped from memory: %s", who, strerror(errno));
    } else {
        dl_iterate_phdr(keep_what_off_needs, NULL);
    }
    if (!unlimited) {
        limit.rlim_cur = found;
        setrlimit(RLIMIT_MEMLOCK, &limit);
    }
}

/* In the worker, before anything else. A worker without a keeper makes everything
 * safe and leaves. Its memory is not written to the disk when it crashes: it would
 * not be gone before that was done (1 and not 0, since 0 still runs the program
 * that some systems have for it; see core(5)). */
static void become_worker(pid_t keeper, int heart_fd)
{
    const struct rlimit no_dump = {1, 1};
    prctl(PR_SET_PDEATHSIG, SIGTERM);
    if (getppid() != keeper) {
        raise(SIGTERM);
    }
    setrlimit(RLIMIT_CORE, &no_dump);
    /* Out of the terminal's reach: Ctrl-C comes through the keeper. */
    setsid();
    log_start_thread();
    stay_in_memory("worker");
    heart_start(heart_fd);
}

/* Returns 0 in the worker process, whose end of the line is in *line_fd. */
static pid_t start_worker(struct keeper *k, int *line_fd)
{
    int pair[2], heart[2];
    if (socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, pair) != 0) {
        return -1;
    }
    if (pipe2(heart, O_CLOEXEC) != 0) {
        close(pair[0]);
        close(pair[1]);
        return -1;
    }
    pid_t keeper = getpid();
    atomic_store(&k->page->beats, 0);
    pid_t pid = fork();
    if (pid == 0) {
        close(pair[0]);
        close(heart[0]);
        close(k->signal_fd);
        become_worker(keeper, heart[1]);
        *line_fd = pair[1];
        return 0;
    }
    close(pair[1]);
    close(heart[1]);
    k->line_fd = pair[0];
    k->heart_fd = heart[0];
    k->worker = pid;
    return pid;
}

/* A terminal that closes, stops or quits its programs reaches every process of
 * the group at once, keeper and worker alike. None of that may end or suspend
 * the watching: closing and suspending are ignored, quitting means leaving. */
static void take_signals(struct keeper *k)
{
    static const int ignored[] = {SIGHUP, SIGTSTP, SIGTTIN, SIGTTOU};
    sigset_t signals;
    for (size_t i = 0; i < sizeof ignored / sizeof ignored[0]; i++) {
        signal(ignored[i], SIG_IGN); /* the worker inherits it */
    }
    sigemptyset(&signals);
    sigaddset(&signals, SIGTERM);
    sigaddset(&signals, SIGINT);
    sigaddset(&signals, SIGQUIT);
    sigaddset(&signals, SIGCHLD);
    sigprocmask(SIG_BLOCK, &signals, NULL);
    k->signal_fd = signalfd(-1, &signals, SFD_CLOEXEC);
}

/* Whoever must act when the worker does not goes before the worker. Where the
 * system does not allow it, it is one among equals. */
static void go_first(void)
{
    const struct sched_param p = {.sched_priority = sched_get_priority_min(SCHED_RR) + 1};
    if (sched_setscheduler(0, SCHED_RR | SCHED_RESET_ON_FORK, &p) != 0) {
        log_debug("keeper: no precedence over other programs: %s", strerror(errno));
    }
}

int keeper_run(worker_fn *worker, void *context)
{
    struct keeper k = {.line_fd = -1,
                       .heart_fd = -1,
                       .restarts_since_ns = clock_real_ns(),
                       .ping_period_ns = notify_watchdog_period_ns()};
    int status = -1;
    take_signals(&k);
    go_first();
    stay_in_memory("keeper");
    k.page = mmap(NULL, sizeof *k.page, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (k.page == MAP_FAILED) {
        log_error("keeper: no memory to share with the worker: %s", strerror(errno));
        return 5;
    }
    atomic_store(&k.page->looked_ns, clock_real_ns());
    while (status < 0) {
        struct keeper_tie tie = {-1, k.page};
        pid_t pid = start_worker(&k, &tie.line_fd);
        if (pid == 0) {
            status = worker(context, &tie);
            log_flush();
            return status;
        }
        if (pid < 0) {
            log_error("keeper: the worker cannot be started: %s", strerror(errno));
            return 5;
        }
        status = watch(&k);
        if (status < 0 && !may_restart(&k)) {
            log_error("keeper: the worker died %d times in %d minutes; outputs are off, giving up",
                      k.restarts, RESTARTS_S / 60);
            status = 5;
        } else if (status < 0) {
            log_warn("keeper: starting the worker again");
        }
    }
    close(k.signal_fd);
    return status;
}
