/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/csv: RFC 4180 as a state machine over bytes, then columns by name. */
#include "report/csv.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/quantity.h"
#include "base/yaml.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define COLUMNS CSV_COLUMNS
#define NEEDED CSV_TEMPERATURE /* the columns before it */

static const struct {
    const char *name;
    const char *unit;
    const char *example;
    enum dimension dimension;
} columns[COLUMNS] = {
    {"t_s", "s", "12.5", DIM_TIME},
    {"voltage_V", "V", "3.71", DIM_VOLTAGE},
    {"current_A", "A", "-2.05", DIM_CURRENT},
    {"temperature_C", "degC", "21.4", DIM_TEMPERATURE},
};

#define NOT_FOUND SIZE_MAX
#define SHOWN 40 /* characters of a cell shown in a message */

struct csv_reader {
    FILE *file;
    char *path;
    struct csv_columns columns;
    char needed[3 * CSV_NAME_SIZE + 8]; /* the names of those that every file has */
    size_t line;                        /* of the record in `text` */
    size_t next_line;                   /* where the next one begins */
    char text[CSV_LINE_MAX];
    size_t length;
    const char *field[CSV_FIELDS_MAX]; /* into text, NUL-terminated, trimmed */
    size_t fields;
    size_t fields_in_header;
    size_t at[COLUMNS]; /* field of each column, or NOT_FOUND */
    long first_row;     /* file position */
    size_t first_row_line;
    size_t rows;
    double first_t_s, last_t_s; /* the earliest, the latest */
    bool any_order;
    struct csv_late late;
    struct held_row *held; /* in order of time; NULL: read from the file */
    size_t held_count, held_next;
    bool has_first_utc;
    int64_t first_utc_ns;
};

struct held_row {
    struct sample sample;
    size_t place; /* in the file, from 0 */
};

static bool fail(const struct csv_reader *r, size_t line, struct err *e, const char *fmt, ...)
    PRINTF_LIKE(4, 5);

static bool fail(const struct csv_reader *r, size_t line, struct err *e, const char *fmt, ...)
{
    char message[ERR_TEXT_SIZE / 2];
    va_list args;
    va_start(args, fmt);
    vsnprintf(message, sizeof message, fmt, args);
    va_end(args);
    for (char *c = message; *c != '\0'; c++)
        if (*c < ' ' || *c > '~')
            *c = '?'; /* what a cell held may be anything */
    return err_set(e, ERR_CONFIG, "%s:%zu: %s", r->path, line, message);
}

/* --- bytes to fields --- */

enum state { AT_FIELD, IN_PLAIN, IN_QUOTES, AFTER_QUOTE };

struct parse {
    enum state state;
    bool quoted;       /* the record held a quoted field */
    size_t quote_line; /* where the open quote stands */
    size_t newlines;   /* inside quotes */
    size_t field_at;   /* start of the field in text */
};

static bool push(struct csv_reader *r, int c, struct err *e)
{
    if (r->length == sizeof r->text)
        return fail(r, r->line, e,
                    "the line is longer than %d bytes; is this a CSV file of samples?",
                    CSV_LINE_MAX);
    r->text[r->length++] = (char)c;
    return true;
}

static bool close_field(struct csv_reader *r, struct parse *p, struct err *e)
{
    if (!push(r, '\0', e))
        return false;
    if (r->fields == CSV_FIELDS_MAX)
        return fail(r, r->line, e, "more than %d fields; is this a CSV file of samples?",
                    CSV_FIELDS_MAX);
    r->field[r->fields++] = r->text + p->field_at;
    p->field_at = r->length;
    p->state = AT_FIELD;
    return true;
}

static bool check_byte(const struct csv_reader *r, size_t line, int c, struct err *e)
{
    if (c >= ' ' || c == '\t' || c == '\n' || c == '\r')
        return true;
    return fail(r, line, e,
                "byte 0x%02x is not text; save the record as plain text with commas between the "
                "fields",
                (unsigned)c);
}

