/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/tls: certificate and key of the page, as the HTTP library wants them. */
#ifndef AMPLEDGER_WEB_TLS_H
#define AMPLEDGER_WEB_TLS_H

#include "bench/bench.h"

#include <microhttpd.h>

#define TLS_OPTIONS 3

/* Both NULL: no TLS. */
struct tls_files {
    char *certificate, *key;
};

/* Reads them where `http` names them. To be cleared, also after a failure. */
bool tls_read(const struct bench_http *http, struct tls_files *out, struct err *e) NODISCARD;
/* Up to TLS_OPTIONS and the end. */
void tls_options(const struct tls_files *t, struct MHD_OptionItem out[TLS_OPTIONS + 1]);
/* What is wrong when the library does not take them. */
bool tls_fail(const struct bench_http *http, struct err *e);
void tls_clear(struct tls_files *t);

#endif
