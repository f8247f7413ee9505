/* SPDX-License-Identifier: MIT
 * Speech Intelligibility Index, ANSI S3.5-1997, the four procedures. Equivalent spectrum levels, dB SPL re 1 Hz. */
#include "base/alloc.h"
#include "speech/sii_tables.h"

#include <math.h>
#include <string.h>

static const char *const method_names[] = {"third-octave", "octave", "critical", "equal-critical"};
static const char *const importance_names[] = {"average", "nonsense",       "cid-w22", "nu-6",
                                               "drt",     "short-passages", "spin"};
static const char *const effort_names[] = {"normal", "raised", "loud", "shout"};
_Static_assert(LTP_COUNT(method_names) == LT_SII_METHOD_COUNT, "one name a method");
_Static_assert(LTP_COUNT(importance_names) == LT_SII_IMPORTANCE_COUNT, "one name a material");
_Static_assert(LTP_COUNT(effort_names) == LT_EFFORT_COUNT, "one name an effort");

static const struct {
    const ltp_sii_row *rows;
    size_t count;
    const double (*importance)[LT_SII_IMPORTANCE_COUNT]; /* NULL: every band counts the same */
} methods[LT_SII_METHOD_COUNT] = {
    [LT_SII_THIRD_OCTAVE] = {ltp_sii_third, LTP_SII_THIRD, ltp_sii_importance_third},
    [LT_SII_OCTAVE] = {ltp_sii_octave, LTP_SII_OCTAVE, ltp_sii_importance_octave},
    [LT_SII_CRITICAL] = {ltp_sii_critical, LTP_SII_CRITICAL, ltp_sii_importance_critical},
    [LT_SII_EQUAL_CRITICAL] = {ltp_sii_equal, LTP_SII_EQUAL, NULL},
};

/* ---- names ---- */

static const char *name_at(const char *const *names, size_t count, unsigned i)
{
    return i < count ? names[i] : "unknown";
}

static bool find_name(const char *const *names, size_t count, const char *name, unsigned *out)
{
    for (size_t i = 0; name != NULL && i < count; i++) {
        if (strcmp(names[i], name) == 0) {
            *out = (unsigned)i;
            return true;
        }
    }
    return false;
}

const char *lt_sii_method_name(lt_sii_method m)
{
    return name_at(method_names, LT_SII_METHOD_COUNT, (unsigned)m);
}

const char *lt_sii_importance_name(lt_sii_importance i)
{
    return name_at(importance_names, LT_SII_IMPORTANCE_COUNT, (unsigned)i);
}

const char *lt_vocal_effort_name(lt_vocal_effort e)
{
    return name_at(effort_names, LT_EFFORT_COUNT, (unsigned)e);
}

bool lt_sii_method_from_name(const char *name, lt_sii_method *out)
{
    unsigned i = 0;
    const bool found = find_name(method_names, LT_SII_METHOD_COUNT, name, &i);
    if (found)
        *out = (lt_sii_method)i;
    return found;
}

bool lt_sii_importance_from_name(const char *name, lt_sii_importance *out)
{
    unsigned i = 0;
    const bool found = find_name(importance_names, LT_SII_IMPORTANCE_COUNT, name, &i);
    if (found)
        *out = (lt_sii_importance)i;
    return found;
}

bool lt_vocal_effort_from_name(const char *name, lt_vocal_effort *out)
{
    unsigned i = 0;
    const bool found = find_name(effort_names, LT_EFFORT_COUNT, name, &i);
    if (found)
        *out = (lt_vocal_effort)i;
    return found;
}

/* ---- tables ---- */

size_t lt_sii_band_count(lt_sii_method m)
{
    return (unsigned)m < LT_SII_METHOD_COUNT ? methods[m].count : 0;
}

lt_sii_band lt_sii_band_at(lt_sii_method m, size_t i)
{
    const double none = (double)NAN;
    if (i >= lt_sii_band_count(m))
        return (lt_sii_band){none, none, none, none, none, none, none, none};
    const ltp_sii_row *r = &methods[m].rows[i];
    return (lt_sii_band){.hz = r->centre_hz,
                         .bandwidth_db = r->bandwidth_db,
                         .normal_db = r->speech_db[LT_EFFORT_NORMAL],
                         .raised_db = r->speech_db[LT_EFFORT_RAISED],
                         .loud_db = r->speech_db[LT_EFFORT_LOUD],
                         .shout_db = r->speech_db[LT_EFFORT_SHOUT],
                         .internal_noise_db = r->internal_noise_db,
                         .eardrum_db = r->eardrum_db};
}

