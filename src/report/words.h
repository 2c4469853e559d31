/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/words: numbers as a person reads them. Unknown is "-". Pure. */
#ifndef AMPLEDGER_REPORT_WORDS_H
#define AMPLEDGER_REPORT_WORDS_H

#include <jansson.h>
#include <stdbool.h>

struct words {
    char s[80];
};

/* "12.84 V" */
struct words words_amount(double value, int decimals, const char *unit);
/* The digits a quantity deserves: "125 Ah", "2.5 Ah", "0.35 Ah" */
struct words words_short(double value, const char *unit);
/* "discharge 10.0 A", "charge 2.0 A", "no current" */
struct words words_current(double current_A);
/* "12.5 h", "10 min", "20 s" */
struct words words_duration(double seconds);
/* "129.42 Ah +- 0.09 Ah (k = 2)"; the uncertainty decides the digits. Without
 * one: "129.42 Ah". */
struct words words_uncertain(double value, double expanded, const char *unit);
/* For tables: "129.42", "> 9.02" of a battery that could have delivered more; "-" unknown. */
struct words words_bounded(const json_t *of, const char *key, int decimals);
/* "97.2 %" of the rated capacity, from the document of a run or of its result; "at least 7.2 %"
 * where the battery could have delivered more. */
struct words words_of_rated(const json_t *of);
/* "125 Ah in 20 h to 10.50 V", from the document of a battery */
struct words words_rated(const json_t *battery);
/* Was that run carried out to its end? Only of such a one are a verdict, its rule and the
 * probability of it told. */
bool is_whole(const json_t *run);
/* "enough for the 20 Ah wanted", "short of the 20 Ah wanted (corrected capacity: 19.2 Ah)": what
 * there is to say of a result whose run was cut short; "" where there is nothing. */
struct words words_enough(const json_t *result);
/* "1 result", "2 results" */
struct words words_count(size_t n, const char *one, const char *several);
/* What the compared results of a battery have in common: "discharge 2 A to 10 V at 23.0 degC
 * +- 5 K"; without the temperature where none is known. */
struct words words_comparable(const json_t *comparable);
/* "2026-03-01 21:04:05 CET" from RFC 3339, in the time zone of this computer. */
struct words words_time(const char *utc);
struct words words_now(void); /* likewise, of the present: the one that is not pure */
/* "21:04 CET" */
struct words words_time_of_day(const char *utc);

/* At most `width` characters of a UTF-8 text, none of them halved. */
struct words words_cut(const char *text, size_t width);

/* From a JSON object: NAN, "" and false when absent, null or of another type. */
double number_at(const json_t *o, const char *key);
const char *text_at(const json_t *o, const char *key);
long long integer_at(const json_t *o, const char *key); /* 0 likewise */
bool true_at(const json_t *o, const char *key);

#endif
