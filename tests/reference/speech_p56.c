/* SPDX-License-Identifier: MIT
 * Active speech level against what the ITU-T G.191 software tool answers for ten signals that anybody can make again;
 * data/p56_worked_examples.csv names each. It also holds the levels with linear interpolation between thresholds, which
 * is ours; the tool stops its bisection at 0.5 dB. */
#include "csv.h"
#include "near.h"

#include <lanetune/speech.h>

/* How the examples are made, in the words of the table's column `signal`. Sines start at phase 0 in each burst. */
static const struct {
    const char *id;
    size_t bursts;
    double on_s, off_s, sine, noise;
} signals[] = {
    {"sine_cont", 1, 10.0, 0.0, 0.1, 0.0},           {"burst_1on_1off", 10, 1.0, 1.0, 0.1, 0.0},
    {"burst_500on_100off", 20, 0.5, 0.1, 0.1, 0.0},  {"burst_300on_300off", 40, 0.3, 0.3, 0.1, 0.0},
    {"burst_2on_3off", 4, 2.0, 3.0, 0.1, 0.0},       {"burst_1on_1off_loud", 10, 1.0, 1.0, 0.5, 0.0},
    {"burst_1on_1off_low", 10, 1.0, 1.0, 0.01, 0.0}, {"burst_1on_1off_noise", 10, 1.0, 1.0, 0.1, 0.001},
    {"noise_cont", 1, 10.0, 0.0, 0.0, 0.1},          {"silence", 1, 0.0, 2.0, 0.0, 0.0},
};

static lt_signal *make_signal(size_t k, double rate_hz)
{
    const size_t on = (size_t)lround(signals[k].on_s * rate_hz);
    const size_t off = (size_t)lround(signals[k].off_s * rate_hz);
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(signals[k].bursts * (on + off), rate_hz, &s, &(lt_error){0}), LT_OK);
    uint32_t lcg = 1;
    for (size_t i = 0; i < s->count; i++) {
        const size_t n = i % (on + off);
        lcg = lcg * 1664525U + 1013904223U;
        if (n < on)
            s->samples[i] = signals[k].sine * sin(2.0 * LT_PI * 1000.0 * (double)n / rate_hz);
        s->samples[i] += signals[k].noise * (2.0 * (double)lcg / 4294967296.0 - 1.0);
    }
    return s;
}

static int check_signal(const csv_table *t, size_t row)
{
    const char *id = csv_text(t, row, "id");
    size_t k = 0;
    while (k < COUNT(signals) && strcmp(signals[k].id, id) != 0)
        k++;
    assert_true(k < COUNT(signals));
    lt_signal *s = make_signal(k, csv_number(t, row, "sample_rate_hz"));
    assert_int_equal(s->count, (size_t)csv_number(t, row, "samples"));
    lt_active_level got;
    assert_int_equal(lt_active_level_measure(s, &got, &(lt_error){0}), LT_OK);
    lt_signal_free(s);
    if (strcmp(id, "silence") == 0) /* the tool prints -100 and -200 dB there */
        return !near_abs(id, got.active_level_db, -(double)INFINITY, 0.0) +
               !near_abs(id, got.activity_percent, 0.0, 0.0);
    const double dbov = got.active_level_db - 10.0 * log10(2.0); /* 0 dBov = RMS of a full-scale square wave */
    int bad = 0;
    bad += !near_abs(id, got.long_term_level_db - 10.0 * log10(2.0), csv_number(t, row, "rms_dbov"), 1e-4);
    bad += !near_abs(id, dbov, csv_number(t, row, "stl_active_level_dbov"), 0.1);
    bad += !near_abs(id, got.activity_percent, csv_number(t, row, "stl_activity_percent"), 1.0);
    bad += !near_abs(id, dbov, csv_number(t, row, "linear_interpolation_active_level_dbov"), 5e-4);
    bad += !near_abs(id, got.activity_percent, csv_number(t, row, "linear_interpolation_activity_percent"), 5e-3);
    bad += !near_abs(id, 20.0 * log10(got.threshold), dbov - 15.9, 1e-9);
    return bad;
}

static void examples_of_the_itu_tool_agree(void **state)
{
    (void)state;
    csv_table *t = csv_load("p56_worked_examples.csv");
    int bad = 0;
    assert_int_equal(t->rows, COUNT(signals));
    for (size_t i = 0; i < t->rows; i++)
        bad += check_signal(t, i);
    csv_free(t);
    assert_int_equal(bad, 0);
}

/* The same sound at every rate from 8 to 192 kHz: bursts of two tones with pauses, its level fixed by arithmetic. Long
 * bursts: A = RMS of the active part, where bursts of 1.8 s have 0.2 s of hangover (ITU-T P.56, method B). */
static void the_rate_does_not_matter(void **state)
{
    (void)state;
    static const double rates_hz[] = {8000, 11025, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 192000};
    double first = 0.0;
    int bad = 0;
    for (size_t i = 0; i < COUNT(rates_hz); i++) {
        lt_signal *s = NULL;
        lt_active_level level;
        const double amplitude = 0.1;
        assert_int_equal(lt_signal_create((size_t)(16.0 * rates_hz[i]), rates_hz[i], &s, &(lt_error){0}), LT_OK);
        for (size_t n = 0; n < s->count; n++) {
            const double t = (double)n / rates_hz[i];
            if (fmod(t, 4.0) < 1.8)
                s->samples[n] = amplitude * (sin(2.0 * LT_PI * 500.0 * t) + sin(2.0 * LT_PI * 1300.0 * t));
        }
        assert_int_equal(lt_active_level_measure(s, &level, &(lt_error){0}), LT_OK);
        first = i == 0 ? level.active_level_db : first;
        bad += !near_abs("rate", level.active_level_db, first, 0.1);
        /* each tone is amplitude / sqrt(2); 1.8 s of sound count as about 2 s; the envelope's tail adds 0.1 s or less
         */
        const double want = 20.0 * log10(amplitude) + 3.0103 + 10.0 * log10(1.8 / 2.05);
        bad += !near_abs("level", level.active_level_db, want, 0.15);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(examples_of_the_itu_tool_agree),
        cmocka_unit_test(the_rate_does_not_matter),
    };
    return cmocka_run_group_tests_name("speech_p56", tests, NULL, NULL);
}
