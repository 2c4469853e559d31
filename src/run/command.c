/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/command: what a run orders its load and its supply to do. One of them at a
 * time: before one is set the other is confirmed off, by its state and its current;
 * each is handed to the keeper under a slot of its own before it goes on. */
#include "base/file.h"
#include "run/run_state.h"

#include "base/log.h"

#include <math.h>
#include <unistd.h>

/* How long the keeper waits while an output is being confirmed off. */
#define SAFE_WITHIN_MS 120000

static uint32_t slot_of(const struct run *r, enum role role)
{
    return r->stand->slot + (uint32_t)role;
}

bool run_is_armed(const struct run *r)
{
    return r->armed[ROLE_LOAD] || r->armed[ROLE_SUPPLY];
}

void run_beat(const struct run *r, uint32_t within_ms)
{
    for (int role = 0; role < STAND_OUTPUTS; role++) {
        if (r->armed[role]) {
            keeper_line_beat(r->stand->keeper, slot_of(r, (enum role)role), within_ms);
        }
    }
}

void run_beat_safing(const struct run *r)
{
    run_beat(r, SAFE_WITHIN_MS);
}

/* After this the stand's own thread alone goes on trying, if off was not confirmed. */
static void leave_keeper(struct run *r)
{
    struct err e = {0};
    for (int role = 0; role < STAND_OUTPUTS; role++) {
        if (r->armed[role] &&
            !keeper_line_disarm(r->stand->keeper, slot_of(r, (enum role)role), &e)) {
            log_error("%s: %s", r->stand->config->name, e.text);
        }
        r->armed[role] = false;
    }
}

bool run_make_safe(struct run *r, struct err *e)
{
    run_beat_safing(r);
    bool safe = stand_safe(r->stand, e);
    if (safe) {
        leave_keeper(r);
        return true;
    }
    for (int role = 0; role < STAND_OUTPUTS; role++) {
        /* until it is confirmed, or this process ends */
        r->stand->keeper_has[role] = r->armed[role];
    }
    run_beat(r, UNCONFIRMED_WITHIN_MS);
    run_event(r, "alarm", "an output could not be confirmed off: disconnect the battery by hand");
    return false;
}

/* The keeper gets the descriptor and the off lines before the output goes on. */
static bool hand_to_keeper(struct run *r, enum role role, struct err *e)
{
    struct instrument *i = r->stand->config->instrument[role];
    struct keeper_message m = {
        .slot = slot_of(r, role),
        .trust_ms = (uint32_t)lround(1000 * r->limits.trust_s),
        .pause_ms = (uint32_t)instrument_driver(i)->scpi.pause_ms,
    };
    size_t off_n = 0;
    size_t ask_n = 0;
    if (!instrument_off_bytes(i, m.off, sizeof m.off, &off_n, e) ||
        !instrument_state_bytes(i, m.ask, sizeof m.ask, &ask_n, e)) {
        return false;
    }
    m.off_n = (uint32_t)off_n;
    m.ask_n = (uint32_t)ask_n;
    text_format(m.name, sizeof m.name, "%s", instrument_name(i));
    r->armed[role] = true; /* it may have it, whatever it answers */
    int fd = instrument_copy_fd(i);
    bool ok = fd >= 0 ? keeper_line_arm(r->stand->keeper, &m, fd, e)
                      : err_set(e, ERR_LINK_LOST, "%s: the link is not open", m.name);
    if (fd >= 0) {
        close(fd);
    }
    return ok;
}

