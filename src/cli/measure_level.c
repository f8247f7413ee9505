/* SPDX-License-Identifier: MIT
 * Level, sweeps and seconds of a measurement where they are not given. */
#include "measure.h"

#define LEVEL_DBFS (-20.0)
#define SWEEP_S 10.0

lt_status cli_measure_plan(cli_measure_job *j, lt_error *err)
{
    (void)err;
    if (!lt_is_known(j->level_dbfs))
        j->level_dbfs = LEVEL_DBFS;
    if (j->sweeps == 0)
        j->sweeps = 1;
    if (!lt_is_known(j->seconds))
        j->seconds = SWEEP_S;
    return LT_OK;
}
