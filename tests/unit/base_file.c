/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of base/file: what is read and what is refused, paths beside a file,
 * cut texts, shell-style matching. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "base/file.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

static char folder[64];

static int make_folder(void **state)
{
    (void)state;
    strcpy(folder, "/tmp/ampledger-file-XXXXXX");
    return mkdtemp(folder) ? 0 : -1;
}

static const char *const made[] = {"plain", "empty", "nul",    "large",  "pipe",
                                   "loop",  "link",  "socket", "closed", NULL};

static int drop_folder(void **state)
{
    (void)state;
    char path[96];
    for (int i = 0; made[i]; i++) {
        snprintf(path, sizeof path, "%s/%s", folder, made[i]);
        unlink(path);
    }
    return rmdir(folder);
}

static const char *in_folder(const char *name)
{
    static char path[96];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return path;
}

static const char *write_file(const char *name, const char *bytes, size_t n)
{
    const char *path = in_folder(name);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    assert_int_equal(fwrite(bytes, 1, n, f), n);
    assert_int_equal(fclose(f), 0);
    return path;
}

static void reads(const char *path, size_t max, const char *want, size_t want_n)
{
    char *text = NULL;
    size_t n = 12345;
    struct err e = {0};
    if (!file_read(path, max, &text, &n, &e)) {
        fail_msg("%s", e.text);
    }
    assert_int_equal(n, want_n);
    assert_memory_equal(text, want, want_n);
    assert_int_equal(text[n], '\0');
    free(text);
}

static void good_files(void **state)
{
    (void)state;
    reads(write_file("plain", "jetty\n", 6), 100, "jetty\n", 6);
    reads(in_folder("plain"), 6, "jetty\n", 6); /* exactly the most */
    reads(write_file("empty", "", 0), 100, "", 0);
    reads(in_folder("empty"), 0, "", 0);
    reads(write_file("nul", "a\0b", 3), 100, "a\0b", 3);
    assert_int_equal(symlink("plain", in_folder("link")), 0);
    reads(in_folder("link"), 100, "jetty\n", 6);

    char *text = NULL;
    struct err e = {0};
    assert_true(file_read(in_folder("plain"), 100, &text, NULL, &e)); /* size not wanted */
    assert_string_equal(text, "jetty\n");
    free(text);
}

/* Across every growth of the buffer, and one byte beside each. */
static void sizes_around_the_buffer(void **state)
{
    (void)state;
    static const size_t sizes[] = {4094, 4095, 4096, 4097, 8191, 8192, 8193, 100000};
    char *bytes = zalloc(100000);
    for (size_t i = 0; i < 100000; i++) {
        bytes[i] = (char)(i * 7 % 251);
    }
    for (size_t i = 0; i < sizeof sizes / sizeof *sizes; i++) {
        reads(write_file("large", bytes, sizes[i]), sizes[i], bytes, sizes[i]);
    }
    free(bytes);
}

/* /proc says that its files have no bytes at all. */
static void files_that_state_no_size(void **state)
{
    (void)state;
    char *text = NULL;
    size_t n = 0;
    struct err e = {0};
    assert_true(file_read("/proc/self/status", 100000, &text, &n, &e));
    assert_non_null(strstr(text, "Pid:"));
    assert_int_equal(strlen(text), n);
    free(text);
}

/* `want` has one %s for the path. */
static void refuses(const char *path, size_t max, enum err_code code, const char *want)
{
    static char unchanged[] = "unchanged";
    char *text = unchanged;
    size_t n = 12345;
    struct err e = {0};
    assert_false(file_read(path, max, &text, &n, &e));
    char sentence[400];
    const char *at = strstr(want, "%s");
    assert_non_null(at);
    snprintf(sentence, sizeof sentence, "%.*s%s%s", (int)(at - want), want, path, at + 2);
    assert_string_equal(e.text, sentence);
    assert_int_equal(e.code, code);
    assert_ptr_equal(text, unchanged);
    assert_int_equal(n, 12345);
    assert_false(file_read(path, max, &text, &n, NULL));
}