static bool plain_byte(struct csv_reader *r, struct parse *p, int c, struct err *e)
{
    if (c == ',')
        return close_field(r, p, e);
    if (c == '"' && p->state == AT_FIELD) {
        p->state = IN_QUOTES;
        p->quoted = true;
        p->quote_line = r->line + p->newlines;
        return true;
    }
    if (c == '"')
        return fail(r, r->line, e,
                    "a quote inside an unquoted field; put the whole field in quotes and double "
                    "the quote inside");
    p->state = IN_PLAIN;
    return push(r, c, e);
}

static bool quoted_byte(struct csv_reader *r, struct parse *p, int c, struct err *e)
{
    if (p->state == AFTER_QUOTE) {
        if (c == ',')
            return close_field(r, p, e);
        if (c != '"')
            return fail(r, r->line + p->newlines, e,
                        "text after a closing quote; put a comma there, or double the quote");
        p->state = IN_QUOTES;
        return push(r, c, e);
    }
    if (c == '"') {
        p->state = AFTER_QUOTE;
        return true;
    }
    if (c == '\n')
        p->newlines++;
    /* A line end inside a cell would break up messages, and no number holds one. */
    return push(r, c == '\n' || c == '\r' ? ' ' : c, e);
}

/* A line end outside quotes closes the record. */
static bool at_line_end(struct csv_reader *r, const struct parse *p, int c, bool *ended,
                        struct err *e)
{
    *ended = false;
    if (p->state == IN_QUOTES || (c != '\n' && c != '\r'))
        return true;
    if (c == '\r') {
        int next = getc_unlocked(r->file);
        if (next != '\n' && next != EOF)
            return fail(r, r->line + p->newlines, e,
                        "a carriage return without a line feed; save the file with line ends LF "
                        "or CRLF");
    }
    *ended = true;
    return true;
}

static bool at_file_end(struct csv_reader *r, const struct parse *p, bool *more, struct err *e)
{
    if (ferror(r->file))
        return err_set(e, ERR_CONFIG, "cannot read %s: %s", r->path, strerror(errno));
    if (p->state == IN_QUOTES)
        return fail(r, p->quote_line, e, "a quote is opened here and never closed");
    *more = r->length > 0 || r->fields > 0 || p->state != AT_FIELD;
    return true;
}

/* One record into r->field; *more false when there is none. */
static bool read_raw(struct csv_reader *r, struct parse *p, bool *more, struct err *e)
{
    bool ended = false;
    *p = (struct parse){.state = AT_FIELD};
    r->line = r->next_line;
    r->length = r->fields = 0;
    *more = true;
    while (!ended) {
        int c = getc_unlocked(r->file);
        if (c == EOF) {
            if (!at_file_end(r, p, more, e))
                return false;
            return !*more || close_field(r, p, e);
        }
        if (!check_byte(r, r->line + p->newlines, c, e) || !at_line_end(r, p, c, &ended, e))
            return false;
        bool quotes = p->state == IN_QUOTES || p->state == AFTER_QUOTE;
        if (!ended && !(quotes ? quoted_byte(r, p, c, e) : plain_byte(r, p, c, e)))
            return false;
    }
    r->next_line = r->line + p->newlines + 1;
    return close_field(r, p, e);
}

static void trim(struct csv_reader *r)
{
    for (size_t i = 0; i < r->fields; i++) {
        char *start = r->text + (r->field[i] - r->text);
        start += strspn(start, " \t");
        size_t n = strlen(start);
        while (n > 0 && (start[n - 1] == ' ' || start[n - 1] == '\t'))
            start[--n] = '\0';
        r->field[i] = start;
    }
}

static bool read_record(struct csv_reader *r, bool *more, struct err *e)
{
    struct parse p;
    do {
        if (!read_raw(r, &p, more, e))
            return false;
        if (*more)
            trim(r);
    } while (*more && r->fields == 1 && r->field[0][0] == '\0' && !p.quoted);
    return true;
}

/* --- the header --- */

struct text {
    char at[ERR_TEXT_SIZE / 4];
    size_t length;
};

static void append(struct text *t, const char *fmt, ...) PRINTF_LIKE(2, 3);

static void append(struct text *t, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    int n = vsnprintf(t->at + t->length, sizeof t->at - t->length, fmt, args);
    va_end(args);
    if (n > 0)
        t->length +=
            (size_t)n < sizeof t->at - t->length ? (size_t)n : sizeof t->at - t->length - 1;
}

