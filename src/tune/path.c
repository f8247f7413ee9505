/* SPDX-License-Identifier: MIT
 * Loop and echo of each condition at dO = dI = 0. What is recorded from a line is lowered by loopback_db. dB. */
#include "tune/tune_internal.h"

#include <math.h>

static const double default_distance_m = 0.3; /* speaker to microphone, where nobody says it */

/* Does condition c use the very recordings of an earlier one? */
static bool same_loop(const ltp_evidence *e, size_t c, size_t *as)
{
    for (*as = 0; *as < c; ++*as) {
        const lt_tune_recordings *a = &e->rec[*as];
        const lt_tune_recordings *b = &e->rec[c];
        if (a->loop == b->loop &&
            (a->loop != NULL || (a->lane_coupling == b->lane_coupling && a->counter_coupling == b->counter_coupling)))
            return true;
    }
    return false;
}

/* The counter coupling that the site file states, or the default for this kind of earpiece. */
static double flat_coupling_db(ltp_evidence *e)
{
    const lt_tune_lane *l = e->lane;
    if (lt_is_known(l->coupling_db)) {
        lt_notes_add(&e->assumptions, "counter-coupling-stated",
                     "Counter coupling not measured: flat %.0f dB as stated for the site.", l->coupling_db);
        return l->coupling_db;
    }
    const double db = ltp_coupling_default_db(l->listening);
    lt_notes_add(&e->assumptions, "counter-coupling-assumed",
                 "Counter coupling not measured: flat %.0f dB assumed for a %s. Record counter-coupling to know it.",
                 db, ltp_listening_name(l->listening));
    return db;
}

static lt_status create_loop(ltp_evidence *e, size_t c, lt_loop **out, lt_error *err)
{
    const lt_tune_recordings *r = &e->rec[c];
    const double loopback_db = e->lane->loopback_db;
    if (r->loop != NULL)
        return lt_loop_create(r->loop->ir, NULL, 0.0, -loopback_db, out, err);
    if (r->counter_coupling != NULL)
        return lt_loop_create(r->lane_coupling->ir, r->counter_coupling->ir, 0.0, -2.0 * loopback_db, out, err);
    return lt_loop_create(r->lane_coupling->ir, NULL, flat_coupling_db(e), -loopback_db, out, err);
}

static lt_status add_loop(ltp_evidence *e, size_t c, lt_error *err)
{
    lt_tune_condition *k = &e->cond[c];
    size_t as = 0;
    if (same_loop(e, c, &as)) {
        k->margin_db = e->cond[as].margin_db;
        k->safe_margin_db = e->cond[as].safe_margin_db;
        k->ring_hz = e->cond[as].ring_hz;
        return LT_OK;
    }
    lt_loop *loop = NULL;
    lt_status st = create_loop(e, c, &loop, err);
    if (st != LT_OK)
        return st;
    e->loops[e->loop_count++] = loop;
    const lt_margin_options opt = {.notches_max = 0, .cut_max_db = 0.0};
    lt_margin m;
    st = lt_margin_compute((const lt_loop *const[]){loop}, 1, -e->attenuation_db, &opt, &m, err);
    k->margin_db = m.margin_db;
    k->safe_margin_db = m.safe_margin_db;
    k->ring_hz = m.ring_hz;
    return st;
}

static double assumed_one_way_ms(ltp_evidence *e)
{
    const lt_tune_lane *l = e->lane;
    const double distance_m = l->speaker_to_microphone_m > 0.0 ? l->speaker_to_microphone_m : default_distance_m;
    const double ms = 0.5e3 * distance_m / lt_speed_of_sound_m_s(l->temperature_c);
    lt_notes_add(&e->assumptions, "echo-delay-assumed",
                 "Delay of the echo not measured: %.2f ms one way assumed, sound over the %.2f m from speaker to "
                 "microphone. Record lane-coupling from the start of the playback on to know it.",
                 ms, distance_m);
    return ms;
}

/* TELR = 10 dB (sum of both loudness ratings) + echo loss; T = half of the direct arrival's delay. G.131. */
static lt_status add_echo(ltp_evidence *e, size_t c, lt_error *err)
{
    const lt_tune_recordings *r = &e->rec[c];
    lt_tune_condition *k = &e->cond[c];
    double loss_db = NAN;
    const lt_status st = lt_echo_loss(r->lane_coupling->ir, &loss_db, err);
    if (st != LT_OK)
        return st;
    if (!lt_is_known(loss_db)) {
        lt_notes_add(&e->warnings, "echo-not-measured",
                     "lane-coupling does not cover 300 to 3400 Hz: talker echo is not judged.");
        return LT_OK;
    }
    k->echo_telr_db = 10.0 + loss_db + e->lane->loopback_db + e->attenuation_db;
    if (!r->delay_known && r->loop == NULL)
        lt_notes_add(
            &e->assumptions, "loop-phase-assumed",
            "lane-coupling was not recorded from the start of the playback on: the margin to howling and the ring "
            "frequencies hold for the phase as recorded. The safe margin does not depend on it.");
    const bool known = r->delay_known && lt_is_known(r->lane_coupling->delay_ms);
    k->echo_one_way_ms = known ? fmax(r->lane_coupling->delay_ms, 0.0) / 2.0 : assumed_one_way_ms(e);
    k->echo_weighted_db = lt_talker_echo_weighted_db(k->echo_telr_db, k->echo_one_way_ms);
    return LT_OK;
}

static void note_what_is_missing(ltp_evidence *e)
{
    if (!e->loop_known)
        lt_notes_add(
            &e->assumptions, "loop-not-measured",
            "Neither loop nor lane-coupling was recorded: the feedback margin is not known, and the sum of both "
            "gains is not raised above the present settings.");
    if (e->rec[0].lane_coupling == NULL)
        lt_notes_add(&e->assumptions, "echo-not-measured",
                     "lane-coupling was not recorded: talker echo is not judged.");
}

lt_status ltp_paths(ltp_evidence *e, lt_error *err)
{
    for (size_t c = 0; c < e->count; c++) {
        lt_tune_condition *k = &e->cond[c];
        k->margin_db = k->safe_margin_db = k->ring_hz = NAN;
        k->echo_telr_db = k->echo_one_way_ms = k->echo_weighted_db = NAN;
    }
    if (e->lane->duplex == LT_DUPLEX_PUSH_TO_TALK)
        return LT_OK; /* the loop is open: nothing comes round */
    e->attenuation_db = e->lane->duplex == LT_DUPLEX_VOICE_SWITCHED ? e->lane->switching_attenuation_db : 0.0;
    e->loop_known = e->rec[0].loop != NULL || e->rec[0].lane_coupling != NULL;
    lt_status st = LT_OK;
    for (size_t c = 0; c < e->count && st == LT_OK; c++) {
        if (e->loop_known)
            st = add_loop(e, c, err);
        if (st == LT_OK && e->rec[c].lane_coupling != NULL)
            st = add_echo(e, c, err);
    }
    note_what_is_missing(e);
    return st;
}
