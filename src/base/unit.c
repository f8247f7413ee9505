/* SPDX-License-Identifier: MIT
 * Units: decibels, digital levels, the speed of sound.
 * 0 dBFS = RMS of a full-scale sine (AES17); 0 dBov = RMS of a full-scale square wave. */
#include <lanetune/base.h>

#include <math.h>

static const double sine_crest_db = 3.010299956639812; /* 20 lg sqrt 2 */

double lt_db_from_power(double power_ratio)
{
    if (power_ratio <= 0.0)
        return -INFINITY;
    return 10.0 * log10(power_ratio);
}

double lt_db_from_amplitude(double amplitude_ratio)
{
    const double size = fabs(amplitude_ratio);
    if (size <= 0.0)
        return -INFINITY;
    return 20.0 * log10(size);
}

double lt_power_from_db(double db)
{
    return pow(10.0, db / 10.0);
}

double lt_amplitude_from_db(double db)
{
    return pow(10.0, db / 20.0);
}

double lt_dbfs_from_rms(double rms)
{
    return lt_db_from_amplitude(rms) + sine_crest_db;
}

double lt_rms_from_dbfs(double dbfs)
{
    return lt_amplitude_from_db(dbfs - sine_crest_db);
}

double lt_dbfs_from_mean_square(double mean_square)
{
    return lt_db_from_power(mean_square) + sine_crest_db;
}

double lt_dbfs_from_dbov(double dbov)
{
    return dbov + sine_crest_db;
}

double lt_db_sum(const double *levels_db, size_t count)
{
    double top = -INFINITY;
    for (size_t i = 0; i < count; i++) {
        if (isnan(levels_db[i]))
            return NAN;
        top = fmax(top, levels_db[i]);
    }
    if (isinf(top)) /* nothing but silence, or an infinite level */
        return top;
    /* Relative to the highest level, so that neither huge nor tiny levels leave the range of double. */
    double power = 0.0;
    for (size_t i = 0; i < count; i++)
        power += lt_power_from_db(levels_db[i] - top);
    return top + lt_db_from_power(power);
}

double lt_speed_of_sound_m_s(double temperature_c)
{
    return 343.2 * sqrt((temperature_c + 273.15) / 293.15); /* ISO 9613-1:1993, annex A; 293.15 K = 20 C */
}

bool lt_is_known(double x)
{
    return isfinite(x);
}
