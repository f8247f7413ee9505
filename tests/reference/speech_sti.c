/* SPDX-License-Identifier: MIT
 * STI against published results and tables of IEC 60268-16 and closed forms; sources of each file: data/README.md. */
#include "csv.h"
#include "near.h"

#include "speech/sti_tables.h"
#include <lanetune/speech.h>

static const char *const columns[LT_STI_BANDS] = {"125", "250", "500", "1000", "2000", "4000", "8000"};

static double band_cell(const csv_table *t, size_t row, const char *prefix, size_t band)
{
    char name[32];
    (void)snprintf(name, sizeof name, "%s%s", prefix, columns[band]);
    return csv_number(t, row, name);
}

static void tables_match_the_second_entry(void **state)
{
    (void)state;
    int bad = 0;
    csv_table *t = csv_load("sti_bands.csv");
    assert_int_equal(t->rows, LT_STI_BANDS);
    for (size_t k = 0; k < t->rows; k++) {
        const ltp_sti_row *r = &ltp_sti_rows[k];
        const char *row = csv_text(t, k, "band_hz");
        bad += !near_abs(row, r->nominal_hz, csv_number(t, k, "band_hz"), 0.0);
        bad += !near_abs(row, r->alpha[LT_STI_MALE], csv_number(t, k, "alpha_male"), 0.0);
        bad += !near_abs(row, r->alpha[LT_STI_FEMALE], csv_number(t, k, "alpha_female_ed4"), 0.0);
        if (k + 1 < t->rows) {
            bad += !near_abs(row, r->beta[LT_STI_MALE], csv_number(t, k, "beta_male_to_next"), 0.0);
            bad += !near_abs(row, r->beta[LT_STI_FEMALE], csv_number(t, k, "beta_female_to_next_ed4"), 0.0);
        }
        bad += !near_abs(row, r->speech_db, csv_number(t, k, "speech_male_ed5_db_re_a"), 0.0);
        bad += !near_abs(row, r->threshold_db, csv_number(t, k, "reception_threshold_db_spl"), 0.0);
        bad += !near_abs(row, r->stipa_hz[0], csv_number(t, k, "stipa_f1_hz"), 0.0);
        bad += !near_abs(row, r->stipa_hz[1], csv_number(t, k, "stipa_f2_hz"), 0.0);
    }
    csv_free(t);
    t = csv_load("sti_modulation_frequencies.csv");
    assert_int_equal(t->rows, LT_STI_MODULATIONS);
    for (size_t i = 0; i < t->rows; i++)
        bad += !near_abs("modulation", lt_sti_modulation_hz(i), csv_number(t, i, "modulation_hz"), 0.0);
    csv_free(t);
    t = csv_load("sti_masking.csv");
    assert_int_equal(t->rows, LTP_STI_MASKING);
    for (size_t i = 0; i < t->rows; i++) {
        if (i + 1 < t->rows)
            bad += !near_abs("below", ltp_sti_maskings[i].below_db, csv_number(t, i, "level_below_db"), 0.0);
        bad += !near_abs("slope", ltp_sti_maskings[i].slope, csv_number(t, i, "slope_db_per_db"), 0.0);
        bad += !near_abs("intercept", ltp_sti_maskings[i].intercept_db, csv_number(t, i, "intercept_db"), 0.0);
    }
    csv_free(t);
    assert_int_equal(bad, 0);
}

static void words_match_the_second_entry(void **state)
{
    (void)state;
    int bad = 0;
    csv_table *t = csv_load("sti_categories.csv");
    assert_int_equal(t->rows, LTP_STI_CATEGORIES);
    for (size_t i = 0; i < t->rows; i++) {
        assert_string_equal(ltp_sti_categories[i].word, csv_text(t, i, "category"));
        bad += !near_abs("category", ltp_sti_categories[i].from, csv_number(t, i, "sti_from"), 0.0);
    }
    csv_free(t);
    t = csv_load("sti_labels.csv");
    assert_int_equal(t->rows, LTP_STI_LABELS);
    for (size_t i = 0; i < t->rows; i++) {
        const ltp_sti_word *w = &ltp_sti_labels[LTP_STI_LABELS - 1 - i];
        assert_string_equal(w->word, csv_text(t, i, "label"));
        bad += !near_abs("label", w->from, csv_number(t, i, "sti_from"), 0.0);
    }
    csv_free(t);
    assert_int_equal(bad, 0);
}

static lt_sti_result evaluate(double m[LT_STI_BANDS][LT_STI_MODULATIONS], const lt_sti_options *opt)
{
    lt_sti_result r;
    lt_error err = {0};
    if (lt_sti_from_mtf(m, LT_STI_IMPULSE_RESPONSE, opt, &r, &err) != LT_OK)
        fail_msg("%s", err.what);
    return r;
}

/* m whose transmission index is ti: SNR = 30 ti - 15 dB. */
static double m_of_index(double ti)
{
    if (ti <= 0.0 || ti >= 1.0)
        return ti;
    return 1.0 / (1.0 + pow(10.0, -(30.0 * ti - 15.0) / 10.0));
}

