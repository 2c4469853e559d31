/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/results: the results of a run, from its stored samples, as they are made when it ends.
 *
 *   bench_results DATABASE RUN
 *
 * Prints how many samples the run has, the charge that was counted, the processor seconds
 * and by how many KiB the memory grew. */
#include "run/result.h"
#include "store/store.h"

#include <jansson.h>
#include <stdio.h>
#include <sys/resource.h>

int main(int argc, char **argv)
{
    struct reader *r = NULL;
    struct run_row row;
    struct err e = {0};
    struct rusage before, after;
    json_t *result = NULL;
    if (argc != 3 || !reader_open(argv[1], &r, &e) || !reader_run(r, argv[2], &row, &e)) {
        fprintf(stderr, "bench_results DATABASE RUN: %s\n", e.text);
        return 2;
    }
    getrusage(RUSAGE_SELF, &before);
    bool ok = result_compute(r, &row, &result, &e);
    getrusage(RUSAGE_SELF, &after);
    if (!ok) {
        fprintf(stderr, "bench_results: %s\n", e.text);
        return 5;
    }
    double spent_s = (double)(after.ru_utime.tv_sec - before.ru_utime.tv_sec +
                              after.ru_stime.tv_sec - before.ru_stime.tv_sec) +
                     1e-6 * (double)(after.ru_utime.tv_usec - before.ru_utime.tv_usec +
                                     after.ru_stime.tv_usec - before.ru_stime.tv_usec);
    printf("%lld %.9g %.6f %ld\n", (long long)row.sample_count,
           json_number_value(json_object_get(result, "capacity_Ah")), spent_s,
           after.ru_maxrss - before.ru_maxrss);
    json_decref(result);
    run_row_free(&row);
    reader_close(r);
    return 0;
}
