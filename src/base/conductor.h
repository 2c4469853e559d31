/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/conductor: resistance of copper leads by their section and length, for whoever
 * cannot measure it. Pure.
 *
 * Maximum resistance per metre of plain copper at 20 degC: IEC 60228, classes 1/2 (solid,
 * stranded) and 5/6 (flexible), as on mycableengineering.com/knowledge-base/
 * iec-60228-dc-resistance (its heading says minimum; the figures are maximum). AWG, solid
 * copper: hyperphysics.phy-astr.gsu.edu/hbase/tables/wirega.html. Real leads are at or below
 * it; contacts and fuse come on top.
 * Temperature: R(t) = R(20) (234.5 + t) / 254.5 (uecables.com, factor 254.5/(234.5 + t) to
 * bring a reading to 20 degC).
 * Worked: 2 m in all of flexible 4 mm2 at 20 A: 9.90 mOhm, 198 mV. */
#ifndef AMPLEDGER_BASE_CONDUCTOR_H
#define AMPLEDGER_BASE_CONDUCTOR_H

#include "base/err.h"

struct conductor {
    double section_mm2; /* one of the table; 0: `gauge` counts */
    double gauge;       /* AWG, even, 4 to 30 */
    bool flexible;      /* class 5/6, else 1/2; AWG is solid */
    double length_m;    /* out and back */
};
#define CONDUCTOR_AT_C 20.0 /* of the table; a warm lead has 0.39 %/K more */
/* At that temperature; NAN for a section or gauge that is not in the table. */
double conductor_ohm(const struct conductor *c, double temperature_C);

/* "2 m of 4 mm2", "2 m of solid 2.5 mm2", "2 m of 12 AWG": flexible unless it says solid. */
bool conductor_parse(const char *text, struct conductor *out, struct err *e) NODISCARD;

#endif
