/* SPDX-License-Identifier: MIT
 * Layer base: status, notes, signals, bands, units, random numbers. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include "base/alloc.h"

#include <string.h>

/* ---- status and error ---- */

static void every_status_has_its_own_text(void **state)
{
    (void)state;
    for (int i = 0; i < LT_STATUS_COUNT; i++) {
        assert_non_null(lt_status_text((lt_status)i));
        assert_string_not_equal(lt_status_text((lt_status)i), lt_status_text(LT_STATUS_COUNT));
        for (int k = 0; k < i; k++)
            assert_string_not_equal(lt_status_text((lt_status)i), lt_status_text((lt_status)k));
    }
    assert_string_equal(lt_status_text(LT_E_CLIP), "recording clipped");
    static const unsigned junk[] = {LT_STATUS_COUNT, 1000, 0x7fffffffU, 0xffffffffU};
    for (size_t i = 0; i < COUNT(junk); i++) {
        lt_status s = LT_OK;
        memcpy(&s, &junk[i], sizeof s);
        assert_string_equal(lt_status_text(s), "unknown status");
    }
}

static void the_first_cause_stays(void **state)
{
    (void)state;
    lt_error err = {0};
    assert_int_equal(ltp_fail(&err, LT_E_IO, "%s: line %d\nis\todd", "a.wav", 7), LT_E_IO);
    assert_int_equal(ltp_fail(&err, LT_E_ARG, "later"), LT_E_ARG);
    assert_int_equal(err.status, LT_E_IO);
    assert_string_equal(err.what, "a.wav: line 7 is odd"); /* one line */
    assert_int_equal(ltp_fail(NULL, LT_E_SNR, "nobody listens"), LT_E_SNR);
    assert_int_equal(ltp_fail_nomem(NULL, "x"), LT_E_NOMEM);
}

static void a_long_cause_is_cut_not_overrun(void **state)
{
    (void)state;
    lt_error err = {0};
    char name[2000];
    memset(name, 'n', sizeof name - 1);
    name[sizeof name - 1] = '\0';
    (void)ltp_fail(&err, LT_E_IO, "%s", name);
    assert_int_equal(strlen(err.what), sizeof err.what - 1);
}

/* ---- notes ---- */

static void notes_are_listed_once(void **state)
{
    (void)state;
    static lt_notes n;
    n = (lt_notes){0};
    lt_notes_add(&n, "low-snr", "band %d", 7);
    lt_notes_add(&n, "low-snr", "band %d", 7);
    lt_notes_add(&n, "low-snr", "band %d", 8);
    lt_notes_add(&n, "other", "band %d", 7);
    assert_int_equal(n.count, 3);
    assert_string_equal(n.items[1].message, "band 8");
    assert_true(lt_notes_has(&n, "other"));
    assert_false(lt_notes_has(&n, "low"));
    assert_false(lt_notes_has(NULL, "other"));
    lt_notes_add(NULL, "low-snr", "nowhere to go");
}

static void notes_append_and_fill(void **state)
{
    (void)state;
    static lt_notes a;
    static lt_notes b;
    a = (lt_notes){0};
    b = (lt_notes){0};
    lt_notes_add(&a, "one", "first");
    lt_notes_add(&b, "one", "first");
    lt_notes_add(&b, "two", "second");
    lt_notes_append(&a, &b);
    assert_int_equal(a.count, 2);
    lt_notes_append(&a, &a);
    lt_notes_append(&a, NULL);
    lt_notes_append(NULL, &a);
    assert_int_equal(a.count, 2);
    for (int i = 0; i < 2 * LT_NOTES_MAX; i++)
        lt_notes_add(&a, "many", "number %d", i);
    assert_int_equal(a.count, LT_NOTES_MAX);
    assert_string_equal(a.items[LT_NOTES_MAX - 1].message, "number 45");
}

static void a_long_note_is_cut(void **state)
{
    (void)state;
    static lt_notes n;
    n = (lt_notes){0};
    lt_notes_add(&n, "a-code-that-is-much-longer-than-the-forty-characters-of-its-field", "%0300d", 1);
    assert_int_equal(strlen(n.items[0].code), sizeof n.items[0].code - 1);
    assert_int_equal(strlen(n.items[0].message), sizeof n.items[0].message - 1);
}

/* ---- allocation and signals ---- */

