/* SPDX-License-Identifier: GPL-3.0-or-later
 * Plays the dialogues of tests/dialogues: what the real code says to an
 * instrument through its driver file must be what stands there, byte by byte,
 * over a real pseudo-terminal. tests/dialogues/README says how they are written;
 * adding one needs no compiler. The worked example of DEVELOPERS.md is played
 * too, from the very text that stands there. */
#include "base/clock.h"
#include "base/file.h"
#include "instrument/instrument.h"

#include <dirent.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include <cmocka.h>

#define LINES_MOST 400
#define LINE_SIZE 256
#define DIALOGUES_MOST 200
#define PATIENCE_MS 5000
#define NOTHING_MORE_MS 60

struct dialogue {
    char path[300], driver[300];
    int channel, late_ms, reply_ms; /* 0: as the driver has it */
    bool crlf;
    size_t count;
    char line[LINES_MOST][LINE_SIZE];
    int number[LINES_MOST]; /* in the file */
};

struct play {
    const struct dialogue *d;
    int master, keep;
    char device[64];
    struct driver *driver;
    struct instrument *instrument;
    /* the instrument's part of one section */
    size_t from, to;
    int64_t begun_ns; /* before the first line */
    int lines;        /* heard so far */
    char captured[32];
    char problem[700];
};

/* --- reading a dialogue --- */

static bool after(const char *line, const char *key, const char **rest)
{
    size_t n = strlen(key);
    if (strncmp(line, key, n) != 0) {
        return false;
    }
    *rest = line + n;
    return true;
}

static void take_head(struct dialogue *d, const char *line, int number)
{
    const char *rest = NULL;
    if (after(line, "driver: ", &rest)) {
        text_format(d->driver, sizeof d->driver, "%s/drivers/%s.yaml", AMPLEDGER_SOURCE_DIR, rest);
    } else if (after(line, "channel: ", &rest)) {
        d->channel = (int)strtol(rest, NULL, 10);
    } else if (after(line, "late after: ", &rest)) {
        d->late_ms = (int)strtol(rest, NULL, 10);
    } else if (after(line, "reply within: ", &rest)) {
        d->reply_ms = (int)strtol(rest, NULL, 10);
    } else if (strcmp(line, "line ends: crlf") == 0) {
        d->crlf = true;
    } else {
        fail_msg("%s:%d: \"%s\" is nothing a dialogue begins with", d->path, number, line);
    }
}

static void take_line(struct dialogue *d, const char *line, int number)
{
    if (line[0] == '#' || line[0] == '\0') {
        return;
    }
    bool known = strchr("=><~", line[0]) != NULL && strlen(line) < LINE_SIZE;
    if (d->count == 0 && line[0] != '=') {
        take_head(d, line, number);
        return;
    }
    if (!known || d->count == LINES_MOST) {
        fail_msg("%s:%d: \"%s\" begins with none of == > < ~, or there is too much", d->path,
                 number, line);
    }
    text_format(d->line[d->count], LINE_SIZE, "%s", line);
    d->number[d->count++] = number;
}

static void parse(struct dialogue *d, const char *text)
{
    int number = 1;
    for (const char *p = text; *p != '\0'; number++) {
        char line[1024];
        size_t n = strcspn(p, "\n");
        text_format(line, sizeof line, "%.*s", (int)n, p);
        take_line(d, line, number);
        p += n + (p[n] == '\n' ? 1 : 0);
    }
    if (d->count == 0) {
        fail_msg("%s: there is nothing in it", d->path);
    }
}

static char *whole(const char *path)
{
    static char *text; /* static: an optimising compiler takes what it holds for its address */
    size_t n = 0;
    struct err e = {0};
    if (!file_read(path, (size_t)1 << 20, &text, &n, &e)) {
        fail_msg("%s", e.text);
    }
    return text;
}

/* --- the instrument's part, in its own thread --- */

static void wait_ms(int ms)
{
    poll(NULL, 0, ms);
}

