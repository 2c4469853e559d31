/* SPDX-License-Identifier: GPL-3.0-or-later
 * figures/peer: plays a load and a thermometer for each of N stands and stamps
 * what limit_to_off.py measures. Stands with an even number are reached over
 * pseudo-terminals, the others over TCP on the loopback interface.
 *
 *   figures_peer N
 *
 * Prints "stand I LOAD-ADDRESS THERMOMETER-ADDRESS" for each, one line that says
 * whether its threads may go before all others, and then whenever an
 * output was switched off after a value that crossed a limit:
 * "trip I KIND READING-NS SAMPLE-NS OFF-NS", all CLOCK_MONOTONIC. Ends when its
 * standard input does.
 *
 * Both are asked before either answers, and a sample is whole with the later answer; the
 * value that crossed may be in the earlier one. Each stamp errs to the
 * long side: an answer is stamped before it is written, the off when its whole
 * line has been read.
 *
 * At the end come lines "bare tty NANOSECONDS" and "bare tcp NANOSECONDS": how long
 * a byte took there and back over such a link with nothing but this program at both
 * ends, asked all the while by a thread that has the precedence of a stand's. That
 * much of a figure is not the daemon's. */
#include "pty_peer.h"

#include <arpa/inet.h>
#include <inttypes.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <sched.h>
#include <stdint.h>
#include <stdio.h>
#include <sys/socket.h>
#include <time.h>

#define STANDS_MAX 64

enum kind { VOLTAGE_LOW, CURRENT_HIGH, TEMPERATURE_HIGH, KINDS };
static const char *const kind_names[KINDS] = {"voltage-low", "current-high", "temperature-high"};

struct stand {
    int number;
    struct pty_peer load, thermometer;
    pthread_mutex_t lock; /* everything below */
    bool on;
    int trips;          /* so many behind it, plus its number */
    int readings, temperatures; /* that the load and the thermometer gave since it went on */
    int64_t crossed_ns;         /* 0: not yet */
    int64_t sampled_ns;         /* the later answer of the same sample */
    double set_A, under_V;
    int enable;
};

static struct stand stands[STANDS_MAX];

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

/* Trips differ in kind and in how many good samples come first. */
static int good_samples(const struct stand *s)
{
    return s->trips / KINDS % 3;
}

static bool crosses(const struct stand *s, enum kind kind)
{
    int before = kind == TEMPERATURE_HIGH ? s->temperatures : s->readings;
    return s->on && s->trips % KINDS == (int)kind && before >= good_samples(s);
}

/* About to give what belongs to the sample that so many came before; of the one that
 * crosses the later half counts. */
static void count_answer(struct stand *s, int *before)
{
    if (s->on && *before == good_samples(s)) {
        s->sampled_ns = now_ns();
    }
    *before += s->on;
}

static void stamp(struct stand *s)
{
    if (s->crossed_ns == 0) {
        s->crossed_ns = now_ns();
    }
}

static void switch_off(struct stand *s)
{
    int64_t now = now_ns();
    if (s->crossed_ns != 0 && s->sampled_ns != 0) {
        printf("trip %d %s %" PRId64 " %" PRId64 " %" PRId64 "\n", s->number,
               kind_names[s->trips % KINDS], s->crossed_ns, s->sampled_ns, now);
        fflush(stdout);
        s->trips++;
    }
    s->crossed_ns = s->sampled_ns = 0;
    s->on = false;
}

static void switch_on(struct stand *s)
{
    s->on = true;
    s->readings = s->temperatures = 0;
}

