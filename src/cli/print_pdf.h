/* SPDX-License-Identifier: GPL-3.0-or-later
 * cli/print_pdf: a report as PDF, printed by a browser that is installed. */
#ifndef AMPLEDGER_CLI_PRINT_PDF_H
#define AMPLEDGER_CLI_PRINT_PDF_H

#include "base/err.h"

/* Prints the HTML file into `pdf`, both by their paths. Looks for a Chromium on the path, under
 * the names it has in distributions, or takes the program that AMPLEDGER_CHROMIUM names.
 * ERR_REFUSED when there is none; the browser is given PRINT_PDF_S, then it is ended with
 * all it started. It sees no profile of the person's, and no network. */
#define PRINT_PDF_S 60
bool print_pdf(const char *html, const char *pdf, struct err *e) NODISCARD;

#endif
