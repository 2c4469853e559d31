/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/tls: certificate and key of the page, as the HTTP library wants them. */
#ifndef AMPLEDGER_WEB_TLS_H
#define AMPLEDGER_WEB_TLS_H

#include "bench/bench.h"

#include <microhttpd.h>
#include <stdint.h>

#define TLS_OPTIONS 3

/* Both NULL: no TLS. */
struct tls_files {
    char *certificate, *key;
};

/* Reads them where `http` names them. To be cleared, also after a failure. */
bool tls_read(const struct bench_http *http, struct tls_files *out, struct err *e) NODISCARD;
/* Do they belong together? Opens nothing. Without TLS: yes. */
bool tls_check(const struct bench_http *http, const struct tls_files *t, struct err *e) NODISCARD;
/* False with a warning when browsers will not take the certificate at that time. */
bool tls_is_valid_at(const struct bench_http *http, const struct tls_files *t, int64_t utc_ns,
                     struct err *warning) NODISCARD;
/* Up to TLS_OPTIONS and the end. */
void tls_options(const struct tls_files *t, struct MHD_OptionItem out[TLS_OPTIONS + 1]);
void tls_clear(struct tls_files *t);

#endif
