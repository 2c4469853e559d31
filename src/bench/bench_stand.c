/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bench_stand: reads one stand of bench.yaml: its instruments, their
 * drivers and links, and where the voltage is sensed. */
#include "base/conductor.h"
#include "base/file.h"
#include "bench/bench_load.h"
#include "instrument/driver_keys.h"

#include <dirent.h>
#include <stdlib.h>
#include <string.h>

static const char *const stand_keys[] = {"name",   "sense", "lead_resistance", "load",
                                         "supply", "meter", "thermometer",     NULL};
static const char *const sense_names[] = {"two-wire", "remote", "meter", NULL};
static const char *const instrument_keys[] = {"driver", "link", "identity", "ratings",   "accuracy",
                                              "baud",   "bits", "parity",   "stop_bits", "flow",
                                              "dtr",    "rts",  "channel",  NULL};
static const char *const schemes[] = {"serial", "tcp", "usbtmc", "tty", "file", NULL};

/* --- links --- */

/* Length of the scheme when it is a known one, else 0. */
static size_t scheme_length(const char *link)
{
    for (size_t i = 0; schemes[i] != NULL; i++) {
        size_t n = strlen(schemes[i]);
        if (strncmp(link, schemes[i], n) == 0 && link[n] == ':' && link[n + 1] != '\0') {
            return n;
        }
    }
    return 0;
}

static bool scheme_is(const char *link, size_t n, const char *scheme)
{
    return strlen(scheme) == n && strncmp(link, scheme, n) == 0;
}

bool bench_resolve_link(const char *bench_path, const char *link, char out[ADDRESS_SIZE],
                        struct err *e)
{
    size_t n = scheme_length(link);
    const char *path = link + n + 1;
    char beside[PATH_SIZE];
    if (n == 0) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is no link; write serial:/dev/ttyUSB0, tcp:192.168.1.20:5025, "
                       "usbtmc:/dev/usbtmc0, tty:PATH for a terminal as it is, or file:PATH",
                       link);
    }
    if (scheme_is(link, n, "tcp") && !link_tcp_check(path)) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" is no address of a socket; write tcp:192.168.1.20:5025, or "
                       "tcp:[fd00::20]:5025 for an IPv6 address; names are not looked up, since "
                       "switching off must not wait for a name server",
                       link);
    }
    bool is_path = scheme_is(link, n, "tty") || scheme_is(link, n, "file") ||
                   scheme_is(link, n, "usbtmc") ||
                   (scheme_is(link, n, "serial") && strchr(path, '/') != NULL);
    if (!is_path) {
        return text_format(out, ADDRESS_SIZE, "%s", link) ||
               err_set(e, ERR_CONFIG, "the link is too long");
    }
    return path_beside(bench_path, path, beside, sizeof beside, e) &&
           (text_format(out, ADDRESS_SIZE, "%.*s:%s", (int)n, link, beside) ||
            err_set(e, ERR_CONFIG, "the link is too long"));
}

const char *bench_link_path(const char *address)
{
    size_t n = scheme_length(address);
    return n == 0 ? NULL : address + n + 1;
}

/* --- drivers --- */

static struct driver *loaded_driver(const struct bench *b, const char *name)
{
    for (size_t i = 0; i < b->driver_count; i++) {
        if (strcmp(b->drivers[i]->name, name) == 0) {
            return b->drivers[i];
        }
    }
    return NULL;
}

static void append(struct driver ***list, size_t *count, struct driver *d)
{
    struct driver **longer = zalloc((*count + 1) * sizeof *longer);
    if (*count > 0) {
        memcpy(longer, *list, *count * sizeof *longer);
    }
    longer[(*count)++] = d;
    free(*list);
    *list = longer;
}

static int is_driver_file(const struct dirent *entry)
{
    size_t n = strlen(entry->d_name);
    return entry->d_name[0] != '.' && n > 5 && strcmp(entry->d_name + n - 5, ".yaml") == 0;
}

