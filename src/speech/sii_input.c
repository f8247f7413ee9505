/* SPDX-License-Identifier: MIT
 * Other ways into the SII (ANSI S3.5-1997): modulation transfer (clauses 5.2 and 5.3), one-third-octave measurements.
 */
#include "base/alloc.h"
#include "speech/sii_tables.h"

#include <math.h>

static const double modulations_hz[LT_SII_MODULATIONS] = {0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 16.0};

double lt_sii_modulation_hz(size_t i)
{
    return i < LT_SII_MODULATIONS ? modulations_hz[i] : (double)NAN;
}

lt_status lt_sii_from_mtf(double combined_db, const double m[LT_SII_MODULATIONS], double *speech_db, double *noise_db,
                          lt_error *err)
{
    double mean_db = 0.0; /* apparent speech-to-noise ratio */
    if (!(combined_db <= 1000.0))
        return ltp_fail(err, LT_E_ARG, "combined level %g dB: must be a level below 1000 dB", combined_db);
    for (size_t i = 0; i < LT_SII_MODULATIONS; i++) {
        if (!(m[i] >= 0.0 && m[i] <= 1.0))
            return ltp_fail(err, LT_E_ARG, "modulation transfer %g: must be 0 to 1", m[i]);
        const double ratio_db = m[i] < 1.0 ? lt_db_from_power(m[i] / (1.0 - m[i])) : (double)INFINITY;
        mean_db += fmin(15.0, fmax(-15.0, ratio_db)) / LT_SII_MODULATIONS;
    }
    *speech_db = mean_db + combined_db - lt_db_from_power(1.0 + lt_power_from_db(mean_db));
    *noise_db = *speech_db - mean_db;
    return LT_OK;
}

/* ---- one-third octaves ---- */

static const ltp_sii_row *row_of(lt_sii_method m, size_t i)
{
    const ltp_sii_row *rows = m == LT_SII_OCTAVE           ? ltp_sii_octave
                              : m == LT_SII_CRITICAL       ? ltp_sii_critical
                              : m == LT_SII_EQUAL_CRITICAL ? ltp_sii_equal
                                                           : ltp_sii_third;
    return &rows[i];
}

void lt_sii_from_thirds(lt_sii_method m, const double third_db[LT_SPEECH_BANDS], double *out_db)
{
    for (size_t i = 0; i < lt_sii_band_count(m); i++) {
        const ltp_sii_row *row = row_of(m, i);
        double power = 0.0, width_hz = 0.0;
        for (size_t k = 0; k < LT_SPEECH_BANDS; k++) {
            const double from = k == 0 ? 0.0 : ltp_sii_third[k].lower_hz;
            const double to = k + 1 == LT_SPEECH_BANDS ? 1e6 : ltp_sii_third[k + 1].lower_hz;
            const double overlap_hz = fmin(to, row->upper_hz) - fmax(from, row->lower_hz);
            if (overlap_hz <= 0.0)
                continue;
            power += overlap_hz * lt_power_from_db(third_db[k]);
            width_hz += overlap_hz;
        }
        out_db[i] = m == LT_SII_THIRD_OCTAVE ? third_db[i] : lt_db_from_power(power / width_hz);
    }
}

void lt_sii_interpolate_thirds(lt_sii_method m, const double third_db[LT_SPEECH_BANDS], double *out_db)
{
    for (size_t i = 0; i < lt_sii_band_count(m); i++) {
        const double hz = lt_sii_band_at(m, i).hz;
        size_t k = 0;
        while (k + 2 < LT_SPEECH_BANDS && hz > ltp_sii_third[k + 1].centre_hz)
            k++;
        const double from = log(ltp_sii_third[k].centre_hz);
        const double to = log(ltp_sii_third[k + 1].centre_hz);
        const double place = fmin(1.0, fmax(0.0, (log(hz) - from) / (to - from)));
        out_db[i] = third_db[k] + place * (third_db[k + 1] - third_db[k]);
    }
}
