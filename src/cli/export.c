/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/export: the verb export. A file appears whole or not at all: it is written
 * beside its name, brought to the disk, then renamed. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define FILE_MODE 0666 /* less the umask */

static bool download(const struct cli *c, const char *path, FILE *f, struct err *e)
{
    struct client *client = NULL;
    bool ok = client_open(c->socket, &client, e) && client_download(client, path, f, e);
    client_close(client);
    return ok;
}

static bool to_stdout(const struct cli *c, const char *path, struct err *e)
{
    if (!download(c, path, stdout, e)) {
        return false;
    }
    return (fflush(stdout) == 0 && !ferror(stdout)) ||
           err_set_errno(e, errno, "write the samples to standard output");
}

static bool settle(FILE *f, const char *name, struct err *e)
{
    mode_t mask = umask(0);
    umask(mask);
    return (fflush(f) == 0 && fchmod(fileno(f), FILE_MODE & ~mask) == 0 && fsync(fileno(f)) == 0) ||
           err_set_errno(e, errno, "write %s", name);
}

static bool to_file(const struct cli *c, const char *path, const char *name, struct err *e)
{
    char part[4096];
    if (!text_format(part, sizeof part, "%s.XXXXXX", name)) {
        return err_set(e, ERR_CONFIG, "the file name %.60s... is too long", name);
    }
    int fd = mkstemp(part);
    FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (f == NULL) {
        err_set_errno(e, errno, "make a file beside %s", name);
        e->code = ERR_CONFIG; /* the name that was given */
        return false;
    }
    bool ok = download(c, path, f, e) && settle(f, name, e);
    if (fclose(f) != 0 && ok) {
        ok = err_set_errno(e, errno, "write %s", name);
    }
    if (ok && rename(part, name) != 0) {
        ok = err_set_errno(e, errno, "give %s its name", name);
    }
    if (!ok) {
        unlink(part);
    }
    return ok;
}

int verb_export(struct cli *c, int argc, char **argv)
{
    const char *which = NULL, *name = NULL;
    const struct option_spec options[] = {
        {.name = "output", .letter = 'o', .wants = "FILE.csv", .text = &name},
    };
    const struct operand_spec operand = {"RUN", &which, true};
    const struct args_spec spec = {options, 1, &operand, 1};
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    if (!args_read(&spec, c, argc, argv, &e) ||
        !client_path(path, "/v1/runs/", which, "/samples", &e)) {
        return cli_fail(argv[0], &e);
    }
    bool to_output = name == NULL || strcmp(name, "-") == 0;
    if (c->json && to_output) {
        err_set(&e, ERR_CONFIG,
                "--json needs -o FILE.csv, because the samples go to standard output");
        return cli_fail(argv[0], &e);
    }
    if (to_output ? !to_stdout(c, path, &e) : !to_file(c, path, name, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (c->json) {
        json_t *document = json_pack("{s:s, s:s}", "run", which, "file", name);
        print_json(document);
        json_decref(document);
    } else if (!to_output) {
        printf("%s: written\n", name);
    }
    return EXIT_DONE;
}