/* Says which driver was probably meant. */
static bool no_such_driver(const struct bench_loading *l, const struct yaml_node *at, struct err *e)
{
    struct dirent **entries = NULL;
    int found = scandir(l->b->drivers_dir, &entries, is_driver_file, alphasort);
    size_t count = found > 0 ? (size_t)found : 0;
    const char **names = zalloc((count + 1) * sizeof *names);
    for (size_t i = 0; i < count; i++) {
        entries[i]->d_name[strlen(entries[i]->d_name) - 5] = '\0';
        names[i] = entries[i]->d_name;
    }
    const char *near = nearest_word(yaml_text(at), names);
    if (count == 0) {
        yaml_fail(l->doc, at, e,
                  "no driver \"%s\": the folder %s holds no drivers; say where they are with "
                  "\"drivers\"",
                  yaml_text(at), l->b->drivers_dir);
    } else if (near != NULL) {
        yaml_fail(l->doc, at, e, "no driver \"%s\" in %s; did you mean \"%s\"?", yaml_text(at),
                  l->b->drivers_dir, near);
    } else {
        yaml_fail(l->doc, at, e, "no driver \"%s\" in %s; the files there are the drivers",
                  yaml_text(at), l->b->drivers_dir);
    }
    for (size_t i = 0; i < count; i++) {
        free(entries[i]);
    }
    free(entries);
    free(names);
    return false;
}

const struct driver *bench_driver(const struct bench_loading *l, const struct yaml_node *at,
                                  struct err *e)
{
    const char *name = yaml_text(at);
    struct driver *d = loaded_driver(l->b, name);
    char path[PATH_SIZE * 2];
    struct err why = {0};
    if (d != NULL) {
        return d;
    }
    if (*name == '\0' || strchr(name, '/') != NULL) {
        yaml_fail(l->doc, at, e,
                  "a driver is named without folder and without .yaml, e.g. load-scpi");
        return NULL;
    }
    if (!text_format(path, sizeof path, "%s/%s.yaml", l->b->drivers_dir, name)) {
        yaml_fail(l->doc, at, e, "the driver's name is too long");
        return NULL;
    }
    if (!driver_load_file(path, &d, &why)) {
        if (why.code == ERR_NOT_FOUND) {
            no_such_driver(l, at, e);
        } else if (e != NULL) {
            *e = why; /* it names the driver file and the place in it */
        }
        return NULL;
    }
    append(&l->b->drivers, &l->b->driver_count, d);
    return d;
}

/* --- one instrument --- */

/* Which output of an instrument that has several; 0 for all others. */
static bool read_channel(const struct bench_loading *l, const struct yaml_node *map,
                         const struct driver *d, int *channel, struct err *e)
{
    const struct yaml_node *at = yaml_get(map, "channel");
    if (at == NULL && d->channels > 0) {
        return yaml_fail(l->doc, map, e,
                         "driver \"%s\" is for an instrument with up to %d outputs; say which one "
                         "is wired here, e.g. channel: 1",
                         d->name, d->channels);
    }
    if (at != NULL && d->channels == 0) {
        return yaml_fail(l->doc, at, e,
                         "driver \"%s\" knows of one output only; leave channel out, or choose a "
                         "driver with channels",
                         d->name);
    }
    return yaml_read_int(l->doc, map, "channel", false, 1, d->channels, channel, e);
}

/* The driver with what bench.yaml says of this one instrument. */
static bool vary_driver(const struct bench_loading *l, const struct yaml_node *map,
                        const struct driver **d, struct err *e)
{
    int channel = 0;
    if (!read_channel(l, map, *d, &channel, e)) {
        return false;
    }
    if (yaml_get(map, "ratings") == NULL && yaml_get(map, "accuracy") == NULL && channel == 0) {
        return true;
    }
    struct driver *variant = driver_copy(*d);
    append(&l->b->variants, &l->b->variant_count, variant);
    *d = variant;
    if (channel > 0) {
        driver_choose_channel(variant, channel);
    }
    return driver_read_ratings(l->doc, map, variant, e) &&
           driver_read_accuracy(l->doc, map, variant, e);
}

