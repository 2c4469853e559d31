/* SPDX-License-Identifier: GPL-3.0-or-later
 * virtual/fault: everything that can be made to go wrong with an instrument, by
 * name. Several faults can hold at once. */
#ifndef AMPLEDGER_VIRTUAL_FAULT_H
#define AMPLEDGER_VIRTUAL_FAULT_H

#include "base/err.h"

#include <stdbool.h>

enum fault_kind {
    /* the link */
    FAULT_SILENCE,  /* obeys, but no answer comes */
    FAULT_HANG,     /* neither obeys nor answers */
    FAULT_LATE,     /* answers come MIN to MAX seconds late, in order */
    FAULT_GARBAGE,  /* random bytes in place of answers */
    FAULT_TRUNCATE, /* answers break off in the middle, without an end */
    FAULT_DOUBLE,   /* each answer comes twice */
    FAULT_ECHO,     /* what is sent comes back before the answer */
    FAULT_CRLF,     /* answers end with carriage return and line feed */
    FAULT_NUL,      /* a zero byte before and inside each answer */
    FAULT_FLOOD,    /* 64 KiB without a line end in place of each answer */
    FAULT_UNPLUG,   /* the port is gone */
    /* the readings */
    FAULT_NAN,       /* 9.91E37, SCPI's "not a number" */
    FAULT_OVERRANGE, /* 9.9E37, SCPI's infinity */
    FAULT_ABSURD,    /* a number that cannot be */
    FAULT_STUCK,     /* the last reading again and again: of all, or of the QUANTITY named */
    FAULT_REVERSED,  /* voltage with the wrong sign: swapped sense leads */
    FAULT_JUMP,      /* temperature jumps at random */
    FAULT_LOST,      /* the sensor came off: no number at all */
    /* the instrument */
    FAULT_IDENTITY,   /* another instrument answers: *IDN? gives TEXT */
    FAULT_REFUSE,     /* every setting is an error */
    FAULT_IGNORE_SET, /* settings are taken without effect or error */
    FAULT_WRONG_MODE, /* holds a voltage, whatever mode is chosen */
    FAULT_STAYS_ON,   /* off is ignored */
    FAULT_LEAK,       /* AMPS flow although it is off */
    FAULT_OPEN,       /* its leads to the battery came off */
    FAULT_COUNT
};

enum vreading { VREAD_VOLTAGE, VREAD_CURRENT, VREAD_POWER, VREAD_TEMPERATURE, VREAD_COUNT };

struct faults {
    bool on[FAULT_COUNT];
    bool stuck[VREAD_COUNT];
    double late_min_s, late_max_s;
    double leak_A;
    char identity[128];
};

/* "KIND [ARGUMENTS]" as in the list above: adds to what already holds. */
bool faults_add(struct faults *f, const char *text, struct err *e) NODISCARD;
/* Name of a kind: "silence", "late", ... */
const char *fault_name(enum fault_kind kind);

#endif
