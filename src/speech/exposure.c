/* SPDX-License-Identifier: MIT
 * Noise exposure of a working day from levels and times: equal energy. */
#include "base/alloc.h"

#include <lanetune/speech.h>

#include <math.h>

static const double day_hours = 24.0;
static const double reference_hours = 8.0; /* ISO 9612:2009, clause 3: nominal working day */
/* NIOSH 98-126, chapter 1: recommended exposure limit and exchange rate. Confidence: memory. */
static const double limit_dba = 85.0;
static const double exchange_db = 3.0;

double lt_exposure_allowed_hours(double level_dba)
{
    return reference_hours * exp2((limit_dba - level_dba) / exchange_db);
}

lt_status lt_exposure_measure(const lt_exposure_task *tasks, size_t count, lt_exposure *out, lt_error *err)
{
    double energy = 0.0;
    double dose = 0.0;
    double hours = 0.0;
    *out = (lt_exposure){.lex_8h_dba = (double)NAN, .dose_percent = (double)NAN};
    for (size_t i = 0; i < count; i++) {
        const lt_exposure_task *t = &tasks[i];
        if (!(t->level_dba <= 200.0) || !(t->hours >= 0.0))
            return ltp_fail(err, LT_E_ARG,
                            "exposure %zu: %g dB(A) for %g h: must be a level of at most 200 dB(A) and "
                            "a time of 0 h or more",
                            i, t->level_dba, t->hours);
        hours += t->hours;
        energy += t->hours / reference_hours * lt_power_from_db(t->level_dba);
        dose += 100.0 * t->hours / lt_exposure_allowed_hours(t->level_dba);
    }
    if (!(hours <= day_hours * (1.0 + 1e-12)))
        return ltp_fail(err, LT_E_ARG, "exposures of %g h in all: a day has %g", hours, day_hours);
    out->lex_8h_dba = energy > 0.0 ? lt_db_from_power(energy) : -(double)INFINITY;
    out->dose_percent = dose;
    return LT_OK;
}
