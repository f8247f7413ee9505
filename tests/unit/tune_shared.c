/* SPDX-License-Identifier: MIT
 * Shared knobs: one setting for several adjusters, against all combinations tried one by one. */
#include "brute_lane.h"
#include "near.h"
#include "random_lane.h"
#include "suite.h"

#include <stdio.h>

enum { MOST_LANES = 3, STEPS = 6 };

typedef struct {
    fixture f[MOST_LANES];
    lt_tune_lane lanes[MOST_LANES];
    lt_tune_result r[MOST_LANES];
    double objective[MOST_LANES][STEPS][STEPS]; /* -1: not allowed */
} workplace;

static void word(lt_adjuster *a, const char *w)
{
    (void)snprintf(a->shared, sizeof a->shared, "%s", w);
}

/* words[2 l] and [2 l + 1]: of the outbound and inbound adjuster of lane l. */
static void make_lanes(workplace *w, size_t count, const char *const *words, uint64_t seed)
{
    for (size_t l = 0; l < count; l++) {
        random_lane(&w->f[l], seed + 100 * l);
        lt_tune_lane *lane = &w->lanes[l];
        *lane = w->f[l].lane;
        lane->lane = (unsigned)l + 1;
        fixture_steps(&lane->outbound, -15.0, 10.0, 5.0);
        fixture_steps(&lane->inbound, -15.0, 10.0, 5.0);
        lane->outbound.now_db = lane->inbound.now_db = -5.0;
        lane->outbound.recorded_db = lane->inbound.recorded_db = -5.0;
        word(&lane->outbound, words[2 * l]);
        word(&lane->inbound, words[2 * l + 1]);
        brute_paths p;
        brute_paths_fill(lane, &p);
        for (size_t i = 0; i < STEPS; i++)
            for (size_t j = 0; j < STEPS; j++) {
                const brute_figures f =
                    brute_figures_at(lane, &p, lane->outbound.steps_db[i], lane->inbound.steps_db[j]);
                const double one = fmin(lane->target_sii, fmin(f.sii_out, f.sii_in));
                w->objective[l][i][j] = brute_violated(lane, &f, NULL) != 0 ? -1.0 : one;
            }
        if (w->objective[l][0][0] < 0.0)
            w->objective[l][0][0] = 2.0; /* not to be met: the lowest setting, whatever the others want */
    }
}

/* Do equal words stand at equal steps? */
static bool tied(const char *const *words, const size_t *at, size_t adjusters)
{
    for (size_t i = 0; i < adjusters; i++)
        for (size_t k = 0; k < i; k++)
            if (words[i][0] != '\0' && strcmp(words[i], words[k]) == 0 && at[i] != at[k])
                return false;
    return true;
}

static bool next(size_t *at, size_t adjusters)
{
    for (size_t i = 0; i < adjusters; i++) {
        if (++at[i] < STEPS)
            return true;
        at[i] = 0;
    }
    return false;
}

/* Over all combinations: the highest lowest objective; and among those within 0.002 of it the highest sum. */
static void best_of_all(const workplace *w, size_t count, const char *const *words, double *best_lowest,
                        double *best_sum)
{
    *best_lowest = *best_sum = -1.0;
    for (int pass = 0; pass < 2; pass++) {
        size_t at[2 * MOST_LANES] = {0};
        do {
            if (!tied(words, at, 2 * count))
                continue;
            double lowest = 3.0;
            double sum = 0.0;
            for (size_t l = 0; l < count; l++) {
                const double one = w->objective[l][at[2 * l]][at[2 * l + 1]];
                lowest = fmin(lowest, one);
                sum += one;
            }
            if (pass == 0)
                *best_lowest = fmax(*best_lowest, lowest);
            else if (lowest >= *best_lowest - 0.002)
                *best_sum = fmax(*best_sum, sum);
        } while (next(at, 2 * count));
    }
}

/* The quietest combination whose lowest objective is within 0.002 of the best one; for cases where the sum over lanes
 * cannot decide: one lane. */
static double quietest_of_one(const workplace *w, const char *const *words, double least)
{
    size_t at[2] = {0};
    double best = INFINITY;
    do {
        if (tied(words, at, 2) && w->objective[0][at[0]][at[1]] >= least)
            best = fmin(best, (double)(at[0] + at[1]));
    } while (next(at, 2));
    return best;
}

/* All lanes of a pattern hang together, the first two of them as well. */
static const char *const patterns[][2 * MOST_LANES] = {
    {"a", "", "a", "", "a", ""},  {"a", "b", "a", "b", "", "a"},   {"a", "a", "a", "a", "a", "a"},
    {"a", "b", "b", "", "", "a"}, {"", "in", "", "in", "in", "x"}, {"x", "x", "y", "x", "y", "x"},
};

