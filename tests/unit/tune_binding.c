/* SPDX-License-Identifier: MIT
 * Binding limits: the ones without which a better setting would be offered, and what one dB of them buys. */
#include "brute_lane.h"
#include "near.h"
#include "random_lane.h"
#include "suite.h"

#include <stdio.h>

typedef struct {
    fixture f;
    lt_tune_result r, other;
} workplace;

static workplace *workplace_create(void)
{
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    return w;
}

static bool binds(const lt_tune_result *r, lt_limit limit)
{
    for (size_t i = 0; i < r->binding_count; i++)
        if (r->binding[i].limit == limit)
            return true;
    return false;
}

/* Each limit dropped in the brute force: what gets better by more than 0.002 must be listed, and nothing else. Where no
 * single limit does, those that cover each other may be listed. */
static int compare_binding(const char *row, const lt_tune_lane *l, const lt_tune_result *r)
{
    brute_paths p;
    brute_paths_fill(l, &p);
    const brute_choice now = brute_search(l, &p, 0, false);
    double gain[LT_LIMIT_RANGE + 1];
    bool any = false;
    int bad = 0;
    for (int k = 0; k <= LT_LIMIT_RANGE; k++) {
        gain[k] = brute_search(l, &p, k < LT_LIMIT_RANGE ? 1u << k : 0, k == LT_LIMIT_RANGE).best - now.best;
        any = any || gain[k] > 0.002;
    }
    for (int k = 0; k <= LT_LIMIT_RANGE && any; k++)
        if ((gain[k] > 0.002) != binds(r, (lt_limit)k)) {
            (void)fprintf(stderr, "%s: %s: %g\n", row, lt_limit_name((lt_limit)k), gain[k]);
            bad++;
        }
    const bool reached = now.best >= l->target_sii - 0.002;
    bad += binds(r, LT_LIMIT_TARGET) != reached || (reached && r->binding_count != 1);
    return bad + (binds(r, LT_LIMIT_NOISE) && (any || reached || r->binding_count != 1));
}

static void limits_without_which_it_would_be_better(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    size_t seen[LT_LIMIT_COUNT] = {0};
    for (uint64_t i = 0; i < 120; i++) {
        char row[32];
        (void)snprintf(row, sizeof row, "seed %u", (unsigned)(3000 + i));
        random_lane(&w->f, 3000 + i);
        assert_int_equal(lt_tune(&w->f.lane, 1, &w->r, NULL), LT_OK);
        for (size_t k = 0; k < w->r.binding_count; k++)
            seen[w->r.binding[k].limit]++;
        bad += w->r.binding_count == 0;
        for (size_t k = 1; k < w->r.binding_count; k++)
            bad += !(w->r.binding[k - 1].one_db_buys_sii >= w->r.binding[k].one_db_buys_sii);
        if (w->r.unmet_count == 0)
            bad += compare_binding(row, &w->f.lane, &w->r);
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
    for (int k = 0; k < LT_LIMIT_COUNT; k++)
        if (seen[k] == 0)
            fail_msg("no lane is limited by %s", lt_limit_name((lt_limit)k));
}

/* Adjusters of 1 dB are tuned; relaxing the limit itself on adjusters of 0.05 dB, brute force, must buy what was
 * promised. The brute force misses the best place by up to 0.025 dB, some 0.0004 SII. */
static void one_db_buys_what_it_says(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    size_t checked = 0;
    for (uint64_t i = 0; i < 120; i++) {
        random_lane(&w->f, 4000 + i);
        lt_tune_lane *l = &w->f.lane;
        fixture_steps(&l->outbound, -15.0, 8.0, 1.0);
        fixture_steps(&l->inbound, -15.0, 8.0, 1.0);
        assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
        fixture_steps(&l->outbound, -15.0, 8.0, 0.05);
        fixture_steps(&l->inbound, -15.0, 8.0, 0.05);
        for (size_t k = 0; k < w->r.binding_count && w->r.unmet_count == 0; k++) {
            fixture changed = w->f;
            lt_tune_lane *c = &changed.lane;
            const lt_limit limit = w->r.binding[k].limit;
            if (limit == LT_LIMIT_SAFE_MARGIN)
                c->safe_margin_limit_db -= 1.0;
            else if (limit == LT_LIMIT_EAR_LEVEL)
                c->ear_limit_dba += 1.0;
            else if (limit == LT_LIMIT_OPERATOR_LEVEL)
                c->operator_limit_dba += 1.0;
            else if (limit == LT_LIMIT_PROPERTY_LINE)
                c->property_line_limit_dba += 1.0;
            else if (limit == LT_LIMIT_HEADROOM) {
                c->clip_line_dbfs += 1.0;
                c->speaker_power_w *= pow(10.0, 0.1);
            } else if (limit == LT_LIMIT_RANGE) {
                fixture_steps(&c->outbound, -15.0, 9.0, 0.05);
                fixture_steps(&c->inbound, -15.0, 9.0, 0.05);
            } else
                continue;
            brute_paths p;
            brute_paths_fill(l, &p);
            const double gain = brute_search(c, &p, 0, false).best - brute_search(l, &p, 0, false).best;
            bad += !near_abs(lt_limit_name(limit), w->r.binding[k].one_db_buys_sii, gain, 5e-4);
            checked++;
        }
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
    assert_true(checked > 30);
}

/* Two limits at the same place: neither binds alone, both are named. */
static void limits_that_cover_each_other_are_both_named(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    fixture_make(&w->f);
    lt_tune_lane *l = &w->f.lane;
    lt_tune_figures at;
    assert_int_equal(lt_tune_figures_at(l, -10.0, 0.0, &at, NULL), LT_OK);
    l->ear_limit_dba = at.ear_dba;
    l->property_line_limit_dba = at.ear_dba - 20.0;
    l->speaker_to_property_line_m = 10.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    assert_true(near_abs("setting", w->r.outbound_recommended_db, -10.0, 1e-9));
    assert_true(binds(&w->r, LT_LIMIT_EAR_LEVEL) && binds(&w->r, LT_LIMIT_PROPERTY_LINE));
    assert_false(binds(&w->r, LT_LIMIT_NOISE));
    l->property_line_limit_dba += 40.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    assert_true(binds(&w->r, LT_LIMIT_EAR_LEVEL) && w->r.binding_count == 1);
    ltp_free(w);
}

/* Unmet limits are always listed as binding, with advice. */
static void an_unmet_limit_binds(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    fixture_make(&w->f);
    w->f.lane.ear_limit_dba = 30.0;
    assert_int_equal(lt_tune(&w->f.lane, 1, &w->r, NULL), LT_OK);
    assert_int_equal(w->r.unmet_count, 1);
    assert_int_equal(w->r.unmet[0].limit, LT_LIMIT_EAR_LEVEL);
    assert_int_equal(w->r.outbound_step + w->r.inbound_step, 0);
    assert_true(binds(&w->r, LT_LIMIT_EAR_LEVEL));
    assert_true(near_abs("by", w->r.unmet[0].by_db, w->r.after.ear_dba - 30.0, 1e-9));
    ltp_free(w);
}

SUITE(tune_binding)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(limits_without_which_it_would_be_better),
        cmocka_unit_test(one_db_buys_what_it_says),
        cmocka_unit_test(limits_that_cover_each_other_are_both_named),
        cmocka_unit_test(an_unmet_limit_binds),
    };
    return cmocka_run_group_tests_name("tune_binding", tests, NULL, NULL);
}
