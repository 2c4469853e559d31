/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/progress: when and how progress is shown. */
#include "cli/progress.h"

#include "base/clock.h"
#include "cli/stand_text.h"
#include "cli/table.h"
#include "cli/words.h"

#include <math.h>
#include <string.h>
#include <sys/ioctl.h>

#define QUIET_AT_MOST_S 600
#define PROBLEM_EVERY_S 60
#define LINE_SIZE 400
/* Up one line; to the line's begin; clear to its end. */
#define UP "\033[A"
#define BEGIN_CLEAR "\r\033[K"

void progress_start(struct progress *p, FILE *f, bool terminal)
{
    *p = (struct progress){.f = f, .terminal = terminal, .step = -1, .tenths = -1};
}

/* Asked each time: windows are drawn wider and narrower while a run goes on. */
static size_t terminal_width(FILE *f)
{
    struct winsize w = {0};
    return ioctl(fileno(f), TIOCGWINSZ, &w) == 0 && w.ws_col > 1 ? w.ws_col - 1U : PAGE_WIDTH;
}

static void redraw(struct progress *p, const json_t *stand)
{
    struct progress_lines now = {.width = terminal_width(p->f)};
    progress_lines(stand, &now);
    fprintf(p->f, "%s" BEGIN_CLEAR "%s\n" BEGIN_CLEAR "%s", p->drawn ? UP : "", now.first,
            now.second);
    fflush(p->f);
    p->drawn = true;
}

static bool worth_a_line(const struct progress *p, const json_t *stand, int tenths, int64_t now_ns)
{
    long long step = integer_at(json_object_get(stand, "run"), "step");
    return step != p->step || tenths > p->tenths ||
           now_ns - p->told_real_ns >= QUIET_AT_MOST_S * NS_PER_S;
}

static void tell(struct progress *p, const json_t *stand, int64_t now_ns)
{
    double share = progress_share(stand);
    int tenths = isfinite(share) ? (int)(10 * share) : 0;
    char line[LINE_SIZE];
    if (!worth_a_line(p, stand, tenths, now_ns)) {
        return;
    }
    progress_line(stand, line, sizeof line);
    fprintf(p->f, "%s: %s\n", text_at(stand, "name"), line);
    fflush(p->f);
    p->step = integer_at(json_object_get(stand, "run"), "step");
    p->tenths = tenths;
    p->told_real_ns = now_ns;
}

/* Its words change with every second of waiting; once a minute is enough. */
static void tell_problem(struct progress *p, const json_t *stand, int64_t now_ns)
{
    const char *problem = text_at(stand, "problem");
    bool lately = p->problem_ns != 0 && now_ns - p->problem_ns < PROBLEM_EVERY_S * NS_PER_S;
    if (problem[0] == '\0' || lately) {
        return;
    }
    progress_end(p);
    fprintf(p->f, "%s: %s\n", text_at(stand, "name"), problem);
    fflush(p->f);
    p->problem_ns = now_ns;
}

/* Once, when it begins to wait. */
static void tell_hold(struct progress *p, const json_t *stand)
{
    char line[sizeof p->hold];
    stand_hold_line(stand, line, sizeof line);
    if (strcmp(line, p->hold) != 0 && line[0] != '\0') {
        progress_end(p);
        fprintf(p->f, "%s: %s\n", text_at(stand, "name"), line);
        fflush(p->f);
    }
    strcpy(p->hold, line);
}

void progress_show(struct progress *p, const json_t *stand, int64_t now_ns)
{
    tell_problem(p, stand, now_ns);
    tell_hold(p, stand);
    if (p->terminal) {
        redraw(p, stand);
    } else {
        tell(p, stand, now_ns);
    }
}

void progress_end(struct progress *p)
{
    if (p->drawn) {
        fputs("\n\n", p->f);
        p->drawn = false;
    }
}
