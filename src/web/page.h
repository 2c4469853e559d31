/* SPDX-License-Identifier: GPL-3.0-or-later
 * web/page: the files of the page. They are part of the program; only the library that
 * draws charts is a file of the system's (package libjs-dygraphs). */
#ifndef AMPLEDGER_WEB_PAGE_H
#define AMPLEDGER_WEB_PAGE_H

#include "web/http.h"

/* What CMake makes of src/web/page/. */
struct page_content {
    const char *path; /* "/page/stands.mjs"; the first is that of "/" */
    const unsigned char *bytes;
    size_t n;
};
extern const struct page_content page_contents[]; /* path NULL ends it */

/* Is this one of the page's addresses, whether or not there is something? */
bool page_is_file(const char *path);
/* One that page_file() reads from a disk, so that it may wait. */
bool page_is_on_disk(const char *path);
/* The file as out->stream, or a problem. */
bool page_file(const char *method, const char *path, struct reply *out, struct err *e) NODISCARD;

#endif
