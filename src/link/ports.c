/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/ports: listing. */
#include "link/ports.h"

#include "base/file.h"
#include "link/link_backend.h"

#include <dirent.h>
#include <libserialport.h>
#include <stdlib.h>
#include <string.h>

#define BY_ID "/dev/serial/by-id"

static void copy(char *out, size_t size, const char *text)
{
    text_format(out, size, "%s", text != NULL ? text : "");
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
    *out = zalloc((count + 1) * sizeof **out);
    for (size_t i = 0; i < count; i++) {
        fill(ports[i], &(*out)[i]);
    }
    *n = count;
    sp_free_port_list(ports);
    return true;
}
