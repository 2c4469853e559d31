/* SPDX-License-Identifier: GPL-3.0-or-later
 * profile/chemistry: the numbers per cell, with their sources and how sure each is.
 *
 * Graded beside each number:
 *   A  read on a page that shows it (a maker's sheet, a public handbook, a
 *      published table)
 *   B  read on a secondary or weaker page
 *   M  from memory, unverified: no page that shows it was found; set on the
 *      cautious side
 * Voltages of lithium types unless said otherwise: a cell maker's summary table
 * of lithium-based batteries (A). Temperature windows unless said otherwise: a
 * public battery handbook, its page on charging at high and low temperatures (A).
 * A maker's own sheet for the battery at hand outranks all of this. */
#include "profile/chemistry.h"

#include <math.h>
#include <stddef.h>

#define LITHIUM_CAUTIONS                                                                           \
    "Lithium cells that are overheated, crushed, overcharged or deeply discharged can burn "       \
    "violently and give off toxic gas, hours later too: test on a non-burning surface, away from " \
    "things that burn, with a smoke alarm, and never leave a swollen or damaged battery on test.", \
        "Never charge a lithium battery below 0 degC, and do not charge one that was discharged "  \
        "below its floor voltage."

#define LEAD_CAUTIONS                                                                              \
    "Lead-acid batteries give off hydrogen, most of all while charging and for some time after: "  \
    "ventilate the room, keep sparks and flames away, and switch the current off before a clamp "  \
    "is taken off.",                                                                               \
        "Battery acid burns skin and eyes: wear eye protection and gloves, and have water and a "  \
        "neutraliser at hand.",                                                                    \
        "A lead-acid battery that stays discharged sulphates: recharge it right after the test."

#define NICKEL_CAUTIONS                                                                            \
    "Overcharged or reversed nickel cells get hot and can vent hydrogen and caustic electrolyte: " \
    "watch the temperature and ventilate.",                                                        \
        "In a series battery the weakest cell can be driven into reverse near the end of "         \
        "discharge: do not lower the cut-off."

static const char *const lithium_cautions[] = {LITHIUM_CAUTIONS, NULL};
static const char *const sodium_cautions[] = {
    LITHIUM_CAUTIONS,
    "The limits used here for sodium-ion are from memory and on the cautious side: check them "
    "against the maker's sheet (sodium-ion is handled like lithium here).",
    NULL,
};
static const char *const lead_cautions[] = {LEAD_CAUTIONS, NULL};
static const char *const sealed_lead_cautions[] = {
    LEAD_CAUTIONS,
    "Sealed lead-acid batteries vent when overcharged or hot; never charge one in a closed box.",
    NULL,
};
static const char *const nickel_cautions[] = {NICKEL_CAUTIONS, NULL};
static const char *const cadmium_cautions[] = {
    NICKEL_CAUTIONS,
    "Cadmium is poisonous: hand a leaking or worn-out battery in for recycling.",
    NULL,
};

/* What is common to charging a family. Shares kept and ceilings: from memory and
 * on the cautious side (M) unless said otherwise; the ceilings leave room for a
 * battery better than its label. */
#define LITHIUM_CHARGE                                                                             \
    .compensation_V_per_K = 0, .compensation_reference_C = NAN, .drop_V = NAN,                     \
    .charge_Ah_kept = 0.99, .charge_Wh_kept = 0.95, .charge_most = 1.5,                            \
    .charge_needs_temperature = true /* none below 0 degC: the handbook (A) */
/* 0.3 C: the handbook allows no more below 0 degC (A); above it usual for deep
 * cycle types (M). Compensation -3 mV/K per cell about 25 degC: a battery page on
 * lead-acid charging, 2.30 V at 25, 2.27 at 35, 2.33 at 15 degC (A); other pages
 * say -3.67 (B) and -5 (A). Taper 0.02 C: M. Recover: M. */
#define LEAD_CHARGE                                                                                \
    .charge_usual_C = 0.3, .taper_C = 0.02, .compensation_V_per_K = -0.003,                        \
    .compensation_reference_C = 25, .drop_V = NAN, .recover_V = 1.50, .charge_Ah_kept = 0.85,      \
    .charge_Wh_kept = 0.75, .charge_most = 1.6, .charge_needs_temperature = false
