/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/names: labels and ids as they come out of a URL. */
#include "web/route.h"

#include "base/utf8.h"

#include <string.h>

static int hex_value(char c)
{
    if (c >= '0' && c <= '9') {
        return c - '0';
    }
    if (c >= 'a' && c <= 'f') {
        return c - 'a' + 10;
    }
    if (c >= 'A' && c <= 'F') {
        return c - 'A' + 10;
    }
    return -1;
}

/* The JSON library judges UTF-8 strictly; nobody else needs to. */
static bool is_utf8(const char *text)
{
    json_t *s = json_string(text);
    bool ok = s != NULL;
    json_decref(s);
    return ok;
}

bool percent_decode(const char *text, size_t n, char *out, size_t size, struct err *e)
{
    static const char has_control[] = "the address holds a control character";
    size_t used = 0;
    for (size_t i = 0; i < n; i++) {
        unsigned char c = (unsigned char)text[i];
        if (c == '%') {
            int high = i + 2 < n ? hex_value(text[i + 1]) : -1;
            int low = i + 2 < n ? hex_value(text[i + 2]) : -1;
            if (high < 0 || low < 0) {
                return err_set(e, ERR_CONFIG,
                               "the address holds a %% that is not followed by two hexadecimal "
                               "digits; write a percent sign as %%25");
            }
            c = (unsigned char)(high * 16 + low);
            i += 2;
        }
        if (c == '\0') { /* the text would end there */
            return err_set(e, ERR_CONFIG, has_control);
        }
        if (used + 1 >= size) {
            return err_set(e, ERR_CONFIG, "a name in the address is longer than %zu bytes",
                           size - 1);
        }
        out[used++] = (char)c;
    }
    out[used] = '\0';
    if (utf8_find_control(out) != 0) {
        return err_set(e, ERR_CONFIG, has_control);
    }
    return is_utf8(out) || err_set(e, ERR_CONFIG, "a name in the address is not UTF-8");
}

bool label_check(const char *label, struct err *e)
{
    size_t n = strlen(label);
    if (n == 0) {
        return err_set(e, ERR_CONFIG, "the label is empty; use the one written on it");
    }
    if (n >= LABEL_SIZE) {
        return err_set(e, ERR_CONFIG, "the label is longer than %d bytes", LABEL_SIZE - 1);
    }
    if (utf8_find_control(label) != 0 || strchr(label, '/') != NULL) {
        return err_set(e, ERR_CONFIG,
                       "a label has no control characters and no slash; e.g. launch-a");
    }
    if (label[0] == ' ' || label[n - 1] == ' ') {
        return err_set(e, ERR_CONFIG, "the label \"%s\" begins or ends with a space; leave it away",
                       label);
    }
    if (strcmp(label, ".") == 0 || strcmp(label, "..") == 0) {
        return err_set(e, ERR_CONFIG, "\"%s\" cannot be a label", label);
    }
    return is_utf8(label) || err_set(e, ERR_CONFIG, "the label is not UTF-8");
}

bool run_name_check(const char *name, struct err *e)
{
    size_t n = strlen(name);
    if (strcmp(name, "last") == 0 ||
        (n > 0 && n < UUID_TEXT_SIZE && strspn(name, "0123456789abcdefABCDEF-") == n)) {
        return true;
    }
    return err_set(e, ERR_CONFIG,
                   "\"%s\" does not name a run: give its number, the beginning of its id, or "
                   "\"last\"",
                   name);
}