static void allocation_checks_the_product(void **state)
{
    (void)state;
    assert_null(ltp_alloc(SIZE_MAX / 2, 4));
    assert_null(ltp_alloc(SIZE_MAX, SIZE_MAX));
    assert_null(ltp_realloc(NULL, SIZE_MAX / 2, 4));
    unsigned char *p = ltp_alloc(0, 8); /* none is not a failure */
    assert_non_null(p);
    ltp_free(p);
    p = ltp_alloc(1000, 1);
    assert_non_null(p);
    for (size_t i = 0; i < 1000; i++)
        assert_int_equal(p[i], 0);
    p[999] = 42;
    p = ltp_realloc(p, 100000, 1);
    assert_non_null(p);
    assert_int_equal(p[999], 42);
    ltp_free(p);
    ltp_free(NULL);
}

static lt_status make_signal(void *context, lt_error *err)
{
    lt_signal *s = NULL;
    const lt_status st = lt_signal_copy(context, 1, 2, &s, err);
    assert_true((st == LT_OK) == (s != NULL));
    lt_signal_free(s);
    return st;
}

static void signals_survive_failed_allocations(void **state)
{
    (void)state;
    double samples[] = {1, 2, 3};
    lt_signal s = {samples, 3, 48000.0};
    assert_survives_faults(make_signal, &s);
}

static void signal_arguments_are_checked(void **state)
{
    (void)state;
    static const struct {
        size_t count;
        double rate_hz;
        lt_status want;
    } rows[] = {
        {10, 48000.0, LT_OK},
        {0, 48000.0, LT_OK},
        {10, 1e6, LT_OK},
        {10, 0.5, LT_OK},
        {10, 0.0, LT_E_ARG},
        {10, -1.0, LT_E_ARG},
        {10, 1000001.0, LT_E_ARG},
        {10, NAN, LT_E_ARG},
        {10, INFINITY, LT_E_ARG},
        {(size_t)LT_SIGNAL_MAX_COUNT + 1, 48000.0, LT_E_ARG},
        {SIZE_MAX, 48000.0, LT_E_ARG},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *s = NULL;
        lt_error err = {0};
        const lt_status got = lt_signal_create(rows[i].count, rows[i].rate_hz, &s, &err);
        assert_int_equal(got, rows[i].want);
        assert_int_equal(err.status, rows[i].want);
        assert_true((s != NULL) == (got == LT_OK));
        if (s != NULL)
            assert_int_equal(s->count, rows[i].count);
        lt_signal_free(s);
    }
}

static void a_copy_is_the_part_asked_for(void **state)
{
    (void)state;
    double samples[] = {1, -2, 3, -4};
    const lt_signal s = {samples, 4, 8000.0};
    lt_signal *part = NULL;
    assert_int_equal(lt_signal_copy(&s, 1, 2, &part, NULL), LT_OK);
    assert_int_equal(part->count, 2);
    assert_memory_equal(part->samples, samples + 1, 2 * sizeof *samples);
    assert_true(near_abs("rate", part->rate_hz, 8000.0, 0.0));
    lt_signal_free(part);
    assert_int_equal(lt_signal_copy(&s, 4, 0, &part, NULL), LT_OK);
    assert_int_equal(part->count, 0);
    lt_signal_free(part);
    lt_error err = {0};
    assert_int_equal(lt_signal_copy(&s, 3, 2, &part, &err), LT_E_ARG);
    assert_null(part);
    assert_int_equal(lt_signal_copy(&s, 5, 0, &part, NULL), LT_E_ARG);
    assert_int_equal(lt_signal_copy(&s, 2, SIZE_MAX, &part, NULL), LT_E_ARG);
}

static void rms_and_peak(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(48000, 48000.0, &s, NULL), LT_OK);
    bad += !near_abs("silence", lt_signal_rms(s), 0.0, 0.0);
    fill_sine(s->samples, s->count, 48000.0, 1000.0, 0.5, 0.0);
    bad += !near_abs("sine", lt_signal_rms(s), 0.5 / sqrt(2.0), 1e-14);
    s->samples[20000] = -0.75;
    bad += !near_abs("peak", lt_signal_peak(s), 0.75, 0.0);
    s->samples[100] = NAN; /* must not vanish in a comparison */
    assert_true(isnan(lt_signal_peak(s)));
    assert_true(isnan(lt_signal_rms(s)));
    lt_signal_free(s);
    const lt_signal none = {NULL, 0, 48000.0};
    bad += !near_abs("empty rms", lt_signal_rms(&none), 0.0, 0.0);
    bad += !near_abs("empty peak", lt_signal_peak(&none), 0.0, 0.0);
    lt_signal_free(NULL);
    assert_int_equal(bad, 0);
}

/* ---- bands ---- */

