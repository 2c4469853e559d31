/* SPDX-License-Identifier: GPL-3.0-or-later
 * report/plot: pictures as SVG, by hand. */
#include "report/plot.h"

#include <math.h>

#define WIDTH 720.0
#define LEFT_EDGE 52.0
#define RIGHT_EDGE 8.0
#define TICKS_WANTED 5
#define PLOT_LEAST_K 5.0

/* --- gathering --- */

void plot_record_start(struct plot_record *r, double from_s, double to_s, double lead_ohm)
{
    *r = (struct plot_record){.from_s = from_s, .to_s = to_s, .lead_ohm = lead_ohm};
    r->voltage.min = r->current.min = r->temperature.min = NAN;
    r->voltage.max = r->current.max = r->temperature.max = NAN;
}

static void line_add(struct plot_line *l, size_t at, double t_s, double v)
{
    if (!isfinite(v)) {
        return;
    }
    struct plot_bucket *b = &l->bucket[at];
    l->min = fmin(l->min, v);
    l->max = fmax(l->max, v);
    if (!b->any || v < b->low) {
        b->low = v;
        b->low_s = t_s;
    }
    if (!b->any || v > b->high) {
        b->high = v;
        b->high_s = t_s;
    }
    b->any = true;
}

void plot_record_add(struct plot_record *r, const struct sample *s)
{
    double share = (s->t_s - r->from_s) / (r->to_s - r->from_s);
    if (!isfinite(share)) {
        share = 0;
    }
    double at = fmin(fmax(floor(share * PLOT_BUCKETS), 0), PLOT_BUCKETS - 1);
    line_add(&r->voltage, (size_t)at, s->t_s, sample_battery_voltage(s, r->lead_ohm));
    line_add(&r->current, (size_t)at, s->t_s, s->current_A);
    line_add(&r->temperature, (size_t)at, s->t_s, s->temperature_C);
    r->samples++;
}

/* --- axes --- */

struct axis {
    double min, max; /* of the values */
    double from, to; /* where they lie, in the picture's units */
    bool is_bare;    /* without numbers */
};

static double place(const struct axis *a, double v)
{
    return a->from + (v - a->min) / (a->max - a->min) * (a->to - a->from);
}

/* 1, 2 or 5 times a power of ten. */
static double tick_step(double span)
{
    double rough = span / TICKS_WANTED, power = pow(10, floor(log10(rough)));
    double m = rough / power;
    return power * (m <= 1 ? 1 : m <= 2 ? 2 : m <= 5 ? 5 : 10);
}

/* Where a span is finer than its numbers can tell, counting up would go on for ever: no
 * axis has more marks than this. */
#define TICKS_MOST 50

static int decimals_of(double step)
{
    int d = (int)-floor(log10(step) + 1e-9);
    return d < 0 ? 0 : d;
}

/* A little room around what is there, or around the one value that is. */
static void widen(struct axis *a)
{
    double span = a->max - a->min;
    double room = span > 0 ? 0.06 * span : fmax(0.05 * fabs(a->max), 0.5);
    a->min -= room;
    a->max += room;
}

static void widen_to(struct axis *a, double least)
{
    double lacks = fmax(least - (a->max - a->min), 0);
    a->min -= lacks / 2;
    a->max += lacks / 2;
}

static void draw_y_axis(const struct axis *y, const char *name, struct page *p)
{
    double step = tick_step(y->max - y->min);
    int decimals = decimals_of(step);
    double first = ceil(y->min / step) * step;
    for (int i = 0; i < TICKS_MOST && first + i * step <= y->max; i++) {
        double v = first + i * step;
        double at = place(y, v);
        double shown = fabs(v) < step / 1e6 ? 0 : v;
        page_format(p, "<path d=\"M%.0f %.1fH%.0f\" stroke=\"#e3e7ea\"/>", LEFT_EDGE, at,
                    WIDTH - RIGHT_EDGE);
        page_format(p, "<text x=\"%.0f\" y=\"%.1f\" text-anchor=\"end\">%.*f</text>", LEFT_EDGE - 6,
                    at + 4, decimals, shown);
    }
    /* Above the axis, so that no number of it is in the way, whatever the size of the letters. */
    page_format(p, "<text x=\"2\" y=\"%.1f\" style=\"fill:#20272d\">", y->to - 9);
    page_text(p, name);
    page_put(p, "</text>");
}

