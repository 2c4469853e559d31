/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/tokens: the list in memory and its file. Only the SHA-256 of a token is kept: it has
 * 160 random bits, so nobody gets from the sum to the token by trying, and a slow hash with
 * salt, which weak passwords need, would only give strangers a way to keep this computer busy. */
#include "web/tokens.h"

#include "base/clock.h"
#include "base/file.h"
#include "base/ids.h"
#include "base/thread.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <limits.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define SECRET_BYTES 20
#define GROUP_LETTERS 8
#define FILE_MAX (64u << 10)

struct token {
    struct token_holder holder;
    char made_utc[CLOCK_UTC_TEXT_SIZE];
    char sum[SHA256_TEXT_SIZE];
};

struct list {
    size_t n;
    struct token items[TOKENS_MAX];
};

struct tokens {
    char *path;
    pthread_mutex_t change; /* one writes at a time, also to the disk */
    pthread_mutex_t lock;   /* of what is below; never held while a disk is waited for */
    struct list list;
    uint32_t last_serial;
    struct err damage; /* of the file: it stays as it is, for a person to look at */
};

enum may may_parse(const char *word)
{
    return strcmp(word, "change") == 0 ? MAY_CHANGE
           : strcmp(word, "read") == 0 ? MAY_READ
                                       : MAY_NOTHING;
}

const char *may_word(enum may may)
{
    return may == MAY_CHANGE ? "change" : may == MAY_READ ? "read" : "nothing";
}

static bool take_item(const json_t *item, struct token *out)
{
    const char *name = NULL, *may = NULL, *made = NULL, *sum = NULL;
    if (json_unpack((json_t *)(uintptr_t)item, "{s:s, s:s, s:s, s:s}", "name", &name, "may", &may,
                    "made_utc", &made, "sha256", &sum) != 0) {
        return false;
    }
    out->holder.may = may_parse(may);
    return out->holder.may != MAY_NOTHING && strlen(sum) == SHA256_TEXT_SIZE - 1 &&
           text_format(out->holder.name, sizeof out->holder.name, "%s", name) &&
           text_format(out->made_utc, sizeof out->made_utc, "%s", made) &&
           text_format(out->sum, sizeof out->sum, "%s", sum);
}

static bool take_text(struct tokens *t, const char *text, size_t n)
{
    json_t *root = json_loadb(text, n, JSON_REJECT_DUPLICATES, NULL);
    const json_t *all = json_object_get(root, "tokens");
    bool ok = json_is_array(all) && json_array_size(all) <= TOKENS_MAX;
    for (size_t i = 0; ok && i < json_array_size(all); i++) {
        ok = take_item(json_array_get(all, i), &t->list.items[i]);
        t->list.items[i].holder.serial = ++t->last_serial;
        t->list.n = i + 1;
    }
    json_decref(root);
    return ok;
}

static bool fail_damaged(const struct tokens *t, struct err *e)
{
    return err_set(e, ERR_CONFIG,
                   "%s holds no list of tokens that can be read; move it away, start again and "
                   "make new ones: ampledger token make NAME",
                   t->path);
}

static bool read_file(struct tokens *t, struct err *e)
{
    char *text = NULL;
    size_t n = 0;
    struct stat st;
    if (stat(t->path, &st) != 0 && errno == ENOENT) {
        return true;
    }
    if (!file_read(t->path, FILE_MAX, &text, &n, e)) {
        return false;
    }
    bool ok = take_text(t, text, n) || fail_damaged(t, e);
    free(text);
    return ok;
}

bool tokens_open(const char *path, struct tokens **out, struct err *e)
{
    struct tokens *t = zalloc(sizeof *t);
    t->path = text_copy(path);
    mutex_init_inheriting(&t->change);
    mutex_init_inheriting(&t->lock);
    if (!read_file(t, &t->damage)) {
        t->list.n = 0;
    }
    *out = t;
    return tokens_are_read(t, e);
}

bool tokens_are_read(const struct tokens *t, struct err *e)
{
    return t->damage.code == ERR_NONE || err_set(e, t->damage.code, "%s", t->damage.text);
}

void tokens_free(struct tokens *t)
{
    if (t != NULL) {
        pthread_mutex_destroy(&t->change);
        pthread_mutex_destroy(&t->lock);
        free(t->path);
        free(t);
    }
}

static json_t *list_to_json(const struct list *list, bool with_sums)
{
    json_t *all = json_array();
    for (size_t i = 0; i < list->n; i++) {
        const struct token *k = &list->items[i];
        json_t *item = json_pack("{s:s, s:s, s:s}", "name", k->holder.name, "may",
                                 may_word(k->holder.may), "made_utc", k->made_utc);
        if (with_sums) {
            json_object_set_new(item, "sha256", json_string(k->sum));
        }
        json_array_append_new(all, item);
    }
    return json_pack("{s:o}", "tokens", all);
}

/* A new file takes the place of the old one, so that there is a whole one at any time. */
static bool write_draft(const char *draft, const char *text, struct err *e)
{
    int fd = open(draft, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, S_IRUSR | S_IWUSR);
    if (fd < 0) {
        return err_set_errno(e, errno, "write %s", draft);
    }
    size_t n = strlen(text);
    ssize_t written = write(fd, text, n);
    int failed = written < 0 ? errno : (size_t)written < n ? ENOSPC : fsync(fd) != 0 ? errno : 0;
    if (close(fd) != 0 && failed == 0) {
        failed = errno;
    }
    if (failed != 0) {
        unlink(draft);
        return err_set_errno(e, failed, "write %s", draft);
    }
    return true;
}

