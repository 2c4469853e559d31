/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/battery: one physical battery as the register knows it. The word that
 * the plan, the store and the page share. */
#ifndef AMPLEDGER_BASE_BATTERY_H
#define AMPLEDGER_BASE_BATTERY_H

#include "base/err.h"
#include "base/ids.h"

enum chemistry {
    CHEM_LFP,
    CHEM_LI_ION, /* 4.2 V per cell: cobalt, manganese, nickel mixtures */
    CHEM_LTO,
    CHEM_SODIUM_ION,
    CHEM_LEAD_FLOODED,
    CHEM_LEAD_AGM,
    CHEM_LEAD_GEL,
    CHEM_NIMH,
    CHEM_NICD,
    CHEM_COUNT
};

/* NULL-terminated, in the order of enum chemistry: "lfp", "li-ion", "lto",
 * "sodium-ion", "lead-flooded", "lead-agm", "lead-gel", "nimh", "nicd". */
extern const char *const chemistry_names[];
static inline bool chemistry_is_lead(enum chemistry c)
{
    return c == CHEM_LEAD_FLOODED || c == CHEM_LEAD_AGM || c == CHEM_LEAD_GEL;
}
bool chemistry_parse(const char *text, enum chemistry *out, struct err *e) NODISCARD;

#define LABEL_SIZE 64
#define NOTE_SIZE 256

struct battery {
    char id[UUID_TEXT_SIZE];
    char label[LABEL_SIZE]; /* unique; what is written on the battery */
    enum chemistry chemistry;
    int cells;                   /* in series, >= 1 */
    double rated_Ah;             /* NAN when the label states none */
    double rated_hours;          /* the rate the rating holds for: 20 means C/20; NAN */
    double rated_cutoff_V;       /* end voltage the rating holds for, whole battery; NAN */
    double current_max_A;        /* largest discharge current the maker allows, positive; NAN */
    double charge_current_max_A; /* largest charge current; NAN */
    double temperature_max_C;    /* the maker's limit; NAN: the chemistry's */
    char lot[LABEL_SIZE];        /* "" when none */
    char note[NOTE_SIZE];
    long long created_utc_ns;
    long long retired_utc_ns; /* 0 while in service */
};

/* All numbers NAN, texts empty, cells 1. */
struct battery battery_blank(void);

#endif
