/* SPDX-License-Identifier: GPL-3.0-or-later
 * base/version: what is written into every run and shown by --version. */
#ifndef AMPLEDGER_BASE_VERSION_H
#define AMPLEDGER_BASE_VERSION_H

#define AMPLEDGER_VERSION "0.1.0"

#endif