static void append_header_names(const struct csv_reader *r, struct text *t)
{
    const size_t most = 8;
    for (size_t i = 0; i < r->fields && i < most; i++)
        append(t, "%s%.*s", i == 0 ? "" : ", ", SHOWN / 2, r->field[i]);
    if (r->fields > most)
        append(t, " and %zu more", r->fields - most);
}

/* A header word that was probably meant for the column, or NULL. */
static const char *nearest_in_header(const struct csv_reader *r, const char *column)
{
    const char *names[CSV_FIELDS_MAX + 1];
    memcpy(names, r->field, r->fields * sizeof names[0]);
    names[r->fields] = NULL;
    return nearest_word(column, names);
}

static bool looks_parted_by(const struct csv_reader *r, char separator)
{
    return r->fields == 1 && strchr(r->field[0], separator) != NULL;
}

static bool fail_missing(const struct csv_reader *r, struct err *e)
{
    struct text missing = {.length = 0}, names = {.length = 0}, hint = {.length = 0};
    for (size_t i = 0; i < NEEDED; i++) {
        if (r->at[i] != NOT_FOUND)
            continue;
        append(&missing, "%s\"%s\"", missing.length == 0 ? "" : ", ", r->columns.name[i]);
        const char *near = nearest_in_header(r, r->columns.name[i]);
        if (near != NULL)
            append(&hint, "; is \"%.*s\" meant for %s (in %s)?", SHOWN / 2, near,
                   r->columns.name[i], columns[i].unit);
    }
    if (looks_parted_by(r, ';') || looks_parted_by(r, '\t'))
        append(&hint, "; fields must be parted by commas, and numbers written with a point");
    append_header_names(r, &names);
    return fail(r, r->line, e, "no column %s; the header names %s; needed are %s%s", missing.at,
                names.at, r->needed, hint.at);
}

static bool find_column(struct csv_reader *r, enum csv_column c, struct err *e)
{
    r->at[c] = NOT_FOUND;
    for (size_t i = 0; i < r->fields; i++) {
        if (strcmp(r->field[i], r->columns.name[c]) != 0)
            continue;
        if (r->at[c] != NOT_FOUND)
            return fail(r, r->line, e, "two columns are named \"%s\"; keep one of them",
                        r->columns.name[c]);
        r->at[c] = i;
    }
    return true;
}

/* UTF-8 is skipped; the marks of UTF-16 are refused. */
static bool skip_mark(struct csv_reader *r, struct err *e)
{
    unsigned char mark[3];
    size_t n = fread(mark, 1, sizeof mark, r->file);
    if (n >= 2 && ((mark[0] == 0xff && mark[1] == 0xfe) || (mark[0] == 0xfe && mark[1] == 0xff)))
        return fail(r, 1, e, "the file is in UTF-16; save it as plain text (UTF-8 or ASCII)");
    if (n == 3 && memcmp(mark, "\xef\xbb\xbf", 3) == 0)
        return true;
    rewind(r->file);
    return true;
}

static bool read_header(struct csv_reader *r, struct err *e)
{
    bool more, complete = true;
    double number;
    struct err ignored;

    if (!skip_mark(r, e) || !read_record(r, &more, e))
        return false;
    if (!more)
        return err_set(e, ERR_CONFIG,
                       "%s: the file is empty; its first line must name the columns %s", r->path,
                       r->needed);
    if (number_parse(r->field[0], &number, &ignored))
        return fail(r, r->line, e, "the first line holds numbers; it must name the columns %s",
                    r->needed);
    for (enum csv_column c = 0; c < COLUMNS; c++) {
        if (!find_column(r, c, e))
            return false;
        complete = complete && (c >= NEEDED || r->at[c] != NOT_FOUND);
    }
    if (!complete)
        return fail_missing(r, e);
    r->fields_in_header = r->fields;
    r->first_row = ftell(r->file);
    r->first_row_line = r->next_line;
    return true;
}

struct csv_columns csv_columns_usual(void)
{
    struct csv_columns c = {.time_is_utc = false};
    for (size_t i = 0; i < COLUMNS; i++) {
        text_format(c.name[i], sizeof c.name[i], "%s", columns[i].name);
        c.to_si[i] = 1;
    }
    return c;
}

