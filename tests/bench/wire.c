/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/wire: a serial line of a given speed before an instrument that answers at once.
 *
 *   bench_wire LINK BAUD TURNAROUND-US
 *
 * Prints the terminal at its other end. A question goes on when its bytes would have come
 * at so many bits a second (10 bits a byte), and its answer begins so long after that and
 * takes as long as its bytes do: that is what the line itself allows, and when this
 * computer wakes up too late to let an answer through, the next question is taken to have
 * come as much earlier. For each
 * byte of its standard input it prints how long that was, all together, in seconds. */
#include "pty_peer.h"

#include <sched.h>
#include <stdatomic.h>
#include <stdio.h>
#include <sys/prctl.h>
#include <time.h>

#define NS_PER_S 1000000000LL

static long long now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * NS_PER_S + t.tv_nsec;
}

static void sleep_until(long long ns)
{
    const struct timespec t = {ns / NS_PER_S, ns % NS_PER_S};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR) {
    }
}

static struct line {
    int instrument;
    long baud;
    long long turnaround_ns;
    _Atomic long long spent_ns; /* by the line itself */
    long long free_ns;          /* when the last byte had passed */
    long long late_ns;          /* so much later than that it was let through here */
} line;

static long long bytes_ns(size_t n)
{
    return (long long)n * 10 * NS_PER_S / line.baud;
}

/* A line that awaits an answer is one with a question mark. */
static void hear(struct pty_peer *p, const char *text)
{
    char bytes[1024];
    struct pollfd f = {.fd = line.instrument, .events = POLLIN};
    size_t n = strlen(text);
    memcpy(bytes, text, n);
    bytes[n++] = '\n';
    /* Who asks again when it has its answer does so as much too late as the answer was. */
    long long begun_ns = now_ns() - line.late_ns;
    line.late_ns = 0;
    begun_ns = begun_ns > line.free_ns ? begun_ns : line.free_ns;
    long long due_ns = begun_ns + bytes_ns(n);
    line.free_ns = due_ns;
    line.spent_ns += bytes_ns(n);
    sleep_until(due_ns);
    if (write(line.instrument, bytes, n) != (ssize_t)n || strchr(text, '?') == NULL) {
        return;
    }
    size_t got = 0;
    while ((got == 0 || bytes[got - 1] != '\n') && got < sizeof bytes && poll(&f, 1, 2000) == 1) {
        ssize_t more = read(line.instrument, bytes + got, sizeof bytes - got);
        if (more <= 0) {
            return;
        }
        got += (size_t)more;
    }
    due_ns += line.turnaround_ns + bytes_ns(got);
    line.free_ns = due_ns;
    line.spent_ns += line.turnaround_ns + bytes_ns(got);
    sleep_until(due_ns);
    peer_say(p, bytes, got);
    line.late_ns = now_ns() - due_ns;
}

int main(int argc, char **argv)
{
    struct pty_peer peer;
    struct termios t;
    char c;
    if (argc != 4) {
        fprintf(stderr, "bench_wire LINK BAUD TURNAROUND-US\n");
        return 2;
    }
    /* A line has no processor to wait for; this comes as near as is allowed. */
    sched_setscheduler(0, SCHED_FIFO, &(struct sched_param){.sched_priority = 50});
    prctl(PR_SET_TIMERSLACK, 1);
    line.instrument = open(argv[1], O_RDWR | O_NOCTTY);
    line.baud = strtol(argv[2], NULL, 10);
    line.turnaround_ns = 1000 * strtol(argv[3], NULL, 10);
    if (line.instrument < 0 || tcgetattr(line.instrument, &t) != 0 || line.baud < 1) {
        fprintf(stderr, "bench_wire: cannot open %s\n", argv[1]);
        return 5;
    }
    cfmakeraw(&t);
    tcsetattr(line.instrument, TCSANOW, &t);
    if (!peer_start(&peer, hear, NULL)) {
        fprintf(stderr, "bench_wire: no terminal\n");
        return 5;
    }
    printf("%s\n", peer.path);
    fflush(stdout);
    while (read(0, &c, 1) == 1) {
        printf("%.6f\n", 1e-9 * (double)atomic_load(&line.spent_ns));
        fflush(stdout);
    }
    peer_stop(&peer);
    return 0;
}
