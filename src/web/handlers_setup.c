/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_setup: the bench file, drivers and ports to look at, and what was told to
 * the outside. Opens no port. */
#include "base/file.h"
#include "instrument/driver.h"
#include "link/ports.h"
#include "web/handlers.h"
#include "web/shapes.h"

#include <dirent.h>
#include <stdlib.h>
#include <string.h>

/* The file as it is now against the text that the daemon goes by. */
static json_t *bench_file(const struct bench *b)
{
    struct bench *now = NULL;
    struct err e = {0};
    bool ok = bench_load(b->path, &now, &e);
    json_t *o = json_pack("{s:o, s:o, s:o, s:b}", "path", text_to_json(b->path), "text",
                          text_to_json(b->text != NULL ? b->text : ""), "problem",
                          text_to_json(ok ? "" : e.text), "changed",
                          ok && strcmp(now->sha256, b->sha256) != 0);
    bench_free(now);
    return o;
}

static int is_driver_file(const struct dirent *d)
{
    return d->d_name[0] != '.' && text_matches("?*.yaml", d->d_name);
}

static json_t *driver_entry(const char *dir, const char *file)
{
    char path[2 * PATH_SIZE];
    struct driver *d = NULL;
    struct err e = {0};
    bool ok = text_format(path, sizeof path, "%s/%s", dir, file)
                  ? driver_load_file(path, &d, &e)
                  : err_set(&e, ERR_CONFIG, "the path is too long");
    json_t *o = json_pack("{s:o, s:o, s:o, s:o}", "name", text_to_json(file), "title",
                          text_to_json(d != NULL ? d->about : ""), "role",
                          text_to_json(d != NULL ? role_names[d->role] : ""), "problem",
                          text_to_json(ok ? "" : e.text));
    driver_free(d);
    return o;
}

static json_t *drivers(const struct bench *b)
{
    struct dirent **files = NULL;
    json_t *list = json_array();
    int n = scandir(b->drivers_dir, &files, is_driver_file, alphasort);
    for (int i = 0; i < n; i++) {
        json_array_append_new(list, driver_entry(b->drivers_dir, files[i]->d_name));
        free(files[i]);
    }
    free(files);
    return list;
}

static json_t *ports(struct err *e)
{
    struct port_info *found = NULL;
    size_t n = 0;
    json_t *list = json_array();
    if (!ports_list(&found, &n, e)) {
        return list;
    }
    for (size_t i = 0; i < n; i++) {
        const struct port_info *p = &found[i];
        json_array_append_new(
            list, json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "name", text_to_json(p->name),
                            "description", text_to_json(p->description), "manufacturer",
                            text_to_json(p->usb_manufacturer), "product",
                            text_to_json(p->usb_product_name), "serial",
                            text_to_json(p->usb_serial), "by_id", text_to_json(p->by_id)));
    }
    free(found);
    return list;
}

bool get_setup(const struct request *q, struct reply *out, struct err *e)
{
    (void)e;
    const struct bench *b = q->config->bench;
    struct err why = {0};
    json_t *found = ports(&why);
    out->body = json_pack("{s:o, s:o, s:o, s:o}", "bench_file", bench_file(b), "drivers",
                          drivers(b), "ports", found, "ports_problem", text_to_json(why.text));
    return true;
}

static json_t *message_to_json(const struct hook_record *r)
{
    return json_pack("{s:o, s:s, s:o, s:o, s:s, s:b, s:i, s:o}", "at", utc_to_json(r->at_utc_ns),
                     "kind", hook_kind_names[r->kind], "stand", text_to_json(r->stand), "said",
                     text_to_json(r->said), "by", r->by_post ? "post" : "command", "ok", r->ok,
                     "tries", r->tries, "text", text_to_json(r->text));
}

bool get_messages(const struct request *q, struct reply *out, struct err *e)
{
    (void)e;
    const struct web_config *c = q->config;
    bool told = c->bench->events.command != NULL || c->bench->events.post[0] != '\0';
    struct hook_record *records = zalloc(HOOK_RECORDS * sizeof *records);
    size_t n = hooks_list(c->hooks, records, HOOK_RECORDS);
    json_t *list = json_array();
    for (size_t i = 0; i < n; i++) {
        json_array_append_new(list, message_to_json(&records[i]));
    }
    free(records);
    out->body = json_pack("{s:s, s:o, s:I}", "told", told ? "somebody" : "nobody", "messages", list,
                          "dropped", (json_int_t)hooks_dropped(c->hooks));
    return true;
}
