/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/tls: reads the two files; the library does the rest. */
#include "web/tls.h"

#include "base/file.h"

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

bool tls_fail(const struct bench_http *http, struct err *e)
{
    return err_set(
        e, ERR_CONFIG,
        "http: the HTTP server does not start with the certificate %s and the key %s; are "
        "both PEM files, and do they belong together?",
        http->certificate, http->key);
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
