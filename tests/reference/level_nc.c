/* SPDX-License-Identifier: MIT
 * NC curves against the second entry of ANSI S12.2-2019; the classic set differs by at most 2 dB in a few cells. */
#include "csv.h"
#include "near.h"

#include <lanetune/level.h>

static void curves_are_those_of_the_table(void **state)
{
    (void)state;
    static const char *const columns[LT_NC_BANDS] = {"l_31p5_hz_db", "l_63_hz_db",   "l_125_hz_db",
                                                     "l_250_hz_db",  "l_500_hz_db",  "l_1000_hz_db",
                                                     "l_2000_hz_db", "l_4000_hz_db", "l_8000_hz_db"};
    csv_table *t = csv_load("nc_curves.csv");
    int bad = 0;
    size_t seen = 0;
    for (size_t r = 0; r < t->rows; r++) {
        const char *name = csv_text(t, r, "curve");
        const bool current = strcmp(csv_text(t, r, "edition"), "ANSI S12.2-2019") == 0;
        const int curve = (int)strtol(name + 3, NULL, 10);
        for (size_t i = current ? 0 : 1; i < LT_NC_BANDS; i++)
            bad += !near_abs(name, lt_nc_curve_db(curve, i), csv_number(t, r, columns[i]), current ? 0.0 : 2.0);
        seen += current;
    }
    csv_free(t);
    assert_int_equal(seen, 12);
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(curves_are_those_of_the_table)};
    return cmocka_run_group_tests_name("level_nc", tests, NULL, NULL);
}
