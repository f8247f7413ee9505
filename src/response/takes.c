/* SPDX-License-Identifier: MIT
 * All recorded sweeps of all recordings: checks, search, clock drift, deconvolution. */
#include "response/takes.h"
#include "base/alloc.h"
#include "response/step.h"

#include <math.h>

static const double silent_db = -100.0;     /* dBFS peak: below this there is no recording */
static const double clipped_most = 0.02;    /* of the samples while the stimulus plays */
static const double end_tolerance_s = 0.06; /* faint or silent end of a sweep */
static const double room_s = 0.06;          /* of the pieces around the windows */
static const double fade_s = 0.005;
static const double centre_most_s = 0.1; /* the direct arrival lies so near to what the search says */
static const double drift_settled = 3e-7;
enum { TAKES_MAX = 256, ROUNDS = 2 };

static const char *name_of(const ltp_takes *t, size_t recording)
{
    return t->names == NULL ? "the recording" : t->names[recording];
}

static double duration_s(const lt_signal *s)
{
    return (double)s->count / s->rate_hz;
}

static lt_signal reference_sweep(const ltp_takes *t)
{
    const ltp_span *s = &t->structure.sweeps[0];
    return (lt_signal){t->stimulus->samples + s->first, s->count, t->stimulus->rate_hz};
}

static lt_status check_recording(const ltp_takes *t, size_t i, lt_error *err)
{
    const lt_signal *r = t->recordings[i];
    const double peak = lt_signal_peak(r);
    const double sweep_s = (double)t->structure.sweeps[0].count / t->stimulus->rate_hz;
    if (!isfinite(peak))
        return ltp_fail(err, LT_E_FORMAT, "%.120s holds samples that are no numbers; record it again", name_of(t, i));
    if (!(r->rate_hz >= 4000.0))
        return ltp_fail(err, LT_E_FORMAT, "%.120s has a sample rate of %g Hz; it must be at least 4000 Hz",
                        name_of(t, i), r->rate_hz);
    if (r->count == 0)
        return ltp_fail(err, LT_E_FORMAT, "%.120s is empty; record it again", name_of(t, i));
    if (lt_db_from_amplitude(peak) < silent_db)
        return ltp_fail(err, LT_E_SNR, "%.120s is silent; check cable, input and recording level", name_of(t, i));
    if (duration_s(r) < sweep_s - 2.0 * end_tolerance_s)
        return ltp_fail(err, LT_E_FORMAT, "%.120s lasts %.2f s, but the stimulus %.2f s; record all of it",
                        name_of(t, i), duration_s(r), sweep_s);
    return LT_OK;
}

static lt_status check_clipping(const ltp_takes *t, size_t i, size_t plays, lt_notes *notes, lt_error *err)
{
    const lt_signal *r = t->recordings[i];
    const size_t clipped = lt_clipped_samples(r);
    const double playing = (double)(plays * t->structure.sweep_count) * (double)t->structure.sweeps[0].count /
                           t->stimulus->rate_hz * r->rate_hz;
    const double share = (double)clipped / playing;
    if (share > clipped_most)
        return ltp_fail(err, LT_E_CLIP,
                        "%.120s is clipped in %.1f %% of the stimulus; lower the recording level and record it again",
                        name_of(t, i), 100.0 * share);
    if (clipped > 0)
        lt_notes_add(notes, "clipping", "%.100s is clipped in %zu samples", name_of(t, i), clipped);
    return LT_OK;
}

/* Frames that a piece has beside its sweep, for the windows; and how many of them no marker spoils. */
static void piece_room(ltp_takes *t, size_t *before, size_t *after)
{
    const ltp_structure *s = &t->structure;
    const ltp_layout *l = &t->layout;
    const ptrdiff_t first = l->before.count > 0 ? l->before.first : l->response.first;
    const size_t slack = (size_t)(room_s * t->stimulus->rate_hz);
    *before = (size_t)-first + slack;
    *after = (size_t)l->after.first + l->after.count + slack;
    if (*before + s->sweeps[0].count + *after < l->span + 2 * slack) /* a short sweep: no window may meet another */
        *after = l->span + 2 * slack - *before - s->sweeps[0].count;
    t->room_before = *before;
    t->room_after = *after;
    if (!s->markers)
        return;
    const ltp_span *last = &s->sweeps[s->sweep_count - 1];
    const size_t free_before = s->sweeps[0].first - (s->marker[0].first + s->marker[0].count);
    const size_t free_after = s->marker[1].first - (last->first + last->count);
    t->room_before = *before < free_before ? *before : free_before;
    t->room_after = *after < free_after ? *after : free_after;
}

