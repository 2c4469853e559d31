/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/noise: repeatable random numbers for the virtual bench; the seed is in
 * its description, so that a night that went wrong can be had again. */
#ifndef AMPLEDGER_VIRTUAL_NOISE_H
#define AMPLEDGER_VIRTUAL_NOISE_H

#include <stdint.h>

struct noise {
    uint64_t state;
};

void noise_seed(struct noise *n, uint64_t seed);
uint64_t noise_bits(struct noise *n);
/* Evenly spread in [0, 1). */
double noise_unit(struct noise *n);
/* Bell-shaped with standard deviation 1, cut off at +-6. */
double noise_bell(struct noise *n);

#endif
