/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/print_pdf: starts the browser in a process group of its own, with a profile folder that
 * goes with it. */
#include "cli/print_pdf.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <ftw.h>
#include <limits.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/pidfd.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

static const char *const names[] = {"chromium", "chromium-browser", "chromium-headless-shell",
                                    "headless_shell"};

static bool is_program(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 && S_ISREG(st.st_mode) && access(path, X_OK) == 0;
}

static bool find_on_path(const char *name, char out[PATH_MAX])
{
    const char *at = getenv("PATH");
    while (at != NULL && *at != '\0') {
        size_t n = strcspn(at, ":");
        if (n > 0 && text_format(out, PATH_MAX, "%.*s/%s", (int)n, at, name) && is_program(out)) {
            return true;
        }
        at += n + (at[n] == ':');
    }
    return false;
}

static bool find_browser(char out[PATH_MAX], struct err *e)
{
    const char *named = getenv("AMPLEDGER_CHROMIUM");
    if (named != NULL && named[0] != '\0') {
        return (text_format(out, PATH_MAX, "%s", named) && is_program(out)) ||
               err_set(e, ERR_REFUSED, "AMPLEDGER_CHROMIUM names %s, which is no program", named);
    }
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (find_on_path(names[i], out)) {
            return true;
        }
    }
    return err_set(e, ERR_REFUSED,
                   "--pdf needs an installed Chromium (Debian: apt install chromium), and none is "
                   "on the path; or open the HTML report in any browser and print it from there");
}

static int remove_one(const char *path, const struct stat *st, int type, struct FTW *at)
{
    (void)st;
    (void)type;
    (void)at;
    return remove(path);
}

/* False when it took too long. */
static bool wait_for(pid_t child)
{
    struct pollfd end = {.fd = pidfd_open(child, 0), .events = POLLIN};
    int n = 0;
    do {
        n = poll(&end, 1, PRINT_PDF_S * 1000);
    } while (n < 0 && errno == EINTR);
    close(end.fd);
    return n == 1;
}

/* What it says goes nowhere: a browser without a display complains of much that is no fault. */
static bool start(const char *browser, char *const *argv, pid_t *child, struct err *e)
{
    posix_spawn_file_actions_t files;
    posix_spawnattr_t attributes;
    posix_spawn_file_actions_init(&files);
    posix_spawn_file_actions_addopen(&files, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_addopen(&files, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
    posix_spawn_file_actions_addopen(&files, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
    posix_spawnattr_init(&attributes);
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETPGROUP);
    posix_spawnattr_setpgroup(&attributes, 0);
    int failed = posix_spawn(child, browser, &files, &attributes, argv, environ);
    posix_spawnattr_destroy(&attributes);
    posix_spawn_file_actions_destroy(&files);
    return failed == 0 || err_set_errno(e, failed, "start %s", browser);
}

static bool run_browser(const char *browser, char *const *argv, struct err *e)
{
    pid_t child = 0;
    int status = 0;
    if (!start(browser, argv, &child, e)) {
        return false;
    }
    bool ended = wait_for(child);
    kill(-child, SIGKILL); /* or what it may have left behind */
    waitpid(child, &status, 0);
    if (!ended) {
        return err_set(e, ERR_REFUSED, "%s did not print within %d s and was ended", browser,
                       PRINT_PDF_S);
    }
    return (WIFEXITED(status) && WEXITSTATUS(status) == 0) ||
           err_set(e, ERR_REFUSED, "%s could not print (status 0x%x)", browser, (unsigned)status);
}

/* It says that all is well also when it could not write. */
static bool check_pdf(const char *browser, const char *pdf, struct err *e)
{
    char first[5] = "";
    FILE *f = fopen(pdf, "rb");
    bool ok = f != NULL && fread(first, 1, 4, f) == 4 && strcmp(first, "%PDF") == 0;
    if (f != NULL) {
        fclose(f);
    }
    return ok || err_set(e, ERR_REFUSED, "%s printed nothing into %s", browser, pdf);
}

bool print_pdf(const char *html, const char *pdf, struct err *e)
{
    char browser[PATH_MAX], folder[PATH_MAX], profile[PATH_MAX + 32], to[PATH_MAX + 32];
    char from[PATH_MAX + 16];
    const char *tmp = getenv("TMPDIR");
    if (!find_browser(browser, e)) {
        return false;
    }
    if (!text_format(folder, sizeof folder, "%s/ampledger-print.XXXXXX", tmp ? tmp : "/tmp") ||
        mkdtemp(folder) == NULL) {
        return err_set_errno(e, errno, "make a folder for %s", browser);
    }
    text_format(profile, sizeof profile, "--user-data-dir=%s", folder);
    text_format(to, sizeof to, "--print-to-pdf=%s", pdf);
    text_format(from, sizeof from, "file://%s", html);
    char *const argv[] = {browser, (char[]){"--headless"}, (char[]){"--disable-gpu"},
                          (char[]){"--disable-extensions"},
                          (char[]){"--disable-background-networking"}, (char[]){"--no-first-run"},
                          (char[]){"--proxy-server=127.0.0.1:9"}, /* nobody there: no network */
                          profile, (char[]){"--no-pdf-header-footer"}, to, from,
                          /* As root it cannot put itself into a sandbox; the page is ours. */
                          geteuid() == 0 ? (char[]){"--no-sandbox"} : NULL, NULL};
    bool ok = run_browser(browser, argv, e) && check_pdf(browser, pdf, e);
    nftw(folder, remove_one, 16, FTW_DEPTH | FTW_PHYS);
    return ok;
}