static bool read_link(const struct bench_loading *l, const struct yaml_node *map,
                      const struct driver *d, char address[ADDRESS_SIZE], struct err *e)
{
    char link[PATH_SIZE] = "";
    struct err why;
    if (!yaml_read_text(l->doc, map, "link", true, link, sizeof link, e)) {
        return false;
    }
    const struct yaml_node *at = yaml_get(map, "link");
    if (!bench_resolve_link(l->b->path, link, address, &why)) {
        return yaml_fail(l->doc, at, e, "%s", why.text);
    }
    bool is_file = strncmp(address, "file:", 5) == 0;
    if (is_file != (d->protocol == PROTOCOL_FILE)) {
        return yaml_fail(l->doc, at, e, "driver \"%s\" %s, so the link must %s", d->name,
                         is_file ? "speaks over a line" : "reads a file",
                         is_file ? "be serial:, tcp: or usbtmc:" : "be file:PATH");
    }
    return true;
}

static bool read_driver(const struct bench_loading *l, const struct yaml_node *map, enum role role,
                        const struct driver **d, struct err *e)
{
    const struct yaml_node *at = yaml_get(map, "driver");
    if (at == NULL || yaml_node_kind(at) != YAML_TEXT) {
        return yaml_fail(l->doc, at != NULL ? at : map, e,
                         "the %s needs a driver: the name of a file in %s", role_names[role],
                         l->b->drivers_dir);
    }
    *d = bench_driver(l, at, e);
    if (*d == NULL) {
        return false;
    }
    if ((*d)->role != role) {
        return yaml_fail(l->doc, at, e, "driver \"%s\" is for a %s, a driver for a %s is wanted",
                         (*d)->name, role_names[(*d)->role], role_names[role]);
    }
    return true;
}

static bool read_instrument(const struct bench_loading *l, const struct yaml_node *stand,
                            enum role role, struct stand_config *s, struct err *e)
{
    const struct yaml_node *map = yaml_get(stand, role_names[role]);
    const struct driver *d = NULL;
    char address[ADDRESS_SIZE], name[LABEL_SIZE + 16], identity[DRIVER_LINE_SIZE] = "";
    if (map == NULL) {
        return true;
    }
    if (!yaml_check_keys(l->doc, map, instrument_keys, e) || !read_driver(l, map, role, &d, e) ||
        !read_link(l, map, d, address, e) || !vary_driver(l, map, &d, e) ||
        !yaml_read_text(l->doc, map, "identity", false, identity, sizeof identity, e)) {
        return false;
    }
    struct link_settings settings = d->link;
    if (!driver_read_port(l->doc, map, &settings, e)) {
        return false;
    }
    if (identity[0] != '\0' && d->identity_query[0] == '\0') {
        return yaml_fail(l->doc, yaml_get(map, "identity"), e,
                         "driver \"%s\" cannot ask who the instrument is; leave identity out",
                         d->name);
    }
    text_format(name, sizeof name, "%s %s", s->name, role_names[role]);
    const struct instrument_config config = {
        .name = name, .driver = d, .link = address, .settings = settings, .identity = identity};
    s->instrument[role] = instrument_new(&config);
    return true;
}

/* --- the stand --- */

static bool gives_voltage(const struct instrument *i)
{
    const struct driver_read *r = &instrument_driver(i)->read;
    for (size_t f = 0; f < r->count; f++) {
        if (r->field[f] == FIELD_VOLTAGE) {
            return true;
        }
    }
    return false;
}

