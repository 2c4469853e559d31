/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/places: who has the places at something of which there are so many: the serial of a token in
 * each, 0 in a free one. The caller holds the lock. For this room only. */
#ifndef AMPLEDGER_WEB_PLACES_H
#define AMPLEDGER_WEB_PLACES_H

#include <stddef.h>
#include <stdint.h>

/* How many of n places this token has. */
size_t places_of(const uint32_t *places, size_t n, uint32_t serial);
/* One place goes from one to the other; 0 takes a free one, or leaves it free. */
void places_pass(uint32_t *places, size_t n, uint32_t from, uint32_t to);

#endif