double lt_sii_speech_db(lt_sii_method m, lt_vocal_effort e, size_t i)
{
    if (i >= lt_sii_band_count(m) || (unsigned)e >= LT_EFFORT_COUNT)
        return (double)NAN;
    return methods[m].rows[i].speech_db[e];
}

bool lt_sii_importance_at(lt_sii_method m, lt_sii_importance material, size_t i, double *out)
{
    if (i >= lt_sii_band_count(m) || (unsigned)material >= LT_SII_IMPORTANCE_COUNT)
        return false;
    if (methods[m].importance != NULL)
        *out = methods[m].importance[i][material];
    else if (material == LT_SII_AVERAGE)
        *out = ltp_sii_importance_equal;
    else
        return false;
    return true;
}

/* ---- the index; clause numbers are those of ANSI S3.5-1997 ---- */

/* Clause 4.3.2: what each band k < i of masker level b spreads up into band i, as a level. */
static double spread_db(lt_sii_method m, const double *masker_db, size_t k, size_t i)
{
    const ltp_sii_row *rows = methods[m].rows;
    if (isinf(masker_db[k])) /* silence */
        return -(double)INFINITY;
    double slope_db = -80.0;
    double ratio = 1.0;
    if (m == LT_SII_THIRD_OCTAVE) {
        slope_db += 0.6 * (masker_db[k] + 10.0 * log10(rows[k].centre_hz) - 6.353);
        ratio = 0.89 * rows[i].centre_hz / rows[k].centre_hz;
    } else {
        slope_db += 0.6 * (masker_db[k] + 10.0 * log10(rows[k].upper_hz - rows[k].lower_hz));
        ratio = rows[i].centre_hz / rows[k].upper_hz; /* the tabulated centre */
    }
    return masker_db[k] + 3.32 * slope_db * log10(ratio);
}

/* Clause 4.3: equivalent masking spectrum level of band i. The octave procedure has no spread (clause 4.3.1). */
static double masking_db(lt_sii_method m, const double *noise_db, const double *masker_db, size_t i)
{
    if (m == LT_SII_OCTAVE)
        return noise_db[i];
    if (i == 0)
        return masker_db[0];
    double power = lt_power_from_db(noise_db[i]);
    for (size_t k = 0; k < i; k++)
        power += lt_power_from_db(spread_db(m, masker_db, k, i));
    return lt_db_from_power(power);
}

static double clamp_unit(double x)
{
    return fmin(1.0, fmax(0.0, x));
}

/* Clauses 4.6 and 4.7; a conductive loss (Annex A) attenuates before the inner ear is overloaded. Speech that is not
 * there is not heard, whatever else is silent too. */
static double audibility(double speech_db, double normal_db, double disturbance_db, double conductive_db)
{
    if (isinf(speech_db))
        return 0.0;
    const double distortion = clamp_unit(1.0 - (speech_db - normal_db - 10.0 - conductive_db) / 160.0);
    return distortion * clamp_unit((speech_db - disturbance_db + 15.0) / 30.0);
}

static lt_status check_levels(const char *what, const double *db, size_t count, lt_error *err)
{
    for (size_t i = 0; db != NULL && i < count; i++)
        if (isnan(db[i]) || db[i] > 1000.0)
            return ltp_fail(err, LT_E_ARG, "%s of band %zu is %g dB: must be a level below 1000 dB", what, i + 1,
                            db[i]);
    return LT_OK;
}