static void __attribute__((format(printf, 3, 4)))
complain(struct play *p, size_t at, const char *format, ...)
{
    char what[500];
    va_list args;
    va_start(args, format);
    vsnprintf(what, sizeof what, format, args);
    va_end(args);
    text_format(p->problem, sizeof p->problem, "%s:%d: %s", p->d->path, p->d->number[at], what);
}

/* One line with its end, as it came; "" when none came in time. */
static void hear(const struct play *p, char *out, size_t size)
{
    size_t n = 0;
    struct pollfd f = {.fd = p->master, .events = POLLIN};
    while (n + 1 < size && poll(&f, 1, PATIENCE_MS) == 1 && read(p->master, out + n, 1) == 1) {
        if (out[n++] == '\n') {
            break;
        }
    }
    out[n] = '\0';
}

static void visible(const char *bytes, char *out, size_t size)
{
    size_t n = 0;
    for (const char *p = bytes; *p != '\0' && n + 3 < size; p++) {
        if (*p == '\n' || *p == '\r') {
            out[n++] = '\\';
            out[n++] = *p == '\n' ? 'n' : 'r';
        } else {
            out[n++] = *p;
        }
    }
    out[n] = '\0';
}

/* "{n}" in the wanted text takes a number, which "{n}" in an answer gives back. */
static bool fits(struct play *p, const char *wanted, const char *got)
{
    const char *mark = strstr(wanted, "{n}");
    if (mark == NULL) {
        return strcmp(wanted, got) == 0;
    }
    size_t before = (size_t)(mark - wanted);
    size_t digits = strspn(got + (strlen(got) < before ? 0 : before), "0123456789");
    if (strncmp(wanted, got, before) != 0 || digits == 0 || digits >= sizeof p->captured ||
        strcmp(got + before + digits, mark + 3) != 0) {
        return false;
    }
    text_format(p->captured, sizeof p->captured, "%.*s", (int)digits, got + before);
    return true;
}

static bool expect(struct play *p, size_t at)
{
    const char *text = p->d->line[at] + 1;
    char wanted[LINE_SIZE + 4], got[600], shown[700];
    text += *text == ' ' ? 1 : 0;
    text_format(wanted, sizeof wanted, "%s%s", text, p->driver->scpi.crlf_out ? "\r\n" : "\n");
    hear(p, got, sizeof got);
    visible(got, shown, sizeof shown);
    if (!fits(p, wanted, got)) {
        complain(p, at, "\"%s\" is due, \"%s\" came", text, shown);
        return false;
    }
    /* One may be heard late on a busy machine, and then the next seems to follow too soon;
     * but so many lines with their pauses take so long. */
    int64_t took_ms = (clock_real_ns() - p->begun_ns) / NS_PER_MS;
    if (took_ms < (int64_t)p->lines++ * p->driver->scpi.pause_ms) {
        complain(p, at, "\"%s\" came after %d ms as line %d; the driver has a pause of %d ms", text,
                 (int)took_ms, p->lines, p->driver->scpi.pause_ms);
        return false;
    }
    return true;
}

static void answer(struct play *p, size_t at)
{
    const char *text = p->d->line[at] + 1;
    const char *end = p->d->crlf ? "\r\n" : "\n";
    char bytes[LINE_SIZE + 64];
    if (*text == '|') {
        end = "";
        text++;
    }
    text += *text == ' ' ? 1 : 0;
    const char *mark = strstr(text, "{n}");
    int n = mark == NULL ? snprintf(bytes, sizeof bytes, "%s%s", text, end)
                         : snprintf(bytes, sizeof bytes, "%.*s%s%s%s", (int)(mark - text), text,
                                    p->captured, mark + 3, end);
    if (write(p->master, bytes, (size_t)n) != n) {
        complain(p, at, "cannot be sent");
    }
}

static void *instrument_thread(void *arg)
{
    struct play *p = arg;
    for (size_t i = p->from; i < p->to; i++) {
        if (p->d->line[i][0] == '~') {
            wait_ms((int)strtol(p->d->line[i] + 1, NULL, 10));
        } else if (p->d->line[i][0] == '<') {
            answer(p, i);
        } else if (!expect(p, i)) {
            break;
        }
    }
    return NULL;
}

