/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/export: the verbs export, report and backup. A file appears whole or not at all: it is
 * written beside its name, brought to the disk, then gets its name. */
#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/print_pdf.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>
#include <unistd.h>

#define FILE_MODE 0666 /* less the umask */

/* What a verb that fetches a file is about. */
struct fetched {
    const char *wants;  /* of -o */
    const char *before; /* of the address */
    const char *after;
    const char *which;
    const char *name; /* NULL or "-": standard output */
    bool keeps;       /* a file that is there already is left alone */
    bool takes_long;
    const char *paper; /* it is printed as PDF, on this; NULL: written as it comes */
};

static bool download(const struct cli *c, const struct fetched *w, const char *path, FILE *f,
                     struct err *e)
{
    struct client *client = NULL;
    if (!client_open(c->socket, &client, e)) {
        return false;
    }
    if (w->takes_long) {
        client_be_patient(client);
    }
    bool ok = client_download(client, path, f, e);
    client_close(client);
    return ok;
}

static bool to_stdout(const struct cli *c, const struct fetched *w, const char *path, struct err *e)
{
    if (!download(c, w, path, stdout, e)) {
        return false;
    }
    return (fflush(stdout) == 0 && !ferror(stdout)) ||
           err_set_errno(e, errno, "write to standard output");
}

static bool settle(FILE *f, const char *name, struct err *e)
{
    mode_t mask = umask(0);
    umask(mask);
    return (fflush(f) == 0 && fchmod(fileno(f), FILE_MODE & ~mask) == 0 && fsync(fileno(f)) == 0) ||
           err_set_errno(e, errno, "write %s", name);
}

static bool refuse_existing(const char *name, struct err *e)
{
    return err_set(e, ERR_CONFIG, "%s is there already and is left as it is; choose another name",
                   name);
}

/* Takes the place of no file. Sticks whose file system has no links can rename so. */
static bool give_name(const struct fetched *w, const char *part, struct err *e)
{
    if (!w->keeps) {
        return rename(part, w->name) == 0 || err_set_errno(e, errno, "give %s its name", w->name);
    }
    if (renameat2(AT_FDCWD, part, AT_FDCWD, w->name, RENAME_NOREPLACE) == 0) {
        return true;
    }
    if (errno != EEXIST && link(part, w->name) == 0) {
        unlink(part);
        return true;
    }
    return errno == EEXIST ? refuse_existing(w->name, e)
                           : err_set_errno(e, errno, "give %s its name", w->name);
}

/* The report in a file of its own, with the paper it is meant for, and from there to `pdf`. */
static bool print_report(const struct cli *c, const struct fetched *w, const char *path,
                         const char *pdf, struct err *e)
{
    char html[4096], whole[PATH_MAX];
    const char *tmp = getenv("TMPDIR");
    text_format(html, sizeof html, "%s/ampledger-report.XXXXXX.html", tmp != NULL ? tmp : "/tmp");
    int fd = mkstemps(html, 5);
    FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (f == NULL) {
        return err_set_errno(e, errno, "make a file for the report");
    }
    bool ok = download(c, w, path, f, e);
    fprintf(f, "<style>@page{size:%s}</style>\n", w->paper);
    ok = (fclose(f) == 0 && realpath(pdf, whole) != NULL
              ? ok
              : ok && err_set_errno(e, errno, "write the report")) &&
         print_pdf(html, whole, e);
    unlink(html);
    return ok;
}

/* A pipe or a device, such as /dev/null: written into, for a file put in its place would end it. */
static bool to_device(const struct cli *c, const struct fetched *w, const char *path, struct err *e)
{
    if (w->paper != NULL) {
        return err_set(e, ERR_CONFIG, "%s is no file, and only a file can be printed to", w->name);
    }
    FILE *f = fopen(w->name, "w");
    if (f == NULL) {
        return err_set_errno(e, errno, "write into %s", w->name);
    }
    bool ok = download(c, w, path, f, e);
    return (fclose(f) == 0 || err_set_errno(e, errno, "write into %s", w->name)) && ok;
}

static bool to_file(const struct cli *c, const struct fetched *w, const char *path, struct err *e)
{
    char part[4096];
    struct stat there;
    const char *name = w->name;
    if (w->keeps && access(name, F_OK) == 0) {
        return refuse_existing(name, e);
    }
    if (stat(name, &there) == 0 && !S_ISREG(there.st_mode) && !S_ISDIR(there.st_mode)) {
        return to_device(c, w, path, e);
    }
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
    bool ok = (w->paper != NULL ? print_report(c, w, path, part, e) : download(c, w, path, f, e)) &&
              settle(f, name, e);
    if (fclose(f) != 0 && ok) {
        ok = err_set_errno(e, errno, "write %s", name);
    }
    ok = ok && give_name(w, part, e);
    if (!ok) {
        unlink(part);
    }
    return ok;
}

