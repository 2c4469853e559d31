/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: bench files. They are read from a file, here one in memory; nothing is opened
 * of what they name but driver files. */
#include "bench/bench.h"

#include "base/file.h"

#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    char path[64];
    struct bench *b = NULL;
    struct err e = {0};
    int fd = memfd_create("bench", 0);
    if (fd < 0 || write(fd, data, n) != (ssize_t)n) {
        abort();
    }
    text_format(path, sizeof path, "/proc/self/fd/%d", fd);
    if (bench_load(path, &b, &e)) {
        bench_free(b);
    }
    close(fd);
    return 0;
}
