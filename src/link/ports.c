/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/ports: listing. */
#include "link/ports.h"

#include "base/file.h"
#include "base/utf8.h"
#include "link/link_backend.h"

#include <dirent.h>
#include <libserialport.h>
#include <stdlib.h>
#include <string.h>

#define BY_ID "/dev/serial/by-id"
#define USBMISC "/sys/class/usbmisc"
#define USBTMC_MOST 64
#define ATTRIBUTE_MAX ((size_t)8192) /* what the kernel calls its size: a page */

/* What a device says of itself goes to a terminal: in one line, without control characters. */
static void make_fit(char *text)
{
    utf8_repair(text);
    for (; *text != '\0'; text++) {
        *text = *text == '\n' || *text == '\t' ? ' ' : *text;
    }
}

static void copy(char *out, size_t size, const char *text)
{
    text_format(out, size, "%s", text != NULL ? text : "");
    make_fit(out);
}

static enum port_kind kind_of(const struct sp_port *p)
{
    switch (sp_get_port_transport(p)) {
    case SP_TRANSPORT_USB:
        return PORT_USB;
    case SP_TRANSPORT_BLUETOOTH:
        return PORT_BLUETOOTH;
    case SP_TRANSPORT_NATIVE:
        break;
    }
    return PORT_NATIVE;
}

static void find_by_id(struct port_info *info)
{
    DIR *dir = opendir(BY_ID);
    if (dir == NULL) {
        return;
    }
    for (struct dirent *d = readdir(dir); d != NULL; d = readdir(dir)) {
        char path[288];
        if (d->d_name[0] == '.' || !text_format(path, sizeof path, BY_ID "/%s", d->d_name)) {
            continue;
        }
        char *real = realpath(path, NULL);
        if (real != NULL && strcmp(real, info->name) == 0) {
            copy(info->by_id, sizeof info->by_id, path);
        }
        free(real);
    }
    closedir(dir);
}

static void fill(const struct sp_port *p, struct port_info *info)
{
    *info = (struct port_info){
        .kind = kind_of(p), .usb_vendor = -1, .usb_product = -1, .usb_bus = -1, .usb_address = -1};
    copy(info->name, sizeof info->name, sp_get_port_name(p));
    copy(info->description, sizeof info->description, sp_get_port_description(p));
    find_by_id(info);
    if (info->kind != PORT_USB) {
        return;
    }
    if (sp_get_port_usb_vid_pid(p, &info->usb_vendor, &info->usb_product) != SP_OK) {
        info->usb_vendor = info->usb_product = -1;
    }
    if (sp_get_port_usb_bus_address(p, &info->usb_bus, &info->usb_address) != SP_OK) {
        info->usb_bus = info->usb_address = -1;
    }
    copy(info->usb_manufacturer, sizeof info->usb_manufacturer, sp_get_port_usb_manufacturer(p));
    copy(info->usb_product_name, sizeof info->usb_product_name, sp_get_port_usb_product(p));
    copy(info->usb_serial, sizeof info->usb_serial, sp_get_port_usb_serial(p));
}

static void attribute(const char *device, const char *name, char *out, size_t size)
{
    char path[320];
    char *text = NULL;
    size_t n = 0;
    if (text_format(path, sizeof path, "%s/../%s", device, name) &&
        file_read(path, ATTRIBUTE_MAX, &text, &n, NULL)) {
        text_format(out, size, "%.*s", (int)strcspn(text, "\n"), text);
        make_fit(out);
    }
    free(text);
}

static int attribute_number(const char *device, const char *name, int base)
{
    char text[32] = "", *end = NULL;
    attribute(device, name, text, sizeof text);
    long v = strtol(text, &end, base);
    return end != text && *end == '\0' && v >= 0 && v <= 0xffff ? (int)v : -1;
}

/* `device` is the folder of the interface; what it belongs to is above it. */
static void fill_usbtmc(const char *folder, const char *name, struct port_info *info)
{
    char device[288];
    *info = (struct port_info){.kind = PORT_USBTMC};
    text_format(info->name, sizeof info->name, "/dev/%s", name);
    text_format(device, sizeof device, "%s/%s/device", folder, name);
    info->usb_vendor = attribute_number(device, "idVendor", 16);
    info->usb_product = attribute_number(device, "idProduct", 16);
    info->usb_bus = attribute_number(device, "busnum", 10);
    info->usb_address = attribute_number(device, "devnum", 10);
    attribute(device, "manufacturer", info->usb_manufacturer, sizeof info->usb_manufacturer);
    attribute(device, "product", info->usb_product_name, sizeof info->usb_product_name);
    attribute(device, "serial", info->usb_serial, sizeof info->usb_serial);
    text_format(info->description, sizeof info->description, "%s",
                info->usb_product_name[0] != '\0' ? info->usb_product_name
                                                  : "USB test and measurement instrument");
}

size_t ports_usbtmc(const char *folder, struct port_info *out, size_t most)
{
    DIR *dir = opendir(folder);
    size_t n = 0;
    if (dir == NULL) {
        return 0; /* the kernel's driver has not been loaded: none is there */
    }
    for (struct dirent *d = readdir(dir); d != NULL && n < most; d = readdir(dir)) {
        if (text_matches("usbtmc?*", d->d_name) && strlen(d->d_name) < 32) {
            fill_usbtmc(folder, d->d_name, &out[n++]);
        }
    }
    closedir(dir);
    return n;
}

bool ports_list(struct port_info **out, size_t *n, struct err *e)
{
    struct sp_port **ports = NULL;
    enum sp_return r = sp_list_ports(&ports);
    if (r != SP_OK) {
        return err_set(e, ERR_SYSTEM, "the serial ports cannot be listed: %s",
                       link_serial_words(r));
    }
    size_t count = 0;
    while (ports[count] != NULL) {
        count++;
    }
    *out = zalloc((count + USBTMC_MOST) * sizeof **out);
    for (size_t i = 0; i < count; i++) {
        fill(ports[i], &(*out)[i]);
    }
    *n = count + ports_usbtmc(USBMISC, *out + count, USBTMC_MOST);
    sp_free_port_list(ports);
    return true;
}