/* --- our part: the verbs --- */

struct outcome {
    char text[ERR_TEXT_SIZE]; /* what came of it, "" for a plain yes */
    bool ok;
};

static bool do_protect(struct play *p, const char *args, struct err *e)
{
    struct instrument_protection want = {NAN, NAN, NAN};
    int programmed = 0, wanted = 0;
    const char *keys[] = {"under_voltage=", "over_voltage=", "over_current="};
    double *values[] = {&want.under_voltage_V, &want.over_voltage_V, &want.over_current_A};
    for (size_t i = 0; i < 3; i++) {
        const char *at = strstr(args, keys[i]);
        if (at != NULL) {
            *values[i] = strtod(at + strlen(keys[i]), NULL);
            wanted++;
        }
    }
    return instrument_protect(p->instrument, &want, &programmed, e) &&
           (programmed == wanted || err_set(e, ERR_BUG, "%d of %d programmed", programmed, wanted));
}

static bool do_read(struct play *p, struct outcome *o, struct err *e)
{
    struct reading r;
    if (!instrument_read(p->instrument, &r, e)) {
        return false;
    }
    const struct {
        double value;
        const char *unit;
    } fields[] = {{r.voltage_V, "V"}, {r.current_A, "A"}, {r.temperature_C, "C"}};
    for (size_t i = 0; i < 3; i++) {
        size_t n = strlen(o->text);
        if (!isnan(fields[i].value)) {
            text_format(o->text + n, sizeof o->text - n, "%s%.6g %s", n > 0 ? " " : "",
                        fields[i].value, fields[i].unit);
        }
    }
    return true;
}

/* The bytes that the keeper would write and ask, written as it does: line by line. */
static bool do_keeper(struct play *p, struct err *e)
{
    char bytes[1024];
    size_t n = 0, more = 0;
    wait_ms(p->driver->scpi.pause_ms);
    bool ok = instrument_off_bytes(p->instrument, bytes, sizeof bytes, &n, e) &&
              instrument_state_bytes(p->instrument, bytes + n, sizeof bytes - n, &more, e);
    for (const char *at = bytes, *end = NULL; ok && at < bytes + n + more; at = end) {
        end = strchr(at, '\n') + 1;
        ok = write(p->keep, at, (size_t)(end - at)) == end - at;
        wait_ms(p->driver->scpi.pause_ms);
    }
    return ok;
}

static bool do_state(struct play *p, struct outcome *o, struct err *e)
{
    bool on = false;
    bool ok = instrument_is_on(p->instrument, &on, e);
    text_format(o->text, sizeof o->text, "%s", on ? "on" : "off");
    return ok;
}

static bool is(const char *heading, const char *verb, const char **args)
{
    size_t n = strlen(verb);
    *args = heading + n;
    return strncmp(heading, verb, n) == 0 && (heading[n] == ' ' || heading[n] == '\0');
}

static void do_verb(struct play *p, size_t at, const char *heading, struct outcome *o)
{
    struct err e = {0};
    const char *args = NULL;
    struct instrument *i = p->instrument;
    if (is(heading, "identify", &args)) {
        o->ok = instrument_open(i, &e) && instrument_identify(i, &e);
    } else if (is(heading, "prepare", &args)) {
        o->ok = instrument_prepare(i, &e);
    } else if (is(heading, "protect", &args)) {
        o->ok = do_protect(p, args, &e);
    } else if (is(heading, "set_current", &args)) {
        o->ok = instrument_set_current(i, strtod(args, NULL), &e);
    } else if (is(heading, "set_voltage", &args)) {
        o->ok = instrument_set_voltage(i, strtod(args, NULL), &e);
    } else if (is(heading, "set_power", &args)) {
        o->ok = instrument_set_power(i, strtod(args, NULL), &e);
    } else if (is(heading, "set_resistance", &args)) {
        o->ok = instrument_set_resistance(i, strtod(args, NULL), &e);
    } else if (is(heading, "on", &args)) {
        o->ok = instrument_on(i, &e);
    } else if (is(heading, "read", &args)) {
        o->ok = do_read(p, o, &e);
    } else if (is(heading, "state", &args)) {
        o->ok = do_state(p, o, &e);
    } else if (is(heading, "make_safe", &args)) {
        o->ok = instrument_make_safe(i, 1, &e);
    } else if (is(heading, "send_off", &args)) {
        instrument_send_off(i);
        o->ok = true;
    } else if (is(heading, "keeper", &args)) {
        o->ok = do_keeper(p, &e);
    } else if (is(heading, "leave", &args)) {
        instrument_free(i);
        p->instrument = NULL;
        o->ok = true;
    } else {
        complain(p, at, "\"%s\" is no verb of a dialogue", heading);
    }
    if (!o->ok) {
        text_format(o->text, sizeof o->text, "%s", e.text);
    }
}