static void nominal_names_are_the_printed_ones(void **state)
{
    (void)state;
    /* IEC 61260-1:2014 annex E. */
    static const double thirds[LT_THIRDS] = {10,   12.5, 16,   20,   25,   31.5, 40,    50,    63,    80,   100,  125,
                                             160,  200,  250,  315,  400,  500,  630,   800,   1000,  1250, 1600, 2000,
                                             2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000};
    static const double octaves[] = {16, 31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000};
    int bad = 0;
    for (int i = LT_THIRD_FIRST; i <= LT_THIRD_LAST; i++) {
        const lt_band b = lt_third_octave(i);
        bad += !near_abs("third", b.nominal_hz, thirds[i - LT_THIRD_FIRST], 0.0);
        bad += b.index != i;
        bad += !near_rel("nominal is near exact", b.nominal_hz, b.exact_hz, 0.013);
    }
    for (int i = -6; i <= 4; i++)
        bad += !near_abs("octave", lt_octave(i).nominal_hz, octaves[i + 6], 0.0);
    assert_int_equal(bad, 0);
}

static void edges_meet_and_lie_where_the_formula_says(void **state)
{
    (void)state;
    int bad = 0;
    bad += !near_abs("1 kHz lower", lt_third_octave(0).lower_hz, 891.250938, 1e-6);
    bad += !near_abs("1 kHz upper", lt_third_octave(0).upper_hz, 1122.018454, 1e-6);
    bad += !near_abs("octave upper", lt_octave(0).upper_hz, 1412.537545, 1e-6);
    bad += !near_abs("third 10 is 10 kHz", lt_third_octave(10).exact_hz, 10000.0, 1e-8);
    for (int i = LT_THIRD_FIRST; i < LT_THIRD_LAST; i++)
        bad += !near_rel("edge", lt_third_octave(i).upper_hz, lt_third_octave(i + 1).lower_hz, 1e-14);
    for (int i = -40; i < 40; i++) {
        const lt_band a = lt_fractional_octave(24, i);
        bad += !near_rel("1/24 edge", a.upper_hz, lt_fractional_octave(24, i + 1).lower_hz, 1e-14);
        bad += !near_rel("centre", a.exact_hz * a.exact_hz, a.lower_hz * a.upper_hz, 1e-13);
    }
    /* Even fractions: 1 kHz is an edge (IEC 61260-1 eq. (3)). */
    bad += !near_abs("half a step off", lt_fractional_octave(24, 0).lower_hz, 1000.0, 1e-9);
    bad += !near_abs("odd fractions are not", lt_fractional_octave(3, 2).exact_hz, lt_third_octave(2).exact_hz, 1e-9);
    /* 24 of them make an octave of ratio G = 10^0.3. */
    bad += !near_abs("octave", lt_fractional_octave(24, 23).upper_hz, 1995.262315, 1e-6);
    assert_int_equal(bad, 0);
}

/* ---- units ---- */

static void decibels(void **state)
{
    (void)state;
    int bad = 0;
    bad += !near_abs("power 100", lt_db_from_power(100.0), 20.0, 1e-12);
    bad += !near_abs("power 0", lt_db_from_power(0.0), -INFINITY, 0.0);
    bad += !near_abs("power -1", lt_db_from_power(-1.0), -INFINITY, 0.0);
    bad += !near_abs("amplitude -0.1", lt_db_from_amplitude(-0.1), -20.0, 1e-12);
    bad += !near_abs("amplitude 0", lt_db_from_amplitude(-0.0), -INFINITY, 0.0);
    bad += !near_abs("silence back", lt_power_from_db(-INFINITY), 0.0, 0.0);
    bad += !near_abs("power back", lt_power_from_db(3.0), 1.99526231497, 1e-10);
    bad += !near_abs("amplitude back", lt_amplitude_from_db(-6.0), 0.501187233627, 1e-12);
    assert_true(isnan(lt_db_from_power(NAN)));
    assert_true(isnan(lt_db_from_amplitude(NAN)));
    /* AES17: a full-scale sine is 0 dBFS; a full-scale square wave, 0 dBov, lies 3.01 dB above. */
    bad += !near_abs("full-scale sine", lt_dbfs_from_rms(sqrt(0.5)), 0.0, 1e-12);
    bad += !near_abs("mean square", lt_dbfs_from_mean_square(0.5), 0.0, 1e-12);
    bad += !near_abs("full-scale square", lt_dbfs_from_rms(1.0), 3.01029995664, 1e-10);
    bad += !near_abs("dBov", lt_dbfs_from_dbov(-26.0), -22.98970004336, 1e-10);
    bad += !near_abs("rms back", lt_rms_from_dbfs(0.0), sqrt(0.5), 1e-14);
    bad += !near_abs("digital silence", lt_dbfs_from_rms(0.0), -INFINITY, 0.0);
    assert_int_equal(bad, 0);
}

