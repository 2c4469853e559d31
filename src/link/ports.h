/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/ports: the serial ports of this computer, as libserialport sees them, and
 * the USB test and measurement instruments, as the kernel does. */
#ifndef AMPLEDGER_LINK_PORTS_H
#define AMPLEDGER_LINK_PORTS_H

#include "base/err.h"

#include <stddef.h>

/* PORT_USBTMC is opened with usbtmc:, the others with serial: */
enum port_kind { PORT_NATIVE, PORT_USB, PORT_BLUETOOTH, PORT_USBTMC };

struct port_info {
    char name[128]; /* "/dev/ttyUSB0" */
    char description[128];
    enum port_kind kind;
    int usb_vendor, usb_product; /* -1: not a USB port, or not told */
    int usb_bus, usb_address;
    char usb_manufacturer[128], usb_product_name[128], usb_serial[128];
    char by_id[288]; /* stable name under /dev/serial/by-id; "" when there is none */
};

/* Owned array (free()); none is not an error. */
bool ports_list(struct port_info **out, size_t *n, struct err *e) NODISCARD;

/* The USB test instruments alone, from the kernel's folder ("/sys/class/usbmisc"), at
 * most `most`. Returns how many. */
size_t ports_usbtmc(const char *folder, struct port_info *out, size_t most);

#endif
