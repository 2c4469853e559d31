/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/tls: reads the two files and looks at them; the library does the rest. */
#include "web/tls.h"

#include "base/clock.h"
#include "base/file.h"

#include <gnutls/gnutls.h>
#include <gnutls/x509.h>
#include <stdlib.h>
#include <string.h>

#define PEM_MAX (256u << 10)
/* Nothing older than TLS 1.2 (RFC 8996). */
#define VERSIONS "NORMAL:-VERS-ALL:+VERS-TLS1.3:+VERS-TLS1.2"

bool tls_read(const struct bench_http *http, struct tls_files *out, struct err *e)
{
    size_t n = 0;
    if (http->certificate[0] == '\0') {
        return true;
    }
    if (MHD_is_feature_supported(MHD_FEATURE_TLS) != MHD_YES) {
        return err_set(e, ERR_CONFIG, "http: the HTTP library of this system has no TLS");
    }
    return (file_read(http->certificate, PEM_MAX, &out->certificate, &n, e) &&
            file_read(http->key, PEM_MAX, &out->key, &n, e)) ||
           err_prefix(e, "http: certificate and key");
}

static gnutls_datum_t datum_of(char *text)
{
    return (gnutls_datum_t){.data = (unsigned char *)text, .size = (unsigned)strlen(text)};
}

bool tls_check(const struct bench_http *http, const struct tls_files *t, struct err *e)
{
    gnutls_certificate_credentials_t pair;
    if (t->certificate == NULL) {
        return true;
    }
    const gnutls_datum_t certificate = datum_of(t->certificate), key = datum_of(t->key);
    int failed = gnutls_certificate_allocate_credentials(&pair);
    if (failed == 0) {
        failed = gnutls_certificate_set_x509_key_mem(pair, &certificate, &key, GNUTLS_X509_FMT_PEM);
        gnutls_certificate_free_credentials(pair);
    }
    return failed >= 0 ||
           err_set(e, ERR_CONFIG,
                   "http: the certificate %s and the key %s cannot be used (%s); are both PEM "
                   "files, and do they belong together?",
                   http->certificate, http->key, gnutls_strerror(failed));
}

static bool is_within(const struct bench_http *http, int64_t from_s, int64_t until_s,
                      int64_t utc_ns, struct err *warning)
{
    char text[CLOCK_UTC_TEXT_SIZE];
    int64_t now_s = utc_ns / NS_PER_S;
    if (now_s >= from_s && now_s <= until_s) {
        return true;
    }
    clock_format_utc((now_s < from_s ? from_s : until_s) * NS_PER_S, text);
    return err_set(warning, ERR_CONFIG,
                   "http: the certificate %s %s %s: browsers will warn of it, and programs "
                   "refuse it",
                   http->certificate, now_s < from_s ? "is not valid before" : "expired at", text);
}

bool tls_is_valid_at(const struct bench_http *http, const struct tls_files *t, int64_t utc_ns,
                     struct err *warning)
{
    gnutls_x509_crt_t c;
    if (t->certificate == NULL || gnutls_x509_crt_init(&c) != 0) {
        return true;
    }
    const gnutls_datum_t text = datum_of(t->certificate); /* the first in the file is its own */
    bool ok = gnutls_x509_crt_import(c, &text, GNUTLS_X509_FMT_PEM) != 0 ||
              is_within(http, gnutls_x509_crt_get_activation_time(c),
                        gnutls_x509_crt_get_expiration_time(c), utc_ns, warning);
    gnutls_x509_crt_deinit(c);
    return ok;
}

void tls_options(const struct tls_files *t, struct MHD_OptionItem out[TLS_OPTIONS + 1])
{
    static char versions[] = VERSIONS;
    size_t n = 0;
    if (t->certificate != NULL) {
        out[n++] = (struct MHD_OptionItem){MHD_OPTION_HTTPS_MEM_CERT, 0, t->certificate};
        out[n++] = (struct MHD_OptionItem){MHD_OPTION_HTTPS_MEM_KEY, 0, t->key};
        out[n++] = (struct MHD_OptionItem){MHD_OPTION_HTTPS_PRIORITIES, 0, versions};
    }
    out[n] = (struct MHD_OptionItem){MHD_OPTION_END, 0, NULL};
}

void tls_clear(struct tls_files *t)
{
    if (t->key != NULL) {
        explicit_bzero(t->key, strlen(t->key));
    }
    free(t->key);
    free(t->certificate);
    *t = (struct tls_files){0};
}