/* One program message unit to the load; appends its answer, if it has one. */
static void obey(struct stand *s, const char *unit, char answer[64])
{
    double hunting_A = 0.001 * (double)(now_ns() / 1000 % 7);
    answer[0] = '\0';
    if (strcmp(unit, "*IDN?") == 0) {
        strcpy(answer, "VIRTUAL,Figures,0,1");
    } else if (strcmp(unit, "INPut OFF") == 0) {
        switch_off(s);
    } else if (strcmp(unit, "INPut ON") == 0) {
        switch_on(s);
    } else if (strcmp(unit, "INPut?") == 0) {
        strcpy(answer, s->on ? "1" : "0");
    } else if (strcmp(unit, "FUNCtion?") == 0) {
        strcpy(answer, "CURR");
    } else if (strcmp(unit, "CURRent?") == 0) {
        snprintf(answer, 64, "%.4f", s->set_A);
    } else if (strcmp(unit, "VOLTage:PROTection:UNDer?") == 0) {
        snprintf(answer, 64, "%.3f", s->under_V);
    } else if (strcmp(unit, "SYSTem:ERRor?") == 0) {
        strcpy(answer, "0,\"No error\"");
    } else if (strcmp(unit, "*ESE?") == 0) {
        snprintf(answer, 64, "%d", s->enable);
    } else if (strcmp(unit, "MEASure:VOLTage?") == 0) {
        snprintf(answer, 64, "%.3f", crosses(s, VOLTAGE_LOW) ? 8.0 : 13.2 + hunting_A);
    } else if (strcmp(unit, ":MEASure:CURRent?") == 0) {
        double drawn_A = crosses(s, CURRENT_HIGH) ? 25 : s->set_A + hunting_A;
        snprintf(answer, 64, "%.3f", s->on ? drawn_A : 0.0);
    } else if (sscanf(unit, "*ESE %d", &s->enable) != 1 &&
               sscanf(unit, "CURRent %lf", &s->set_A) != 1) {
        (void)!sscanf(unit, "VOLTage:PROTection:UNDer %lf", &s->under_V);
    }
}

static void hear_load(struct pty_peer *p, const char *line)
{
    struct stand *s = p->context;
    char message[512], reply[512] = "", answer[64];
    char *rest = message;
    snprintf(message, sizeof message, "%s", line);
    pthread_mutex_lock(&s->lock);
    bool measures = strstr(message, "MEASure") != NULL;
    for (char *unit; (unit = strsep(&rest, ";")) != NULL;) {
        obey(s, unit, answer);
        if (answer[0] != '\0') {
            snprintf(reply + strlen(reply), sizeof reply - strlen(reply), "%s%s",
                     reply[0] != '\0' ? ";" : "", answer);
        }
    }
    if (measures && (crosses(s, VOLTAGE_LOW) || crosses(s, CURRENT_HIGH))) {
        stamp(s);
    }
    if (measures) {
        count_answer(s, &s->readings);
    }
    if (reply[0] != '\0') {
        peer_say_line(p, reply);
    }
    pthread_mutex_unlock(&s->lock);
}

static void hear_thermometer(struct pty_peer *p, const char *line)
{
    struct stand *s = p->context;
    pthread_mutex_lock(&s->lock);
    if (strcmp(line, "*IDN?") == 0) {
        peer_say_line(p, "VIRTUAL,Figures thermometer,0,1");
    } else if (strcmp(line, "MEASure:TEMPerature?") == 0) {
        bool hot = crosses(s, TEMPERATURE_HIGH);
        if (hot) {
            stamp(s);
        }
        count_answer(s, &s->temperatures);
        peer_say_line(p, hot ? "61.00" : "22.00");
    }
    pthread_mutex_unlock(&s->lock);
}

/* --- links --- */

static void *serve_connections(void *arg)
{
    struct pty_peer *p = arg;
    while ((p->master = accept(p->keep, NULL, NULL)) >= 0) {
        setsockopt(p->master, IPPROTO_TCP, TCP_NODELAY, &(int){1}, sizeof(int));
        peer_thread(p);
        close(p->master);
    }
    return NULL;
}

/* As peer_start(), reached over TCP; p->keep listens. */
static bool start_over_tcp(struct pty_peer *p, peer_fn *hear, void *context)
{
    struct sockaddr_in a = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof a;
    p->hear = hear;
    p->context = context;
    p->keep = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (p->keep < 0 || pipe(p->stop) != 0 ||
        bind(p->keep, (const struct sockaddr *)&a, sizeof a) != 0 || listen(p->keep, 2) != 0 ||
        getsockname(p->keep, (struct sockaddr *)&a, &size) != 0) {
        return false;
    }
    snprintf(p->address, sizeof p->address, "tcp:127.0.0.1:%d", ntohs(a.sin_port));
    return pthread_create(&p->thread, NULL, serve_connections, p) == 0;
}