static void tied_lanes_reach_the_best_of_the_worst(void **state)
{
    (void)state;
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    int bad = 0;
    for (size_t p = 0; p < COUNT(patterns); p++)
        for (uint64_t seed = 0; seed < 12; seed++) {
            const size_t count = seed % 2 == 0 ? 2 : 3;
            char row[48];
            (void)snprintf(row, sizeof row, "pattern %zu seed %u", p, (unsigned)seed);
            make_lanes(w, count, patterns[p], 7000 + seed);
            assert_int_equal(lt_tune(w->lanes, count, w->r, NULL), LT_OK);
            size_t at[2 * MOST_LANES];
            double lowest = 3.0;
            double sum = 0.0;
            for (size_t l = 0; l < count; l++) {
                at[2 * l] = w->r[l].outbound_step;
                at[2 * l + 1] = w->r[l].inbound_step;
                const double one = w->objective[l][at[2 * l]][at[2 * l + 1]];
                bad += one < 0.0; /* a limit is violated */
                lowest = fmin(lowest, one);
                sum += one;
                bad += (w->r[l].unmet_count > 0) != (w->objective[l][0][0] > 1.5);
            }
            bad += !tied(patterns[p], at, 2 * count);
            double best_lowest = 0.0;
            double best_sum = 0.0;
            best_of_all(w, count, patterns[p], &best_lowest, &best_sum);
            bad += !in_range(row, lowest, best_lowest - 0.002 - 1e-9, 3.0);
            /* 0.002 a lane for the shared knobs, as much for the lane's own ones */
            bad += !in_range(row, sum, best_sum - 0.004 * (double)count - 1e-9, 10.0);
        }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void one_knob_for_both_directions(void **state)
{
    (void)state;
    static const char *const words[] = {"volume", "volume"};
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    int bad = 0;
    for (uint64_t seed = 0; seed < 30; seed++) {
        make_lanes(w, 1, words, 8000 + seed);
        assert_int_equal(lt_tune(w->lanes, 1, w->r, NULL), LT_OK);
        bad += w->r[0].outbound_step != w->r[0].inbound_step;
        double best = 0.0;
        double best_sum = 0.0;
        best_of_all(w, 1, words, &best, &best_sum);
        const double quiet = quietest_of_one(w, words, best - 0.002);
        bad += !near_abs("steps", (double)(w->r[0].outbound_step + w->r[0].inbound_step), quiet, 1e-9);
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* A word that nobody else uses ties nothing; lanes without common words do not touch each other. */
static void a_word_alone_ties_nothing(void **state)
{
    (void)state;
    static const char *const with[] = {"left", "", "right", "up"};
    static const char *const without[] = {"", "", "", ""};
    workplace *w = ltp_alloc(1, sizeof *w);
    lt_tune_result *free_of = ltp_alloc(2, sizeof *free_of);
    assert_true(w != NULL && free_of != NULL);
    make_lanes(w, 2, without, 9000);
    assert_int_equal(lt_tune(w->lanes, 2, free_of, NULL), LT_OK);
    make_lanes(w, 2, with, 9000);
    assert_int_equal(lt_tune(w->lanes, 2, w->r, NULL), LT_OK);
    int bad = 0;
    for (size_t l = 0; l < 2; l++)
        bad += free_of[l].outbound_step != w->r[l].outbound_step || free_of[l].inbound_step != w->r[l].inbound_step;
    ltp_free(w);
    ltp_free(free_of);
    assert_int_equal(bad, 0);
}

/* Of tied lanes that can all reach the best, the sum decides, then the gains. Three equal lanes behave as one. */
static void equal_lanes_on_one_knob_behave_as_one(void **state)
{
    (void)state;
    static const char *const words[] = {"a", "b", "a", "b", "a", "b"};
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    int bad = 0;
    for (uint64_t seed = 0; seed < 20; seed++) {
        make_lanes(w, 1, words, 9500 + seed);
        for (size_t l = 1; l < MOST_LANES; l++)
            w->lanes[l] = w->lanes[0];
        lt_tune_result *single = ltp_alloc(1, sizeof *single);
        assert_non_null(single);
        assert_int_equal(lt_tune(w->lanes, 1, single, NULL), LT_OK);
        assert_int_equal(lt_tune(w->lanes, MOST_LANES, w->r, NULL), LT_OK);
        for (size_t l = 0; l < MOST_LANES; l++) {
            bad += w->r[l].outbound_step != single->outbound_step || w->r[l].inbound_step != single->inbound_step;
            bad +=
                w->r[l].binding_count != single->binding_count || w->r[l].binding[0].limit != single->binding[0].limit;
        }
        ltp_free(single);
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void one_knob_has_one_scale(void **state)
{
    (void)state;
    static const char *const words[] = {"a", "", "a", ""};
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    make_lanes(w, 2, words, 9000);
    lt_error err = {0};
    w->lanes[1].outbound.steps_db[3] += 0.5;
    assert_int_equal(lt_tune(w->lanes, 2, w->r, &err), LT_E_ARG);
    assert_non_null(strstr(err.what, "lanes 1 and 2 share the knob \"a\""));
    err = (lt_error){0};
    w->lanes[1].outbound.step_count--;
    assert_int_equal(lt_tune(w->lanes, 2, w->r, &err), LT_E_ARG);
    ltp_free(w);
}

SUITE(tune_shared)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tied_lanes_reach_the_best_of_the_worst),
        cmocka_unit_test(one_knob_for_both_directions),
        cmocka_unit_test(a_word_alone_ties_nothing),
        cmocka_unit_test(equal_lanes_on_one_knob_behave_as_one),
        cmocka_unit_test(one_knob_has_one_scale),
    };
    return cmocka_run_group_tests_name("tune_shared", tests, NULL, NULL);
}
