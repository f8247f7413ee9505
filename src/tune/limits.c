/* SPDX-License-Identifier: MIT
 * The limits by name, and how far each is from being violated. dB. */
#include "tune/tune_internal.h"

#include <math.h>

const char *lt_limit_name(lt_limit l)
{
    static const char *const names[LT_LIMIT_COUNT] = {[LT_LIMIT_SAFE_MARGIN] = "safe-margin",
                                                      [LT_LIMIT_EAR_LEVEL] = "ear-level",
                                                      [LT_LIMIT_OPERATOR_LEVEL] = "operator-level",
                                                      [LT_LIMIT_HEADROOM] = "headroom",
                                                      [LT_LIMIT_PROPERTY_LINE] = "property-line",
                                                      [LT_LIMIT_TALKER_ECHO] = "talker-echo",
                                                      [LT_LIMIT_RANGE] = "range",
                                                      [LT_LIMIT_NOISE] = "noise",
                                                      [LT_LIMIT_TARGET] = "target"};
    return (unsigned)l < LT_LIMIT_COUNT ? names[l] : "unknown";
}

/* Each limit gives way dB for dB: the loop and its echo with both gains, the others with one. */
double ltp_slack_at(const double slack_db[LTP_LIMITS], lt_limit limit, double d_out_db, double d_in_db)
{
    switch (limit) {
    case LT_LIMIT_SAFE_MARGIN:
    case LT_LIMIT_TALKER_ECHO:
        return slack_db[limit] - d_out_db - d_in_db;
    case LT_LIMIT_EAR_LEVEL:
    case LT_LIMIT_HEADROOM:
    case LT_LIMIT_PROPERTY_LINE:
        return slack_db[limit] - d_out_db;
    case LT_LIMIT_OPERATOR_LEVEL:
        return slack_db[limit] - d_in_db;
    case LT_LIMIT_RANGE:
    case LT_LIMIT_NOISE:
    case LT_LIMIT_TARGET:
    case LT_LIMIT_COUNT:
        break;
    }
    return (double)INFINITY;
}

bool ltp_holds_all(const double slack_db[LTP_LIMITS], double d_out_db, double d_in_db)
{
    for (int k = 0; k < LTP_LIMITS; k++)
        if (ltp_slack_at(slack_db, (lt_limit)k, d_out_db, d_in_db) < -LTP_SLACK_ROUNDING_DB)
            return false;
    return true;
}