/* "== VERB [ARGUMENTS] [-> WHAT COMES OF IT]"; "-> fails: PART OF THE MESSAGE" */
static void play_section(struct play *p)
{
    char heading[LINE_SIZE], wanted[LINE_SIZE] = "";
    const char *part = NULL;
    struct outcome o = {.ok = false};
    pthread_t thread;
    size_t at = p->from++;
    text_format(heading, sizeof heading, "%s", p->d->line[at] + strspn(p->d->line[at], "= "));
    char *arrow = strstr(heading, " -> ");
    if (arrow != NULL) {
        text_format(wanted, sizeof wanted, "%s", arrow + 4);
        *arrow = '\0';
    }
    assert_int_equal(pthread_create(&thread, NULL, instrument_thread, p), 0);
    do_verb(p, at, heading, &o);
    pthread_join(thread, NULL);
    if (p->problem[0] != '\0') {
        size_t n = strlen(p->problem);
        text_format(p->problem + n, sizeof p->problem - n, "%s%s",
                    o.ok ? "" : "; and: ", o.ok ? "" : o.text);
    } else if (after(wanted, "fails: ", &part)) {
        if (o.ok || strstr(o.text, part) == NULL) {
            complain(p, at, "\"%s\" in a failure is due, it says \"%s\"", part, o.text);
        }
    } else if (!o.ok || strcmp(o.text, wanted) != 0) {
        complain(p, at, "\"%s\" is due, it says \"%s\"", wanted, o.text);
    }
}

static void nothing_more(struct play *p)
{
    struct pollfd f = {.fd = p->master, .events = POLLIN};
    char bytes[128], shown[200];
    if (poll(&f, 1, NOTHING_MORE_MS) == 1) {
        ssize_t n = read(p->master, bytes, sizeof bytes - 1);
        bytes[n > 0 ? n : 0] = '\0';
        visible(bytes, shown, sizeof shown);
        complain(p, p->to - 1, "and after it \"%s\" came, which is not due", shown);
    }
}

/* --- the stage --- */

static void open_terminal(struct play *p)
{
    struct termios t;
    p->master = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(p->master >= 0 && grantpt(p->master) == 0 && unlockpt(p->master) == 0);
    assert_int_equal(ptsname_r(p->master, p->device, sizeof p->device), 0);
    p->keep = open(p->device, O_RDWR | O_NOCTTY);
    assert_true(p->keep >= 0 && tcgetattr(p->keep, &t) == 0);
    cfmakeraw(&t);
    assert_int_equal(tcsetattr(p->keep, TCSANOW, &t), 0);
}

static void open_instrument(struct play *p)
{
    struct err e = {0};
    char address[80];
    if (!driver_load_file(p->d->driver, &p->driver, &e)) {
        fail_msg("%s", e.text);
    }
    if (p->driver->channels > 0) {
        assert_in_range(p->d->channel, 1, p->driver->channels);
        driver_choose_channel(p->driver, p->d->channel);
    }
    /* A test does not wait seconds for late answers, unless it is about them. */
    p->driver->scpi.late_ms = p->d->late_ms > 0 ? p->d->late_ms : 100;
    if (p->d->reply_ms > 0) {
        p->driver->scpi.reply_timeout_ms = p->d->reply_ms;
    }
    text_format(address, sizeof address, "tty:%s", p->device);
    const struct instrument_config c = {.name = "it",
                                        .driver = p->driver,
                                        .link = address,
                                        .settings = p->driver->link,
                                        .identity = ""};
    p->instrument = instrument_new(&c);
}

