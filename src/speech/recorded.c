/* SPDX-License-Identifier: MIT
 * Levels and talk tests as spectrum levels in the 18 bands of the SII (ANSI S3.5-1997, table 3). */
#include "base/alloc.h"
#include "speech/sii_tables.h"
#include <lanetune/speech.h>

#include <math.h>
#include <string.h>

static double level_of(const lt_level_band *band, lt_noise_level level)
{
    switch (level) {
    case LT_NOISE_L10:
        return band->l10_db;
    case LT_NOISE_L50:
        return band->l50_db;
    case LT_NOISE_L90:
        return band->l90_db;
    case LT_NOISE_LEQ:
    default:
        return band->leq_db;
    }
}

void lt_noise_spectrum(const lt_levels *l, lt_noise_level level, double offset_db, double out[LT_SPEECH_BANDS])
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_level_band *band = lt_levels_band(l, LT_THIRD_SPEECH_FIRST + (int)i);
        out[i] = band == NULL ? (double)NAN : level_of(band, level) + offset_db - ltp_sii_third[i].bandwidth_db;
    }
}

size_t lt_talk_spectra(const lt_talk_test *t, double offset_db, double speech_db[LT_SPEECH_BANDS],
                       double pauses_db[LT_SPEECH_BANDS])
{
    size_t reached = 0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        speech_db[i] = -(double)INFINITY;
        pauses_db[i] = (double)NAN;
    }
    for (size_t k = 0; k < t->band_count; k++) {
        const int i = t->bands[k].band.index - LT_THIRD_SPEECH_FIRST;
        if (i < 0 || i >= LT_SPEECH_BANDS)
            continue;
        const double width_db = ltp_sii_third[i].bandwidth_db;
        reached++;
        if (!isnan(t->bands[k].speech_db))
            speech_db[i] = t->bands[k].speech_db + offset_db - width_db;
        pauses_db[i] = t->bands[k].noise_db + offset_db - width_db;
    }
    return reached;
}

bool lt_spectrum_is_known(const double spectrum_db[LT_SPEECH_BANDS])
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        if (!isnan(spectrum_db[i]))
            return true;
    return false;
}

size_t lt_spectrum_fill(double spectrum_db[LT_SPEECH_BANDS], const char *what, lt_notes *notes)
{
    double filled[LT_SPEECH_BANDS];
    size_t count = 0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        filled[i] = spectrum_db[i];
        for (size_t away = 1; away < LT_SPEECH_BANDS && isnan(filled[i]); away++) {
            if (i >= away)
                filled[i] = spectrum_db[i - away];
            if (isnan(filled[i]) && i + away < LT_SPEECH_BANDS)
                filled[i] = spectrum_db[i + away];
        }
        count += isnan(spectrum_db[i]) && !isnan(filled[i]) ? 1 : 0;
    }
    memcpy(spectrum_db, filled, sizeof filled);
    if (count > 0 && notes != NULL)
        lt_notes_add(
            notes, "noise-band-assumed",
            "%s tells no noise in %zu of the 18 bands (not reached, or pauses too short): it is taken there as "
            "level per hertz as in the nearest band that was measured.",
            what, count);
    return count;
}
