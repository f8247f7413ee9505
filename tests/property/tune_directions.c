/* SPDX-License-Identifier: MIT
 * Settings: which way a result may move when one thing of a lane moves. */
#include "near.h"
#include "random_lane.h"

#include "base/alloc.h"

enum { CASES = 40, FIRST_SEED = 20000 };

typedef struct {
    fixture f, other;
    lt_tune_lane lanes[2];
    lt_tune_result r[2], s[2];
} workplace;

static workplace *workplace_create(void)
{
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    return w;
}

static double objective(const lt_tune_lane *l, const lt_tune_result *r)
{
    return fmin(l->target_sii, fmin(r->after.sii_outbound, r->after.sii_inbound));
}

static double sum_of(const lt_tune_result *r)
{
    return r->outbound_recommended_db + r->inbound_recommended_db;
}

/* A demand raised never gives more gain, and never a better objective. */
static void demands_never_add_gain(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    for (uint64_t i = 0; i < CASES; i++) {
        random_lane(&w->f, FIRST_SEED + i);
        lt_tune_lane *l = &w->f.lane;
        assert_int_equal(lt_tune(l, 1, w->r, NULL), LT_OK);
        const lt_tune_lane before = *l;
        for (int k = 0; k < 5; k++) {
            *l = before;
            l->safe_margin_limit_db += k == 0 ? 3.0 : 0.0;
            l->ear_limit_dba -= k == 1 ? 3.0 : 0.0;
            l->operator_limit_dba -= k == 2 ? 3.0 : 0.0;
            l->clip_line_dbfs -= k == 3 ? 3.0 : 0.0;
            l->property_line_limit_dba -= k == 4 ? 3.0 : 0.0;
            assert_int_equal(lt_tune(l, 1, w->s, NULL), LT_OK);
            bad += w->s[0].unmet_count < w->r[0].unmet_count;
            if (w->r[0].unmet_count == 0)
                bad += !(objective(l, &w->s[0]) <= objective(l, &w->r[0]) + 0.002 + 1e-9);
            if (k == 0)
                bad += !(sum_of(&w->s[0]) <= sum_of(&w->r[0]) + 1e-9);
        }
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* Only differences on the dial count. */
static void the_dials_zero_is_arbitrary(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    for (uint64_t i = 0; i < CASES; i++) {
        random_lane(&w->f, FIRST_SEED + i);
        lt_tune_lane *l = &w->f.lane;
        assert_int_equal(lt_tune(l, 1, w->r, NULL), LT_OK);
        for (size_t k = 0; k < l->outbound.step_count; k++)
            l->outbound.steps_db[k] += 37.0;
        l->outbound.now_db += 37.0;
        l->outbound.recorded_db += 37.0;
        assert_int_equal(lt_tune(l, 1, w->s, NULL), LT_OK);
        bad += w->s[0].outbound_step != w->r[0].outbound_step || w->s[0].inbound_step != w->r[0].inbound_step;
        bad += !near_abs("ear", w->s[0].after.ear_dba, w->r[0].after.ear_dba, 1e-9);
        bad += w->s[0].binding_count != w->r[0].binding_count || w->s[0].unmet_count != w->r[0].unmet_count;
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* More noise never helps, one more condition never helps: at the same settings. */
static void noise_and_conditions_never_help(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    for (uint64_t i = 0; i < CASES; i++) {
        random_lane(&w->f, FIRST_SEED + i);
        lt_tune_lane *l = &w->f.lane;
        lt_tune_figures all;
        lt_tune_figures one;
        lt_tune_figures noisy;
        assert_int_equal(lt_tune_figures_at(l, 0.0, 0.0, &all, NULL), LT_OK);
        const size_t conditions = l->condition_count;
        l->condition_count = 1;
        assert_int_equal(lt_tune_figures_at(l, 0.0, 0.0, &one, NULL), LT_OK);
        l->condition_count = conditions;
        bad += !(all.sii_outbound <= one.sii_outbound && all.sii_inbound <= one.sii_inbound);
        bad += !(all.ear_dba >= one.ear_dba && all.operator_dba >= one.operator_dba);
        bad += all.safe_margin_db > one.safe_margin_db + 1e-9 || all.echo_telr_db > one.echo_telr_db + 1e-9;
        for (size_t c = 0; c < FIXTURE_CONDITIONS; c++)
            for (size_t k = 0; k < LT_SPEECH_BANDS; k++) {
                lt_level_band *b = &w->f.conditions[c].noise_ear.bands[k];
                b->leq_db += 5.0;
                b->l10_db += 5.0;
            }
        assert_int_equal(lt_tune_figures_at(l, 0.0, 0.0, &noisy, NULL), LT_OK);
        bad += !(noisy.sii_outbound <= all.sii_outbound);
        bad += !near_abs("speech", noisy.ear_dba, all.ear_dba, 1e-12);
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* Lanes without a common knob do not see each other, in whatever order they come. */
static void lanes_do_not_see_each_other(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    for (uint64_t i = 0; i < CASES / 2; i++) {
        random_lane(&w->f, FIRST_SEED + i);
        random_lane(&w->other, FIRST_SEED + 1000 + i);
        w->lanes[0] = w->f.lane;
        w->lanes[1] = w->other.lane;
        w->lanes[1].lane = 2;
        assert_int_equal(lt_tune(w->lanes, 2, w->r, NULL), LT_OK);
        w->lanes[0] = w->other.lane;
        w->lanes[1] = w->f.lane;
        assert_int_equal(lt_tune(w->lanes, 2, w->s, NULL), LT_OK);
        for (size_t k = 0; k < 2; k++) {
            bad +=
                w->r[k].outbound_step != w->s[1 - k].outbound_step || w->r[k].inbound_step != w->s[1 - k].inbound_step;
            bad += w->r[k].binding_count != w->s[1 - k].binding_count;
            bad += w->r[k].advice_count != w->s[1 - k].advice_count;
        }
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(demands_never_add_gain),
        cmocka_unit_test(the_dials_zero_is_arbitrary),
        cmocka_unit_test(noise_and_conditions_never_help),
        cmocka_unit_test(lanes_do_not_see_each_other),
    };
    return cmocka_run_group_tests_name("tune_directions", tests, NULL, NULL);
}