static void sums_of_levels(void **state)
{
    (void)state;
    int bad = 0;
    const double equal[] = {60.0, 60.0, -INFINITY};
    const double huge[] = {5000.0, 5000.0};
    const double tiny[] = {-5000.0, -5000.0};
    const double silence[] = {-INFINITY, -INFINITY};
    const double unknown[] = {60.0, NAN};
    bad += !near_abs("two equal", lt_db_sum(equal, 3), 63.01029995664, 1e-10);
    bad += !near_abs("huge", lt_db_sum(huge, 2), 5003.01029995664, 1e-9);
    bad += !near_abs("tiny", lt_db_sum(tiny, 2), -4996.98970004336, 1e-9);
    bad += !near_abs("silence", lt_db_sum(silence, 2), -INFINITY, 0.0);
    bad += !near_abs("none", lt_db_sum(NULL, 0), -INFINITY, 0.0);
    assert_true(isnan(lt_db_sum(unknown, 2)));
    assert_int_equal(bad, 0);
}

static void speed_of_sound(void **state)
{
    (void)state;
    int bad = 0;
    /* 331.3 m/s at 0 C, 343.2 at 20 C: the dry-air values of ISO 9613-1 and of every handbook. */
    bad += !near_abs("20 C", lt_speed_of_sound_m_s(20.0), 343.2, 1e-9);
    bad += !near_abs("0 C", lt_speed_of_sound_m_s(0.0), 331.3, 0.05);
    bad += !near_abs("-20 C", lt_speed_of_sound_m_s(-20.0), 318.9, 0.1);
    assert_int_equal(bad, 0);
    assert_true(lt_is_known(0.0));
    assert_false(lt_is_known(NAN));
    assert_false(lt_is_known(-INFINITY));
}

/* ---- random numbers ---- */

static void splitmix64_gives_the_published_sequence(void **state)
{
    (void)state;
    /* Steele, Lea, Flood 2014; values as printed by S. Vigna's public-domain reference program for seed 1234567. */
    static const uint64_t want[] = {UINT64_C(6457827717110365317), UINT64_C(3203168211198807973),
                                    UINT64_C(9817491932198370423), UINT64_C(4593380528125082431),
                                    UINT64_C(16408922859458223821)};
    lt_rng r = {1234567};
    for (size_t i = 0; i < COUNT(want); i++)
        assert_true(lt_rng_next(&r) == want[i]);
}

static void random_numbers_have_their_moments(void **state)
{
    (void)state;
    enum { N = 1000000 };
    lt_rng r = {20240601};
    double uniform = 0;
    double lowest = 1;
    double highest = 0;
    double moment[5] = {0};
    for (int i = 0; i < N; i++) {
        const double u = lt_rng_uniform(&r);
        uniform += u;
        lowest = fmin(lowest, u);
        highest = fmax(highest, u);
        const double g = lt_rng_gauss(&r);
        double power = 1;
        for (int k = 1; k <= 4; k++)
            moment[k] += (power *= g);
    }
    int bad = 0; /* five standard errors each */
    bad += !near_abs("uniform mean", uniform / N, 0.5, 5 * sqrt(1.0 / 12 / N));
    bad += !in_range("lowest", lowest, 0.0, 1e-4);
    bad += !in_range("highest", highest, 1 - 1e-4, 1 - 0x1p-53);
    bad += !near_abs("mean", moment[1] / N, 0.0, 5 * sqrt(1.0 / N));
    bad += !near_abs("variance", moment[2] / N, 1.0, 5 * sqrt(2.0 / N));
    bad += !near_abs("third", moment[3] / N, 0.0, 5 * sqrt(15.0 / N));
    bad += !near_abs("fourth", moment[4] / N, 3.0, 5 * sqrt(96.0 / N));
    assert_int_equal(bad, 0);
}

SUITE(base_values)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_status_has_its_own_text),
        cmocka_unit_test(the_first_cause_stays),
        cmocka_unit_test(a_long_cause_is_cut_not_overrun),
        cmocka_unit_test(notes_are_listed_once),
        cmocka_unit_test(notes_append_and_fill),
        cmocka_unit_test(a_long_note_is_cut),
        cmocka_unit_test(allocation_checks_the_product),
        cmocka_unit_test(signals_survive_failed_allocations),
        cmocka_unit_test(signal_arguments_are_checked),
        cmocka_unit_test(a_copy_is_the_part_asked_for),
        cmocka_unit_test(rms_and_peak),
        cmocka_unit_test(nominal_names_are_the_printed_ones),
        cmocka_unit_test(edges_meet_and_lie_where_the_formula_says),
        cmocka_unit_test(decibels),
        cmocka_unit_test(sums_of_levels),
        cmocka_unit_test(speed_of_sound),
        cmocka_unit_test(splitmix64_gives_the_published_sequence),
        cmocka_unit_test(random_numbers_have_their_moments),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