static void worked_examples_agree(void **state)
{
    (void)state;
    int bad = 0;
    csv_table *t = csv_load("sti_worked_examples.csv");
    const lt_sti_options opt = lt_sti_default_options();
    for (size_t i = 0; i < t->rows; i++) {
        double m[LT_STI_BANDS][LT_STI_MODULATIONS];
        const double uniform = csv_number(t, i, "uniform_m");
        for (size_t k = 0; k < LT_STI_BANDS; k++)
            for (size_t f = 0; f < LT_STI_MODULATIONS; f++)
                m[k][f] = isnan(uniform) ? m_of_index(band_cell(t, i, "mti_", k)) : uniform;
        const double got = evaluate(m, &opt).sti;
        bad += !near_abs(csv_text(t, i, "id"), got, csv_number(t, i, "sti_expected_male"),
                         fmax(csv_number(t, i, "tolerance"), 2e-6));
        bad += !near_abs(csv_text(t, i, "id"), got, csv_number(t, i, "sti_recomputed_male"), 3e-5);
    }
    assert_true(t->rows >= 40);
    csv_free(t);
    assert_int_equal(bad, 0);
}

static size_t row_of(const csv_table *t, const char *stage, const char *quantity, size_t nth)
{
    for (size_t i = 0; i < t->rows; i++)
        if (strcmp(csv_text(t, i, "stage"), stage) == 0 && strcmp(csv_text(t, i, "quantity"), quantity) == 0 &&
            nth-- == 0)
            return i;
    fail_msg("no %s %s", stage, quantity);
    return 0;
}

static lt_sti_levels levels_of(const csv_table *t, const char *stage)
{
    lt_sti_levels l;
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        l.speech_db[k] = band_cell(t, row_of(t, stage, "speech_level_db", 0), "b", k);
        l.noise_db[k] = band_cell(t, row_of(t, stage, "noise_level_db", 0), "b", k);
    }
    return l;
}

/* The measured values are freed of the measurement's noise, masking and threshold, and get those of the operation: the
 * printed values of each stage, the band's indices and STI 0.76. */
static void annex_m_agrees(void **state)
{
    (void)state;
    int bad = 0;
    double measured[LT_STI_BANDS], m[LT_STI_BANDS][LT_STI_MODULATIONS];
    csv_table *t = csv_load("sti_annex_m.csv");
    const lt_sti_levels before = levels_of(t, "1_measured");
    const lt_sti_levels after = levels_of(t, "3_operational");
    lt_error err = {0};
    assert_int_equal(lt_sti_level_factors(&before, measured, &err), LT_OK);
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        for (size_t f = 0; f < LT_STI_MODULATIONS; f++) {
            m[k][f] = band_cell(t, row_of(t, "1_measured", "mtf", f), "b", k) / measured[k];
            bad += !near_abs("removed", m[k][f], band_cell(t, row_of(t, "2_remove", "mtf", f), "b", k), 0.0021);
        }
    lt_sti_options opt = lt_sti_default_options();
    opt.levels = &after;
    const lt_sti_result r = evaluate(m, &opt);
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        for (size_t f = 0; f < LT_STI_MODULATIONS; f++)
            bad += !near_abs("operational", r.bands[k].mtf[f].m,
                             band_cell(t, row_of(t, "3_operational", "mtf", f), "b", k), 0.0021);
        bad += !near_abs("mti", r.bands[k].mti, band_cell(t, row_of(t, "4_result", "mti", 0), "b", k), 0.006);
    }
    bad += !near_abs("STI", r.sti, 0.76, 0.005); /* as printed */
    csv_free(t);
    assert_int_equal(bad, 0);
}

/* ---- closed forms ---- */

/* A decaying tone in the middle of each octave: h^2 is an exponential in every band. */
static lt_ir *decay(double rate_hz, double reverberation_s)
{
    lt_signal *s = NULL;
    lt_ir *ir = NULL;
    lt_error err = {0};
    const size_t count = (size_t)(fmax(1.6, 1.3 * reverberation_s) * rate_hz);
    assert_int_equal(lt_signal_create(count, rate_hz, &s, &err), LT_OK);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / rate_hz;
        for (int k = -3; k <= 3; k++)
            s->samples[i] +=
                0.1 * sin(2.0 * LT_PI * 1000.0 * pow(10.0, 0.3 * k) * t) * pow(10.0, -3.0 * t / reverberation_s);
    }
    assert_int_equal(lt_ir_from_signal(s, &ir, &err), LT_OK);
    lt_signal_free(s);
    return ir;
}

