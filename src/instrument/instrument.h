/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument: the verbs a role offers, spoken through a driver file over a link.
 * Hides SCPI and dialects. Not thread-safe: one thread (the stand's) owns it.
 * Outputs of one instrument (driver->channel > 0) are instruments of their own, for
 * threads of their own: those with the same link share it, turn by turn (wire.h).
 * Every verb waits at most 2.5 s for its turn (ERR_TIMEOUT, or ERR_INTERRUPTED
 * by the wake descriptor); off goes before all others, and after 0.2 s past them. */
#ifndef AMPLEDGER_INSTRUMENT_INSTRUMENT_H
#define AMPLEDGER_INSTRUMENT_INSTRUMENT_H

#include "instrument/driver.h"

struct instrument;

#define IDENTITY_SIZE 160

struct instrument_config {
    const char *name;            /* "jetty load": how messages call it; copied */
    const struct driver *driver; /* borrowed; must outlive the instrument */
    const char *link;            /* "serial:/dev/ttyUSB0" */
    struct link_settings settings;
    const char *identity; /* pattern the answer must match besides the driver's; "" none */
};

/* Makes the object; opens nothing. */
struct instrument *instrument_new(const struct instrument_config *config);
void instrument_free(struct instrument *i); /* closes the link; does not switch off */

const char *instrument_name(const struct instrument *i);
const struct driver *instrument_driver(const struct instrument *i);
const char *instrument_link_address(const struct instrument *i);
/* Device path behind the link once open ("/dev/pts/7"), else "". */
const char *instrument_device(const struct instrument *i);
/* What it answered last ("" before). */
const char *instrument_identity(const struct instrument *i);
bool instrument_is_open(const struct instrument *i);
/* How often its link was opened. Another number than before: what answers now may be another
 * instrument, and nothing is as it was set. */
unsigned instrument_openings(const struct instrument *i);

/* wake_fd readable interrupts every wait for an answer (ERR_INTERRUPTED); -1 none. */
void instrument_set_wake(struct instrument *i, int wake_fd);

/* Open the link if it is not open. */
bool instrument_open(struct instrument *i, struct err *e) NODISCARD;
void instrument_close(struct instrument *i);

/* The identity that belongs here, from before this program began ("": whatever it
 * answers first), and what a person types to accept another one ("" none). One that
 * the bench's own pattern excludes is not expected: bench.yaml wins. */
void instrument_expect(struct instrument *i, const char *identity, const char *to_accept);
const char *instrument_expected(const struct instrument *i);

/* Remote mode, then ask who it is; must match driver and bench, and be the one that
 * is expected: another is ERR_INSTRUMENT. Where none is expected the first heard is
 * from then on. */
bool instrument_identify(struct instrument *i, struct err *e) NODISCARD;

/* Send the off lines whatever the state and whatever came before, opening the
 * link if need be, and await nothing: milliseconds. Proves nothing. */
void instrument_send_off(struct instrument *i);

/* Off, idempotent, needs no memory: each try opens the link if need be, sends
 * the off lines blind, resynchronises if need be, then reads state AND current
 * until both say off. "No current" is less than 3 x the offset accuracy of the
 * current reading but at least 20 mA; where the accuracy is not known, 0.2 % of
 * the rating but at least 20 mA. Never interrupted by the wake descriptor. A try
 * on a silent instrument takes as long as resynchronising, some 6 s; no new one
 * begins after 12 s. Instruments without output succeed. */
bool instrument_make_safe(struct instrument *i, int tries, struct err *e) NODISCARD;

/* The same for several outputs at once, at most SAFE_TOGETHER_MAX: they are asked
 * in turn, and whenever one is asked, all that are not confirmed hear off again.
 * Each has at least one try; after 12 s no other begins, however many there are:
 * with answers due within 3 s two silent ones take no longer than one. why[k] is
 * the failure of all[k], ERR_NONE when it is off. */
#define SAFE_TOGETHER_MAX 4
bool instruments_make_safe(struct instrument *const *all, size_t n, int tries,
                           struct err *why) NODISCARD;

/* A current below this counts as none: three times the offset the driver states,
 * at least 20 mA; 0.2 % of the rating where none is stated. */
double instrument_off_current(const struct instrument *i);

/* Constant current and ranges, error queue emptied before, checked after; the mode is
 * read back where the driver can ask for it, and so are its other checks (ranges). */
bool instrument_prepare(struct instrument *i, struct err *e) NODISCARD;

/* Set, check the error queue, read back, compare: within the resolution of the
 * accuracy (1 mA, 1 mV where not known) or 0.1 %, whichever is more. A value
 * above the rating is refused. */
bool instrument_set_current(struct instrument *i, double magnitude_A, struct err *e) NODISCARD;
bool instrument_set_voltage(struct instrument *i, double volts, struct err *e) NODISCARD;
/* The same for a load that holds a power or a resistance, where driver_can_hold()
 * (else ERR_REFUSED). What is set decides what is held: the mode for it is selected
 * and read back where the last one was another, for a current too, and is the one
 * that instrument_on() checks. It changes while the output is off only: with another
 * mode wanted and the output on, nothing is sent but the question (ERR_REFUSED). */
bool instrument_set_power(struct instrument *i, double watts, struct err *e) NODISCARD;
bool instrument_set_resistance(struct instrument *i, double ohm, struct err *e) NODISCARD;

/* Program the instrument's own protections where the driver knows how; NAN
 * skips one. *programmed tells how many were. Read back and compared. */
struct instrument_protection {
    double under_voltage_V, over_voltage_V, over_current_A;
};
bool instrument_protect(struct instrument *i, const struct instrument_protection *p,
                        int *programmed, struct err *e) NODISCARD;

/* Mode and the driver's other checks asked again before, the state read back after. */
bool instrument_on(struct instrument *i, struct err *e) NODISCARD;
bool instrument_is_on(struct instrument *i, bool *on, struct err *e) NODISCARD;

/* One reading; fields the instrument does not give are NAN. Current has the
 * house's sign (into the battery positive).
 *
 * PROTOCOL_LINES: all lines that have come are looked at and the newest good
 * one counts while it is younger than the driver's `reply_within`, so one line
 * may serve several readings; older is ERR_TIMEOUT at once. Only the first line
 * after opening is waited for, at most until reply_within after opening.
 * PROTOCOL_FILE: the file is read anew each time. */
struct reading {
    double voltage_V, current_A, temperature_C;
    double temperature_age_s; /* since its line was found, real time; 0: it was asked for just now.
                                 A line may have come up to one look earlier. */
    double other_V;           /* of a stand only, see stand_read(); NAN from an instrument */
};
bool instrument_read(struct instrument *i, struct reading *out, struct err *e) NODISCARD;

/* Asks ahead where that can be: instrument_read() is to follow, and then finds the answer
 * there, or soon. So that several instruments are at work at once. Waits for no answer. */
bool instrument_ask(struct instrument *i, struct err *e) NODISCARD;
/* instrument_read() does not follow: what comes is nobody's answer. */
void instrument_unask(struct instrument *i);

/* --- for whoever must switch it off without knowing it (the keeper) --- */

/* A duplicate of the link's descriptor, owned; -1 while closed. */
int instrument_copy_fd(struct instrument *i);
/* The remote lines, if any, and the off lines as bytes, an end of line before them
 * unless the link goes by messages;
 * the driver's pause belongs between two lines. */
bool instrument_off_bytes(const struct instrument *i, char *out, size_t size, size_t *n,
                          struct err *e) NODISCARD;
/* The question for the state as bytes; *n 0 when the driver has none. */
bool instrument_state_bytes(const struct instrument *i, char *out, size_t size, size_t *n,
                            struct err *e) NODISCARD;

#endif
