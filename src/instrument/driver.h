/* SPDX-License-Identifier: GPL-3.0-or-later
 * instrument/driver: a driver file as data: how one family of instruments is
 * spoken to. Adding an instrument needs a YAML file and no compiler. */
#ifndef AMPLEDGER_INSTRUMENT_DRIVER_H
#define AMPLEDGER_INSTRUMENT_DRIVER_H

#include "base/err.h"
#include "base/ids.h"
#include "link/link.h"
#include "scpi/scpi_session.h"

#include <stddef.h>

enum role { ROLE_LOAD, ROLE_SUPPLY, ROLE_METER, ROLE_THERMOMETER };
extern const char *const role_names[]; /* "load", "supply", "meter", "thermometer", NULL */

enum protocol {
    PROTOCOL_SCPI,  /* question and answer */
    PROTOCOL_LINES, /* the instrument prints lines by itself */
    PROTOCOL_FILE   /* one number in a file (sysfs) */
};

/* What an instrument holds while it is on. A supply holds a current and a voltage,
 * whichever it reaches first: that is HOLD_CURRENT, it has no other. */
enum hold { HOLD_CURRENT, HOLD_POWER, HOLD_RESISTANCE, HOLD_COUNT };

/* The verbs a driver may give lines for. Lines may hold {A}, {V}, {W} or {Ohm}: the
 * value in that unit with four digits after the point, or with another number of
 * digits: {A:.3f}. With `channels` they say their own output, {channel}: a line selects
 * and acts in one, so that nothing can come between. */
enum verb {
    VERB_REMOTE,         /* before anything else: take the instrument over */
    VERB_LOCAL,          /* give the front panel back */
    VERB_PREPARE,        /* mode and ranges, outputs off */
    VERB_SET_CURRENT,    /* {A}, magnitude */
    VERB_SET_VOLTAGE,    /* {V}; supply */
    VERB_SET_POWER,      /* {W}; load, see enum hold */
    VERB_SET_RESISTANCE, /* {Ohm}; load */
    VERB_ON,
    VERB_OFF,           /* mandatory for load and supply */
    VERB_UNDER_VOLTAGE, /* program the instrument's own protection, {V} */
    VERB_OVER_VOLTAGE,  /* {V} */
    VERB_OVER_CURRENT,  /* {A} */
    VERB_COUNT
};

/* The questions. Answers are numbers unless said otherwise. */
enum question {
    ASK_STATE,       /* on or off: 0/1 */
    ASK_SET_CURRENT, /* what the set point is now, A */
    ASK_SET_VOLTAGE,
    ASK_SET_POWER,      /* W */
    ASK_SET_RESISTANCE, /* Ohm */
    ASK_UNDER_VOLTAGE,
    ASK_OVER_VOLTAGE,
    ASK_OVER_CURRENT,
    ASK_COUNT
};

#define DRIVER_LINES_MAX 8
#define DRIVER_LINE_SIZE 96
struct driver_lines {
    size_t count;
    char line[DRIVER_LINES_MAX][DRIVER_LINE_SIZE];
};

enum reading_field { FIELD_VOLTAGE, FIELD_CURRENT, FIELD_TEMPERATURE, FIELD_COUNT };

/* One line that reads the instrument; its answer holds `count` numbers in the
 * order of `field`. For PROTOCOL_LINES `line` is "" and `pattern` tells where
 * the number stands in a printed line ("T={} C"). */
struct driver_read {
    char line[DRIVER_LINE_SIZE];
    char pattern[DRIVER_LINE_SIZE];
    size_t count;
    enum reading_field field[FIELD_COUNT];
    double scale; /* FILE: multiply by this (0.001 for millidegrees) */
};

/* How an instrument is made to hold one thing, and what its answer to the question
 * for the mode must then fit. */
struct driver_mode {
    struct driver_lines select;   /* none: VERB_PREPARE does it */
    char match[DRIVER_LINE_SIZE]; /* pattern with * and ?; "" where nothing is asked */
};

/* What must be found so before an output goes on, besides the mode: a range, remote
 * sense. An answer fits by pattern; where both are numbers, by value. */
#define DRIVER_CHECKS_MAX 6
struct driver_check {
    char ask[DRIVER_LINE_SIZE];
    char match[DRIVER_LINE_SIZE];
};

struct driver {
    char name[64]; /* file name without .yaml */
    char path[256];
    char about[200];
    enum role role;
    enum protocol protocol;
    int channels; /* outputs of one instrument; 0: the lines name none */
    int channel;  /* 1 to channels once the lines are for one of them; else 0 */
    char identity_query[DRIVER_LINE_SIZE]; /* "*IDN?"; "" when it cannot be asked */
    char identity_match[DRIVER_LINE_SIZE]; /* pattern with * and ? over the answer */
    struct link_settings link;
    struct scpi_options scpi;
    int settle_ms; /* after a set point or on, before a reading counts */
    double current_max_A, voltage_max_V, power_max_W, voltage_min_V; /* ratings, NAN unknown */
    double voltage_gain, voltage_offset_V,
        voltage_resolution_V; /* accuracy, half-widths; NAN unknown */
    double current_gain, current_offset_A, current_resolution_A;
    double power_resolution_W, resistance_resolution_ohm; /* of what is set; NAN unknown */
    double temperature_offset_C;
    double
        current_sign; /* what +1 A reported means for the battery: load -1 (it drains), supply +1 */
    struct driver_lines verb[VERB_COUNT];
    char question[ASK_COUNT][DRIVER_LINE_SIZE];
    char mode_query[DRIVER_LINE_SIZE]; /* "FUNCtion?"; "" cannot be asked */
    struct driver_mode mode[HOLD_COUNT];
    size_t check_count;
    struct driver_check check[DRIVER_CHECKS_MAX];
    struct driver_read read;
    char *text;
    char sha256[SHA256_TEXT_SIZE];
};

/* Returns owned *out; mistakes name file, line, column and remedy. A load or
 * supply without `off`, `state` and a read of current is refused, and so is one
 * that cannot be switched on, set, and asked what was set. */
bool driver_load_file(const char *path, struct driver **out, struct err *e) NODISCARD;
bool driver_load_text(const char *path, const char *text, size_t n, struct driver **out,
                      struct err *e) NODISCARD;
/* Owned copy, for one instrument that differs from its family. */
struct driver *driver_copy(const struct driver *d);
/* Make the lines of an owned driver those of one output, 1 to d->channels. */
void driver_choose_channel(struct driver *d, int channel);
void driver_free(struct driver *d); /* NULL is fine */

/* Does it have lines for holding this? */
bool driver_can_hold(const struct driver *d, enum hold h);

/* Put values into a line: {A}, {V}, {W}, {Ohm}, each with optional precision. */
struct driver_values {
    double current_A, voltage_V, power_W, resistance_ohm;
};
bool driver_fill_line(const char *line, const struct driver_values *v, char *out, size_t size,
                      struct err *e) NODISCARD;

#endif
