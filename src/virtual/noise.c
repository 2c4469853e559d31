/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/noise: a 64-bit counter scrambled by multiplications and shifts. */
#include "virtual/noise.h"

void noise_seed(struct noise *n, uint64_t seed)
{
    n->state = seed;
}

/* A Weyl sequence through the finaliser of "splitmix" (public domain, Vigna 2015). */
uint64_t noise_bits(struct noise *n)
{
    n->state += UINT64_C(0x9E3779B97F4A7C15);
    uint64_t z = n->state;
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

double noise_unit(struct noise *n)
{
    return (double)(noise_bits(n) >> 11) * 0x1p-53;
}

/* The sum of twelve even variables has variance 1 and mean 6. */
double noise_bell(struct noise *n)
{
    double sum = -6.0;
    for (int i = 0; i < 12; i++) {
        sum += noise_unit(n);
    }
    return sum;
}
