/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tests of usbtmc against an EMULATED device: see support/usbtmc_device.h. */
#include "base/clock.h"
#include "base/file.h"
#include "link/link.h"
#include "link/ports.h"
#include "usbtmc_device.h"

#include <errno.h>
#include <fcntl.h>
#include <linux/usb/tmc.h>
#include <poll.h>
#include <pthread.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cmocka.h>

struct rig {
    struct link *link;
    char address[80];
    struct err e;
};

static int set_up(void **state)
{
    struct rig *r = zalloc(sizeof *r);
    assert_true(device_start());
    text_format(r->address, sizeof r->address, "usbtmc:%s", device.path);
    *state = r;
    return 0;
}

static int tear_down(void **state)
{
    struct rig *r = *state;
    link_close(r->link);
    device_stop();
    free(r);
    return 0;
}

static bool try_open(struct rig *r)
{
    const struct link_settings s = link_settings_default();
    return link_open(r->address, &s, &r->link, &r->e);
}

static void open_it(struct rig *r)
{
    if (!try_open(r)) {
        fail_msg("%s", r->e.text);
    }
}

static void says(const char *text)
{
    assert_int_equal(write(device.theirs, text, strlen(text)), (ssize_t)strlen(text));
}

static void hears(const char *wanted)
{
    char got[200];
    ssize_t n = recv(device.theirs, got, sizeof got - 1, MSG_DONTWAIT);
    got[n > 0 ? n : 0] = '\0';
    assert_string_equal(got, wanted);
}

static void *later(void *text)
{
    poll(NULL, 0, 60);
    says(text);
    return NULL;
}

/* --- opening --- */

static void opening_leaves_nothing_of_before(void **state)
{
    struct rig *r = *state;
    open_it(r);
    assert_int_equal(device.clears, 1);
    assert_true(device.timeout_ms >= 100 && device.timeout_ms <= 1000);
    assert_string_equal(link_device(r->link), device.path);
    assert_true(link_by_message(r->address));
    assert_false(link_by_message("serial:/dev/ttyUSB0"));
}

static void what_cannot_be_used_is_refused(void **state)
{
    struct rig *r = *state;
    device.mute = true;
    assert_false(try_open(r));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
    assert_non_null(strstr(r->e.text, "does not tell its status byte"));
    device.foreign = true;
    assert_false(try_open(r));
    assert_non_null(strstr(r->e.text, "this is no USB test and measurement device"));
    strcpy(r->address, "usbtmc:/dev/usbtmc-none");
    assert_false(try_open(r));
    assert_non_null(strstr(r->e.text, "there is no such port"));
}

/* --- talking --- */

static void a_line_is_a_message(void **state)
{
    struct rig *r = *state;
    char line[64];
    size_t n = 0;
    open_it(r);
    assert_true(link_write(r->link, "*IDN?\n", 6, 100, &r->e));
    hears("*IDN?\n");
    says("LAKE,L-1,0001,1.0\n");
    assert_true(link_read_line(r->link, line, sizeof line, &n, 100, &r->e));
    assert_string_equal(line, "LAKE,L-1,0001,1.0");
    says("12.5"); /* the end of the message is end enough */
    assert_true(link_pending(r->link));
    assert_true(link_read_line(r->link, line, sizeof line, &n, 100, &r->e));
    assert_string_equal(line, "12.5");
    assert_false(link_pending(r->link));
    says("old");
    says("older\n");
    assert_true(link_drain(r->link, 10, 200, &n, &r->e));
    assert_int_equal(n, 4 + 6);
}

static void an_answer_is_waited_for(void **state)
{
    struct rig *r = *state;
    pthread_t thread;
    char line[64], text[] = "late";
    size_t n = 0;
    open_it(r);
    assert_int_equal(pthread_create(&thread, NULL, later, text), 0);
    assert_true(link_read_line(r->link, line, sizeof line, &n, 5000, &r->e));
    assert_string_equal(line, "late");
    pthread_join(thread, NULL);
}

static void a_deadline_is_kept_without_reading(void **state)
{
    struct rig *r = *state;
    char line[64];
    size_t n = 0;
    open_it(r);
    int64_t begun_ns = clock_real_ns();
    assert_false(link_read_line(r->link, line, sizeof line, &n, 120, &r->e));
    int64_t took_ms = (clock_real_ns() - begun_ns) / NS_PER_MS;
    assert_int_equal(r->e.code, ERR_TIMEOUT);
    assert_true(took_ms >= 120 && took_ms < 2000);
    assert_in_range(atomic_load(&device.looks), 3, 130); /* not without a pause */
}

static void a_stop_interrupts_a_pending_read(void **state)
{
    struct rig *r = *state;
    char line[64];
    size_t n = 0;
    open_it(r);
    int wake = eventfd(1, EFD_CLOEXEC);
    link_set_wake(r->link, wake);
    int64_t begun_ns = clock_real_ns();
    assert_false(link_read_line(r->link, line, sizeof line, &n, 10000, &r->e));
    assert_int_equal(r->e.code, ERR_INTERRUPTED);
    assert_true(clock_real_ns() - begun_ns < 2 * NS_PER_S);
    assert_true(link_write(r->link, "INP OFF\n", 8, 100, &r->e)); /* never interrupted */
    hears("INP OFF\n");
    close(wake);
}

