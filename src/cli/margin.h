/* SPDX-License-Identifier: MIT
 * Parts of lanetune margin. */
#ifndef CLI_MARGIN_H
#define CLI_MARGIN_H

#include "cli.h"

/** All of `margin --site SITE`; exit status. */
int cli_margin_site(cli_args *a);

#endif