/* True when `text` is a unit of the column's kind: *to_si, how many SI units it is. */
static bool read_unit(enum csv_column which, const char *text, double *to_si)
{
    char one[CSV_NAME_SIZE + 4];
    struct quantity q;
    struct err ignored;
    if (!text_format(one, sizeof one, "1 %s", text) ||
        !quantity_parse_as(one, DIM_BIT(columns[which].dimension), &q, &ignored))
        return false;
    *to_si = q.value;
    return true;
}

bool csv_columns_name(struct csv_columns *c, enum csv_column which, const char *text, struct err *e)
{
    const char *colon = strrchr(text, ':');
    double to_si = 1;
    bool is_utc = which == CSV_TIME && colon != NULL && strcmp(colon + 1, "utc") == 0;
    size_t n = is_utc || (colon != NULL && read_unit(which, colon + 1, &to_si))
                   ? (size_t)(colon - text)
                   : strlen(text);
    if (n == 0 || n >= CSV_NAME_SIZE)
        return err_set(e, ERR_CONFIG,
                       "\"%.80s\" is no name of a column (1 to %d bytes); write NAME, or "
                       "NAME:UNIT, e.g. %s:%s",
                       text, CSV_NAME_SIZE - 1, columns[which].name, columns[which].unit);
    memcpy(c->name[which], text, n);
    c->name[which][n] = '\0';
    c->to_si[which] = to_si;
    c->time_is_utc = which == CSV_TIME ? is_utc : c->time_is_utc;
    return true;
}

bool csv_open_stream(FILE *file, const char *name, const struct csv_columns *wanted,
                     struct csv_reader **out, struct err *e)
{
    struct csv_reader *r = zalloc(sizeof *r);
    r->path = text_copy(name);
    r->file = file;
    r->next_line = 1;
    r->first_t_s = r->last_t_s = NAN;
    r->columns = *wanted;
    text_format(r->needed, sizeof r->needed, "%s, %s, %s", wanted->name[CSV_TIME],
                wanted->name[CSV_VOLTAGE], wanted->name[CSV_CURRENT]);
    if (read_header(r, e)) {
        *out = r;
        return true;
    }
    csv_close(r);
    *out = NULL;
    return false;
}

bool csv_open(const char *path, struct csv_reader **out, struct err *e)
{
    struct stat st;
    const struct csv_columns usual = csv_columns_usual();
    FILE *file = fopen(path, "rbe");

    *out = NULL;
    if (file == NULL || fstat(fileno(file), &st) != 0)
        err_set(e, ERR_CONFIG, "cannot read %s: %s; check the name and whether you may read it",
                path, strerror(errno));
    else if (!S_ISREG(st.st_mode))
        err_set(e, ERR_CONFIG, "cannot read %s: it is not a regular file; save the record as one",
                path);
    else
        return csv_open_stream(file, path, &usual, out, e);
    if (file != NULL)
        fclose(file);
    return false;
}

/* --- rows --- */

static bool read_cell(const struct csv_reader *r, enum csv_column c, double *out, struct err *e)
{
    struct err ignored;
    const char *cell = r->field[r->at[c]];
    if (number_parse(cell, out, &ignored)) {
        *out *= r->columns.to_si[c];
        return true;
    }
    if (cell[0] == '\0')
        return fail(r, r->line, e, "%s is empty; every row needs %s", r->columns.name[c],
                    r->needed);
    return fail(r, r->line, e, "%s is \"%.*s\", which is not a number; write it like %s",
                r->columns.name[c], SHOWN, cell, columns[c].example);
}

/* As a person's logger writes it, made into RFC 3339. */
static bool read_utc(const char *cell, int64_t *utc_ns)
{
    char text[CLOCK_UTC_TEXT_SIZE + 8];
    struct err ignored;
    size_t n = strlen(cell);
    bool has_zone = n > 0 && (cell[n - 1] == 'Z' || cell[n - 1] == 'z');
    if (n < 19 || !text_format(text, sizeof text, "%s%s", cell, has_zone ? "" : "Z"))
        return false;
    text[10] = text[10] == ' ' ? 'T' : text[10];
    return clock_parse_utc(text, utc_ns, &ignored);
}

