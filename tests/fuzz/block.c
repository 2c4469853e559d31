/* SPDX-License-Identifier: GPL-3.0-or-later
 * Fuzzer: blocks of samples. An even first byte: a stranger's block is unpacked. An odd one:
 * the input is values, which come back from a block as they are. */
#include "store/block.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static void must(bool ok)
{
    if (!ok) {
        abort();
    }
}

static void unpack(const uint8_t *data, size_t n)
{
    struct block_column frame = {.scale = 1};
    double values[BLOCK_SAMPLES];
    const size_t head = sizeof frame.base + sizeof frame.each + 2;
    if (n < head) {
        return;
    }
    memcpy(&frame.base, data, sizeof frame.base);
    memcpy(&frame.each, data + sizeof frame.base, sizeof frame.each);
    const size_t count = ((size_t)data[head - 2] << 8 | data[head - 1]) % BLOCK_SAMPLES + 1;
    char *text = strndup((const char *)data + head, n - head);
    (void)block_unpack(&frame, text, count, values);
    free(text);
}

static void pack(const uint8_t *data, size_t n)
{
    static struct block_column column;
    double in[BLOCK_SAMPLES], out[BLOCK_SAMPLES];
    const size_t count = n / sizeof in[0] < BLOCK_SAMPLES ? n / sizeof in[0] : BLOCK_SAMPLES;
    if (count == 0) {
        return;
    }
    memcpy(in, data, count * sizeof in[0]);
    for (int steady = 0; steady < 2; steady++) {
        if (!block_pack(in, count, steady != 0, &column)) {
            continue;
        }
        must(block_unpack(&column, column.known ? column.text : NULL, count, out));
        for (size_t i = 0; i < count; i++) {
            must(isnan(in[i]) ? isnan(out[i]) != 0 : memcmp(&in[i], &out[i], sizeof in[i]) == 0);
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    if (n > 0 && data[0] % 2 == 0) {
        unpack(data + 1, n - 1);
    } else if (n > 0) {
        pack(data + 1, n - 1);
    }
    return 0;
}
