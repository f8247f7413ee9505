/* SPDX-License-Identifier: MIT
 * The E-model (ITU-T G.107), the tolerance curve (G.131) and double-talk types (P.340) against their tables. */
#include "csv.h"
#include "near.h"

#include <lanetune/loop.h>

#include <math.h>

static void defaults_are_those_of_g107(void **state)
{
    (void)state;
    csv_table *t = csv_load("g107_defaults.csv");
    const lt_emodel m = lt_emodel_default();
    const struct {
        const char *symbol;
        double value;
    } ours[] = {{"SLR", m.slr_db},
                {"RLR", m.rlr_db},
                {"STMR", m.stmr_db},
                {"LSTR", m.lstr_db},
                {"Ds", m.ds_db},
                {"Dr", m.dr_db},
                {"TELR", m.telr_db},
                {"WEPL", m.wepl_db},
                {"T", m.one_way_ms},
                {"Tr", m.round_trip_ms},
                {"Ta", m.absolute_delay_ms},
                {"sT", m.delay_sensitivity},
                {"mT", m.delay_least_ms},
                {"qdu", m.qdu},
                {"Ie", m.ie},
                {"Bpl", m.bpl},
                {"Ppl", m.ppl_percent},
                {"BurstR", m.burst_ratio},
                {"Nc", m.nc_dbm0p},
                {"Nfor", m.nfor_dbmp},
                {"Ps", m.ps_dba},
                {"Pr", m.pr_dba},
                {"A", m.advantage}};
    int bad = 0;
    for (size_t r = 0; r < t->rows; r++) {
        const char *symbol = csv_text(t, r, "symbol");
        bool found = false;
        for (size_t i = 0; i < COUNT(ours); i++)
            if (strcmp(symbol, ours[i].symbol) == 0) {
                found = true;
                bad += !near_abs(symbol, ours[i].value, csv_number(t, r, "default"), 1e-12);
            }
        if (!found)
            fail_msg("%s is not in the structure", symbol);
    }
    assert_int_equal(t->rows, COUNT(ours));
    assert_int_equal(bad, 0);
    csv_free(t);
}

static void ratings_match_the_worked_examples(void **state)
{
    (void)state;
    csv_table *t = csv_load("g107_worked_examples.csv");
    int bad = 0;
    for (size_t r = 0; r < t->rows; r++) {
        lt_emodel m = lt_emodel_default();
        m.one_way_ms = csv_number(t, r, "t_ms");
        m.absolute_delay_ms = csv_number(t, r, "ta_ms");
        m.round_trip_ms = csv_number(t, r, "tr_ms");
        m.telr_db = csv_number(t, r, "telr_db");
        m.slr_db = csv_number(t, r, "slr_db");
        m.rlr_db = csv_number(t, r, "rlr_db");
        m.stmr_db = csv_number(t, r, "stmr_db");
        m.ps_dba = csv_number(t, r, "ps_dba");
        m.pr_dba = csv_number(t, r, "pr_dba");
        lt_emodel_result x;
        lt_emodel_compute(&m, &x);
        char row[64];
        (void)snprintf(row, sizeof row, "row %zu", r);
        bad += !near_abs(row, x.no_dbm0p, csv_number(t, r, "no_db"), 1e-5);
        bad += !near_abs(row, x.ro, csv_number(t, r, "ro"), 1e-5);
        bad += !near_abs(row, x.is, csv_number(t, r, "is"), 1e-5);
        bad += !near_abs(row, x.idte, csv_number(t, r, "idte"), 1e-5);
        bad += !near_abs(row, x.idle, csv_number(t, r, "idle"), 1e-5);
        bad += !near_abs(row, x.idd, csv_number(t, r, "idd"), 1e-5);
        bad += !near_abs(row, x.r, csv_number(t, r, "r"), 1e-5);
        bad += !near_abs(row, x.mos, csv_number(t, r, "mos"), 1e-5);
    }
    assert_int_equal(bad, 0);
    csv_free(t);
}

static void the_tolerance_curve_is_that_of_g131(void **state)
{
    (void)state;
    csv_table *t = csv_load("g131_talker_echo.csv");
    int bad = 0;
    for (size_t r = 0; r < t->rows; r++) {
        const double one_way_ms = csv_number(t, r, "mean_one_way_delay_ms");
        const double acceptable = csv_number(t, r, "telr_acceptable_db");
        lt_talker_echo just = {0}, less = {0}, under = {0};
        bad +=
            !near_abs("acceptable", lt_talker_echo_required_db(LT_ECHO_ACCEPTABLE_DB, one_way_ms), acceptable, 0.006);
        bad += !near_abs("limiting", lt_talker_echo_required_db(LT_ECHO_LIMITING_DB, one_way_ms),
                         csv_number(t, r, "telr_limiting_db_memory"), 0.006);
        lt_talker_echo_rate(acceptable - 10.0 + 0.02, one_way_ms, &just);
        lt_talker_echo_rate(acceptable - 10.0 - 0.02, one_way_ms, &less);
        lt_talker_echo_rate(acceptable - 16.0 - 0.02, one_way_ms, &under);
        bad += just.verdict != LT_ECHO_ACCEPTABLE;
        bad += less.verdict != LT_ECHO_LIMITING;
        bad += under.verdict != LT_ECHO_UNACCEPTABLE;
    }
    assert_int_equal(bad, 0);
    csv_free(t);
    t = csv_load("g131_anchors.csv"); /* readings of the printed curve, to the dB */
    for (size_t r = 0; r < t->rows; r++)
        bad += !near_abs("anchor",
                         lt_talker_echo_required_db(LT_ECHO_ACCEPTABLE_DB, csv_number(t, r, "mean_one_way_delay_ms")),
                         csv_number(t, r, "telr_acceptable_db"), 0.5);
    assert_int_equal(bad, 0);
    csv_free(t);
}

static void double_talk_types_are_those_of_p340(void **state)
{
    (void)state;
    csv_table *t = csv_load("p340_double_talk.csv");
    for (size_t r = 0; r + 1 < t->rows; r++) {
        const double least = csv_number(t, r, "echo_loss_min_db");
        assert_string_equal(lt_double_talk_type(least), csv_text(t, r, "type"));
        assert_string_equal(lt_double_talk_type(least - 0.1), csv_text(t, r + 1, "type"));
    }
    assert_null(lt_double_talk_type((double)NAN));
    csv_free(t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(defaults_are_those_of_g107), cmocka_unit_test(ratings_match_the_worked_examples),
        cmocka_unit_test(the_tolerance_curve_is_that_of_g131), cmocka_unit_test(double_talk_types_are_those_of_p340)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
