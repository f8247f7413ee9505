/* SPDX-License-Identifier: MIT
 * Frequency weightings and mid-bands against the printed tables of IEC 61672-1:2013 and IEC 61260-1:2014. */
#include "csv.h"
#include "near.h"

#include <lanetune/dsp.h>

static void weightings_match_the_printed_table(void **state)
{
    (void)state;
    csv_table *t = csv_load("iec61672_weighting.csv");
    int bad = 0;
    for (size_t i = 0; i < t->rows; i++) {
        const char *row = csv_text(t, i, "nominal_hz");
        /* IEC 61672-1 prints at nominal frequencies what it computes at exact ones, rounded to 0.1 dB. */
        const double hz = 1000.0 * pow(10.0, round(10.0 * log10(csv_number(t, i, "exact_hz") / 1000.0)) / 10.0);
        bad += !near_abs(row, lt_weight_a_db(hz), csv_number(t, i, "a_db"), 0.0501);
        bad += !near_abs(row, lt_weight_c_db(hz), csv_number(t, i, "c_db"), 0.0501);
        bad += !near_abs(row, lt_weight_a_db(hz), csv_number(t, i, "a_analytic_db"), 0.00051);
        bad += !near_abs(row, lt_weight_c_db(hz), csv_number(t, i, "c_analytic_db"), 0.00051);
    }
    assert_int_equal(t->rows, 34);
    csv_free(t);
    assert_int_equal(bad, 0);
}

static double constant(const csv_table *t, const char *name)
{
    for (size_t i = 0; i < t->rows; i++)
        if (strcmp(csv_text(t, i, "name"), name) == 0)
            return csv_number(t, i, "value");
    fail_msg("no constant %s", name);
    return NAN;
}

static void weightings_match_the_formula_with_other_constants(void **state)
{
    (void)state;
    csv_table *t = csv_load("iec61672_constants.csv");
    const double f1 = constant(t, "f1");
    const double f2 = constant(t, "f2");
    const double f3 = constant(t, "f3");
    const double f4 = constant(t, "f4");
    int bad = 0;
    for (double hz = 5.0; hz < 30000.0; hz *= 1.1) {
        const double c = f4 * f4 * hz * hz / ((hz * hz + f1 * f1) * (hz * hz + f4 * f4));
        const double a = c * hz * hz / (sqrt(hz * hz + f2 * f2) * sqrt(hz * hz + f3 * f3));
        bad += !near_abs("A", lt_weight_a_db(hz), 20.0 * log10(a) - constant(t, "a1000"), 2e-6);
        bad += !near_abs("C", lt_weight_c_db(hz), 20.0 * log10(c) - constant(t, "c1000"), 2e-6);
    }
    bad += !near_abs("A at 1 kHz", lt_weight_a_db(1000.0), 0.0, 1e-12);
    bad += !near_abs("C at 1 kHz", lt_weight_c_db(1000.0), 0.0, 1e-12);
    bad += !near_abs("A at 0 Hz", lt_weight_a_db(0.0), -INFINITY, 0.0);
    bad += !near_abs("C at 0 Hz", lt_weight_c_db(0.0), -INFINITY, 0.0);
    csv_free(t);
    assert_int_equal(bad, 0);
}

static void bands_match_the_printed_table(void **state)
{
    (void)state;
    csv_table *t = csv_load("iec61260_midband.csv");
    int bad = 0;
    for (size_t i = 0; i < t->rows; i++) {
        const int index = (int)csv_number(t, i, "index_x");
        const bool third = strcmp(csv_text(t, i, "bandwidth"), "third_octave") == 0;
        if (third ? (index < LT_THIRD_FIRST || index > LT_THIRD_LAST) : (index < -6 || index > 4))
            continue;
        const lt_band b = third ? lt_third_octave(index) : lt_octave(index);
        const char *row = csv_text(t, i, "nominal_hz");
        bad += !near_abs(row, b.nominal_hz, csv_number(t, i, "nominal_hz"), 1e-12);
        bad += !near_abs(row, b.exact_hz, csv_number(t, i, "exact_hz"), 5.1e-5);
        bad += !near_abs(row, b.lower_hz, csv_number(t, i, "lower_edge_hz"), 5.1e-5);
        bad += !near_abs(row, b.upper_hz, csv_number(t, i, "upper_edge_hz"), 5.1e-5);
    }
    assert_true(t->rows >= 32);
    csv_free(t);
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(weightings_match_the_printed_table),
        cmocka_unit_test(weightings_match_the_formula_with_other_constants),
        cmocka_unit_test(bands_match_the_printed_table),
    };
    return cmocka_run_group_tests_name("dsp_weight", tests, NULL, NULL);
}