static bool read_time(struct csv_reader *r, double *out, struct err *e)
{
    const char *cell = r->field[r->at[CSV_TIME]];
    int64_t utc_ns = 0;
    if (!r->columns.time_is_utc)
        return read_cell(r, CSV_TIME, out, e);
    if (!read_utc(cell, &utc_ns))
        return fail(r, r->line, e,
                    "%s is \"%.*s\", which is no date and time (UTC); write it like "
                    "2024-05-01T18:00:00Z",
                    r->columns.name[CSV_TIME], SHOWN, cell);
    if (!r->has_first_utc) {
        r->has_first_utc = true;
        r->first_utc_ns = utc_ns;
    }
    *out = (double)(utc_ns - r->first_utc_ns) / (double)NS_PER_S;
    return true;
}

int64_t csv_first_utc_ns(const struct csv_reader *r)
{
    return r->first_utc_ns;
}

static bool read_cells(struct csv_reader *r, struct sample *s, struct err *e)
{
    size_t temperature = r->at[CSV_TEMPERATURE];
    if (r->fields != r->fields_in_header)
        return fail(r, r->line, e,
                    "%zu field%s, but the header names %zu; every line needs as many as the "
                    "header, and numbers are written with a point",
                    r->fields, r->fields == 1 ? "" : "s", r->fields_in_header);
    if (!read_time(r, &s->t_s, e) || !read_cell(r, CSV_VOLTAGE, &s->voltage_V, e) ||
        !read_cell(r, CSV_CURRENT, &s->current_A, e))
        return false;
    s->temperature_C = NAN;
    if (temperature == NOT_FOUND || r->field[temperature][0] == '\0')
        return true;
    return read_cell(r, CSV_TEMPERATURE, &s->temperature_C, e);
}

static bool take_late(struct csv_reader *r, double t_s, struct err *e)
{
    if (!r->any_order)
        return fail(r, r->line, e,
                    "time goes back from %.10g s to %.10g s; put the rows in order "
                    "of time",
                    r->last_t_s, t_s);
    if (r->late.rows++ == 0) {
        r->late.first_line = r->line;
        r->late.from_s = r->last_t_s;
        r->late.to_s = t_s;
    }
    r->late.most_s = fmax(r->late.most_s, r->last_t_s - t_s);
    return true;
}

static bool read_held(struct csv_reader *r, struct sample *s, bool *more)
{
    *more = r->held_next < r->held_count;
    if (*more)
        *s = r->held[r->held_next++].sample;
    return true;
}

bool csv_read(struct csv_reader *r, struct sample *s, bool *more, struct err *e)
{
    struct sample next;
    if (r->held != NULL)
        return read_held(r, s, more);
    if (!read_record(r, more, e))
        return false;
    if (!*more && r->rows == 0)
        return fail(r, r->first_row_line - 1, e, "no rows after the header; nothing was recorded");
    if (!*more)
        return true;
    if (!read_cells(r, &next, e))
        return false;
    if (next.t_s < r->last_t_s && !take_late(r, next.t_s, e))
        return false;
    r->first_t_s = fmin(next.t_s, r->first_t_s); /* NAN before the first */
    r->last_t_s = fmax(next.t_s, r->last_t_s);
    r->rows++;
    *s = next;
    return true;
}

bool csv_rewind(struct csv_reader *r, struct err *e)
{
    r->held_next = 0;
    if (r->held != NULL)
        return true;
    if (fseek(r->file, r->first_row, SEEK_SET) != 0)
        return err_set(e, ERR_CONFIG, "cannot read %s again: %s", r->path, strerror(errno));
    r->next_line = r->first_row_line;
    r->rows = 0;
    r->first_t_s = r->last_t_s = NAN;
    r->late = (struct csv_late){.rows = 0};
    return true;
}

void csv_any_order(struct csv_reader *r)
{
    r->any_order = true;
}

struct csv_late csv_late(const struct csv_reader *r)
{
    return r->late;
}

/* Rows of one time stay as they were written. */
static int by_time(const void *a, const void *b)
{
    const struct held_row *x = a, *y = b;
    if (x->sample.t_s < y->sample.t_s || x->sample.t_s > y->sample.t_s)
        return x->sample.t_s < y->sample.t_s ? -1 : 1;
    return (x->place > y->place) - (x->place < y->place);
}