static lt_status check_input(lt_sii_method m, lt_sii_importance material, const double *importance,
                             const double *speech_db, const double *noise_db, const double *threshold_db,
                             const double *conductive_db, lt_error *err)
{
    if ((unsigned)m >= LT_SII_METHOD_COUNT)
        return ltp_fail(err, LT_E_ARG, "no such SII procedure: %u", (unsigned)m);
    const size_t count = methods[m].count;
    double weight = 0.0;
    if (importance == NULL && !lt_sii_importance_at(m, material, 0, &weight))
        return ltp_fail(err, LT_E_ARG, "the %s procedure has no importance function \"%s\": use \"average\"",
                        lt_sii_method_name(m), lt_sii_importance_name(material));
    for (size_t i = 0; importance != NULL && i < count; i++)
        if (!(importance[i] >= 0.0 && importance[i] <= 1.0))
            return ltp_fail(err, LT_E_ARG, "importance of band %zu is %g: must be 0 to 1", i + 1, importance[i]);
    lt_status status = check_levels("speech level", speech_db, count, err);
    if (status == LT_OK)
        status = check_levels("noise level", noise_db, count, err);
    if (status == LT_OK)
        status = check_levels("hearing threshold", threshold_db, count, err);
    if (status == LT_OK)
        status = check_levels("conductive loss", conductive_db, count, err);
    return status;
}

lt_status lt_sii(lt_sii_method m, lt_sii_importance material, const double *importance, const double *speech_db,
                 const double *noise_db, const double *threshold_db, lt_sii_result *out, lt_error *err)
{
    return lt_sii_with_loss(m, material, importance, speech_db, noise_db, threshold_db, NULL, out, err);
}

lt_status lt_sii_with_loss(lt_sii_method m, lt_sii_importance material, const double *importance,
                           const double *speech_db, const double *noise_db, const double *threshold_db,
                           const double *conductive_db, lt_sii_result *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    const lt_status status =
        check_input(m, material, importance, speech_db, noise_db, threshold_db, conductive_db, err);
    if (status != LT_OK)
        return status;
    const ltp_sii_row *rows = methods[m].rows;
    double masker_db[LT_SII_BANDS_MAX];
    out->count = methods[m].count;
    for (size_t i = 0; i < out->count; i++)
        masker_db[i] = fmax(noise_db[i], speech_db[i] - 24.0); /* clause 4.3.2.1 and .2: self-masking */
    for (size_t i = 0; i < out->count; i++) {
        const double threshold = threshold_db == NULL ? 0.0 : threshold_db[i];
        const double internal_db = rows[i].internal_noise_db + threshold; /* clause 4.4 */
        double weight = 0.0;
        if (importance != NULL)
            weight = importance[i];
        else
            (void)lt_sii_importance_at(m, material, i, &weight);
        out->bands[i].hz = rows[i].centre_hz;
        out->bands[i].speech_db = speech_db[i];
        out->bands[i].noise_db = noise_db[i];
        out->bands[i].threshold_db = threshold;
        out->bands[i].disturbance_db = fmax(masking_db(m, noise_db, masker_db, i), internal_db); /* clause 4.5 */
        out->bands[i].audibility =
            audibility(speech_db[i], rows[i].speech_db[LT_EFFORT_NORMAL], out->bands[i].disturbance_db,
                       conductive_db == NULL ? 0.0 : conductive_db[i]);
        out->bands[i].importance = weight;
        out->sii += weight * out->bands[i].audibility; /* clause 4.8 */
    }
    out->sii = clamp_unit(out->sii);
    return LT_OK;
}

/* ---- one-third-octave speech spectra ---- */

void lt_speech_shape(lt_vocal_effort effort, double overall_db, double spectrum_db[LT_SPEECH_BANDS])
{
    double band_db[LT_SPEECH_BANDS];
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        spectrum_db[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, effort, i);
        band_db[i] = spectrum_db[i] + ltp_sii_third[i].bandwidth_db;
    }
    const double change_db = overall_db - lt_db_sum(band_db, LT_SPEECH_BANDS);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        spectrum_db[i] += change_db;
}

double lt_speech_dba(const double spectrum_db[LT_SPEECH_BANDS])
{
    double band_dba[LT_SPEECH_BANDS];
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        band_dba[i] = spectrum_db[i] + ltp_sii_third[i].bandwidth_db +
                      lt_weight_a_db(lt_third_octave(LT_THIRD_SPEECH_FIRST + i).exact_hz);
    return lt_db_sum(band_dba, LT_SPEECH_BANDS);
}
