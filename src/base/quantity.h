/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/quantity: numbers with units, as a person writes them, checked by dimension.
 *
 * Values are held in the house's units: A, V, Ah, Wh, W, ohm, s, degC; ratios
 * as plain numbers (95 % is 0.95); relative currents as a multiple of rated
 * capacity per hour ("0.2 C", "0.2 It", "C/5" are all 0.2). */
#ifndef AMPLEDGER_BASE_QUANTITY_H
#define AMPLEDGER_BASE_QUANTITY_H

#include "base/err.h"

#include <stddef.h>

enum dimension {
    DIM_NUMBER,             /* no unit */
    DIM_CURRENT,            /* A, mA, uA */
    DIM_RELATIVE_CURRENT,   /* C, It, C/n (n in hours) */
    DIM_VOLTAGE,            /* V, mV, uV, kV */
    DIM_VOLTAGE_PER_CELL,   /* V/cell, mV/cell */
    DIM_CHARGE,             /* Ah, mAh, As, C is NOT coulomb here */
    DIM_ENERGY,             /* Wh, mWh, kWh, J */
    DIM_POWER,              /* W, mW, kW */
    DIM_RESISTANCE,         /* Ohm, mOhm, uOhm, kOhm (also the sign for ohm) */
    DIM_TIME,               /* s, ms, us, min, h, d */
    DIM_TEMPERATURE,        /* degC (also with the degree sign); a bare C is a rate, K is refused */
    DIM_TEMPERATURE_RATE,   /* degC/min, degC/h, degC/s; held in degC/min */
    DIM_VOLTAGE_RATE,       /* mV/h, V/h, mV/min; held in V/h */
    DIM_VOLTAGE_PER_KELVIN, /* mV/K/cell, mV/degC/cell; held in V per K per cell */
    DIM_RATIO               /* %, ppm */
};
#define DIM_BIT(d) (1u << (unsigned)(d))

struct quantity {
    double value;
    enum dimension dimension;
};

/* Parse "10 A", "2500mAh", "C/5", "95 %". Decimal point only, C locale. The
 * message says what is wrong and gives an example of what would be right. */
bool quantity_parse(const char *text, struct quantity *out, struct err *e) NODISCARD;

/* Parse and insist on one of the dimensions in the mask `allowed` (DIM_BIT).
 * Message e.g.: "10 V" is a voltage; a current is wanted here, e.g. 10 A or 0.2 C */
bool quantity_parse_as(const char *text, unsigned allowed, struct quantity *out,
                       struct err *e) NODISCARD;

/* "a current", "a voltage per cell", ... */
const char *dimension_name(enum dimension d);

/* A number without unit, whole text, finite, C locale: for CSV and the like. */
bool number_parse(const char *text, double *out, struct err *e) NODISCARD;

#endif
