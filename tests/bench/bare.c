/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bare: the least that asking an instrument can cost.
 *
 *   bench_bare LINK QUESTION SECONDS
 *
 * Writes the question to the terminal, waits with poll() and reads until the line is
 * whole, again and again; prints how many answers there were, in how many seconds, and
 * the processor seconds that it took. */
#include "asking.h"

int main(int argc, char **argv)
{
    char question[256], answer[256];
    if (argc != 4) {
        fprintf(stderr, "bench_bare LINK QUESTION SECONDS\n");
        return 2;
    }
    int fd = open_raw(argv[1]);
    snprintf(question, sizeof question, "%s\n", argv[2]);
    double begun_s = now_s(), end_s = begun_s + strtod(argv[3], NULL);
    long count = 0;
    if (fd < 0) {
        fprintf(stderr, "bench_bare: %s: %s\n", argv[1], strerror(errno));
        return 5;
    }
    while (now_s() < end_s) {
        if (!ask(fd, question, answer, sizeof answer)) {
            fprintf(stderr, "bench_bare: %s does not answer\n", argv[1]);
            return 5;
        }
        count++;
    }
    printf("%ld %.6f %.6f\n", count, now_s() - begun_s, cpu_s());
    return 0;
}