/* Silences what lies beyond the room, and notes what of the rest was recorded at all. */
static void limit_piece(const ltp_takes *t, const lt_signal *recording, lt_signal *piece, ltp_take *take)
{
    const ltp_kernel *k = t->kernel;
    const size_t first = k->before - t->room_before;
    const size_t end = k->before + k->sweep + t->room_after;
    const double fade = fade_s * k->rate_hz;
    for (size_t i = 0; i < piece->count; i++) {
        if (i < first + (size_t)fade)
            piece->samples[i] *= i < first ? 0.0 : lt_fade((double)(i - first) / fade);
        if (i + (size_t)fade >= end)
            piece->samples[i] *= i >= end ? 0.0 : lt_fade((double)(end - i) / fade);
    }
    const double to_stimulus = k->rate_hz / (1.0 + take->drift);
    take->covered_from = fmax(-(double)t->room_before, -take->zero_s * to_stimulus);
    take->covered_to = fmin((double)(k->sweep + t->room_after), (duration_s(recording) - take->zero_s) * to_stimulus);
}

static lt_status prepare(ltp_takes *t, const lt_response_options *opt, lt_error *err)
{
    lt_status st = ltp_structure_find(t->stimulus, &t->structure, err);
    if (st != LT_OK)
        return st;
    double highest_hz = 0.5 * t->stimulus->rate_hz;
    for (size_t i = 0; i < t->recording_count; i++) {
        st = check_recording(t, i, err);
        if (st != LT_OK)
            return st;
        if (t->recordings[i]->rate_hz < t->stimulus->rate_hz)
            highest_hz = fmin(highest_hz, 0.46 * t->recordings[i]->rate_hz);
    }
    ltp_layout_make(&t->structure, t->stimulus->rate_hz, opt, &t->layout);
    size_t before = 0;
    size_t after = 0;
    piece_room(t, &before, &after);
    const lt_signal sweep = reference_sweep(t);
    st = ltp_kernel_create(&sweep, before, after, highest_hz, &t->kernel, err);
    if (st == LT_OK)
        st = lt_rfft_create(t->layout.n, &t->fft, err);
    t->items = ltp_alloc(TAKES_MAX, sizeof *t->items);
    return st == LT_OK && t->items == NULL ? ltp_fail_nomem(err, "the repeats") : st;
}

/* Lag of the strongest sample near 0. */
static ptrdiff_t strongest_lag(const ltp_kernel *k, const double *h)
{
    const ptrdiff_t n = (ptrdiff_t)k->n;
    const ptrdiff_t most = (ptrdiff_t)(centre_most_s * k->rate_hz);
    ptrdiff_t best = 0;
    double top = -1.0;
    for (ptrdiff_t lag = -most; lag <= most; lag++) {
        const double a = fabs(h[(((ptrdiff_t)k->before + lag) % n + n) % n]);
        if (a > top) {
            top = a;
            best = lag;
        }
    }
    return best;
}

/* Drift where the stimulus has no markers. */
static lt_status drift_without_markers(ltp_takes *t, const lt_signal *recording, const ltp_play *play, double used,
                                       double *h, ltp_drift *out, lt_error *err)
{
    *out = (ltp_drift){.drift = used, .sigma = INFINITY};
    const lt_signal sweep = reference_sweep(t);
    double zero_s = play->start_s + (double)t->structure.sweeps[0].first / t->stimulus->rate_hz * (1.0 + used);
    lt_signal *piece = NULL;
    lt_status st = ltp_piece_cut(recording, &zero_s, used, t->kernel, &piece, err);
    if (st == LT_OK && ltp_kernel_is_rough(t->kernel)) {
        st = ltp_drift_from_blocks(piece, &sweep, t->kernel->before, used, out, err);
    } else if (st == LT_OK) {
        ltp_kernel_apply(t->kernel, piece->samples, piece->count, h);
        const ptrdiff_t direct = (ptrdiff_t)t->kernel->before + strongest_lag(t->kernel, h);
        const ptrdiff_t n = (ptrdiff_t)t->kernel->n;
        st = ltp_drift_from_sweep(t->kernel, &sweep, h, (size_t)((direct + n) % n), used, out, err);
        t->estimated = t->estimated || isfinite(out->sigma);
    }
    lt_signal_free(piece);
    return st;
}

