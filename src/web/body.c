/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/body: JSON that a client sent, checked field by field. */
#include "web/body.h"

#include "base/utf8.h"
#include "base/yaml.h"

#include <math.h>
#include <string.h>

#define FIELDS_MAX 32
#define COUNT_MAX 1000

bool body_parse(const char *text, size_t n, json_t **out, struct err *e)
{
    json_error_t why;
    if (n == 0) {
        *out = json_object();
        return true;
    }
    json_t *v = json_loadb(text, n, JSON_REJECT_DUPLICATES, &why);
    if (v == NULL) {
        return err_set(e, ERR_CONFIG, "the body is not good JSON: line %d, column %d: %s", why.line,
                       why.column, why.text);
    }
    if (!json_is_object(v)) {
        json_decref(v);
        return err_set(e, ERR_CONFIG,
                       "the body must be a JSON object, e.g. {\"profile\": \"...\"}");
    }
    *out = v;
    return true;
}

static bool read_text(const struct body_field *f, const json_t *v, struct err *e)
{
    const char *text = json_string_value(v);
    if (text == NULL) {
        return err_set(e, ERR_CONFIG, "\"%s\" must be a text in quotes", f->name);
    }
    size_t n = strlen(text);
    if (n >= f->size) {
        return err_set(e, ERR_CONFIG, "\"%s\" is longer than %zu bytes", f->name, f->size - 1);
    }
    if (utf8_find_control(text) != 0) {
        return err_set(e, ERR_CONFIG, "\"%s\" holds a control character", f->name);
    }
    memcpy(f->out, text, n + 1);
    return true;
}

static bool read_number(const struct body_field *f, const json_t *v, struct err *e)
{
    if (!json_is_number(v)) {
        return err_set(e, ERR_CONFIG,
                       "\"%s\" must be a number without quotes; its unit is in the name", f->name);
    }
    double value = json_number_value(v);
    if (f->kind == BODY_POSITIVE && !(value > 0)) {
        return err_set(e, ERR_CONFIG, "\"%s\" must be greater than 0", f->name);
    }
    *(double *)f->out = value;
    return true;
}

static bool read_count(const struct body_field *f, const json_t *v, struct err *e)
{
    json_int_t value = json_integer_value(v);
    if (!json_is_integer(v) || value < 1 || value > COUNT_MAX) {
        return err_set(e, ERR_CONFIG, "\"%s\" must be a whole number from 1 to %d", f->name,
                       COUNT_MAX);
    }
    *(int *)f->out = (int)value;
    return true;
}

static bool read_id(const struct body_field *f, const json_t *v, struct err *e)
{
    *(int64_t *)f->out = json_integer_value(v); /* 0 of what is no whole number */
    return json_integer_value(v) > 0 ||
           err_set(e, ERR_CONFIG, "\"%s\" must be a whole number greater than 0", f->name);
}

static bool read_field(const struct body_field *f, const json_t *v, struct err *e)
{
    switch (f->kind) {
    case BODY_ID:
        return read_id(f, v, e);
    case BODY_TEXT:
        return read_text(f, v, e);
    case BODY_POSITIVE:
    case BODY_NUMBER:
        return read_number(f, v, e);
    case BODY_COUNT:
        return read_count(f, v, e);
    case BODY_FLAG:
        *(bool *)f->out = json_is_true(v);
        return json_is_boolean(v) ||
               err_set(e, ERR_CONFIG, "\"%s\" must be true or false", f->name);
    case BODY_LIST:
        *(const json_t **)f->out = v;
        return json_is_array(v) ||
               err_set(e, ERR_CONFIG, "\"%s\" must be a list in square brackets", f->name);
    }
    return err_set(e, ERR_BUG, "a field of unknown kind");
}

static bool refuse_unknown(const json_t *body, const struct body_field *fields, size_t n,
                           struct err *e)
{
    const char *known[FIELDS_MAX + 1] = {NULL};
    for (size_t i = 0; i < n && i < FIELDS_MAX; i++) {
        known[i] = fields[i].name;
    }
    /* Iterating needs a pointer that is not const; nothing is changed. */
    union {
        const json_t *given;
        json_t *object;
    } b = {body};
    const char *key;
    json_t *v;
    json_object_foreach(b.object, key, v)
    {
        size_t i = 0;
        while (i < n && strcmp(fields[i].name, key) != 0) {
            i++;
        }
        if (i == n) {
            const char *near = nearest_word(key, known);
            return near != NULL
                       ? err_set(e, ERR_CONFIG, "unknown field \"%.64s\"; did you mean \"%s\"?",
                                 key, near)
                       : err_set(e, ERR_CONFIG, "unknown field \"%.64s\"%s%s", key,
                                 n > 0 ? "; known is e.g. " : "; nothing is expected here",
                                 n > 0 ? fields[0].name : "");
        }
    }
    return true;
}

bool body_read(const json_t *body, const struct body_field *fields, size_t n, struct err *e)
{
    if (!refuse_unknown(body, fields, n, e)) {
        return false;
    }
    for (size_t i = 0; i < n; i++) {
        const json_t *v = json_object_get(body, fields[i].name);
        bool absent = v == NULL || json_is_null(v);
        if (absent && fields[i].required) {
            return err_set(e, ERR_CONFIG, "the field \"%s\" is missing", fields[i].name);
        }
        if (!absent && !read_field(&fields[i], v, e)) {
            return false;
        }
    }
    return true;
}
