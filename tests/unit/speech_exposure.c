/* SPDX-License-Identifier: MIT
 * Exposure of a day by equal energy. Closed forms: NIOSH 98-126 table 1-1 (85 dB(A) 8 h, 88 dB(A) 4 h, 91 dB(A) 2 h, 94
 * dB(A) 1 h, 100 dB(A) 15 min; memory), ISO 9612 equation for L_EX,8h of tasks. */
#include "near.h"
#include "suite.h"

#include <lanetune/speech.h>

static void times_that_make_a_full_dose(void **state)
{
    (void)state;
    static const lt_exposure_task rows[] = {{85, 8}, {88, 4}, {91, 2}, {94, 1}, {97, 0.5}, {100, 0.25}, {82, 16}};
    int bad = 0;
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        lt_exposure x;
        assert_int_equal(lt_exposure_measure(&rows[i], 1, &x, NULL), LT_OK);
        bad += !near_abs("dose", x.dose_percent, 100.0, 1e-9);
        bad += !near_abs("allowed", lt_exposure_allowed_hours(rows[i].level_dba), rows[i].hours, 1e-12);
        bad += !near_abs("LEX", x.lex_8h_dba, rows[i].level_dba + 10.0 * log10(rows[i].hours / 8.0), 1e-9);
        bad += !near_abs("LEX and dose", x.lex_8h_dba, 85.0, 0.06); /* 3 dB are not quite 10 lg 2 */
    }
    assert_int_equal(bad, 0);
}

static void tasks_add_up(void **state)
{
    (void)state;
    /* 2 h at 91 dB(A) and 4 h at 85 dB(A): 100 % + 50 %; the energies are 4 x 2/8 (nearly) and 4/8 of 85 dB(A). */
    const lt_exposure_task two[] = {{91, 2}, {85, 4}, {-(double)INFINITY, 2}};
    lt_exposure x;
    int bad = 0;
    assert_int_equal(lt_exposure_measure(two, 3, &x, NULL), LT_OK);
    bad += !near_abs("dose", x.dose_percent, 150.0, 1e-9);
    bad += !near_abs("LEX", x.lex_8h_dba, 10.0 * log10(0.25 * pow(10, 9.1) + 0.5 * pow(10, 8.5)), 1e-9);
    /* A task cut in two is the same day. */
    const lt_exposure_task cut[] = {{91, 1.5}, {85, 4}, {91, 0.5}};
    lt_exposure y;
    assert_int_equal(lt_exposure_measure(cut, 3, &y, NULL), LT_OK);
    bad += !near_abs("cut", y.lex_8h_dba, x.lex_8h_dba, 1e-12);
    assert_int_equal(bad, 0);
}

static void silence_and_nonsense(void **state)
{
    (void)state;
    lt_exposure x;
    const lt_exposure_task silent = {-(double)INFINITY, 8};
    assert_int_equal(lt_exposure_measure(&silent, 1, &x, NULL), LT_OK);
    assert_true(isinf(x.lex_8h_dba) && x.lex_8h_dba < 0.0 && x.dose_percent <= 0.0);
    const lt_exposure_task wrong[] = {{(double)NAN, 8}, {85, (double)NAN},     {85, -1},
                                      {85, 24.5},       {(double)INFINITY, 1}, {85, (double)INFINITY}};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        lt_error err = {0};
        assert_int_equal(lt_exposure_measure(&wrong[i], 1, &x, &err), LT_E_ARG);
        assert_true(err.what[0] != '\0' && isnan(x.lex_8h_dba));
    }
}

SUITE(speech_exposure)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(times_that_make_a_full_dose),
        cmocka_unit_test(tasks_add_up),
        cmocka_unit_test(silence_and_nonsense),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