/* Never both: what the other says of itself counts, and silence is no yes. */
static bool other_is_off(struct run *r, enum role role, struct err *e)
{
    enum role other_role = role == ROLE_LOAD ? ROLE_SUPPLY : ROLE_LOAD;
    struct instrument *other = r->stand->config->instrument[other_role];
    struct reading reading = {.current_A = NAN};
    bool on = false;
    if (other == NULL) {
        return true;
    }
    if (!instrument_is_on(other, &on, e)) {
        return false;
    }
    if (on) {
        return err_set(e, ERR_REFUSED, "%s is on: supply and load never work together",
                       instrument_name(other));
    }
    if (!instrument_read(other, &reading, e)) {
        return false;
    }
    double allowed_A = instrument_off_current(other);
    return !(fabs(reading.current_A) > allowed_A) ||
           err_set(e, ERR_REFUSED, "%s says off, but %.3f A flow through it (%.3f A would be none)",
                   instrument_name(other), fabs(reading.current_A), allowed_A);
}

static bool program_load(struct instrument *load, const struct set_point *p, struct err *e)
{
    switch (p->drive) {
    case DRIVE_CURRENT:
        return instrument_set_current(load, fabs(p->current_A), e);
    case DRIVE_POWER:
        return instrument_set_power(load, p->power_W, e);
    case DRIVE_RESISTANCE:
        return instrument_set_resistance(load, p->resistance_ohm, e);
    case DRIVE_OFF:
        break;
    }
    return err_set(e, ERR_BUG, "%s: nothing is to be set", instrument_name(load));
}

/* The voltage first: no current is let through towards one that is not wanted. */
static bool program(struct run *r, struct err *e)
{
    const struct set_point p = decide_set_point(&r->d);
    struct instrument *const *all = r->stand->config->instrument;
    if (p.direction == DIRECTION_SUPPLY) {
        return instrument_set_voltage(all[ROLE_SUPPLY], p.voltage_V, e) &&
               instrument_set_current(all[ROLE_SUPPLY], p.current_A, e);
    }
    return program_load(all[ROLE_LOAD], &p, e);
}

enum role run_output_role(const struct run *r)
{
    return sequencer_direction(&r->d.sequencer) == DIRECTION_SUPPLY ? ROLE_SUPPLY : ROLE_LOAD;
}

/* Switching off opens a link that was lost. Over such a one nobody said who he is, and nothing
 * was prepared or protected: it may be off, and is not to be set or switched on. */
static bool same_links(const struct run *r, struct err *e)
{
    for (int role = 0; role < 4; role++) {
        const struct instrument *one = r->stand->config->instrument[role];
        if (one != NULL && instrument_openings(one) != r->openings[role]) {
            return err_set(e, ERR_INSTRUMENT,
                           "%s on %s: its link was lost and opened anew in this run, so it is not "
                           "known what answers there and how it is set",
                           instrument_name(one), instrument_link_address(one));
        }
    }
    return true;
}

bool run_carry_out(struct run *r, enum act act, struct err *e)
{
    enum role role = run_output_role(r);
    struct instrument *output = r->stand->config->instrument[role];
    if (act == ACT_OFF) {
        return run_make_safe(r, e);
    }
    if (output == NULL) {
        return err_set(e, ERR_BUG, "%s: no %s here", r->stand->config->name, role_names[role]);
    }
    if (!same_links(r, e)) {
        return false;
    }
    switch (act) {
    case ACT_SET:
        return other_is_off(r, role, e) && program(r, e);
    case ACT_CHANGE:
        return program(r, e);
    case ACT_ARM:
        return hand_to_keeper(r, role, e);
    case ACT_ON:
        return instrument_on(output, e);
    case ACT_OFF:
    case ACT_WAIT:
    case ACT_READ:
    case ACT_BEGIN_STEP:
    case ACT_END_STEP:
    case ACT_FINISH:
        break;
    }
    return err_set(e, ERR_BUG, "%s: act %d is no command", r->stand->config->name, (int)act);
}

void run_settle(struct run *r)
{
    const struct instrument *output = r->stand->config->instrument[run_output_role(r)];
    int64_t wait_ns = instrument_driver(output)->settle_ms * NS_PER_MS;
    clock_wait_until(r->stand->clock, clock_now_ns(r->stand->clock) + wait_ns, r->stand->waker.fd);
}
