/* SPDX-License-Identifier: GPL-3.0-or-later
 * bench/bench: reads bench.yaml: where things are, which stands there are. */
#include "bench/bench.h"

#include "base/file.h"
#include "bench/bench_load.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STANDS_MAX 64
/* The least gets over a few slow flushes of a disk. The most: four stands with ten
 * samples a second then fill half of the queue in which records wait. */
#define RECORD_WITHIN_LEAST_S 5.0
#define RECORD_WITHIN_MOST_S 900.0

static const char *const bench_keys[] = {"bench",    "database",      "socket",  "http",
                                         "profiles", "drivers",       "virtual", "events",
                                         "stands",   "record_within", NULL};

bool bench_read_path(const struct bench_loading *l, const struct yaml_node *map, const char *key,
                     char out[PATH_SIZE], struct err *e)
{
    char text[PATH_SIZE] = "";
    struct err why;
    if (yaml_get(map, key) == NULL) {
        return true;
    }
    return yaml_read_text(l->doc, map, key, true, text, sizeof text, e) &&
           (path_beside(l->b->path, text, out, PATH_SIZE, &why) ||
            yaml_fail(l->doc, yaml_get(map, key), e, "%s: %s", key, why.text));
}

static bool read_path(const struct bench_loading *l, const char *key, const char *otherwise,
                      char out[PATH_SIZE], struct err *e)
{
    const struct yaml_node *root = yaml_root(l->doc);
    struct err why;
    if (*otherwise != '\0' && !path_beside(l->b->path, otherwise, out, PATH_SIZE, &why)) {
        return yaml_fail(l->doc, root, e, "%s: %s", key, why.text);
    }
    return bench_read_path(l, root, key, out, e);
}

static bool read_places(const struct bench_loading *l, struct err *e)
{
    struct bench *b = l->b;
    return yaml_read_text(l->doc, yaml_root(l->doc), "bench", true, b->title, sizeof b->title, e) &&
           read_path(l, "database", "ampledger.db", b->database, e) && bench_read_socket(l, e) &&
           read_path(l, "profiles", "profiles", b->profiles_dir, e) &&
           read_path(l, "drivers", "drivers", b->drivers_dir, e) &&
           read_path(l, "virtual", "", b->virtual_control, e);
}

struct bench_facts bench_facts_of(const char *text)
{
    struct bench_facts f = {0};
    struct yaml_doc *doc = NULL;
    struct err none = {0};
    if (yaml_load_text("bench", text, strlen(text), &doc, &none)) {
        const struct yaml_node *title = yaml_get(yaml_root(doc), "bench");
        text_format(f.title, sizeof f.title, "%s", title != NULL ? yaml_text(title) : "");
        f.is_virtual = yaml_get(yaml_root(doc), "virtual") != NULL;
        yaml_doc_free(doc);
    }
    return f;
}

static bool read_patience(const struct bench_loading *l, struct err *e)
{
    const struct yaml_node *root = yaml_root(l->doc);
    const struct yaml_node *at = yaml_get(root, "record_within");
    double within_s = NAN;
    if (!yaml_read_value(l->doc, root, "record_within", false, DIM_TIME, &within_s, e)) {
        return false;
    }
    if (within_s < RECORD_WITHIN_LEAST_S || within_s > RECORD_WITHIN_MOST_S) {
        return yaml_fail(
            l->doc, at, e,
            "record_within: %s is not between %g s and %g min: so long may records "
            "wait in memory while the disk is full, locked or slow, before a run trips",
            yaml_text(at), RECORD_WITHIN_LEAST_S, RECORD_WITHIN_MOST_S / 60);
    }
    l->b->record_within_s = within_s;
    return true;
}

/* Two paths may lead to one device: /dev/serial/by-id/... and /dev/ttyUSB0. */
static bool same_device(const char *a, const char *b)
{
    const char *path_a = bench_link_path(a), *path_b = bench_link_path(b);
    if (strcmp(a, b) == 0) {
        return true;
    }
    if (path_a == NULL || path_b == NULL) {
        return false;
    }
    char *real_a = realpath(path_a, NULL), *real_b = realpath(path_b, NULL);
    bool same = strcmp(real_a != NULL ? real_a : path_a, real_b != NULL ? real_b : path_b) == 0;
    free(real_a);
    free(real_b);
    return same;
}

/* Two outputs of one instrument: the same driver, other channels, and the same
 * text for the link, by which they find each other. */
static bool may_share(const struct instrument *a, const struct instrument *b)
{
    const struct driver *one = instrument_driver(a), *other = instrument_driver(b);
    return one->channel > 0 && other->channel > 0 && one->channel != other->channel &&
           strcmp(one->name, other->name) == 0 &&
           strcmp(instrument_link_address(a), instrument_link_address(b)) == 0;
}

/* An instrument read before that one of this stand which keeps it from its link, or NULL. */
static const struct instrument *link_user(const struct bench *b, size_t stand, int role)
{
    const struct instrument *one = b->stands[stand].instrument[role];
    for (size_t i = 0; i <= stand; i++) {
        for (int r = 0; r < (i == stand ? role : 4); r++) {
            const struct instrument *other = b->stands[i].instrument[r];
            if (other != NULL && !may_share(one, other) &&
                same_device(instrument_link_address(other), instrument_link_address(one))) {
                return other;
            }
        }
    }
    return NULL;
}

