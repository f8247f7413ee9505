/* SPDX-License-Identifier: MIT
 * Speech Transmission Index, IEC 60268-16:2020: from modulation transfer values to the index. Octave band levels in
 * dB SPL. */
#include "base/alloc.h"
#include "speech/sti_tables.h"

#include <math.h>
#include <string.h>

static const char *const voice_names[] = {"male", "female"};
static const char *const method_names[] = {"impulse-response", "stipa"};
_Static_assert(LTP_COUNT(voice_names) == LT_STI_VOICE_COUNT, "one name a voice");
_Static_assert(LTP_COUNT(method_names) == LT_STI_METHOD_COUNT, "one name a method");

const char *lt_sti_voice_name(lt_sti_voice v)
{
    return (unsigned)v < LT_STI_VOICE_COUNT ? voice_names[v] : "unknown";
}

bool lt_sti_voice_from_name(const char *name, lt_sti_voice *out)
{
    for (unsigned i = 0; name != NULL && i < LT_STI_VOICE_COUNT; i++) {
        if (strcmp(voice_names[i], name) == 0) {
            *out = (lt_sti_voice)i;
            return true;
        }
    }
    return false;
}

const char *lt_sti_method_name(lt_sti_method m)
{
    return (unsigned)m < LT_STI_METHOD_COUNT ? method_names[m] : "unknown";
}

double lt_sti_band_hz(size_t band)
{
    return band < LT_STI_BANDS ? ltp_sti_rows[band].nominal_hz : (double)NAN;
}

double lt_sti_modulation_hz(size_t i)
{
    return i < LT_STI_MODULATIONS ? ltp_sti_modulation_hz[i] : (double)NAN;
}

double lt_stipa_modulation_hz(size_t band, size_t i)
{
    return band < LT_STI_BANDS && i < LT_STIPA_MODULATIONS ? ltp_sti_rows[band].stipa_hz[i] : (double)NAN;
}

double lt_sti_speech_db(size_t band)
{
    return band < LT_STI_BANDS ? ltp_sti_rows[band].speech_db : (double)NAN;
}

lt_sti_options lt_sti_default_options(void)
{
    return (lt_sti_options){.voice = LT_STI_MALE, .snr_db = (double)NAN};
}

/* ---- levels ---- */

/* Intensity by which a band of this level masks the next higher one. */
static double masking_intensity(double level_db)
{
    size_t i = 0;
    if (isinf(level_db))
        return 0.0;
    while (i + 1 < LTP_STI_MASKING && !(level_db < ltp_sti_maskings[i].below_db))
        i++;
    const double effect_db = ltp_sti_maskings[i].slope * level_db + ltp_sti_maskings[i].intercept_db;
    return lt_power_from_db(level_db + effect_db);
}

lt_status lt_sti_level_factors(const lt_sti_levels *levels, double factor[LT_STI_BANDS], lt_error *err)
{
    double lower_db = -(double)INFINITY; /* total level of the next lower band; nothing masks 125 Hz */
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        const double speech_db = levels->speech_db[k];
        const double noise_db = levels->noise_db[k];
        if (!(speech_db <= 300.0) || !(noise_db <= 300.0))
            return ltp_fail(err, LT_E_ARG, "speech %g dB, noise %g dB at %g Hz: must be levels below 300 dB", speech_db,
                            noise_db, ltp_sti_rows[k].nominal_hz);
        const double speech = lt_power_from_db(speech_db);
        const double total = speech + lt_power_from_db(noise_db);
        factor[k] = speech / (total + masking_intensity(lower_db) + lt_power_from_db(ltp_sti_rows[k].threshold_db));
        lower_db = lt_db_from_power(total);
    }
    return LT_OK;
}

static lt_status factors_of(const lt_sti_options *opt, double factor[LT_STI_BANDS], lt_error *err)
{
    if ((unsigned)opt->voice >= LT_STI_VOICE_COUNT)
        return ltp_fail(err, LT_E_ARG, "no such voice: %u", (unsigned)opt->voice);
    if (opt->levels != NULL && !isnan(opt->snr_db))
        return ltp_fail(err, LT_E_ARG, "both a signal-to-noise ratio and band levels: give one of them");
    if (opt->levels != NULL)
        return lt_sti_level_factors(opt->levels, factor, err);
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        factor[k] = isnan(opt->snr_db) ? 1.0 : 1.0 / (1.0 + lt_power_from_db(-opt->snr_db));
    return LT_OK;
}

/* ---- the index ---- */

/* Transmission index of one modulation transfer value: effective SNR, -15 to +15 dB, on a scale from 0 to 1. */
static double transmission_index(double m)
{
    if (m >= 1.0)
        return 1.0;
    const double snr_db = lt_db_from_power(m / (1.0 - m));
    return (fmin(15.0, fmax(-15.0, snr_db)) + 15.0) / 30.0;
}

static const char *word_for(const ltp_sti_word *words, size_t count, double sti)
{
    const double printed = round(sti * 1e4) * 1e-4 + 1e-9; /* an index that is 0.6 but for the last bits is 0.6 */
    for (size_t i = 0; i + 1 < count; i++)
        if (printed >= words[i].from)
            return words[i].word;
    return words[count - 1].word;
}

static double modulation_hz(lt_sti_method method, size_t band, size_t i)
{
    return method == LT_STI_STIPA ? ltp_sti_rows[band].stipa_hz[i] : ltp_sti_modulation_hz[i];
}

lt_status lt_sti_from_mtf(double m[LT_STI_BANDS][LT_STI_MODULATIONS], lt_sti_method method, const lt_sti_options *opt,
                          lt_sti_result *out, lt_error *err)
{
    double factor[LT_STI_BANDS];
    const double none = (double)NAN;
    memset(out, 0, sizeof *out);
    const lt_status status = factors_of(opt, factor, err);
    if (status != LT_OK)
        return status;
    out->method = method;
    out->voice = opt->voice;
    out->modulations = method == LT_STI_STIPA ? LT_STIPA_MODULATIONS : LT_STI_MODULATIONS;
    out->seconds = out->used_s = out->drift_ppm = none;
    double sum = 0.0;
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        double index = 0.0;
        for (size_t i = 0; i < out->modulations; i++) {
            if (!(m[k][i] >= 0.0))
                return ltp_fail(err, LT_E_ARG, "modulation transfer %g at %g Hz: must be 0 or more", m[k][i],
                                ltp_sti_rows[k].nominal_hz);
            out->bands[k].mtf[i].hz = modulation_hz(method, k, i);
            out->bands[k].mtf[i].m = fmin(1.0, m[k][i]) * factor[k];
            index += transmission_index(out->bands[k].mtf[i].m);
        }
        out->bands[k].hz = ltp_sti_rows[k].nominal_hz;
        out->bands[k].mti = index / (double)out->modulations;
        out->level_db[k] = none;
        sum += ltp_sti_rows[k].alpha[opt->voice] * out->bands[k].mti;
        if (k > 0)
            sum -= ltp_sti_rows[k - 1].beta[opt->voice] * sqrt(out->bands[k - 1].mti * out->bands[k].mti);
    }
    out->sti = fmin(1.0, fmax(0.0, sum));
    out->category = word_for(ltp_sti_categories, LTP_STI_CATEGORIES, out->sti);
    out->label = word_for(ltp_sti_labels, LTP_STI_LABELS, out->sti);
    return LT_OK;
}