static void bad_files(void **state)
{
    (void)state;
    refuses(write_file("plain", "jetty\n", 6), 5, ERR_CONFIG,
            "%s: it is larger than 5 bytes, the most that is read");
    refuses("/proc/self/status", 10, ERR_CONFIG,
            "%s: it is larger than 10 bytes, the most that is read");
    refuses(in_folder("missing"), 100, ERR_NOT_FOUND, "cannot open %s: No such file or directory");
    refuses("", 100, ERR_CONFIG, "a file name is empty%s");
    refuses(in_folder("plain/below"), 100, ERR_CONFIG, "cannot open %s: Not a directory");
    refuses(folder, 100, ERR_CONFIG, "cannot read %s: it is a folder, a file is wanted");
    refuses("/dev/null", 100, ERR_CONFIG, "cannot read %s: it is not a regular file");

    assert_int_equal(symlink("loop", in_folder("loop")), 0);
    refuses(in_folder("loop"), 100, ERR_CONFIG,
            "cannot open %s: Too many levels of symbolic links");

    char longer[400];
    memset(longer, 'x', sizeof longer);
    memcpy(longer, "/tmp/", 5);
    longer[300] = '\0';
    refuses(longer, 100, ERR_CONFIG, "cannot open %s: File name too long");
}

/* A pipe that nobody writes would hang a careless reader. */
static void a_pipe_does_not_hang(void **state)
{
    (void)state;
    assert_int_equal(mkfifo(in_folder("pipe"), 0600), 0);
    alarm(5);
    refuses(in_folder("pipe"), 100, ERR_CONFIG, "cannot read %s: it is not a regular file");
    alarm(0);
}

static void a_socket_is_no_file(void **state)
{
    (void)state;
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    snprintf(address.sun_path, sizeof address.sun_path, "%s", in_folder("socket"));
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(fd >= 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&address, sizeof address), 0);
    close(fd);
    refuses(in_folder("socket"), 100, ERR_SYSTEM, "cannot open %s: No such device or address");
}

/* Root may read everything: it becomes a stranger for a moment. */
static void a_closed_file(void **state)
{
    (void)state;
    write_file("closed", "x", 1);
    assert_int_equal(chmod(in_folder("closed"), 0), 0);
    uid_t me = geteuid();
    assert_true(me != 0 || seteuid(65534) == 0);
    refuses(in_folder("closed"), 100, ERR_CONFIG, "cannot open %s: Permission denied");
    assert_int_equal(seteuid(me), 0);
}