static bool check_links(const struct bench_loading *l, const struct yaml_node *map, size_t index,
                        struct err *e)
{
    for (int role = 0; role < 4; role++) {
        const struct instrument *one = l->b->stands[index].instrument[role];
        const struct instrument *other = one != NULL ? link_user(l->b, index, role) : NULL;
        if (other != NULL) {
            bool outputs = instrument_driver(one)->channel > 0;
            return yaml_fail(l->doc, yaml_get(yaml_get(map, role_names[role]), "link"), e,
                             "%s is already the link of %s; %s", instrument_link_address(one),
                             instrument_name(other),
                             outputs ? "outputs of one instrument share it only with one driver, "
                                       "different channels, and the link written the same way"
                                     : "each instrument needs its own");
        }
    }
    return true;
}

static bool check_name(const struct bench_loading *l, const struct yaml_node *map, size_t index,
                       struct err *e)
{
    const struct stand_config *s = &l->b->stands[index];
    for (size_t i = 0; i < index; i++) {
        if (strcmp(l->b->stands[i].name, s->name) == 0) {
            return yaml_fail(l->doc, yaml_get(map, "name"), e,
                             "there is a stand \"%s\" already, in line %d; give each its own name",
                             s->name, l->b->stands[i].line);
        }
    }
    return true;
}

static bool read_stands(const struct bench_loading *l, struct err *e)
{
    const struct yaml_node *stands = yaml_get(yaml_root(l->doc), "stands");
    if (stands == NULL || yaml_node_kind(stands) != YAML_LIST || yaml_count(stands) == 0 ||
        yaml_count(stands) > STANDS_MAX) {
        return yaml_fail(l->doc, stands != NULL ? stands : yaml_root(l->doc), e,
                         "\"stands\" must be a list of 1 to %d stands, each with name, instruments "
                         "and their links",
                         STANDS_MAX);
    }
    l->b->stands = zalloc(yaml_count(stands) * sizeof *l->b->stands);
    for (size_t i = 0; i < yaml_count(stands); i++) {
        const struct yaml_node *map = yaml_item(stands, i);
        l->b->stand_count = i + 1;
        if (!bench_read_stand(l, map, &l->b->stands[i], e) || !check_name(l, map, i, e) ||
            !check_links(l, map, i, e)) {
            return false;
        }
    }
    return true;
}

bool bench_load(const char *path, struct bench **out, struct err *e)
{
    struct yaml_doc *doc = NULL;
    struct bench *b = zalloc(sizeof *b);
    struct bench_loading l = {.b = b};
    size_t n = 0;
    bool ok = false;
    if (!text_format(b->path, sizeof b->path, "%s", path)) {
        err_set(e, ERR_CONFIG, "%s: the path is too long", path);
        goto out;
    }
    if (!yaml_load_file(path, &doc, e)) {
        goto out;
    }
    l.doc = doc;
    if (!yaml_check_keys(doc, yaml_root(doc), bench_keys, e) || !read_places(&l, e) ||
        !read_patience(&l, e) || !bench_read_http(&l, e) || !bench_read_events(&l, e) ||
        !read_stands(&l, e)) {
        goto out;
    }
    b->text = text_copy(yaml_source(doc, &n));
    sha256_hex(b->text, n, b->sha256);
    *out = b;
    b = NULL;
    ok = true;
out:
    yaml_doc_free(doc);
    bench_free(b);
    return ok;
}

void bench_free(struct bench *b)
{
    if (b == NULL) {
        return;
    }
    follower_free(b->follower);
    hooks_config_clear(&b->events);
    for (size_t i = 0; i < b->stand_count; i++) {
        for (int role = 0; role < 4; role++) {
            instrument_free(b->stands[i].instrument[role]);
        }
    }
    for (size_t i = 0; i < b->driver_count; i++) {
        driver_free(b->drivers[i]);
    }
    for (size_t i = 0; i < b->variant_count; i++) {
        driver_free(b->variants[i]);
    }
    free(b->stands);
    free(b->drivers);
    free(b->variants);
    free(b->text);
    free(b);
}

static const char *nearest_stand(const struct bench *b, const char *name)
{
    const char **names = zalloc((b->stand_count + 1) * sizeof *names);
    for (size_t i = 0; i < b->stand_count; i++) {
        names[i] = b->stands[i].name;
    }
    const char *near = nearest_word(name, names);
    free(names);
    return near;
}

struct stand_config *bench_stand(struct bench *b, const char *name, struct err *e)
{
    for (size_t i = 0; i < b->stand_count; i++) {
        if (strcmp(b->stands[i].name, name) == 0) {
            return &b->stands[i];
        }
    }
    const char *near = nearest_stand(b, name);
    err_set(e, ERR_NOT_FOUND, "there is no stand \"%s\" on this bench; %s%s%s", name,
            near != NULL ? "did you mean \"" : "see: ampledger stands", near != NULL ? near : "",
            near != NULL ? "\"?" : "");
    return NULL;
}
