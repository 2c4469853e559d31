/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/sequencer: the decision itself. */
#include "run/sequencer.h"

#include <math.h>

const char *step_end_text(enum step_end e)
{
    static const char *const texts[] = {
        [STEP_GOES_ON] = "",
        [STEP_END_CUTOFF] = "cut-off reached",
        [STEP_END_CHARGE] = "charge limit reached",
        [STEP_END_TIME] = "time limit reached",
        [STEP_END_DURATION] = "duration over",
        [STEP_END_PROTECTION] = "protection opened",
    };
    return texts[e];
}

void sequencer_start(struct sequencer *q, const struct plan *plan, double lead_ohm, double now_s)
{
    *q = (struct sequencer){
        .steps = plan->steps,
        .count = plan->step_count,
        .lead_ohm = lead_ohm,
        .step_start_s = now_s,
        .loaded_V = NAN,
    };
}

void sequencer_step_begun(struct sequencer *q, double now_s)
{
    q->step_start_s = now_s;
    q->discharged_Ah = 0;
    q->charged_Ah = 0;
    q->has_last = false;
    q->loaded_V = NAN;
}

bool sequencer_wants_output(const struct sequencer *q)
{
    return q->step < q->count && fabs(q->steps[q->step].current_A) > 0;
}

static void count_charge(struct sequencer *q, const struct sample *s)
{
    if (q->has_last) {
        double charge_Ah = sample_charge_Ah(&q->last, s);
        if (charge_Ah < 0) {
            q->discharged_Ah -= charge_Ah;
        } else {
            q->charged_Ah += charge_Ah;
        }
    }
    q->last = *s;
    q->has_last = true;
}

void sequencer_open(struct sequencer *q, const struct sample *s)
{
    count_charge(q, s);
}

static bool protection_opened(const struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    return guard_opening(s, q->lead_ohm, q->loaded_V, step->current_A, step->until_V) ==
           OPENING_AT_BOTTOM;
}

static enum step_end end_of_discharge(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    /* Only a voltage under load ends a discharge: half the set point must flow,
     * so that a reading from before the load took hold cannot. */
    if (guard_is_loaded(s, step->current_A)) {
        q->loaded_V = sample_battery_voltage(s, q->lead_ohm);
        if (q->loaded_V < step->until_V) {
            return STEP_END_CUTOFF;
        }
    }
    if (protection_opened(q, s)) {
        return STEP_END_PROTECTION;
    }
    if (q->discharged_Ah >= step->max_Ah) {
        return STEP_END_CHARGE;
    }
    if (s->t_s - q->step_start_s >= step->max_s) {
        return STEP_END_TIME;
    }
    return STEP_GOES_ON;
}

static enum step_end end_of_step(struct sequencer *q, const struct sample *s)
{
    const struct plan_step *step = &q->steps[q->step];
    switch (step->kind) {
    case STEP_DISCHARGE:
        return end_of_discharge(q, s);
    case STEP_REST:
        return s->t_s - q->step_start_s >= step->max_s ? STEP_END_DURATION : STEP_GOES_ON;
    case STEP_CHARGE:
    case STEP_PULSE:
    case STEP_HOLD:
    case STEP_REPEAT:
        break; /* the plan refuses them; should one arrive, it ends at once with outputs off */
    }
    return STEP_END_TIME;
}

struct sequencer_decision sequencer_take(struct sequencer *q, const struct sample *s)
{
    if (q->step >= q->count) {
        return (struct sequencer_decision){WISH_FINISH, STEP_GOES_ON};
    }
    count_charge(q, s);
    enum step_end ended = end_of_step(q, s);
    if (ended == STEP_GOES_ON) {
        return (struct sequencer_decision){WISH_NOTHING, STEP_GOES_ON};
    }
    q->step++;
    return (struct sequencer_decision){q->step < q->count ? WISH_BEGIN_STEP : WISH_FINISH, ended};
}
