/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/conductor: the tables. */
#include "base/conductor.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])

static const struct {
    double mm2, solid_mOhm, flexible_mOhm; /* per metre */
} sections[] = {{0.5, 36.0, 39.0}, {0.75, 24.5, 26.0}, {1, 18.1, 19.5},    {1.5, 12.1, 13.3},
                {2.5, 7.41, 7.98}, {4, 4.61, 4.95},    {6, 3.08, 3.30},    {10, 1.83, 1.91},
                {16, 1.15, 1.21},  {25, 0.727, 0.780}, {35, 0.524, 0.554}, {50, 0.387, 0.386}};

static const struct {
    double gauge, mOhm;
} gauges[] = {{4, 0.815}, {6, 1.30},  {8, 2.06},  {10, 3.28}, {12, 5.21}, {14, 8.28}, {16, 13.2},
              {18, 20.9}, {20, 33.2}, {22, 52.7}, {24, 84.2}, {26, 134},  {28, 213},  {30, 339}};

static double per_metre_mOhm(const struct conductor *c)
{
    for (size_t i = 0; c->section_mm2 > 0 && i < COUNT(sections); i++)
        if (fabs(sections[i].mm2 - c->section_mm2) < 1e-6)
            return c->flexible ? sections[i].flexible_mOhm : sections[i].solid_mOhm;
    for (size_t i = 0; !(c->section_mm2 > 0) && i < COUNT(gauges); i++)
        if (fabs(gauges[i].gauge - c->gauge) < 1e-6)
            return gauges[i].mOhm;
    return NAN;
}

double conductor_ohm(const struct conductor *c, double temperature_C)
{
    return 1e-3 * per_metre_mOhm(c) * c->length_m * (234.5 + temperature_C) / 254.5;
}

bool conductor_parse(const char *text, struct conductor *out, struct err *e)
{
    static const char solid[] = "solid ";
    char unit[8] = "", more;
    double size = 0;
    int to = 0;
    *out = (struct conductor){.flexible = true};
    bool read = sscanf(text, " %lf m of %n", &out->length_m, &to) == 1 && to > 0;
    const char *of = text + to;
    if (strncmp(of, solid, strlen(solid)) == 0) {
        out->flexible = false;
        of += strlen(solid);
    }
    read = read && sscanf(of, "%lf %7s %c", &size, unit, &more) == 2;
    bool by_gauge = strcmp(unit, "AWG") == 0;
    if (!read || (!by_gauge && strcmp(unit, "mm2") != 0) || !(out->length_m > 0))
        return err_set(e, ERR_CONFIG,
                       "\"%.40s\" is no lead; write the whole length, out and back, and the "
                       "section, e.g. \"2 m of 4 mm2\", \"2 m of solid 2.5 mm2\" or \"2 m of 12 "
                       "AWG\"",
                       text);
    out->section_mm2 = by_gauge ? 0 : size;
    out->gauge = by_gauge ? size : 0;
    if (isnan(conductor_ohm(out, 20)))
        return err_set(e, ERR_CONFIG, "\"%.40s\": the table has no copper of %.6g %s; it has %s",
                       text, size, unit,
                       by_gauge ? "the even numbers from 4 to 30 AWG"
                                : "0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16, 25, 35 and 50 mm2");
    return true;
}
