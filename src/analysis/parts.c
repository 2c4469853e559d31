/* SPDX-License-Identifier: GPL-3.0-or-later
 * analysis/parts: discharge, rest and charge in the order they come in a record. */
#include "analysis/parts.h"

#include "analysis/tally.h"

#include <math.h>

void parts_start(struct record_parts *p, double threshold_A, double lead_ohm)
{
    *p = (struct record_parts){.threshold_A = threshold_A, .lead_ohm = lead_ohm};
}

static struct record_part *newest(struct record_parts *p)
{
    return p->count > 0 ? &p->part[p->count - 1] : NULL;
}

/* The part that begins with this row, or NULL when there is no room for one more. */
static struct record_part *begin(struct record_parts *p, const struct sample *s, size_t row)
{
    if (p->count == PARTS_MAX) {
        p->dropped++;
        return NULL;
    }
    p->part[p->count] =
        (struct record_part){.direction = current_direction(s->current_A, p->threshold_A),
                             .first_row = row,
                             .rows = 1,
                             .first = *s,
                             .last = *s};
    return &p->part[p->count++];
}

static void extend(struct record_part *part, const struct sample *s)
{
    part->in_Ah += sample_charge_Ah(&part->last, s);
    part->in_Wh += sample_energy_Wh(&part->last, s, 0);
    part->rows++;
    part->last = *s;
}

void parts_add(struct record_parts *p, const struct sample *s)
{
    struct sample at = *s;
    p->row++;
    if (!isfinite(s->voltage_V) || !isfinite(s->current_A) || !isfinite(s->t_s))
        return;
    at.voltage_V = sample_battery_voltage(s, p->lead_ohm);
    int direction = current_direction(at.current_A, p->threshold_A);
    struct record_part *part = newest(p);
    if (part == NULL) {
        begin(p, &at, p->row);
    } else if (direction == part->direction && p->dropped == 0) {
        if (p->waiting)
            extend(part, &p->next); /* it was out of line */
        extend(part, &at);
        p->waiting = false;
    } else if (p->waiting && direction == current_direction(p->next.current_A, p->threshold_A)) {
        part = begin(p, &p->next, p->next_row);
        if (part != NULL)
            extend(part, &at);
        p->waiting = false;
    } else {
        p->waiting = true;
        p->next = at;
        p->next_row = p->row;
    }
}