/* Deconvolves the sweeps first .. end - 1 of t->items, all of one play. */
static lt_status fill_takes(ltp_takes *t, const ltp_play *play, size_t first, double drift, double *h, lt_error *err)
{
    const lt_signal *r = t->recordings[t->items[first].recording];
    ptrdiff_t centre = 0;
    for (size_t i = first; i < t->count; i++) {
        ltp_take *take = &t->items[i];
        const size_t recording = take->recording;
        const size_t play_index = take->play;
        const size_t sweep = take->sweep;
        ltp_take_clear(take);
        take->recording = recording;
        take->play = play_index;
        take->sweep = sweep;
        take->drift = drift;
        const double offset_s = (double)t->structure.sweeps[sweep].first / t->stimulus->rate_hz;
        const double ideal_s = play->start_s + offset_s * (1.0 + drift);
        take->zero_s = ideal_s;
        lt_signal *piece = NULL;
        lt_status st = ltp_piece_cut(r, &take->zero_s, drift, t->kernel, &piece, err);
        if (st != LT_OK)
            return st;
        limit_piece(t, r, piece, take);
        ltp_kernel_apply(t->kernel, piece->samples, piece->count, h);
        if (i == first)
            centre = strongest_lag(t->kernel, h);
        st = ltp_kernel_is_rough(t->kernel) ? ltp_take_solve(take, &t->layout, t->kernel, piece, centre, t->fft, err)
                                            : ltp_take_fill(take, &t->layout, t->kernel, h, centre, t->fft, err);
        lt_signal_free(piece);
        if (st != LT_OK)
            return st;
        /* All sweeps of a play onto the same fraction of a frame. */
        const double late = (ideal_s - take->zero_s) / (1.0 + drift) * t->kernel->rate_hz;
        ltp_take_move(take, t->layout.n, -late);
    }
    return LT_OK;
}

/* Drift from the first and the last sweep of one play, on top of the drift that they were corrected by. */
static lt_status drift_from_repeats(ltp_takes *t, size_t first, ltp_drift *out, lt_error *err)
{
    *out = (ltp_drift){.drift = 0.0, .sigma = INFINITY};
    const ltp_take *a = &t->items[first];
    const ltp_take *b = &t->items[t->count - 1];
    if (t->count < first + 2)
        return LT_OK;
    double *weight = ltp_alloc(t->layout.bins, sizeof *weight);
    if (weight == NULL)
        return ltp_fail_nomem(err, "the clock drift");
    for (size_t i = 0; i < t->layout.bins; i++) {
        const size_t g = ltp_grid_index((double)i * t->kernel->rate_hz / (double)t->layout.n, t->kernel->grid_count);
        weight[i] = 1.0 / (a->noise[g] + b->noise[g] + 1e-30);
    }
    const double apart = (double)(t->structure.sweeps[b->sweep].first - t->structure.sweeps[a->sweep].first);
    ltp_shift shift;
    const lt_status st =
        ltp_shift_find(t->fft, a->response, b->response, weight, (size_t)(1e-3 * apart + 4.0), &shift, err);
    ltp_free(weight);
    if (st == LT_OK && shift.coherence > 0.5) {
        out->drift = a->drift + shift.frames / apart;
        out->sigma = shift.sigma / apart;
    }
    return st;
}

/* With frames missing in between, every band of the sweep would have another delay. */
static lt_status check_whole(const ltp_takes *t, size_t recording, const ltp_play *play, lt_error *err)
{
    const lt_signal *r = t->recordings[recording];
    ltp_step step;
    const lt_status st = ltp_step_find(r, t->stimulus, &t->structure, play->start_s, &step, err);
    if (st != LT_OK || !step.found)
        return st;
    return ltp_fail(err, LT_E_XRUN,
                    "in %.120s %.0f frames (%.1f ms) are %s between %.2f s and %.2f s; the recording or the playing "
                    "device dropped out, record again",
                    name_of(t, recording), fabs(step.frames), 1e3 * fabs(step.frames) / r->rate_hz,
                    step.frames > 0.0 ? "missing" : "too many", fmax(step.from_s, 0.0), fmin(step.to_s, duration_s(r)));
}