static int connect_to(const char *address)
{
    const char *port = strrchr(address, ':') + 1;
    struct sockaddr_in a = {.sin_family = AF_INET,
                            .sin_addr.s_addr = htonl(INADDR_LOOPBACK),
                            .sin_port = htons((uint16_t)strtol(port, NULL, 10))};
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &(int){1}, sizeof(int));
    return connect(fd, (const struct sockaddr *)&a, sizeof a) == 0 ? fd : -1;
}

static bool start_stand(struct stand *s, int number)
{
    s->number = s->trips = number; /* so that not all begin with the same kind */
    pthread_mutex_init(&s->lock, NULL);
    return number % 2 == 0 ? peer_start(&s->load, hear_load, s) &&
                                 peer_start(&s->thermometer, hear_thermometer, s)
                           : start_over_tcp(&s->load, hear_load, s) &&
                                 start_over_tcp(&s->thermometer, hear_thermometer, s);
}

/* --- the links alone --- */

#define ECHOES_MAX 1000000
#define ECHO_PAUSE_NS 10000000

static struct bare {
    const char *name;
    struct pty_peer peer;
    int64_t took_ns[ECHOES_MAX];
    int count;
} bare_tty = {.name = "tty"}, bare_tcp = {.name = "tcp"};

static void echo(struct pty_peer *p, const char *line)
{
    peer_say_line(p, line);
}

static void *ask(void *arg)
{
    const struct timespec pause = {0, ECHO_PAUSE_NS};
    struct bare *b = arg;
    char c;
    int fd = b == &bare_tty ? open(b->peer.path, O_RDWR | O_NOCTTY) : connect_to(b->peer.address);
    pthread_setschedparam(pthread_self(), SCHED_RR,
                          &(struct sched_param){sched_get_priority_min(SCHED_RR)});
    while (b->count < ECHOES_MAX) {
        nanosleep(&pause, NULL);
        int64_t begun = now_ns();
        if (write(fd, "x\n", 2) != 2 || read(fd, &c, 1) != 1 || read(fd, &c, 1) != 1) {
            break;
        }
        b->took_ns[b->count++] = now_ns() - begun;
    }
    return NULL;
}

static bool start_bare(struct bare *b)
{
    pthread_t thread;
    bool ok =
        b == &bare_tty ? peer_start(&b->peer, echo, NULL) : start_over_tcp(&b->peer, echo, NULL);
    return ok && pthread_create(&thread, NULL, ask, b) == 0;
}

static void print_bare(const struct bare *b)
{
    for (int i = 0; i < b->count; i++) {
        printf("bare %s %" PRId64 "\n", b->name, b->took_ns[i]);
    }
}

int main(int argc, char **argv)
{
    int count = argc == 2 ? (int)strtol(argv[1], NULL, 10) : 0;
    char c;
    if (count < 1 || count > STANDS_MAX) {
        fprintf(stderr, "figures_peer N: from 1 to %d stands\n", STANDS_MAX);
        return 2;
    }
    /* An instrument has a processor of its own; this comes as near as is allowed. */
    bool own = sched_setscheduler(0, SCHED_FIFO, &(struct sched_param){.sched_priority = 50}) == 0;
    for (int i = 0; i < count; i++) {
        struct stand *s = &stands[i];
        if (!start_stand(s, i)) {
            fprintf(stderr, "figures_peer: no link for stand %d\n", i);
            return 5;
        }
        printf("stand %d %s %s\n", i, s->load.address, s->thermometer.address);
    }
    if (!start_bare(&bare_tty) || !start_bare(&bare_tcp)) {
        fprintf(stderr, "figures_peer: no link to compare with\n");
        return 5;
    }
    printf("instruments %s\n", own ? "come first" : "compete for the processor with all else");
    fflush(stdout);
    while (read(0, &c, 1) == 1) {
    }
    print_bare(&bare_tty);
    print_bare(&bare_tcp);
    return 0;
}
