/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/handlers_backup: a copy of the database, made while it is written to. The file goes to
 * who asks: over HTTP nobody names files of this computer. */
#include "base/file.h"
#include "web/handlers.h"
#include "web/lookup.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <microhttpd.h>
#include <pthread.h>
#include <sys/stat.h>
#include <unistd.h>

/* One at a time: each takes as much room on the disk as the database. */
static pthread_mutex_t one_copy = PTHREAD_MUTEX_INITIALIZER;

/* Open for reading and without a name any more, so that nothing is left of it. */
static bool make_copy(const struct web_config *c, int *fd, struct err *e)
{
    struct reader *r = NULL;
    char path[PATH_MAX];
    if (!text_format(path, sizeof path, "%s.backup", store_path(c->store))) {
        return err_set(e, ERR_CONFIG, "the database path is too long");
    }
    unlink(path); /* of an attempt that was cut off */
    bool ok = lookup_reader(c, &r, e) && reader_backup(r, path, e) && store_check_copy(path, e);
    reader_close(r);
    *fd = ok ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    if (ok && *fd < 0) {
        ok = err_set_errno(e, errno, "open the copy %s", path);
    }
    unlink(path);
    return ok;
}

bool get_backup(const struct request *q, struct reply *out, struct err *e)
{
    int fd = -1;
    struct stat st;
    pthread_mutex_lock(&one_copy);
    bool ok = make_copy(q->config, &fd, e);
    pthread_mutex_unlock(&one_copy);
    if (!ok) {
        return false;
    }
    if (fstat(fd, &st) == 0) {
        out->stream = MHD_create_response_from_fd64((uint64_t)st.st_size, fd);
    }
    if (out->stream == NULL) {
        close(fd);
        return err_set(e, ERR_SYSTEM, "there is no memory for an answer");
    }
    MHD_add_response_header(out->stream, "Content-Type", "application/vnd.sqlite3");
    return true;
}