static lt_status take_play(ltp_takes *t, size_t recording, size_t play_index, const ltp_play *play, double *h,
                           ltp_drift *drift, size_t *missing, lt_error *err)
{
    const lt_signal *r = t->recordings[recording];
    const size_t first = t->count;
    for (size_t j = 0; j < t->structure.sweep_count && t->count < TAKES_MAX; j++) {
        const ltp_span *s = &t->structure.sweeps[j];
        const double from_s = play->start_s + (double)s->first / t->stimulus->rate_hz;
        const double to_s = from_s + (double)s->count / t->stimulus->rate_hz;
        if (from_s < -end_tolerance_s || to_s > duration_s(r) + end_tolerance_s) {
            (*missing)++;
            continue;
        }
        t->items[t->count++] = (ltp_take){.recording = recording, .play = play_index, .sweep = j};
    }
    *drift = (ltp_drift){.drift = 0.0, .sigma = INFINITY};
    if (t->count == first)
        return LT_OK;
    lt_status st = check_whole(t, recording, play, err);
    if (st != LT_OK)
        return st;
    ltp_drift markers;
    st = ltp_drift_from_markers(r, t->stimulus, &t->structure, play, &markers, err);
    const bool marked = isfinite(markers.sigma);
    for (int round = 0; st == LT_OK && !marked && round < ROUNDS; round++)
        st = drift_without_markers(t, r, play, markers.drift, h, &markers, err);
    *drift = markers;
    for (int round = 0; st == LT_OK && round < ROUNDS; round++) {
        const double used = drift->drift;
        st = fill_takes(t, play, first, used, h, err);
        ltp_drift repeats;
        if (st == LT_OK)
            st = drift_from_repeats(t, first, &repeats, err);
        if (st == LT_OK)
            *drift = ltp_drift_combine(markers, repeats);
        if (fabs(drift->drift - used) < drift_settled)
            break;
    }
    if (st == LT_OK && fabs(drift->drift) > LTP_DRIFT_MOST)
        st = ltp_fail(err, LT_E_SNR,
                      "in %.120s the stimulus is %.0f ppm too %s: it is another stimulus, or a clock is broken",
                      name_of(t, recording), 1e6 * fabs(drift->drift), drift->drift > 0.0 ? "long" : "short");
    return st;
}

static lt_status take_recording(ltp_takes *t, size_t i, double *h, ltp_drift *drift, lt_notes *notes, lt_error *err)
{
    ltp_play plays[LTP_PLAYS_MAX];
    size_t count = 0;
    lt_status st = ltp_find(t->recordings[i], t->stimulus, &t->structure, plays, &count, err);
    if (st == LT_OK && count == 0)
        st = ltp_fail(err, LT_E_SNR, "the stimulus is not in %.120s; check that this recording belongs to it",
                      name_of(t, i));
    if (st == LT_OK)
        st = check_clipping(t, i, count, notes, err);
    size_t missing = 0;
    const size_t before = t->count;
    for (size_t p = 0; st == LT_OK && p < count; p++) {
        ltp_drift d;
        st = take_play(t, i, p, &plays[p], h, &d, &missing, err);
        *drift = ltp_drift_combine(*drift, d);
    }
    if (st == LT_OK && t->count == before)
        st = ltp_fail(err, LT_E_FORMAT, "%.120s does not hold a whole sweep: it begins too late or ends too early",
                      name_of(t, i));
    if (st == LT_OK && missing > 0)
        lt_notes_add(notes, "truncated", "%.100s lacks %zu of the sweeps: it begins late or ends early", name_of(t, i),
                     missing);
    return st;
}

lt_status ltp_takes_collect(ltp_takes *t, const lt_response_options *opt, lt_notes *notes, lt_error *err)
{
    lt_status st = prepare(t, opt, err);
    if (st != LT_OK)
        return st;
    double *h = ltp_alloc(t->kernel->n, sizeof *h);
    if (h == NULL)
        return ltp_fail_nomem(err, "an impulse response");
    ltp_drift drift = {.drift = 0.0, .sigma = INFINITY};
    for (size_t i = 0; st == LT_OK && i < t->recording_count; i++)
        st = take_recording(t, i, h, &drift, notes, err);
    ltp_free(h);
    t->drift = isfinite(drift.sigma) ? drift.drift : (double)NAN;
    t->drift_sigma = drift.sigma;
    return st;
}

void ltp_takes_clear(ltp_takes *t)
{
    for (size_t i = 0; i < t->count; i++)
        ltp_take_clear(&t->items[i]);
    ltp_free(t->items);
    ltp_kernel_free(t->kernel);
    lt_rfft_free(t->fft);
    t->items = NULL;
    t->kernel = NULL;
    t->fft = NULL;
    t->count = 0;
}
