/* SPDX-License-Identifier: MIT
 * The weights of the articulation index, one band after the other, against their second entry; source and confidence:
 * data/README.md. */
#include "csv.h"
#include "near.h"

#include <lanetune/speech.h>

enum { FIRST = 1 /* 200 Hz among the speech bands */, BANDS = 15 };

/* Speech whose peaks, 12 dB over it, stand `over_db` over the noise in one band and far below it in all others. */
static double index_of(size_t band, double over_db)
{
    double speech[LT_SPEECH_BANDS];
    double noise[LT_SPEECH_BANDS];
    lt_privacy p;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        noise[i] = 30.0;
        speech[i] = noise[i] + (i == band ? over_db - 12.0 : -100.0);
    }
    assert_int_equal(lt_privacy_measure(speech, noise, &p, NULL), LT_OK);
    return p.articulation_index;
}

static void weights_match_the_second_entry(void **state)
{
    (void)state;
    csv_table *t = csv_load("ai_weights.csv");
    int bad = 0;
    assert_int_equal(t->rows, BANDS);
    for (size_t band = 0; band < LT_SPEECH_BANDS; band++) {
        const bool weighted = band >= FIRST && band < FIRST + BANDS;
        const double hz = lt_sii_band_at(LT_SII_THIRD_OCTAVE, band).hz;
        const double weight = weighted ? csv_number(t, band - FIRST, "weight_per_db") : 0.0;
        char label[40];
        (void)snprintf(label, sizeof label, "%g Hz", hz);
        if (weighted)
            bad += !near_abs(label, hz, csv_number(t, band - FIRST, "nominal_hz"), 0.0);
        bad += !near_abs(label, index_of(band, 20.0), 20.0 * weight, 1e-12);
        bad += !near_abs(label, index_of(band, 50.0), 30.0 * weight, 1e-12); /* more than 30 dB help no further */
    }
    csv_free(t);
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(weights_match_the_second_entry)};
    return cmocka_run_group_tests_name("speech_privacy", tests, NULL, NULL);
}
