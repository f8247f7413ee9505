/* SPDX-License-Identifier: MIT
 * Notches against brute force: never more of them, and speech never loses more of the index than with the best set on a
 * coarse grid. The brute force shares no code with the search: the loop's response is a plain sum over its taps, the
 * biquads are Bristow-Johnson's cookbook written out once more; only the index is the library's. */
#include "near.h"
#include "rng.h"
#include <lanetune/loop.h>
#include <lanetune/speech.h>

#include <stdio.h>
#include <string.h>

enum { TAPS = 1500, LOOPS = 10, PER_OCTAVE = 400, POINTS = 2410, BAND_POINTS = 7, SPEECH_POINTS = 126 };
enum { CENTRES = 43, QS = 4, CUTS = 5, CONFIGS = CENTRES * QS * CUTS };
enum { BANDS = 6, STEPS = 6, COMBINATIONS = 117649 /* (STEPS + 1) ^ BANDS */ };
static const double rate = 16000.0;
static const double from_hz = 105.0;
static const double to_hz = 6900.0;
static const double want_db = 11.5;   /* the flat part stands at 13.98 dB */
static const double more_loss = 1e-6; /* rounding alone */
/* A peak of Q 14 between two points is so much higher at most: 10 lg(1 + (2 Q / 2 * ln 2 / PER_OCTAVE)^2). */
static const double between_db = 0.003;
static const double qs[QS] = {3.2, 5.0, 8.0, 12.0};
static const double cuts_db[CUTS] = {3.0, 4.5, 6.0, 7.5, 9.0};

/* ---- the loop and the filters once more ---- */

/* |H|^2 in dB of a peaking filter of the cookbook. */
static double peaking_db(double hz, double centre_hz, double q, double gain_db)
{
    const double a = pow(10.0, gain_db / 40.0);
    const double w0 = 2.0 * LT_PI * centre_hz / rate;
    const double alpha = sin(w0) / (2.0 * q);
    const double w = 2.0 * LT_PI * hz / rate;
    const double c1 = cos(w);
    const double s1 = sin(w);
    const double c2 = cos(2.0 * w);
    const double s2 = sin(2.0 * w);
    const double b[3] = {1.0 + alpha * a, -2.0 * cos(w0), 1.0 - alpha * a};
    const double d[3] = {1.0 + alpha / a, -2.0 * cos(w0), 1.0 - alpha / a};
    const double above = hypot(b[0] + b[1] * c1 + b[2] * c2, b[1] * s1 + b[2] * s2);
    const double below = hypot(d[0] + d[1] * c1 + d[2] * c2, d[1] * s1 + d[2] * s2);
    return 20.0 * log10(above / below);
}

typedef struct {
    double taps[TAPS];
    double hz[POINTS], level_db[POINTS]; /* the highest first */
} test_loop;

static double point_hz(size_t k)
{
    return from_hz * exp2((double)k / PER_OCTAVE);
}

/* 20 lg |H| of the taps at one frequency, by Horner's rule. */
static double taps_db(const double *taps, size_t count, double hz)
{
    const double c = cos(2.0 * LT_PI * hz / rate);
    const double d = sin(2.0 * LT_PI * hz / rate);
    double re = 0.0;
    double im = 0.0;
    for (size_t i = count; i-- > 0;) {
        const double kept = re * c - im * d + taps[i];
        im = re * d + im * c;
        re = kept;
    }
    return 20.0 * log10(hypot(re, im));
}

static void add_peak(double *h, double hz, double q, double gain_db)
{
    const lt_biquad b = lt_biquad_peaking(hz, q, gain_db, rate);
    lt_biquad_state state = {0};
    lt_biquad_run(&b, &state, h, h, TAPS);
}

/* One or two places, each with one peak or two that are close to each other. */
static void make_loop(lt_rng *r, test_loop *l)
{
    memset(l, 0, sizeof *l);
    l->taps[30] = 0.2;
    const int places = 1 + (int)between(r, 0.0, 2.0);
    for (int i = 0; i < places; i++) {
        /* One draw a statement: the order of a call's arguments is the compiler's. */
        double hz = 250.0 * exp2(between(r, 0.0, 4.2)), q = between(r, 5.0, 14.0);
        add_peak(l->taps, hz, q, between(r, 4.0, 8.0));
        if (lt_rng_uniform(r) >= 0.6)
            continue;
        hz *= exp2(between(r, 0.08, 0.3));
        q = between(r, 5.0, 14.0);
        add_peak(l->taps, hz, q, between(r, 3.0, 6.0));
    }
    for (size_t k = 0; k < POINTS; k++) {
        const double hz = point_hz(k);
        size_t at = k;
        const double level_db = taps_db(l->taps, TAPS, hz);
        for (; at > 0 && l->level_db[at - 1] < level_db; at--) {
            l->level_db[at] = l->level_db[at - 1];
            l->hz[at] = l->hz[at - 1];
        }
        l->level_db[at] = level_db;
        l->hz[at] = hz;
    }
}