static void flush_folder(const char *path)
{
    char folder[PATH_MAX];
    text_format(folder, sizeof folder, "%s", path);
    int fd = open(dirname(folder), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd >= 0) {
        (void)fsync(fd); /* some file systems cannot, and need not */
        close(fd);
    }
}

static bool write_list(const struct tokens *t, const struct list *list, struct err *e)
{
    char draft[PATH_MAX];
    json_t *root = list_to_json(list, true);
    char *text = json_dumps(root, JSON_INDENT(1));
    json_decref(root);
    bool ok = text != NULL && text_format(draft, sizeof draft, "%s.draft", t->path);
    ok = ok ? write_draft(draft, text, e)
            : err_set(e, ERR_SYSTEM, "there is no room for the list of tokens");
    free(text);
    if (ok && rename(draft, t->path) != 0) {
        ok = err_set_errno(e, errno, "give %s its name", t->path);
    }
    if (ok) {
        flush_folder(t->path);
    }
    return ok;
}

static size_t place_of(const struct list *list, const char *name)
{
    size_t i = 0;
    while (i < list->n && strcmp(list->items[i].holder.name, name) != 0) {
        i++;
    }
    return i;
}

static bool make_text(char text[TOKEN_TEXT_SIZE], struct err *e)
{
    static const char letters[33] = "abcdefghijkmnpqrstuvwxyz23456789"; /* no l, o, 0, 1 */
    uint8_t secret[SECRET_BYTES];
    unsigned bits = 0, held = 0;
    size_t n = 0;
    if (!secret_make(secret, sizeof secret, e)) {
        return false;
    }
    for (size_t i = 0; i < sizeof secret; i++) {
        bits = bits << 8 | secret[i];
        for (held += 8; held >= 5; held -= 5) {
            if (n % (GROUP_LETTERS + 1) == GROUP_LETTERS) {
                text[n++] = '-';
            }
            text[n++] = letters[bits >> (held - 5) & 31];
        }
    }
    text[n] = '\0';
    explicit_bzero(secret, sizeof secret);
    return true;
}

static void copy_list(struct tokens *t, struct list *out)
{
    pthread_mutex_lock(&t->lock);
    *out = t->list;
    pthread_mutex_unlock(&t->lock);
}

static void put_list(struct tokens *t, const struct list *list)
{
    pthread_mutex_lock(&t->lock);
    t->list = *list;
    pthread_mutex_unlock(&t->lock);
}

static bool add(struct tokens *t, struct list *list, const struct token *k, struct err *e)
{
    const char *name = k->holder.name;
    if (place_of(list, name) < list->n) {
        return err_set(e, ERR_CONFIG,
                       "there is a token \"%s\" already; withdraw it first, or choose another name",
                       name);
    }
    if (list->n == TOKENS_MAX) {
        return err_set(e, ERR_REFUSED, "there are %d tokens; withdraw one first", TOKENS_MAX);
    }
    list->items[list->n++] = *k;
    return write_list(t, list, e);
}

bool tokens_make(struct tokens *t, const struct token_holder *wanted, int64_t utc_ns,
                 char text[TOKEN_TEXT_SIZE], struct err *e)
{
    struct token k = {.holder = *wanted};
    if (!tokens_are_read(t, e) || !make_text(text, e)) {
        return false;
    }
    sha256_hex(text, strlen(text), k.sum);
    clock_format_utc(utc_ns, k.made_utc);
    struct list *list = zalloc(sizeof *list);
    pthread_mutex_lock(&t->change);
    copy_list(t, list);
    k.holder.serial = t->last_serial + 1;
    bool ok = add(t, list, &k, e);
    if (ok) {
        t->last_serial++;
        put_list(t, list);
    }
    pthread_mutex_unlock(&t->change);
    free(list);
    return ok;
}

bool tokens_withdraw(struct tokens *t, const char *name, uint32_t *serial, struct err *e)
{
    struct list *list = zalloc(sizeof *list);
    pthread_mutex_lock(&t->change);
    copy_list(t, list);
    size_t at = place_of(list, name);
    bool ok = at < list->n ||
              err_set(e, ERR_NOT_FOUND, "there is no token \"%s\"; see: ampledger token", name);
    if (ok) {
        *serial = list->items[at].holder.serial;
        memmove(list->items + at, list->items + at + 1, (--list->n - at) * sizeof *list->items);
        put_list(t, list);
        ok = write_list(t, list, e) ||
             err_prefix(e, "it is withdrawn until the daemon starts again, but not for good");
    }
    pthread_mutex_unlock(&t->change);
    free(list);
    return ok;
}

/* Goes through all of them, whichever fits. */
bool tokens_find(struct tokens *t, const char *text, struct token_holder *out)
{
    char sum[SHA256_TEXT_SIZE];
    bool found = false;
    sha256_hex(text, strlen(text), sum);
    pthread_mutex_lock(&t->lock);
    for (size_t i = 0; i < t->list.n; i++) {
        if (secret_equals(sum, t->list.items[i].sum, sizeof sum)) {
            *out = t->list.items[i].holder;
            found = true;
        }
    }
    pthread_mutex_unlock(&t->lock);
    return found;
}

size_t tokens_count(struct tokens *t)
{
    pthread_mutex_lock(&t->lock);
    size_t n = t->list.n;
    pthread_mutex_unlock(&t->lock);
    return n;
}

json_t *tokens_to_json(struct tokens *t)
{
    struct list *list = zalloc(sizeof *list);
    copy_list(t, list);
    json_t *out = list_to_json(list, false);
    free(list);
    return out;
}