/* m = 1 / sqrt(1 + (2 pi F T / 13.8)^2), times 1 / (1 + 10^(-SNR/10)) for stationary noise: Houtgast and Steeneken. */
static void decay_and_noise_agree_with_their_closed_forms(void **state)
{
    (void)state;
    static const double times_s[] = {0.3, 0.5, 1.0, 2.0, 4.0};
    static const double snrs_db[] = {-10.0, -3.0, 0.0, 6.0, 12.0, 100.0};
    static const double rates_hz[] = {24000.0, 44100.0, 48000.0, 96000.0, 32000.0};
    int bad = 0;
    for (size_t i = 0; i < COUNT(times_s); i++) {
        lt_ir *ir = decay(rates_hz[i], times_s[i]);
        for (size_t n = 0; n < COUNT(snrs_db); n++) {
            lt_sti_options opt = lt_sti_default_options();
            lt_sti_result r;
            lt_error err = {0};
            double want = 0.0;
            opt.snr_db = snrs_db[n];
            assert_int_equal(lt_sti_from_ir(ir, &opt, &r, &err), LT_OK);
            for (size_t f = 0; f < LT_STI_MODULATIONS; f++) {
                const double x = 2.0 * LT_PI * lt_sti_modulation_hz(f) * times_s[i] / 13.8;
                const double m = 1.0 / sqrt(1.0 + x * x) / (1.0 + pow(10.0, -snrs_db[n] / 10.0));
                const double snr_db = fmin(15.0, fmax(-15.0, 10.0 * log10(m / (1.0 - m))));
                want += (snr_db + 15.0) / 30.0 / LT_STI_MODULATIONS;
                for (size_t k = 0; k < LT_STI_BANDS; k++)
                    bad += !near_abs("m", r.bands[k].mtf[f].m, m, 0.005);
            }
            bad += !near_abs("STI", r.sti, want, 0.005); /* equal indices in all bands: STI is that index */
        }
        lt_ir_free(ir);
    }
    assert_int_equal(bad, 0);
}

/* ---- STIPA against the full method on simulated paths ---- */

static lt_signal *convolve(const lt_signal *x, const lt_signal *h)
{
    lt_signal *y = NULL;
    lt_error err = {0};
    double *all = calloc(x->count + h->count, sizeof *all);
    assert_non_null(all);
    assert_int_equal(lt_convolve(x->samples, x->count, h->samples, h->count, all, &err), LT_OK);
    assert_int_equal(lt_signal_create(x->count, x->rate_hz, &y, &err), LT_OK);
    memcpy(y->samples, all, x->count * sizeof *all);
    free(all);
    return y;
}

/* A direct arrival, reflections, and a diffuse decay. */
static lt_signal *path(double rate_hz, uint64_t seed)
{
    lt_signal *h = NULL;
    lt_rng r = {seed};
    assert_int_equal(lt_signal_create((size_t)(0.7 * rate_hz), rate_hz, &h, &(lt_error){0}), LT_OK);
    const double reverberation_s = 0.1 + 0.5 * lt_rng_uniform(&r);
    const double tail = pow(10.0, (-16.0 + 10.0 * lt_rng_uniform(&r)) / 20.0);
    const double scale = tail * sqrt(13.8 / (reverberation_s * rate_hz));
    for (size_t i = 0; i < h->count; i++)
        h->samples[i] = scale * lt_rng_gauss(&r) * pow(10.0, -3.0 * (double)i / rate_hz / reverberation_s);
    h->samples[100] += 1.0;
    for (int i = 0; i < 3; i++)
        h->samples[(size_t)(rate_hz * (0.004 + 0.05 * lt_rng_uniform(&r)))] += 0.8 * (lt_rng_uniform(&r) - 0.5);
    return h;
}

static void stipa_agrees_with_the_full_method(void **state)
{
    (void)state;
    static const double rate_hz = 24000.0;
    int bad = 0;
    lt_stipa_options stipa = lt_stipa_default_options();
    lt_signal *x = NULL;
    lt_error err = {0};
    stipa.rate_hz = rate_hz;
    assert_int_equal(lt_stipa_create(&stipa, &x, &err), LT_OK);
    const lt_sti_options opt = lt_sti_default_options();
    for (uint64_t seed = 1; seed <= 4; seed++) {
        lt_sti_result full, direct;
        lt_signal *h = path(rate_hz, seed);
        lt_signal *y = convolve(x, h);
        lt_ir *ir = NULL;
        assert_int_equal(lt_ir_from_signal(h, &ir, &err), LT_OK);
        assert_int_equal(lt_sti_from_ir(ir, &opt, &full, &err), LT_OK);
        if (lt_stipa_measure(y, &opt, (double)NAN, &direct, &err) != LT_OK)
            fail_msg("%s", err.what);
        bad += !near_abs("STIPA", direct.sti, full.sti, 0.02);
        lt_ir_free(ir);
        lt_signal_free(h);
        lt_signal_free(y);
    }
    lt_signal_free(x);
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tables_match_the_second_entry),
        cmocka_unit_test(words_match_the_second_entry),
        cmocka_unit_test(worked_examples_agree),
        cmocka_unit_test(annex_m_agrees),
        cmocka_unit_test(decay_and_noise_agree_with_their_closed_forms),
        cmocka_unit_test(stipa_agrees_with_the_full_method),
    };
    return cmocka_run_group_tests_name("speech_sti", tests, NULL, NULL);
}
