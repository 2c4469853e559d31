/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/scan: the least that reading a run out of a table can cost.
 *
 *   bench_scan DATABASE
 *
 * Steps through all rows of the table `plain` with the C API of SQLite and takes every
 * column; prints the rows, a sum (so that nothing is left out) and the processor seconds. */
#include <sqlite3.h>
#include <stdio.h>
#include <sys/resource.h>

int main(int argc, char **argv)
{
    sqlite3 *db = NULL;
    sqlite3_stmt *st = NULL;
    struct rusage r;
    long rows = 0;
    double sum = 0;
    if (argc != 2 || sqlite3_open_v2(argv[1], &db, SQLITE_OPEN_READONLY, NULL) != SQLITE_OK ||
        sqlite3_prepare_v2(db,
                           "SELECT seq, t_s, step, voltage_V, current_A, temperature_C FROM plain"
                           " WHERE run_nr = 1 ORDER BY seq",
                           -1, &st, NULL) != SQLITE_OK) {
        fprintf(stderr, "bench_scan DATABASE: %s\n", sqlite3_errmsg(db));
        return 2;
    }
    while (sqlite3_step(st) == SQLITE_ROW) {
        sum += (double)sqlite3_column_int64(st, 0) + sqlite3_column_double(st, 1) +
               sqlite3_column_int(st, 2) + sqlite3_column_double(st, 3) +
               sqlite3_column_double(st, 4) + sqlite3_column_double(st, 5);
        rows++;
    }
    sqlite3_finalize(st);
    sqlite3_close(db);
    getrusage(RUSAGE_SELF, &r);
    printf("%ld %.6g %.6f\n", rows, sum,
           (double)(r.ru_utime.tv_sec + r.ru_stime.tv_sec) +
               1e-6 * (double)(r.ru_utime.tv_usec + r.ru_stime.tv_usec));
    return 0;
}
