/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/least: the least that a sample can cost which is taken at its instant and kept.
 *
 *   bench_least LOAD THERMOMETER FILE SECONDS-BETWEEN SAMPLES
 *
 * One thread without anything else: it sleeps until the instant, asks the load, waits,
 * asks the thermometer, waits, and once a second makes a file durable that has a line for
 * each sample. No limits, no keeper, no database, nobody who looks on. Prints how many
 * samples there were, in how many seconds, the processor seconds that they took, and the
 * p99 of how far a sample was from where its neighbour puts it, in milliseconds. */
#include "asking.h"

#include <math.h>
#include <sys/prctl.h>

#define NS_PER_S 1000000000LL

static void sleep_until(double s)
{
    long long ns = (long long)(s * (double)NS_PER_S);
    const struct timespec t = {ns / NS_PER_S, ns % NS_PER_S};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR) {
    }
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* at[] becomes the errors of the periods, in order. */
static double p99_ms(double *at, long count, double period_s)
{
    for (long i = 0; i + 1 < count; i++) {
        at[i] = 1000 * fabs(at[i + 1] - at[i] - period_s);
    }
    qsort(at, (size_t)(count - 1), sizeof *at, by_size);
    return at[(count - 1) * 99 / 100];
}

static bool sample(int load, int thermometer, FILE *file)
{
    char first[256], second[256];
    return ask(load, "MEASure:VOLTage?;:MEASure:CURRent?\n", first, sizeof first) &&
           ask(thermometer, "MEASure:TEMPerature?\n", second, sizeof second) &&
           fprintf(file, "%.4f;%s;%s\n", now_s(), first, second) > 0;
}

int main(int argc, char **argv)
{
    if (argc != 6) {
        fprintf(stderr, "bench_least LOAD THERMOMETER FILE SECONDS-BETWEEN SAMPLES\n");
        return 2;
    }
    int load = open_raw(argv[1]), thermometer = open_raw(argv[2]);
    FILE *file = fopen(argv[3], "w");
    double period_s = strtod(argv[4], NULL);
    long count = strtol(argv[5], NULL, 10);
    double *at = count > 1 ? calloc((size_t)count, sizeof *at) : NULL;
    if (load < 0 || thermometer < 0 || file == NULL || at == NULL) {
        fprintf(stderr, "bench_least: %s\n", strerror(errno));
        return 5;
    }
    prctl(PR_SET_TIMERSLACK, 1);
    double begun_s = now_s(), kept_s = begun_s, spent_s = cpu_s();
    for (long i = 0; i < count; i++) {
        sleep_until(begun_s + (double)i * period_s);
        double before_s = now_s();
        if (!sample(load, thermometer, file)) {
            fprintf(stderr, "bench_least: no answer\n");
            return 5;
        }
        at[i] = (before_s + now_s()) / 2;
        if (at[i] >= kept_s + 1) {
            kept_s += 1;
            fflush(file);
            fdatasync(fileno(file));
        }
    }
    spent_s = cpu_s() - spent_s;
    printf("%ld %.6f %.6f %.4f\n", count, now_s() - begun_s, spent_s, p99_ms(at, count, period_s));
    return 0;
}
