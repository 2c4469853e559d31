/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/places: see its header. */
#include "web/places.h"

size_t places_of(const uint32_t *places, size_t n, uint32_t serial)
{
    size_t found = 0;
    for (size_t i = 0; i < n; i++) {
        found += places[i] == serial;
    }
    return found;
}

void places_pass(uint32_t *places, size_t n, uint32_t from, uint32_t to)
{
    size_t i = 0;
    while (i < n && places[i] != from) {
        i++;
    }
    if (i < n) {
        places[i] = to;
    }
}