static bool check_voltage_source(const struct bench_loading *l, const struct yaml_node *map,
                                 const struct stand_config *s, struct err *e)
{
    static const enum role outputs[] = {ROLE_LOAD, ROLE_SUPPLY};
    for (size_t i = 0; i < 2 && s->sense != SENSE_METER; i++) {
        const struct instrument *one = s->instrument[outputs[i]];
        if (one != NULL && !gives_voltage(one)) {
            return yaml_fail(l->doc, yaml_get(map, role_names[outputs[i]]), e,
                             "driver \"%s\" does not read voltage; add a meter and sense: meter",
                             instrument_driver(one)->name);
        }
    }
    return true;
}

/* A resistance, or the cable it is that of: "2 m of 4 mm2". */
static bool read_leads(const struct bench_loading *l, const struct yaml_node *map, double *ohm,
                       struct err *e)
{
    const struct yaml_node *lead = yaml_get(map, "lead_resistance");
    const char *text = lead != NULL ? yaml_text(lead) : NULL;
    struct conductor cable;
    struct err why = {0};
    if (text == NULL || strstr(text, " of ") == NULL) {
        return yaml_read_value(l->doc, map, "lead_resistance", false, DIM_RESISTANCE, ohm, e);
    }
    if (!conductor_parse(text, &cable, &why)) {
        return yaml_fail(l->doc, lead, e, "%s", why.text);
    }
    *ohm = conductor_ohm(&cable, CONDUCTOR_AT_C);
    return true;
}

static bool read_sense(const struct bench_loading *l, const struct yaml_node *map,
                       struct stand_config *s, struct err *e)
{
    const struct yaml_node *lead = yaml_get(map, "lead_resistance");
    int sense = s->instrument[ROLE_METER] != NULL ? SENSE_METER : SENSE_TWO_WIRE;
    if (!yaml_read_choice(l->doc, map, "sense", false, sense_names, &sense, e) ||
        !read_leads(l, map, &s->lead_ohm, e)) {
        return false;
    }
    s->sense = (enum sense)sense;
    if (s->sense == SENSE_METER && s->instrument[ROLE_METER] == NULL) {
        return yaml_fail(l->doc, yaml_get(map, "sense"), e,
                         "sense: meter, but the stand has no meter; add one, or write remote or "
                         "two-wire");
    }
    if (lead != NULL && s->lead_ohm < 0) {
        return yaml_fail(l->doc, lead, e, "lead_resistance cannot be negative");
    }
    if (lead != NULL && s->sense != SENSE_TWO_WIRE) {
        return yaml_fail(l->doc, lead, e,
                         "lead_resistance has no meaning with sense: %s, which reads at the "
                         "battery; leave it out, or write sense: two-wire",
                         sense_names[s->sense]);
    }
    return check_voltage_source(l, map, s, e);
}

static bool read_name(const struct bench_loading *l, const struct yaml_node *map,
                      struct stand_config *s, struct err *e)
{
    static const char allowed[] =
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.";
    if (!yaml_read_text(l->doc, map, "name", true, s->name, sizeof s->name, e)) {
        return false;
    }
    if (s->name[0] == '\0' || s->name[strspn(s->name, allowed)] != '\0') {
        return yaml_fail(l->doc, yaml_get(map, "name"), e,
                         "\"%s\" is no name for a stand: letters, digits and - _ . only, since it "
                         "is typed in commands",
                         s->name);
    }
    return true;
}

bool bench_read_stand(const struct bench_loading *l, const struct yaml_node *map,
                      struct stand_config *s, struct err *e)
{
    s->line = yaml_line(map);
    if (!yaml_check_keys(l->doc, map, stand_keys, e) || !read_name(l, map, s, e)) {
        return false;
    }
    for (int role = 0; role < 4; role++) {
        if (!read_instrument(l, map, (enum role)role, s, e)) {
            return false;
        }
    }
    if (s->instrument[ROLE_LOAD] == NULL && s->instrument[ROLE_SUPPLY] == NULL) {
        return yaml_fail(l->doc, map, e, "stand \"%s\" has neither load nor supply; it needs one",
                         s->name);
    }
    return read_sense(l, map, s, e);
}