static void draw_x_axis(const struct axis *x, double at, const char *name, bool whole,
                        struct page *p)
{
    double step = fmax(tick_step(x->max - x->min), whole ? 1 : 0);
    int decimals = decimals_of(step);
    double first = ceil(x->min / step - 1e-9) * step;
    for (int i = 0; !x->is_bare && i < TICKS_MOST && first + i * step <= x->max + 1e-9 * step;
         i++) {
        double v = first + i * step;
        page_format(p, "<path d=\"M%.1f %.1fv4\" stroke=\"#5c6770\"/>", place(x, v), at);
        page_format(p, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"middle\">%.*f</text>",
                    place(x, v), at + 17, decimals, fabs(v) < step / 1e6 ? 0 : v);
    }
    page_format(p, "<text x=\"%.0f\" y=\"%.1f\" text-anchor=\"end\" style=\"fill:#20272d\">",
                WIDTH - RIGHT_EDGE, at + 36);
    page_text(p, name);
    page_put(p, "</text>");
}

/* --- a record --- */

struct panel {
    const char *name, *colour;
    double top, height;
    double least; /* the span it shows at least: noise is not drawn as if it were news */
};

struct pen {
    const struct axis *x, *y;
    struct page *p;
    bool down;
};

static void pen_to(struct pen *pen, double t_s, double v)
{
    page_format(pen->p, "%c%.1f %.1f", pen->down ? 'L' : 'M', place(pen->x, t_s / S_PER_H),
                place(pen->y, v));
    pen->down = true;
}

static void draw_line(const struct plot_record *r, const struct plot_line *l, struct pen *pen)
{
    double each_s = (r->to_s - r->from_s) / PLOT_BUCKETS;
    double apart_s = (r->to_s - r->from_s) / fmax((double)r->samples, 1);
    double gap_s = fmax(fmax(30, 10 * apart_s), 2 * each_s), last_s = -INFINITY;
    for (size_t i = 0; i < PLOT_BUCKETS; i++) {
        const struct plot_bucket *b = &l->bucket[i];
        if (!b->any) {
            continue;
        }
        bool low_first = b->low_s <= b->high_s;
        double first_s = low_first ? b->low_s : b->high_s;
        pen->down = pen->down && first_s - last_s <= gap_s;
        pen_to(pen, first_s, low_first ? b->low : b->high);
        last_s = low_first ? b->high_s : b->low_s;
        if (last_s > first_s) {
            pen_to(pen, last_s, low_first ? b->high : b->low);
        }
    }
}

static void draw_across(const struct axis *y, double v, struct page *p)
{
    if (v >= y->min && v <= y->max) {
        page_format(p, "<path d=\"M%.0f %.1fH%.0f\" stroke=\"#a3262a\" stroke-dasharray=\"4 3\"/>",
                    LEFT_EDGE, place(y, v), WIDTH - RIGHT_EDGE);
    }
}

static void draw_panel(const struct plot_record *r, const struct plot_line *l,
                       const struct panel *panel, const struct axis *x, struct page *p)
{
    struct axis y = {l->min, l->max, panel->top + panel->height, panel->top, false};
    widen(&y);
    widen_to(&y, panel->least);
    draw_y_axis(&y, panel->name, p);
    page_format(p,
                "<path fill=\"none\" stroke=\"%s\" stroke-width=\"1.4\" "
                "stroke-linejoin=\"round\" d=\"",
                panel->colour);
    struct pen pen = {x, &y, p, false};
    draw_line(r, l, &pen);
    page_put(p, "\"/>");
}

void plot_record_draw(const struct plot_record *r, const struct plot_marks *m, struct page *p)
{
    static const struct panel voltage = {"voltage, V", "#1f5f8b", 24, 146, 0};
    static const struct panel current = {"current, A", "#8a5a00", 204, 70, 0};
    static const struct panel temperature = {"temperature, degC", "#7a3b69", 308, 58, PLOT_LEAST_K};
    bool warm = isfinite(r->temperature.min);
    double bottom = warm ? 368 : 276;
    struct axis x = {r->from_s / S_PER_H, r->to_s / S_PER_H, LEFT_EDGE, WIDTH - RIGHT_EDGE, false};
    if (r->samples == 0 || !(x.max > x.min) || !isfinite(r->voltage.min) ||
        !isfinite(r->current.min)) {
        page_put(p, "<p class=\"aside\">There are no samples to draw.</p>\n");
        return;
    }
    page_format(p,
                "<svg viewBox=\"0 0 %.0f %.0f\" role=\"img\" aria-label=\"voltage, current and "
                "temperature over hours\">",
                WIDTH, bottom + 42);
    draw_panel(r, &r->voltage, &voltage, &x, p);
    struct axis y = {r->voltage.min, r->voltage.max, voltage.top + voltage.height, voltage.top,
                     false};
    widen(&y);
    draw_across(&y, m->cutoff_V, p);
    draw_panel(r, &r->current, &current, &x, p);
    if (warm) {
        draw_panel(r, &r->temperature, &temperature, &x, p);
    }
    if (isfinite(m->trip_s)) {
        page_format(p, "<path d=\"M%.1f 22V%.0f\" stroke=\"#a3262a\"/>",
                    place(&x, m->trip_s / S_PER_H), bottom);
    }
    draw_x_axis(&x, bottom, "hours since the run began", false, p);
    page_put(p, "</svg>\n");
}