/* 66 % kept at C/10 and charge time = 1.4 C/I: a guide on NiMH charging (A). Most:
 * 0.1 It for 16 h puts in 1.6 (the maker's test methods, A), with room to 1.7.
 * Usual largest 1 C: M. Recover: M. */
#define NICKEL_CHARGE                                                                              \
    .charge_usual_C = 1.0, .taper_C = NAN, .compensation_V_per_K = 0,                              \
    .compensation_reference_C = NAN, .recover_V = 0.50, .charge_Ah_kept = 0.66,                    \
    .charge_Wh_kept = 0.60, .charge_most = 1.7, .charge_needs_temperature = true

static const struct chemistry_data data[CHEM_COUNT] = {
    [CHEM_LFP] =
        {
            .title = "lithium iron phosphate",
            .nominal_V = 3.20,
            .full_charge_V = 3.65, /* also a cell maker's sheet of a 304 Ah cell (A) */
            .cutoff_V = 2.50,
            .floor_V = 2.00,   /* the same sheet: cut-off in the cold */
            .ceiling_V = 3.70, /* never-exceed of one guide (B, weak) */
            .discharge_min_C = -20,
            .discharge_max_C = 60,
            .charge_min_C = 0,
            .charge_max_C = 45,
            .reference_C = 25,     /* rated capacity in the sheet of the 304 Ah cell (A) */
            .charge_usual_C = 0.5, /* M: of large cells; the same sheet tries up to 1 C (A) */
            .taper_C = 0.05,       /* 3.65 V, 0.05 C: the same sheet (A) */
            .recover_V = 2.00,     /* its floor: below it a lithium cell is not charged again */
            LITHIUM_CHARGE,
            .cautions = lithium_cautions,
        },
    [CHEM_LI_ION] =
        {
            .title = "lithium-ion, 4.2 V per cell",
            .nominal_V = 3.60,
            .full_charge_V = 4.20,
            .cutoff_V = 3.00,
            .floor_V = 2.50,   /* also a maker's sheet of an 18650 cell (A) */
            .ceiling_V = 4.25, /* M: 4.25 to 4.30 */
            .discharge_min_C = -20,
            .discharge_max_C = 60,
            .charge_min_C = 0,
            .charge_max_C = 45,
            .reference_C = 20,     /* 20 +/- 5 degC: IEC 61960 as quoted by a test laboratory (B) */
            .charge_usual_C = 0.5, /* a maker's sheet of an 18650 cell: 1.25 A of 2.5 Ah (A) */
            .taper_C = 0.05,       /* the same sheet: 125 mA of 2.5 Ah (A) */
            .recover_V = 2.50,
            LITHIUM_CHARGE,
            .cautions = lithium_cautions,
        },
    [CHEM_LTO] =
        {
            .title = "lithium titanate",
            .nominal_V = 2.40,
            .full_charge_V = 2.85,
            .cutoff_V = 1.80,
            .floor_V = 1.50,        /* that table calls it an estimate */
            .ceiling_V = 2.90,      /* M */
            .discharge_min_C = -20, /* the general lithium-ion window; makers often allow more */
            .discharge_max_C = 60,
            .charge_min_C = 0,
            .charge_max_C = 45,
            .reference_C = 25,     /* M */
            .charge_usual_C = 1.0, /* M; makers often allow more */
            .taper_C = 0.05,       /* M */
            .recover_V = 1.50,
            LITHIUM_CHARGE,
            .cautions = lithium_cautions,
        },
    [CHEM_SODIUM_ION] =
        {
            /* M throughout: from memory, unverified, on the cautious side. */
            .title = "sodium-ion",
            .nominal_V = 3.00,
            .full_charge_V = 3.90,
            .cutoff_V = 2.00,
            .floor_V = 1.80,
            .ceiling_V = 3.95,
            .discharge_min_C = -10,
            .discharge_max_C = 45,
            .charge_min_C = 0,
            .charge_max_C = 40,
            .reference_C = 25,
            .charge_usual_C = 0.5,
            .taper_C = 0.05,
            .recover_V = 1.80,
            LITHIUM_CHARGE,
            .cautions = sodium_cautions,
        },
    /* Lead-acid: nominal 2.0, typical full charge 2.40: a battery page on cell
     * voltages (A). Cut-off 1.75 (20 h rate): a public battery handbook, how to
     * measure capacity (B). Floor 1.60: end voltage of the 1 h rate (M). The
     * window of temperature is the handbook's (A); reference 20 degC: text of
     * IEC 60896-11, 15.2 (A). */
    [CHEM_LEAD_FLOODED] =
        {
            .title = "lead-acid, flooded",
            .nominal_V = 2.00,
            .full_charge_V = 2.40,
            .cutoff_V = 1.75,
            .floor_V = 1.60,
            .ceiling_V = 2.60, /* equalising at 2.583: a maker's deep-cycle sheet (A), rounded up */
            .discharge_min_C = -20,
            .discharge_max_C = 50,
            .charge_min_C = -20,
            .charge_max_C = 50,
            .reference_C = 20,
            LEAD_CHARGE,
            .cautions = lead_cautions,
        },
    [CHEM_LEAD_AGM] =
        {
            .title = "lead-acid, absorbed glass mat",
            .nominal_V = 2.00,
            .full_charge_V = 2.40,
            .cutoff_V = 1.75,
            .floor_V = 1.60,
            .ceiling_V = 2.45, /* M: top of the absorption range, 2.40 to 2.45 */
            .discharge_min_C = -20,
            .discharge_max_C = 50,
            .charge_min_C = -20,
            .charge_max_C = 50,
            .reference_C = 20,
            LEAD_CHARGE,
            .cautions = sealed_lead_cautions,
        },
    [CHEM_LEAD_GEL] =
        {
            .title = "lead-acid, gel",
            .nominal_V = 2.00,
            .full_charge_V = 2.35, /* M: low end of the absorption range, 2.35 to 2.40 */
            .cutoff_V = 1.75,
            .floor_V = 1.60,
            .ceiling_V = 2.40, /* M: its top */
            .discharge_min_C = -20,
            .discharge_max_C = 50,
            .charge_min_C = -20,
            .charge_max_C = 50,
            .reference_C = 20,
            LEAD_CHARGE,
            .cautions = sealed_lead_cautions,
        },
    /* Nickel: nominal 1.2: a guide on NiMH charging (A). Cut-off 1.0: a maker's
     * performance and test methods (A); the US Bureau of Reclamation's handbook on
     * storage battery maintenance for NiCd (A). Floor and ceiling: M. Reference
     * 20 +/- 5 degC: the maker's test methods (A). */
    [CHEM_NIMH] =
        {
            .title = "nickel metal hydride",
            .nominal_V = 1.20,
            .full_charge_V = NAN, /* no fixed voltage: -deltaV or dT/dt ends the charge */
            .cutoff_V = 1.00,
            .floor_V = 0.90,
            .ceiling_V = 1.60,
            .discharge_min_C = -20,
            .discharge_max_C = 65,
            .charge_min_C = 0,
            .charge_max_C = 45,
            .reference_C = 20,
            .drop_V = 0.005, /* 5 mV per cell: a charger's manual (A) */
            NICKEL_CHARGE,
            .cautions = nickel_cautions,
        },
    [CHEM_NICD] =
        {
            .title = "nickel cadmium",
            .nominal_V = 1.20,
            .full_charge_V = NAN,
            .cutoff_V = 1.00,
            .floor_V = 0.90,
            .ceiling_V = 1.60,
            .discharge_min_C = -20,
            .discharge_max_C = 65,
            .charge_min_C = 0,
            .charge_max_C = 45,
            .reference_C = 20,
            .drop_V = 0.010, /* M: 10 to 20 mV per cell */
            NICKEL_CHARGE,
            .cautions = cadmium_cautions,
        },
};

const struct chemistry_data *chemistry_data(enum chemistry c)
{
    return &data[c];
}
