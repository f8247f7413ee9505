/* SPDX-License-Identifier: MIT
 * How loud a noise of a given spectrum may be. Spectrum levels: dB SPL re 1 Hz. */
#include <lanetune/speech.h>

#include <math.h>

static const double range_db = 150.0;

static lt_status sii_at(const double *speech_db, const double *noise_db, double offset_db, double *sii, lt_error *err)
{
    double noise[LT_SPEECH_BANDS];
    lt_sii_result result;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        noise[i] = noise_db[i] + offset_db;
    const lt_status status = lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, speech_db, noise, NULL, &result, err);
    *sii = result.sii;
    return status;
}

/* SII falls as the noise rises, so halving the range finds the level. */
lt_status lt_sii_noise_limit(const double speech_db[LT_SPEECH_BANDS], const double noise_db[LT_SPEECH_BANDS],
                             double sii, double *offset_db, lt_error *err)
{
    double low = -range_db;
    double high = range_db;
    double quiet = 0.0;
    *offset_db = NAN;
    lt_status status = sii_at(speech_db, noise_db, low, &quiet, err);
    if (status != LT_OK || quiet < sii)
        return status;
    while (high - low > 1e-3 && status == LT_OK) {
        const double middle = 0.5 * (low + high);
        double here = 0.0;
        status = sii_at(speech_db, noise_db, middle, &here, err);
        if (here >= sii)
            low = middle;
        else
            high = middle;
    }
    if (status == LT_OK)
        *offset_db = 0.5 * (low + high);
    return status;
}
