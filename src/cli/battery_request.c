/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/battery_request: what a person wrote about a battery, as the API wants it. */
#include "cli/battery_request.h"

#include "base/battery.h"
#include "base/file.h"
#include "base/quantity.h"

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define SECONDS_PER_HOUR 3600.0

static bool read_cells(const char *text, int *out, struct err *e)
{
    double v = NAN;
    /* What number is plausible, the daemon knows. */
    if (!number_parse(text, &v, e) || v < 1 || v > INT_MAX || floor(v) < v) {
        return err_set(e, ERR_CONFIG,
                       "--cells %s: give the number of cells in series, a whole number from 1, "
                       "e.g. 4",
                       text);
    }
    *out = (int)v;
    return true;
}

struct wanted {
    const char *option, *text; /* text NULL: not given, fine */
    unsigned allowed;
    const char *key; /* in the request */
};

static bool read_quantity(const struct wanted *w, struct quantity *q, struct err *e)
{
    *q = (struct quantity){NAN, DIM_NUMBER};
    return w->text == NULL || quantity_parse_as(w->text, w->allowed, q, e) ||
           err_prefix(e, "--%s", w->option);
}

/* To the unit of the key. */
static bool settle(const struct wanted *w, struct quantity *q, const struct battery *b,
                   struct err *e)
{
    if (q->dimension == DIM_TIME) {
        q->value /= SECONDS_PER_HOUR;
    } else if (q->dimension == DIM_VOLTAGE_PER_CELL) {
        q->value *= b->cells;
    } else if (q->dimension == DIM_RELATIVE_CURRENT) {
        if (!isfinite(b->rated_Ah)) {
            return err_set(e, ERR_CONFIG,
                           "--%s %s is relative to the rated capacity; give --rated too, e.g. "
                           "--rated 125Ah",
                           w->option, w->text);
        }
        q->value *= b->rated_Ah;
    }
    return true;
}

/* True when the text says that it is to be unknown again; only corrections may. */
static bool put_forget(json_t *request, const char *key, const char *text)
{
    json_t *names = json_object_get(request, "forget");
    return names != NULL && text != NULL && strcmp(text, "none") == 0 &&
           json_array_append_new(names, json_string(key)) == 0;
}

static bool put(json_t *request, const struct wanted *w, struct battery *b, struct err *e)
{
    struct quantity q;
    if (put_forget(request, w->key, w->text)) {
        return true;
    }
    if (!read_quantity(w, &q, e) || !settle(w, &q, b, e)) {
        return false;
    }
    if (isfinite(q.value)) {
        json_object_set_new(request, w->key, json_real(q.value));
    }
    if (q.dimension == DIM_CHARGE) {
        b->rated_Ah = q.value; /* what follows may be relative to it */
    }
    return true;
}

static bool put_text(json_t *request, const char *key, const char *text, struct err *e)
{
    if (text == NULL || put_forget(request, key, text)) {
        return true;
    }
    json_t *v = json_string(text);
    if (v == NULL) {
        return err_set(e, ERR_CONFIG, "the %s is not UTF-8", key);
    }
    json_object_set_new(request, key, v);
    return true;
}

static bool put_all(const struct battery_words *w, json_t *request, struct battery *b,
                    struct err *e)
{
    const struct wanted wanted[] = {
        {"rated", w->rated, DIM_BIT(DIM_CHARGE), "rated_Ah"},
        {"rated-hours", w->rated_hours, DIM_BIT(DIM_TIME), "rated_hours"},
        {"rated-cutoff", w->rated_cutoff, DIM_BIT(DIM_VOLTAGE) | DIM_BIT(DIM_VOLTAGE_PER_CELL),
         "rated_cutoff_V"},
        {"current-max", w->current_max, DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT),
         "current_max_A"},
        {"charge-current-max", w->charge_current_max,
         DIM_BIT(DIM_CURRENT) | DIM_BIT(DIM_RELATIVE_CURRENT), "charge_current_max_A"},
        {"temperature-max", w->temperature_max, DIM_BIT(DIM_TEMPERATURE), "temperature_max_C"},
    };
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        if (!put(request, &wanted[i], b, e)) {
            return false;
        }
    }
    return put_text(request, "label", w->label, e) && put_text(request, "lot", w->lot, e) &&
           put_text(request, "note", w->note, e);
}

bool battery_request(const struct battery_words *w, json_t **out, struct err *e)
{
    struct battery b = battery_blank();
    if (!chemistry_parse(w->chemistry, &b.chemistry, e) || !read_cells(w->cells, &b.cells, e)) {
        return false;
    }
    json_t *request =
        json_pack("{s:s, s:i}", "chemistry", chemistry_names[b.chemistry], "cells", b.cells);
    if (!put_all(w, request, &b, e)) {
        json_decref(request);
        return false;
    }
    *out = request;
    return true;
}

bool battery_correction(const struct battery_words *w, const json_t *record, json_t **out,
                        struct err *e)
{
    struct battery b = battery_blank();
    json_t *request = json_pack("{s:[]}", "forget");
    b.cells = (int)integer_at(record, "cells");
    b.rated_Ah = number_at(record, "rated_Ah");
    bool ok = w->cells == NULL || read_cells(w->cells, &b.cells, e);
    if (ok && w->cells != NULL) {
        json_object_set_new(request, "cells", json_integer(b.cells));
    }
    if (ok && w->chemistry != NULL) {
        ok = chemistry_parse(w->chemistry, &b.chemistry, e);
        json_object_set_new(request, "chemistry", json_string(w->chemistry));
    }
    ok = ok && put_all(w, request, &b, e);
    if (!ok) {
        json_decref(request);
        return false;
    }
    *out = request;
    return true;
}

struct words battery_in_words(const json_t *b)
{
    struct words w;
    long long cells = integer_at(b, "cells");
    double rated = number_at(b, "rated_Ah");
    text_format(w.s, sizeof w.s, "%s, %lld cell%s, %s%s", text_at(b, "chemistry"), cells,
                cells == 1 ? "" : "s", isfinite(rated) ? words_short(rated, "Ah").s : "not rated",
                text_at(b, "retired_utc")[0] != '\0' ? ", retired" : "");
    return w;
}