/* Leaves the first mistake in problem. */
static void play(const struct dialogue *d, char *problem, size_t size)
{
    struct play p = {.d = d, .begun_ns = clock_real_ns()};
    open_terminal(&p);
    open_instrument(&p);
    for (size_t next = 0; next < d->count && p.problem[0] == '\0';) {
        p.from = next;
        for (next++; next < d->count && d->line[next][0] != '=';) {
            next++;
        }
        p.to = next;
        play_section(&p);
    }
    if (p.problem[0] == '\0') {
        nothing_more(&p);
    }
    instrument_free(p.instrument);
    driver_free(p.driver);
    close(p.master);
    close(p.keep);
    text_format(problem, size, "%s", p.problem);
}

static void one_dialogue(void **state)
{
    static struct dialogue d;
    char problem[700];
    d = (struct dialogue){0};
    text_format(d.path, sizeof d.path, "%s", (const char *)*state);
    char *text = whole(d.path);
    parse(&d, text);
    free(text);
    play(&d, problem, sizeof problem);
    if (problem[0] != '\0') {
        fail_msg("%s", problem);
    }
}

/* --- the harness itself must be able to fail --- */

static void play_text(const char *text, char *problem, size_t size)
{
    static struct dialogue d;
    d = (struct dialogue){.path = "made up"};
    parse(&d, text);
    play(&d, problem, size);
}

#define UP                                                                                         \
    "driver: load-reset-on\n== identify\n> *ESE {n};*ESE?\n< {n}\n> *ESE {n};*ESE?\n< {n}\n"       \
    "> *IDN?\n< LAKE,L,1,1\n"