static void beside(void **state)
{
    (void)state;
    static const struct {
        const char *beside, *path, *want;
    } rows[] = {
        {"/etc/ampledger/bench.yaml", "drivers/load.yaml", "/etc/ampledger/drivers/load.yaml"},
        {"/etc/ampledger/bench.yaml", "../x.yaml", "/etc/ampledger/../x.yaml"},
        {"/etc/ampledger/bench.yaml", "/usr/share/x.yaml", "/usr/share/x.yaml"},
        {"bench.yaml", "x.yaml", "x.yaml"},
        {"yard/bench.yaml", "x.yaml", "yard/x.yaml"},
        {"./bench.yaml", "x.yaml", "./x.yaml"},
        {"/bench.yaml", "x.yaml", "/x.yaml"},
        {"yard/", "x.yaml", "yard/x.yaml"},
        {"", "x.yaml", "x.yaml"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char out[64];
        struct err e = {0};
        assert_true(path_beside(rows[i].beside, rows[i].path, out, sizeof out, &e));
        assert_string_equal(out, rows[i].want);
    }
}

static void beside_refused(void **state)
{
    (void)state;
    char out[16];
    struct err e = {0};
    assert_false(path_beside("/etc/bench.yaml", "", out, sizeof out, &e));
    assert_string_equal(e.text, "a file name is empty");
    assert_int_equal(e.code, ERR_CONFIG);

    assert_true(path_beside("yard/b", "0123456789", out, sizeof out, &e)); /* 15 and the end */
    assert_string_equal(out, "yard/0123456789");
    assert_false(path_beside("yard/b", "0123456789a", out, sizeof out, &e));
    assert_string_equal(e.text, "the path of 0123456789a is too long");
    assert_int_equal(e.code, ERR_CONFIG);
}

static void format_reports_a_cut(void **state)
{
    (void)state;
    char out[8];
    assert_true(text_format(out, sizeof out, "%d", 1234567));
    assert_string_equal(out, "1234567");
    assert_false(text_format(out, sizeof out, "%d", 12345678));
    assert_string_equal(out, "1234567");
    assert_true(text_format(out, 1, "%s", ""));
    assert_string_equal(out, "");
    out[0] = 'x';
    assert_false(text_format(out, 0, "%s", ""));
    assert_int_equal(out[0], 'x');
}

static void copies(void **state)
{
    (void)state;
    char *copy = text_copy("navigation lamp");
    assert_string_equal(copy, "navigation lamp");
    free(copy);
    copy = text_copy("");
    assert_string_equal(copy, "");
    free(copy);
    unsigned char *zero = zalloc(1000);
    for (int i = 0; i < 1000; i++) {
        assert_int_equal(zero[i], 0);
    }
    free(zero);
    zero = zalloc(0);
    assert_non_null(zero);
    free(zero);
}

static void matches(void **state)
{
    (void)state;
    static const struct {
        const char *pattern, *text;
        bool match;
    } rows[] = {
        {"", "", true},
        {"", "a", false},
        {"a", "", false},
        {"*", "", true},
        {"**", "", true},
        {"?", "", false},
        {"abc", "abc", true},
        {"abc", "ABC", true},
        {"ABC", "abc", true},
        {"abc", "abcd", false},
        {"abcd", "abc", false},
        {"a?c", "abc", true},
        {"a?c", "ac", false},
        {"*c", "abc", true},
        {"a*", "abc", true},
        {"a*", "a", true},
        {"a*c", "abc", true},
        {"a*c", "abcb", false},
        {"*b*", "abc", true},
        {"*b*", "ac", false},
        {"a*b*c", "a--b--b--c", true},
        {"*aab", "aaaab", true}, /* the star must take another try */
        {"*ab*ab", "abab", true},
        {"*ab*ab", "ab", false},
        {"a**c", "abc", true},
        {"**?", "a", true},
        {"*?*?", "a", false},
        {"*,LAKE-*", "Boatyard,lake-40,0,1.0", true},
        {"*,LAKE-*", "Boatyard,SEA-40,0,1.0", false},
        {"[a]", "a", false}, /* only * and ? are special */
        {"[a]", "[a]", true},
        {"a\\*", "a*", false},
        {"@`", "@`", true},
        {"@", "`", false}, /* neighbours of the letters have no case */
        {"[", "{", false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (text_matches(rows[i].pattern, rows[i].text) != rows[i].match) {
            fail_msg("\"%s\" against \"%s\"", rows[i].pattern, rows[i].text);
        }
    }
}

/* A reply comes from a stranger: many stars must not take for ever. */
static void many_stars_are_quick(void **state)
{
    (void)state;
    char text[4001], pattern[201];
    memset(text, 'a', 4000);
    text[4000] = '\0';
    for (int i = 0; i < 200; i += 2) {
        memcpy(pattern + i, "*a", 2);
    }
    pattern[200] = '\0';
    pattern[199] = 'b';
    alarm(5);
    assert_false(text_matches(pattern, text));
    alarm(0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_files),
        cmocka_unit_test(sizes_around_the_buffer),
        cmocka_unit_test(files_that_state_no_size),
        cmocka_unit_test(bad_files),
        cmocka_unit_test(a_pipe_does_not_hang),
        cmocka_unit_test(a_socket_is_no_file),
        cmocka_unit_test(a_closed_file),
        cmocka_unit_test(beside),
        cmocka_unit_test(beside_refused),
        cmocka_unit_test(format_reports_a_cut),
        cmocka_unit_test(copies),
        cmocka_unit_test(matches),
        cmocka_unit_test(many_stars_are_quick),
    };
    return cmocka_run_group_tests(tests, make_folder, drop_folder);
}