/* ---- what a set of filters costs ---- */

static double speech_point_hz(size_t i)
{
    const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)(i / BAND_POINTS));
    return b.lower_hz + ((double)(i % BAND_POINTS) + 0.5) / BAND_POINTS * (b.upper_hz - b.lower_hz);
}

/* Loss of the index for speech of normal effort in noise of a falling spectrum; effect_db at all speech points. */
static double loss_of(const double *effect_db)
{
    double speech[LT_SPEECH_BANDS];
    double plain[LT_SPEECH_BANDS];
    double noise[LT_SPEECH_BANDS];
    lt_sii_result with;
    lt_sii_result without;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        double power = 0.0;
        for (size_t p = 0; p < BAND_POINTS; p++)
            power += pow(10.0, effect_db[i * BAND_POINTS + p] / 10.0) / BAND_POINTS;
        plain[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, LT_EFFORT_NORMAL, i);
        speech[i] = plain[i] + 10.0 * log10(power);
        noise[i] = 27.0 - 1.6 * (double)i;
    }
    assert_int_equal(lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, plain, noise, NULL, &without, NULL), LT_OK);
    assert_int_equal(lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, speech, noise, NULL, &with, NULL), LT_OK);
    return without.sii - with.sii;
}

static double loss_of_notches(void *context, const lt_notch *notches, size_t count)
{
    double effect_db[SPEECH_POINTS] = {0.0};
    (void)context;
    for (size_t k = 0; k < count; k++)
        for (size_t i = 0; i < SPEECH_POINTS; i++)
            effect_db[i] += peaking_db(speech_point_hz(i), notches[k].hz, notches[k].q, -notches[k].cut_db);
    return loss_of(effect_db);
}

/* ---- brute force ---- */

typedef struct {
    double effect_db[POINTS]; /* in the order of the loop's points */
    double speech_db[SPEECH_POINTS];
} filter_table;

static void fill_table(filter_table *f, const test_loop *l, double hz, double q, double cut_db)
{
    for (size_t i = 0; i < POINTS && l->level_db[i] > -want_db; i++) /* a cut raises nothing: no other point counts */
        f->effect_db[i] = peaking_db(l->hz[i], hz, q, -cut_db);
    for (size_t i = 0; i < SPEECH_POINTS; i++)
        f->speech_db[i] = peaking_db(speech_point_hz(i), hz, q, -cut_db);
}

static bool holds(const test_loop *l, const filter_table *const *f, size_t count)
{
    const double most_db = -want_db - between_db;
    for (size_t i = 0; i < POINTS && l->level_db[i] > most_db; i++) {
        double level_db = l->level_db[i];
        for (size_t k = 0; k < count; k++)
            level_db += f[k]->effect_db[i];
        if (level_db > most_db)
            return false;
    }
    return true;
}

static double loss_of_tables(const filter_table *const *f, size_t count)
{
    double effect_db[SPEECH_POINTS] = {0.0};
    for (size_t k = 0; k < count; k++)
        for (size_t i = 0; i < SPEECH_POINTS; i++)
            effect_db[i] += f[k]->speech_db[i];
    return loss_of(effect_db);
}

/* Fewest filters, at most two, and the least loss with so many. 0: none needed; 3: two do not do it. */
static size_t brute_force(const test_loop *l, filter_table *table, double *least)
{
    size_t n = 0;
    *least = (double)INFINITY;
    if (holds(l, NULL, 0))
        return 0;
    for (size_t c = 0; c < CENTRES; c++)
        for (size_t q = 0; q < QS; q++)
            for (size_t k = 0; k < CUTS; k++)
                fill_table(&table[n++], l, 150.0 * exp2((double)c / 8.0), qs[q], cuts_db[k]);
    for (size_t a = 0; a < CONFIGS; a++) {
        const filter_table *const one[] = {&table[a]};
        if (holds(l, one, 1))
            *least = fmin(*least, loss_of_tables(one, 1));
    }
    if (isfinite(*least))
        return 1;
    for (size_t a = 0; a < CONFIGS; a++)
        for (size_t b = a + 1; b < CONFIGS; b++) {
            const filter_table *const two[] = {&table[a], &table[b]};
            if (holds(l, two, 2))
                *least = fmin(*least, loss_of_tables(two, 2));
        }
    return isfinite(*least) ? 2 : 3;
}

/* ---- the searches beside it ---- */

static lt_notch_set reach(const test_loop *l, const lt_notch_demand *d)
{
    static double taps[TAPS];
    lt_loop *loop = NULL;
    lt_notch_set set;
    memcpy(taps, l->taps, sizeof taps);
    const lt_ir ir = {.samples = taps, .count = TAPS, .rate_hz = rate, .from_hz = from_hz, .to_hz = to_hz};
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, NULL), LT_OK);
    assert_int_equal(lt_notches_reach((const lt_loop *const[]){loop}, 1, 0.0, d, &set, NULL), LT_OK);
    lt_loop_free(loop);
    return set;
}