static void wrong_dialogues_are_noticed(void **state)
{
    (void)state;
    static const struct {
        const char *text, *says;
    } rows[] = {
        {UP, ""},
        {UP "== state -> off\n> OUTPut:STATe?\n< 1\n", "\"off\" is due, it says \"on\""},
        {UP "== read -> 12 V -1 A\n> MEAS:VOLT?\n", "\"MEAS:VOLT?\" is due, \"MEASure:VOLTage?;"},
        {UP "== keeper\n> \n> OUTPut:STATe 0\n", "and after it \"OUTPut:STATe?\\n\" came"},
        {UP "== state -> fails: nothing\n> OUTPut:STATe?\n< 0\n", "\"nothing\" in a failure"},
        {UP "== dance\n", "\"dance\" is no verb"},
        {UP "== state -> off\n> OUTPut:STATe?\n< 0\n> SYSTem:ERRor?\n",
         "\"SYSTem:ERRor?\" is due, \"\" came"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char problem[700];
        play_text(rows[i].text, problem, sizeof problem);
        if (rows[i].says[0] == '\0' ? problem[0] != '\0' : strstr(problem, rows[i].says) == NULL) {
            fail_msg("row %zu says \"%s\"", i, problem);
        }
    }
}

/* --- the example of DEVELOPERS.md --- */

/* The first block that begins with ```LANGUAGE after `from`; owned. */
static char *block(const char *from, const char *language)
{
    char fence[40];
    text_format(fence, sizeof fence, "\n```%s\n", language);
    const char *begin = strstr(from, fence);
    assert_non_null(begin);
    begin += strlen(fence);
    const char *end = strstr(begin, "\n```\n");
    assert_non_null(end);
    return strndup(begin, (size_t)(end - begin) + 1);
}

static void the_example_of_the_guide(void **state)
{
    (void)state;
    static struct dialogue d;
    char folder[] = "/tmp/ampledger-example-XXXXXX", problem[700], path[80];
    char *guide = whole(AMPLEDGER_SOURCE_DIR "/DEVELOPERS.md");
    const char *chapter = strstr(guide, "\n## Add a driver\n");
    assert_non_null(chapter);
    char *yaml = block(chapter, "yaml"), *text = block(chapter, "dialogue");
    assert_non_null(mkdtemp(folder));
    text_format(path, sizeof path, "%s/example.yaml", folder);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(yaml, f);
    fclose(f);
    d = (struct dialogue){.path = "DEVELOPERS.md, the example"};
    parse(&d, text);
    text_format(d.driver, sizeof d.driver, "%s", path);
    play(&d, problem, sizeof problem);
    unlink(path);
    rmdir(folder);
    free(yaml);
    free(text);
    free(guide);
    if (problem[0] != '\0') {
        fail_msg("%s", problem);
    }
}

/* --- which there are --- */

static char paths[DIALOGUES_MOST][300];

static bool ends_with(const char *text, const char *end)
{
    size_t n = strlen(text), m = strlen(end);
    return n > m && strcmp(text + n - m, end) == 0;
}

static size_t find_dialogues(void)
{
    DIR *dir = opendir(AMPLEDGER_SOURCE_DIR "/tests/dialogues");
    size_t n = 0;
    for (struct dirent *e = dir != NULL ? readdir(dir) : NULL; e != NULL; e = readdir(dir)) {
        if (ends_with(e->d_name, ".txt") && n < DIALOGUES_MOST) {
            text_format(paths[n++], sizeof paths[0], "%s/tests/dialogues/%.200s",
                        AMPLEDGER_SOURCE_DIR, e->d_name);
        }
    }
    if (dir != NULL) {
        closedir(dir);
    }
    return n;
}

static bool is_played(const char *driver, size_t dialogues)
{
    char wanted[320];
    text_format(wanted, sizeof wanted, "\ndriver: %.*s\n", (int)(strlen(driver) - 5), driver);
    for (size_t i = 0; i < dialogues; i++) {
        char *text = whole(paths[i]);
        bool found = strstr(text, wanted) != NULL;
        free(text);
        if (found) {
            return true;
        }
    }
    return false;
}

/* Those of the virtual bench are played by the bench itself; those that are only
 * listened to say nothing. */
static void every_driver_has_a_dialogue(void **state)
{
    const size_t dialogues = *(const size_t *)*state;
    int looked_at = 0;
    DIR *dir = opendir(AMPLEDGER_SOURCE_DIR "/drivers");
    assert_non_null(dir);
    for (struct dirent *e = readdir(dir); e != NULL; e = readdir(dir)) {
        char path[400];
        struct driver *d = NULL;
        struct err why = {0};
        if (!ends_with(e->d_name, ".yaml")) {
            continue;
        }
        text_format(path, sizeof path, "%s/drivers/%s", AMPLEDGER_SOURCE_DIR, e->d_name);
        if (!driver_load_file(path, &d, &why)) {
            fail_msg("%s", why.text);
        }
        bool spoken_to = d->protocol == PROTOCOL_SCPI && strstr(e->d_name, "-virtual") == NULL;
        driver_free(d);
        looked_at++;
        if (spoken_to && !is_played(e->d_name, dialogues)) {
            fail_msg("%s has no dialogue in tests/dialogues", e->d_name);
        }
    }
    closedir(dir);
    assert_true(looked_at > 10);
}

int main(void)
{
    static struct CMUnitTest tests[DIALOGUES_MOST + 3];
    static size_t dialogues;
    size_t n = 0;
    dialogues = find_dialogues();
    for (size_t i = 0; i < dialogues; i++) {
        tests[n++] = (struct CMUnitTest){.name = strrchr(paths[i], '/') + 1,
                                         .test_func = one_dialogue,
                                         .initial_state = paths[i]};
    }
    tests[n++] = (struct CMUnitTest)cmocka_unit_test(wrong_dialogues_are_noticed);
    tests[n++] = (struct CMUnitTest)cmocka_unit_test(the_example_of_the_guide);
    tests[n++] =
        (struct CMUnitTest)cmocka_unit_test_prestate(every_driver_has_a_dialogue, &dialogues);
    return _cmocka_run_group_tests("dialogues", tests, n, NULL, NULL);
}
