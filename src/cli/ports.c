/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/ports: the verb ports: the ports and USB instruments here and, only if asked, who
 * answers on them. Works without a daemon. */
#include "link/ports.h"

#include "base/file.h"
#include "cli/args.h"
#include "cli/ask.h"
#include "cli/identify.h"
#include "cli/propose.h"
#include "cli/table.h"
#include <stdlib.h>
#include <string.h>

static const char *kind_in_words(enum port_kind kind)
{
    switch (kind) {
    case PORT_NATIVE:
        return "built in";
    case PORT_USB:
        return "USB";
    case PORT_BLUETOOTH:
        return "Bluetooth";
    case PORT_USBTMC:
        return "USB instrument";
    }
    return "unknown";
}

static json_t *text_or_null(const char *text)
{
    json_t *v = text[0] != '\0' ? json_string(text) : NULL;
    return v != NULL ? v : json_null();
}

static json_t *number_or_null(int v)
{
    return v >= 0 ? json_integer(v) : json_null();
}

static json_t *port_to_json(const struct port_info *p, const struct finding *f)
{
    json_t *o = json_pack(
        "{s:o, s:o, s:s, s:o, s:o, s:o, s:o, s:o, s:o}", "name", text_or_null(p->name),
        "description", text_or_null(p->description), "kind", kind_in_words(p->kind), "usb_vendor",
        number_or_null(p->usb_vendor), "usb_product", number_or_null(p->usb_product),
        "usb_manufacturer", text_or_null(p->usb_manufacturer), "usb_product_name",
        text_or_null(p->usb_product_name), "usb_serial", text_or_null(p->usb_serial), "by_id",
        text_or_null(p->by_id));
    if (f != NULL) {
        json_object_set_new(o, "identity", text_or_null(f->identity));
        json_object_set_new(o, "baud", f->baud > 0 ? json_integer(f->baud) : json_null());
        json_object_set_new(o, "problem", text_or_null(f->problem));
    }
    return o;
}

static void print_json_list(const struct port_info *ports, const struct finding *found, size_t n)
{
    json_t *list = json_array();
    for (size_t i = 0; i < n; i++) {
        json_array_append_new(list, port_to_json(&ports[i], found != NULL ? &found[i] : NULL));
    }
    json_t *document = json_pack("{s:o}", "ports", list);
    print_json(document);
    json_decref(document);
}

static void finding_in_words(const struct finding *f, char *out, size_t size)
{
    if (f->problem[0] != '\0') {
        text_format(out, size, "not asked: %s", f->problem);
    } else if (f->identity[0] != '\0' && f->by_message) {
        text_format(out, size, "answers: %s", f->identity);
    } else if (f->identity[0] != '\0') {
        text_format(out, size, "answers at %d baud: %s", f->baud, f->identity);
    } else {
        text_format(out, size, "%s",
                    f->by_message ? "does not answer *IDN?"
                                  : "nobody answers *IDN? at 115200 or 9600 baud");
    }
}

static void print_port(const struct port_info *p, const struct finding *f)
{
    char text[ERR_TEXT_SIZE + 64];
    printf("%s  %s", p->name, kind_in_words(p->kind));
    if (p->usb_vendor >= 0 && p->usb_product >= 0) {
        printf(" %04x:%04x", (unsigned)p->usb_vendor, (unsigned)p->usb_product);
    }
    printf("\n");
    if (p->description[0] != '\0') {
        print_wrapped("    ", p->description, stdout);
    }
    text_format(text, sizeof text, "%s%s%s", p->usb_manufacturer,
                p->usb_serial[0] != '\0' ? " serial " : "", p->usb_serial);
    if (text[0] != '\0') {
        print_wrapped("    ", text, stdout);
    }
    if (p->by_id[0] != '\0') {
        printf("    the same under a name that stays: serial:%s\n", p->by_id);
    }
    if (f != NULL) {
        finding_in_words(f, text, sizeof text);
        print_wrapped("    ", text, stdout);
    }
}

static void print_list(const struct port_info *ports, const struct finding *found, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        print_port(&ports[i], found != NULL ? &found[i] : NULL);
    }
    if (n == 0) {
        puts("no serial ports and no USB instruments; is the adapter plugged in?");
    } else if (found == NULL) {
        puts("\nTo ask who is there: ampledger ports --identify");
    }
}

static void identify_all(const struct port_info *ports, struct finding *found, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        char address[160];
        text_format(address, sizeof address, "%s:%s",
                    ports[i].kind == PORT_USBTMC ? "usbtmc" : "serial", ports[i].name);
        identify(address, &found[i]);
    }
}

int verb_ports(struct cli *c, int argc, char **argv)
{
    bool ask = false, propose = false;
    const struct option_spec options[] = {{.name = "identify", .flag = &ask},
                                          {.name = "propose", .flag = &propose}};
    const struct args_spec spec = {.options = options, .option_count = 2};
    struct err e = {0};
    struct port_info *ports = NULL;
    struct finding *found = NULL;
    size_t n = 0;
    if (!args_read(&spec, c, argc, argv, &e) || !ports_list(&ports, &n, &e)) {
        return cli_fail(argv[0], &e);
    }
    if (ask || propose) {
        found = zalloc((n + 1) * sizeof *found);
        identify_all(ports, found, n);
    }
    if (propose) {
        propose_print(stdout, &(struct proposal){.ports = ports, .found = found, .count = n});
    } else if (c->json) {
        print_json_list(ports, found, n);
    } else {
        print_list(ports, found, n);
    }
    free(found);
    free(ports);
    return EXIT_DONE;
}