/* --- points and a law --- */

static double law_at(const struct plot_points *d, double x)
{
    return d->law != NULL ? d->law(d->of, x) : (double)NAN;
}

static void draw_points(const struct plot_points *d, const struct axis *x, const struct axis *y,
                        struct page *p)
{
    for (size_t i = 0; i < d->n; i++) {
        double u = d->u != NULL && isfinite(d->u[i]) ? d->u[i] : 0;
        page_format(p, "<path d=\"M%.1f %.1fV%.1f\" stroke=\"#1f5f8b\"/>", place(x, d->x[i]),
                    place(y, d->y[i] - u), place(y, d->y[i] + u));
        page_format(p, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"3\" fill=\"#1f5f8b\"/>",
                    place(x, d->x[i]), place(y, d->y[i]));
    }
}

static void draw_law(const struct plot_points *d, const struct axis *x, const struct axis *y,
                     struct page *p)
{
    page_put(p, "<path fill=\"none\" stroke=\"#5c6770\" stroke-width=\"1.2\" d=\"");
    bool down = false;
    for (int i = 0; i <= 120; i++) {
        double at = d->x[0] + (d->law_to - d->x[0]) * i / 120, v = law_at(d, at);
        if (isfinite(v) && v >= y->min && v <= y->max) {
            page_format(p, "%c%.1f %.1f", down ? 'L' : 'M', place(x, at), place(y, v));
            down = true;
        }
    }
    page_put(p, "\"/>");
}

static void draw_limit(const struct plot_points *d, const struct axis *y, struct page *p)
{
    draw_across(y, d->limit, p);
    if (isfinite(d->limit) && d->limit_name != NULL) {
        page_format(p, "<text x=\"%.0f\" y=\"%.1f\" style=\"fill:#a3262a\">", LEFT_EDGE + 4,
                    place(y, d->limit) - 4);
        page_text(p, d->limit_name);
        page_put(p, "</text>");
    }
}

void plot_points_draw(const struct plot_points *d, struct page *p)
{
    const double bottom = 216;
    if (d->n == 0) {
        return;
    }
    double end = d->law != NULL ? fmax(d->law_to, d->x[d->n - 1]) : d->x[d->n - 1];
    struct axis x = {d->x[0], end, LEFT_EDGE + 6, WIDTH - RIGHT_EDGE - 6, false};
    struct axis y = {isfinite(d->limit) ? d->limit : d->y[0],
                     isfinite(d->limit) ? d->limit : d->y[0], bottom - 4, 24, false};
    for (size_t i = 0; i < d->n; i++) {
        y.min = fmin(y.min, d->y[i]);
        y.max = fmax(y.max, d->y[i]);
    }
    widen(&y);
    if (!(x.max > x.min)) { /* one result is no stretch of time: it has no scale */
        x.is_bare = !d->whole;
        x.min -= 0.5;
        x.max += 0.5;
    }
    page_format(p, "<svg viewBox=\"0 0 %.0f %.0f\" role=\"img\" aria-label=\"", WIDTH, bottom + 42);
    page_text(p, d->y_name);
    page_put(p, " over ");
    page_text(p, d->x_name);
    page_put(p, "\">");
    draw_y_axis(&y, d->y_name, p);
    draw_x_axis(&x, bottom, d->x_name, d->whole, p);
    draw_limit(d, &y, p);
    if (d->law != NULL) {
        draw_law(d, &x, &y, p);
    }
    draw_points(d, &x, &y, p);
    page_put(p, "</svg>\n");
}
