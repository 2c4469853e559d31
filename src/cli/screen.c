/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/screen: lays out as much as there is room for: bars first, then curves. */
#include "cli/screen.h"

#include "base/file.h"
#include "cli/stand_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <langinfo.h>
#include <locale.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

/* The other screen, without a cursor; a line that is too long is cut, not wrapped. */
#define ENTER "\033[?1049h\033[?25l\033[?7l"
#define LEAVE "\033[?7h\033[?25h\033[?1049l"
#define HOME "\033[H"
#define LINE_END "\033[K\n"
#define CLEAR_BELOW "\033[J"

#define LINES_EACH 3 /* two of text and an empty one */
#define CURVE_ROWS_MAX 8
#define CURVE_ROWS_LEAST 2
#define SCALE_WIDTH 9 /* "13.600 V " */
#define WIDTH_LEAST 20
#define WIDTH_MAX 200
#define LINE_SIZE 640

bool screen_is_possible(FILE *f)
{
    const char *term = getenv("TERM");
    return isatty(fileno(f)) == 1 && term != NULL && term[0] != '\0' && strcmp(term, "dumb") != 0;
}

/* By the person's locale, which is only asked: the program's own stays as it is. */
static bool shows_utf8(void)
{
    locale_t of_person = newlocale(LC_CTYPE_MASK, "", (locale_t)0);
    if (of_person == (locale_t)0) {
        return false;
    }
    bool yes = strcmp(nl_langinfo_l(CODESET, of_person), "UTF-8") == 0;
    freelocale(of_person);
    return yes;
}

void screen_enter(struct screen *s, FILE *f)
{
    *s = (struct screen){.f = f, .plain = !shows_utf8(), .up = true};
    fputs(ENTER, f);
    fflush(f);
}

void screen_leave(struct screen *s)
{
    if (s->up) {
        fputs(LEAVE, s->f);
        fflush(s->f);
    }
    s->up = false;
}

/* --- the picture --- */

struct picture {
    FILE *f;
    const struct screen_size *size;
    size_t left; /* rows */
};

static void put_line(struct picture *p, const char *line)
{
    char cut[LINE_SIZE];
    if (p->left == 0) {
        return;
    }
    text_format(cut, sizeof cut, "%s", line);
    text_cut_to(cut, p->size->width);
    fprintf(p->f, "%s\n", cut);
    p->left--;
}

/* What a person must act on, or what became of it; "" nothing. */
static void put_word(const struct screen_stand *s, char *out, size_t size)
{
    const json_t *trip = json_object_get(s->stand, "trip");
    stand_hold_line(s->stand, out, size);
    if (s->became != NULL) {
        text_format(out, size, "%s", s->became);
    } else if (json_is_object(trip)) {
        text_format(out, size, "TRIPPED: %s", text_at(trip, "sentence"));
    } else if (true_at(s->stand, "output_unconfirmed")) {
        text_format(out, size, "An output could not be confirmed off: disconnect the battery.");
    } else if (out[0] == '\0') {
        text_format(out, size, "%s", text_at(s->stand, "problem"));
    }
}

/* The scale stands before the first row and the last. */
static void put_curve(struct picture *p, const struct curve *c, size_t rows)
{
    double low = NAN, high = NAN;
    if (rows < CURVE_ROWS_LEAST || p->size->width < WIDTH_LEAST || !curve_range(c, &low, &high)) {
        return;
    }
    const struct curve_size size = {p->size->width - SCALE_WIDTH, rows, p->size->plain};
    for (size_t row = 0; row < rows; row++) {
        char line[LINE_SIZE], drawn[CURVE_ROW_SIZE(WIDTH_MAX)];
        bool first = row == 0, last = row + 1 == rows;
        struct words scale = words_amount(first ? high : low, 2, "V");
        curve_row(c, &size, row, drawn);
        text_format(line, sizeof line, "%*s %s", SCALE_WIDTH - 1, first || last ? scale.s : "",
                    drawn);
        put_line(p, line);
    }
}

static void put_stand(struct picture *p, const struct screen_stand *s, size_t curve_rows)
{
    struct progress_lines now = {.width = p->size->width};
    char word[LINE_SIZE];
    put_word(s, word, sizeof word);
    progress_lines(s->stand, &now);
    put_line(p, now.first);
    put_line(p, s->became == NULL ? now.second : "");
    if (word[0] != '\0') {
        char line[LINE_SIZE];
        text_format(line, sizeof line, "  %s", word);
        put_line(p, line);
    }
    put_curve(p, s->voltage, curve_rows);
    put_line(p, "");
}

static size_t rows_needed(const struct screen_stand *stands, size_t n)
{
    size_t rows = LINES_EACH * n;
    for (size_t i = 0; i < n; i++) {
        char word[LINE_SIZE];
        put_word(&stands[i], word, sizeof word);
        rows += word[0] != '\0';
    }
    return rows;
}

/* One line each, and how many there is no room for. */
static void put_compact(struct picture *p, const struct screen_stand *stands, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        struct progress_lines now = {.width = p->size->width};
        if (p->left == 1 && i + 1 < n) {
            char more[64];
            text_format(more, sizeof more, "and %zu more", n - i);
            put_line(p, more);
            return;
        }
        progress_lines(stands[i].stand, &now);
        put_line(p, now.first);
    }
}

char *screen_text(const struct screen_size *wanted, const struct screen_stand *stands, size_t n)
{
    char *text = NULL;
    size_t bytes = 0, needed = rows_needed(stands, n);
    const struct screen_size size = {wanted->width < WIDTH_MAX ? wanted->width : WIDTH_MAX,
                                     wanted->rows, wanted->plain};
    struct picture p = {open_memstream(&text, &bytes), &size, size.rows > 1 ? size.rows - 1 : 0};
    if (p.f == NULL) {
        abort(); /* as zalloc: no memory */
    }
    if (needed > p.left) {
        put_compact(&p, stands, n);
    } else {
        size_t free_rows = n > 0 ? (p.left - needed) / n : 0;
        for (size_t i = 0; i < n; i++) {
            put_stand(&p, &stands[i], free_rows < CURVE_ROWS_MAX ? free_rows : CURVE_ROWS_MAX);
        }
    }
    fprintf(p.f, "%.*s", (int)size.width, "Ctrl-C leaves; the runs go on without this window.");
    fclose(p.f);
    return text;
}

void screen_show(const struct screen *s, const struct screen_stand *stands, size_t n)
{
    struct winsize w = {0};
    bool known = ioctl(fileno(s->f), TIOCGWINSZ, &w) == 0 && w.ws_col > 0 && w.ws_row > 0;
    const struct screen_size size = {known ? w.ws_col : 80, known ? w.ws_row : 24, s->plain};
    char *text = screen_text(&size, stands, n);
    fputs(HOME, s->f);
    for (const char *line = text; line != NULL;) {
        size_t length = strcspn(line, "\n");
        fwrite(line, 1, length, s->f);
        fputs(line[length] == '\n' ? LINE_END : "", s->f);
        line = line[length] == '\n' ? line + length + 1 : NULL;
    }
    fputs("\033[K" CLEAR_BELOW, s->f);
    fflush(s->f);
    free(text);
}