/* A few late rows are always allowed, also in a short record. */
#define LATE_ALWAYS 3
#define LATE_SHARE 0.05
#define LATE_BY_S 600.0

static bool is_one_record(const struct csv_reader *r)
{
    double span_s = r->last_t_s - r->first_t_s;
    return (double)r->late.rows <= fmax(LATE_ALWAYS, LATE_SHARE * (double)r->rows) &&
           r->late.most_s <= fmax(LATE_BY_S, LATE_SHARE * span_s);
}

static bool hold_all(struct csv_reader *r, struct held_row *rows, size_t room, size_t *count,
                     struct err *e)
{
    bool more = true;
    for (*count = 0; *count < room && more; *count += more ? 1 : 0) {
        if (!csv_read(r, &rows[*count].sample, &more, e))
            return false;
        rows[*count].place = *count;
    }
    return true;
}

bool csv_put_in_order(struct csv_reader *r, struct err *e)
{
    struct csv_late late = r->late;
    size_t rows = r->rows, count;
    if (!is_one_record(r))
        return fail(r, late.first_line, e,
                    "time goes back from %.10g s to %.10g s, and %zu of %zu rows stand behind a "
                    "later one: that is not one record; part it, or put the rows in order of time",
                    late.from_s, late.to_s, late.rows, rows);
    if (!csv_rewind(r, e))
        return false;
    struct held_row *held = zalloc(rows * sizeof *held);
    if (!hold_all(r, held, rows, &count, e)) {
        free(held);
        return false;
    }
    qsort(held, count, sizeof *held, by_time);
    r->held = held;
    r->held_count = count;
    r->held_next = 0;
    r->late = late;
    return true;
}

size_t csv_line(const struct csv_reader *r)
{
    return r->line;
}

void csv_close(struct csv_reader *r)
{
    if (r == NULL)
        return;
    if (r->file != NULL)
        fclose(r->file);
    free(r->held);
    free(r->path);
    free(r);
}

/* --- writing --- */

_Static_assert(COLUMNS *CSV_NUMBER_SIZE + CLOCK_UTC_TEXT_SIZE + 16 <= CSV_SAMPLE_SIZE,
               "the longest line has room");

void csv_format_number(double value, char out[CSV_NUMBER_SIZE])
{
    out[0] = '\0';
    if (isnan(value))
        return;
    for (int digits = 15; digits <= 17; digits++) {
        snprintf(out, CSV_NUMBER_SIZE, "%.*g", digits, value);
        double back = strtod(out, NULL);
        if (!(back < value || back > value))
            return;
    }
}

size_t csv_format_sample(int step, const struct sample *s, int64_t started_utc_ns,
                         char out[CSV_SAMPLE_SIZE])
{
    const double values[COLUMNS] = {s->t_s, s->voltage_V, s->current_A, s->temperature_C};
    char utc[CLOCK_UTC_TEXT_SIZE] = "";
    size_t used = 0;
    for (size_t i = 0; i < COLUMNS; i++) {
        csv_format_number(values[i], out + used);
        used += strlen(out + used);
        out[used++] = ',';
    }
    if (isfinite(s->t_s))
        clock_format_utc(started_utc_ns + (int64_t)llround(s->t_s * (double)NS_PER_S), utc);
    int n = snprintf(out + used, CSV_SAMPLE_SIZE - used, "%s,%d\r\n", utc, step);
    return used + (size_t)n;
}

void csv_sum_start(struct csv_sum *s, int64_t started_utc_ns)
{
    s->started_utc_ns = started_utc_ns;
    sha256_sum_start(&s->sum);
    sha256_sum_add(&s->sum, CSV_SAMPLES_HEADER, strlen(CSV_SAMPLES_HEADER));
}

void csv_sum_add(struct csv_sum *s, int step, const struct sample *sample)
{
    char line[CSV_SAMPLE_SIZE];
    sha256_sum_add(&s->sum, line, csv_format_sample(step, sample, s->started_utc_ns, line));
}

void csv_sum_end(struct csv_sum *s, char out[SHA256_TEXT_SIZE])
{
    sha256_sum_end(&s->sum, out);
}
