/* SPDX-License-Identifier: MIT
 * What fits on the terminal that standard error is; no colour and no control but the carriage return, so that every
 * terminal shows it. */
#ifndef CLI_TERMINAL_H
#define CLI_TERMINAL_H

#include <stdbool.h>
#include <stddef.h>

/** Columns of the terminal as it is now; 80 where none says so, at most 100. */
size_t cli_columns(void);
/** True if standard error is a terminal on which a line can be drawn again: not TERM=dumb. */
bool cli_redraws(void);
/** Lines on standard error; one that does not fit is broken between words and goes on two columns to the right. */
void cli_print_wrapped(char *text);

#endif
