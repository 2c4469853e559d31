/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_backup: a copy of the database, made while it is written to. The file goes to
 * who asks: over HTTP nobody names files of this computer. */
#include "base/file.h"
#include "web/handlers.h"
#include "web/imports.h"
#include "web/lookup.h"
#include "web/samples.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <sys/stat.h>
#include <unistd.h>

/* A folder beside the database is ours while a copy is made, so that no file of a person's
 * is in the way. What an attempt that was cut off has left in it goes first. */
static void clear_folder(const char *folder)
{
    static const char *const names[] = {"copy", "copy.partial", "copy.partial-journal"};
    char path[PATH_MAX];
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (text_format(path, sizeof path, "%s/%s", folder, names[i])) {
            unlink(path);
        }
    }
    rmdir(folder);
}

/* A copy is as large as what it is of, as long as somebody takes it: who may look must not be able
 * to fill the disk that a run is recorded on. */
static bool has_room(const struct web_config *c, struct err *e)
{
    struct stat st;
    const char *path = store_path(c->store);
    return stat(path, &st) == 0 ? imports_leave_room(path, st.st_size, e)
                                : err_set_errno(e, errno, "look at %s", path);
}

/* Open for reading and without a name any more, so that nothing is left of it. */
static bool make_copy(const struct web_config *c, bool is_near, int *fd, struct err *e)
{
    struct reader *r = NULL;
    char folder[PATH_MAX], path[PATH_MAX];
    if (!text_format(folder, sizeof folder, is_near ? "%s.copying" : "%s.copying-far",
                     store_path(c->store)) ||
        !text_format(path, sizeof path, "%s/copy", folder)) {
        return err_set(e, ERR_CONFIG, "the database path is too long");
    }
    clear_folder(folder);
    if (!has_room(c, e)) {
        return false;
    }
    if (mkdir(folder, S_IRWXU) != 0) {
        return err_set_errno(e, errno, "make the folder %s for a copy", folder);
    }
    bool ok = lookup_reader(c, &r, e) && reader_backup(r, path, e) && store_check_copy(path, e);
    reader_close(r);
    *fd = ok ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (ok && *fd < 0) {
        ok = err_set_errno(e, errno, "open the copy %s", path);
    }
    clear_folder(folder);
    return ok;
}

bool get_backup(const struct request *q, struct reply *out, struct err *e)
{
    struct copy_wanted wanted = {.fd = -1,
                                 .owner = {q->caller.token.serial, q->caller.port == 0},
                                 .connection = q->connection,
                                 .parking = q->parking,
                                 .downloads = q->downloads};
    if (!downloads_begin_copy(q->downloads, wanted.owner.is_near)) {
        return err_set(e, ERR_REFUSED,
                       "a copy of the database is being made and sent already; try again when "
                       "that has ended");
    }
    if (!make_copy(q->config, wanted.owner.is_near, &wanted.fd, e)) {
        downloads_end_copy(q->downloads, wanted.owner.is_near);
        return false;
    }
    out->stream = copy_stream(&wanted, e);
    return out->stream != NULL;
}