static int fetch(struct cli *c, const char *verb, const struct fetched *w)
{
    char path[CLIENT_PATH_SIZE];
    struct err e = {0};
    if (!client_path(path, w->before, w->which != NULL ? w->which : "", w->after, &e)) {
        return cli_fail(verb, &e);
    }
    bool to_output = w->name == NULL || strcmp(w->name, "-") == 0;
    if (c->json && to_output) {
        err_set(&e, ERR_CONFIG, "--json needs -o %s, because it goes to standard output", w->wants);
        return cli_fail(verb, &e);
    }
    if (to_output ? !to_stdout(c, w, path, &e) : !to_file(c, w, path, &e)) {
        return cli_fail(verb, &e);
    }
    if (c->json) {
        json_t *document = json_pack("{s:s*, s:s}", "run", w->which, "file", w->name);
        print_json(document);
        json_decref(document);
    } else if (!to_output) {
        printf("%s: written\n", w->name);
    }
    return EXIT_DONE;
}

int verb_export(struct cli *c, int argc, char **argv)
{
    bool whole = false;
    struct fetched w = {.wants = "FILE.csv", .before = "/v1/runs/", .after = "/samples"};
    const struct option_spec options[] = {
        {.name = "output", .letter = 'o', .wants = w.wants, .text = &w.name},
        {.name = "whole", .flag = &whole},
    };
    const struct operand_spec operand = {"RUN", &w.which, true};
    const struct args_spec spec = {options, 2, &operand, 1};
    struct err e = {0};
    if (!args_read(&spec, c, argc, argv, &e)) {
        return cli_fail(argv[0], &e);
    }
    w.after = whole ? "/whole" : w.after;
    return fetch(c, argv[0], &w);
}

static bool names_a_pdf(const char *name)
{
    const char *dot = name != NULL ? strrchr(name, '.') : NULL;
    return dot != NULL && strcasecmp(dot, ".pdf") == 0;
}

static bool choose_paper(struct fetched *w, bool pdf, const char *paper, struct err *e)
{
    pdf = pdf || names_a_pdf(w->name);
    if (!pdf && paper != NULL) {
        return err_set(e, ERR_CONFIG, "--paper goes with --pdf, or -o FILE.pdf");
    }
    if (paper != NULL && strcasecmp(paper, "letter") != 0 && strcasecmp(paper, "a4") != 0) {
        return err_set(e, ERR_CONFIG, "--paper %.20s is not known; A4 or letter", paper);
    }
    if (pdf && (w->name == NULL || strcmp(w->name, "-") == 0)) {
        return err_set(e, ERR_CONFIG, "--pdf needs -o FILE.pdf");
    }
    if (w->name == NULL && isatty(STDOUT_FILENO)) {
        return err_set(e, ERR_CONFIG,
                       "the report is a page for a browser: give it a file, -o %s or -o FILE.pdf",
                       w->wants);
    }
    w->paper = !pdf ? NULL : paper != NULL ? paper : "A4";
    return true;
}

int verb_report(struct cli *c, int argc, char **argv)
{
    struct fetched w = {.wants = "FILE.html", .before = "/v1/runs/", .after = "/report"};
    const char *battery = NULL, *lot = NULL, *paper = NULL;
    bool pdf = false;
    const struct option_spec options[] = {
        {.name = "output", .letter = 'o', .wants = w.wants, .text = &w.name},
        {.name = "battery", .wants = "LABEL", .text = &battery},
        {.name = "lot", .wants = "NAME", .text = &lot},
        {.name = "pdf", .flag = &pdf},
        {.name = "paper", .wants = "letter", .text = &paper},
    };
    const struct operand_spec operand = {"RUN", &w.which, false};
    const struct args_spec spec = {options, 5, &operand, 1};
    struct err e = {0};
    if (!args_read(&spec, c, argc, argv, &e)) {
        return cli_fail(argv[0], &e);
    }
    if ((battery != NULL) + (lot != NULL) + (w.which != NULL) != 1) {
        err_set(&e, ERR_CONFIG,
                "say which run, or --battery LABEL, or --lot NAME: ampledger report last -o %s",
                w.wants);
        return cli_fail(argv[0], &e);
    }
    if (!choose_paper(&w, pdf, paper, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (w.which == NULL) {
        w.before = battery != NULL ? "/v1/batteries/" : "/v1/lots/";
        w.which = battery != NULL ? battery : lot;
    }
    return fetch(c, argv[0], &w);
}

int verb_backup(struct cli *c, int argc, char **argv)
{
    struct fetched w = {
        .wants = "FILE", .before = "/v1/backup", .after = "", .keeps = true, .takes_long = true};
    const struct operand_spec operand = {"FILE", &w.name, true};
    const struct args_spec spec = {NULL, 0, &operand, 1};
    struct err e = {0};
    return args_read(&spec, c, argc, argv, &e) ? fetch(c, argv[0], &w) : cli_fail(argv[0], &e);
}
