/* SPDX-License-Identifier: MIT
 * Removing the interface's own response from an average. */
#ifndef LTP_RESPONSE_INTERFACE_H
#define LTP_RESPONSE_INTERFACE_H

#include "response/average.h"

/** Response and noise through the inverse of f. A note says that it was done, or why not. LT_E_NOMEM. */
lt_status ltp_interface_remove(const lt_interface *f, double rate_hz, ltp_average *a, lt_notes *notes, lt_error *err);

#endif