/* The claim, with the library's filters run over the taps by their difference equation - and on, while they ring - and
 * the response summed anew. */
static double applied_db(const test_loop *l, const lt_notch_set *s)
{
    enum { RINGING = 2 * TAPS };
    static double taps[RINGING];
    memset(taps, 0, sizeof taps);
    memcpy(taps, l->taps, sizeof l->taps);
    for (size_t k = 0; k < s->count; k++) {
        const lt_biquad b = lt_biquad_peaking(s->notches[k].hz, s->notches[k].q, -s->notches[k].cut_db, rate);
        lt_biquad_state state = {0};
        lt_biquad_run(&b, &state, taps, taps, RINGING);
    }
    double top_db = -(double)INFINITY;
    for (size_t i = 0; i < POINTS; i++)
        top_db = fmax(top_db, taps_db(taps, RINGING, point_hz(i)));
    return -top_db;
}

static void free_notches_beat_a_coarse_grid(void **state)
{
    (void)state;
    static test_loop l;
    static filter_table table[CONFIGS];
    lt_rng r = {20240514};
    int bad = 0, done = 0;
    for (int tried = 0; done < LOOPS && tried < 200; tried++) {
        double least = 0.0;
        make_loop(&r, &l);
        const size_t fewest = brute_force(&l, table, &least);
        if (fewest == 0 || fewest == 3)
            continue;
        lt_notch_demand d = lt_notch_demand_default(want_db);
        d.cost = loss_of_notches;
        const lt_notch_set s = reach(&l, &d);
        const double loss = loss_of_notches(NULL, s.notches, s.count);
        const double left_db = applied_db(&l, &s);
        const bool fine = s.reached && s.count <= fewest && (s.count < fewest || loss <= least + more_loss) &&
                          left_db >= want_db - 0.01;
        if (!fine)
            print_error("loop %d: %zu notches, loss %.4f, %.3f dB; brute force %zu, %.4f\n", tried, s.count, loss,
                        left_db, fewest, least);
        bad += !fine;
        done++;
    }
    assert_int_equal(done, LOOPS);
    assert_int_equal(bad, 0);
}

/* All settings of an octave equalizer of six bands. */
static double brute_bands(const test_loop *l, const double *bands_hz, filter_table table[BANDS][STEPS + 1])
{
    double least = (double)INFINITY;
    for (size_t b = 0; b < BANDS; b++)
        for (size_t k = 0; k <= STEPS; k++)
            fill_table(&table[b][k], l, bands_hz[b], sqrt(2.0), 2.0 * (double)k);
    for (size_t code = 0; code < COMBINATIONS; code++) {
        size_t step[BANDS];
        const filter_table *all[BANDS];
        bool lowest = true; /* no band can go up again: more cut only costs more */
        size_t rest = code;
        for (size_t b = 0; b < BANDS; b++, rest /= STEPS + 1) {
            step[b] = rest % (STEPS + 1);
            all[b] = &table[b][step[b]];
        }
        if (!holds(l, all, BANDS))
            continue;
        for (size_t b = 0; b < BANDS && lowest; b++) {
            if (step[b] == 0)
                continue;
            all[b] = &table[b][step[b] - 1];
            lowest = !holds(l, all, BANDS);
            all[b] = &table[b][step[b]];
        }
        if (lowest)
            least = fmin(least, loss_of_tables(all, BANDS));
    }
    return least;
}

static void bands_of_an_equalizer_are_set_as_well_as_can_be(void **state)
{
    (void)state;
    static test_loop l;
    static filter_table table[BANDS][STEPS + 1];
    static const double bands_hz[BANDS] = {125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0};
    lt_rng r = {7};
    int bad = 0, done = 0;
    for (int tried = 0; done < LOOPS && tried < 200; tried++) {
        make_loop(&r, &l);
        const double least = brute_bands(&l, bands_hz, table);
        if (!isfinite(least) || holds(&l, NULL, 0))
            continue;
        const lt_notch_demand d = {.want_db = want_db,
                                   .notches_max = LT_NOTCHES_MAX,
                                   .cut_max_db = 12.0,
                                   .cut_step_db = 2.0,
                                   .bands_hz = bands_hz,
                                   .band_count = BANDS,
                                   .cost = loss_of_notches};
        const lt_notch_set s = reach(&l, &d);
        const double loss = loss_of_notches(NULL, s.notches, s.count);
        const double left_db = applied_db(&l, &s);
        const bool fine = s.reached && loss <= least + more_loss && left_db >= want_db - 0.01;
        if (!fine)
            print_error("loop %d: loss %.4f, %.3f dB; brute force %.4f\n", tried, loss, left_db, least);
        bad += !fine;
        done++;
    }
    assert_int_equal(done, LOOPS);
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(free_notches_beat_a_coarse_grid),
        cmocka_unit_test(bands_of_an_equalizer_are_set_as_well_as_can_be),
    };
    return cmocka_run_group_tests_name("tune_notches", tests, NULL, NULL);
}