static void unplugging_is_a_lost_link(void **state)
{
    struct rig *r = *state;
    char line[64];
    size_t n = 0;
    open_it(r);
    atomic_store(&device.gone, true);
    assert_false(link_read_line(r->link, line, sizeof line, &n, 5000, &r->e));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
    close(device.theirs);
    device.theirs = -1;
    assert_false(link_write(r->link, "INP OFF\n", 8, 100, &r->e));
    assert_int_equal(r->e.code, ERR_LINK_LOST);
}

/* As the keeper does it, who knows nothing but a descriptor. */
static void a_duplicate_is_enough(void **state)
{
    struct rig *r = *state;
    char answer[32];
    open_it(r);
    int fd = fcntl(link_fd(r->link), F_DUPFD_CLOEXEC, 0);
    assert_true(link_write_copy(fd, "INP OFF\n", 8, 100));
    assert_true(link_write_copy(fd, "INP?\n", 5, 100));
    hears("INP OFF\n");
    hears("INP?\n");
    says("0");
    assert_int_equal(link_read_copy(fd, answer, sizeof answer, 100), 2);
    assert_memory_equal(answer, "0\n", 2);
    assert_int_equal(link_read_copy(fd, answer, sizeof answer, 20), 0);
    close(fd);
}

static void a_duplicate_of_another_kind_too(void **state)
{
    (void)state;
    int ends[2];
    char answer[8];
    assert_int_equal(pipe(ends), 0);
    assert_int_equal(write(ends[1], "0\n", 2), 2);
    assert_int_equal(link_read_copy(ends[0], answer, sizeof answer, 100), 2);
    assert_int_equal(link_read_copy(ends[0], answer, sizeof answer, 20), 0);
    close(ends[0]);
    close(ends[1]);
}

/* --- which there are --- */

static void put(const char *folder, const char *name, const char *text)
{
    char path[200];
    text_format(path, sizeof path, "%s/%s", folder, name);
    FILE *f = fopen(path, "w");
    assert_non_null(f);
    fputs(text, f);
    fclose(f);
}

/* The shape of the kernel's own tree: the class folder points at the interface,
 * and what tells of the device stands in the folder above that. */
static void the_kernels_folder_is_read(void **state)
{
    (void)state;
    char root[] = "/tmp/ampledger-usbmisc-XXXXXX", usb[80], interface[100], entry[100], link[120];
    struct port_info found[4];
    assert_non_null(mkdtemp(root));
    text_format(usb, sizeof usb, "%s/usb-1-2", root);
    text_format(interface, sizeof interface, "%s/1-2:1.0", usb);
    text_format(entry, sizeof entry, "%s/usbtmc3", root);
    text_format(link, sizeof link, "%s/device", entry);
    assert_true(mkdir(usb, 0700) == 0 && mkdir(interface, 0700) == 0 && mkdir(entry, 0700) == 0);
    assert_int_equal(symlink(interface, link), 0);
    put(usb, "idVendor", "1a2b\n");
    put(usb, "idProduct", "00c3\n");
    put(usb, "busnum", "1\n");
    put(usb, "manufacturer", "LAKE\n");
    put(usb, "serial", "0042\n");
    assert_int_equal(ports_usbtmc(root, found, 4), 1);
    assert_string_equal(found[0].name, "/dev/usbtmc3");
    assert_int_equal(found[0].kind, PORT_USBTMC);
    assert_int_equal(found[0].usb_vendor, 0x1a2b);
    assert_int_equal(found[0].usb_product, 0xc3);
    assert_int_equal(found[0].usb_bus, 1);
    assert_int_equal(found[0].usb_address, -1); /* not told */
    assert_string_equal(found[0].usb_manufacturer, "LAKE");
    assert_string_equal(found[0].usb_serial, "0042");
    assert_string_equal(found[0].description, "USB test and measurement instrument");
    assert_int_equal(ports_usbtmc("/tmp/ampledger-no-such-folder", found, 4), 0);
    char command[200];
    text_format(command, sizeof command, "rm -r %s", root);
    assert_int_equal(system(command), 0);
}

int main(void)
{
#define rig_test(f) cmocka_unit_test_setup_teardown(f, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        rig_test(opening_leaves_nothing_of_before),
        rig_test(what_cannot_be_used_is_refused),
        rig_test(a_line_is_a_message),
        rig_test(an_answer_is_waited_for),
        rig_test(a_deadline_is_kept_without_reading),
        rig_test(a_stop_interrupts_a_pending_read),
        rig_test(unplugging_is_a_lost_link),
        rig_test(a_duplicate_is_enough),
        cmocka_unit_test(a_duplicate_of_another_kind_too),
        cmocka_unit_test(the_kernels_folder_is_read),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
