/* SPDX-License-Identifier: MIT
 * Voice switching from two recordings of it: gains, times, clipped beginnings, noise that holds the switch. */
#include "loop/switching.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double least_attenuation_db = 2.5, least_evidence = 60.0;
static const double single_transducer_db = 35.0;
static const double steady_s = 1.0, steady_range_db = 6.0, together_s = 2.0; /* of noise that holds the switch */
static const double clipped_from_ms = 10.0;
static const unsigned few = 3;

const char *lt_switching_direction_name(lt_switching_direction d)
{
    return d == LT_SWITCHING_SAME ? "same" : d == LT_SWITCHING_OPPOSITE ? "opposite" : "auto";
}

const char *lt_ramp_shape_name(lt_ramp_shape s)
{
    return s == LT_RAMP_EXPONENTIAL ? "exponential" : s == LT_RAMP_AMPLITUDE ? "straight-amplitude" : "straight-db";
}

/* ---- beginnings that are cut ---- */

/* Time from a to within 3 dB of open, after the start of the ramp. */
static double to_three_db_s(lt_ramp_shape shape, double time_s, double closed, double open)
{
    const double goal = open * lt_amplitude_from_db(-3.0);
    double at = 0.0;
    while (at < 1.0 && ltp_ramp_gain(shape, time_s, closed, open, at) < goal)
        at += 0.0005;
    return at;
}

/* Speech begins where sent rises above its own pauses: 6 dB over the loudest of the 20 ms that lie 150 to 300 ms before
 * the attack. */
static double begin_of_speech_s(const ltp_track *t, double attack_s)
{
    const size_t k = (size_t)lround(attack_s / LTP_BLOCK_S);
    double floor_power = 0.0;
    if (k < 300 || k + 5 >= t->count)
        return NAN;
    for (size_t w = k - 300; w + 10 <= k - 150; w += 10) {
        double p = 0.0;
        for (size_t i = w * t->block; i < (w + 10) * t->block; i++)
            p += t->sent[i] * t->sent[i];
        floor_power = fmax(floor_power, p / 10.0);
    }
    for (size_t b = k - 150; b < k + 5; b++) {
        double p = 0.0;
        for (size_t i = b * t->block; i < (b + 4) * t->block && b + 4 < t->count; i++)
            p += t->sent[i] * t->sent[i];
        if (p / 4.0 > 4.0 * floor_power)
            return (double)b * LTP_BLOCK_S;
    }
    return attack_s;
}

static void measure_clipping(const ltp_track *t, const ltp_levels_fit *l, const ltp_ramp_fit *attacks,
                             lt_switching *out)
{
    double sum_ms = 0.0, worst_ms = 0.0, lost_sum = 0.0;
    unsigned counted = 0;
    const double ramp_s = to_three_db_s(attacks->shape, attacks->time_s, l->closed, l->open);
    for (size_t i = 0; i < attacks->count; i++) {
        const double begin = begin_of_speech_s(t, attacks->start_s[i]);
        if (!lt_is_known(begin))
            continue;
        const double ms = 1000.0 * (attacks->start_s[i] + ramp_s - begin);
        double kept = 0.0, all = 0.0;
        const size_t first = (size_t)lround(begin / LTP_BLOCK_S);
        for (size_t k = first; k < first + 100 && k < t->count; k++) {
            const double after = ((double)k + 0.5) * LTP_BLOCK_S - attacks->start_s[i];
            const double g = ltp_ramp_gain(attacks->shape, attacks->time_s, l->closed, l->open, after) / l->open;
            kept += g * g * t->reference[k];
            all += t->reference[k];
        }
        counted++;
        sum_ms += ms;
        worst_ms = fmax(worst_ms, ms);
        out->clipped += ms >= clipped_from_ms ? 1 : 0;
        lost_sum += all > 0.0 ? 1.0 - kept / all : 0.0;
    }
    if (counted == 0)
        return;
    out->beginnings = counted;
    out->clipped_mean_ms = sum_ms / counted;
    out->clipped_worst_ms = worst_ms;
    out->clipped_loss_db = -lt_db_from_power(fmax(1.0 - lost_sum / counted, 1e-6)) + 0.0;
}

/* ---- noise that holds the switch ---- */

static double window_dbfs(const ltp_track *t, size_t first, size_t blocks)
{
    double p = 0.0;
    for (size_t i = first * t->block; i < (first + blocks) * t->block; i++)
        p += t->sent[i] * t->sent[i];
    return lt_dbfs_from_mean_square(p / (double)(blocks * t->block) + 1e-20);
}

/* Noise, not speech: levels of 50 ms stay together. */
static bool is_steady(const ltp_track *t, size_t first, size_t blocks)
{
    double level[64], copy[64];
    size_t count = 0;
    for (size_t k = first; k + 50 <= first + blocks && count < LTP_COUNT(level); k += 50)
        level[count++] = window_dbfs(t, k, 50);
    memcpy(copy, level, count * sizeof *level);
    return count >= 10 && lt_quantile(copy, count, 0.95) - lt_quantile(level, count, 0.05) < steady_range_db;
}

static void add_talk_off(const ltp_track *t, size_t first, size_t end, lt_switching *out)
{
    const double from_s = (double)first * LTP_BLOCK_S, to_s = (double)end * LTP_BLOCK_S;
    lt_talk_off *last = out->talk_off_count > 0 ? &out->talk_offs[out->talk_off_count - 1] : NULL;
    const double level = window_dbfs(t, first, end - first);
    if (last != NULL && from_s <= last->at_s + last->seconds + together_s) {
        last->seconds = to_s - last->at_s;
        last->level_dbfs = fmin(last->level_dbfs, level); /* of the noise, should speech fall into a window */
    } else if (out->talk_off_count < LT_TALK_OFF_MAX) {
        out->talk_offs[out->talk_off_count++] = (lt_talk_off){from_s, to_s - from_s, level};
    }
}

/* Steady sound of sent that lasts longer than the hold can bridge, while the switch is held all the time. */
static void find_talk_off(const ltp_track *t, const ltp_levels_fit *l, unsigned talking, lt_switching *out)
{
    const double hold_s = lt_is_known(out->hold_ms) ? out->hold_ms / 1000.0 : 1.2;
    const size_t window = (size_t)(fmax(0.3 + hold_s + out->release_ms / 1000.0, 0.6) / LTP_BLOCK_S), step = 50;
    size_t held = 0, run = 0;
    for (size_t k = 0; k < t->count; k++)
        held += l->state[k] == talking ? 1 : 0;
    out->talking_percent = 100.0 * (double)held / (double)t->count;
    for (size_t k = 0; k < t->count; k++) {
        run = l->state[k] == talking ? run + 1 : 0;
        if (k % step == 0 && run >= window && is_steady(t, k + 1 - window, window))
            add_talk_off(t, k + 1 - window, k + 1, out);
    }
    size_t kept = 0;
    for (size_t i = 0; i < out->talk_off_count; i++)
        if (out->talk_offs[i].seconds >= steady_s)
            out->talk_offs[kept++] = out->talk_offs[i];
    out->talk_off_count = kept;
}

/* ---- all ---- */

static void list_events(const ltp_ramp_fit *a, const ltp_ramp_fit *b, bool a_opens, lt_switching *out)
{
    size_t i = 0, k = 0;
    while ((i < a->count || k < b->count) && out->event_count < LT_SWITCHING_EVENTS_MAX) {
        const bool first = k >= b->count || (i < a->count && a->start_s[i] <= b->start_s[k]);
        out->events[out->event_count++] =
            first ? (lt_switching_event){a->start_s[i], a_opens} : (lt_switching_event){b->start_s[k], !a_opens};
        if (first)
            i++;
        else
            k++;
    }
}

static void fill(const ltp_track *t, const ltp_levels_fit *l, const ltp_ramp_fit *attacks, const ltp_ramp_fit *releases,
                 lt_switching *out)
{
    out->attacks = (unsigned)attacks->roomy;
    out->releases = (unsigned)releases->roomy;
    out->attack_ms = 1000.0 * attacks->time_s;
    out->attack_shape = attacks->shape;
    out->release_ms = 1000.0 * releases->time_s;
    out->release_shape = releases->shape;
    list_events(attacks, releases, t->same, out);
    ltp_switching_course(t, l, attacks, releases, t->same, &out->attack_course);
    ltp_switching_course(t, l, releases, attacks, !t->same, &out->release_course);
    out->single_transducer = !t->same && (out->attenuation_db >= single_transducer_db);
    if (t->same)
        measure_clipping(t, l, attacks, out);
    find_talk_off(t, l, t->same ? 1 : 0, out);
    if (out->attacks < few || out->releases < few)
        lt_notes_add(&out->notes, "few-events",
                     "Only %u attacks and %u releases: record 20 s or more of speech with pauses of a second.",
                     out->attacks, out->releases);
    if (out->attenuation_at_least)
        lt_notes_add(
            &out->notes, "silent-pauses",
            "While closed nothing of sent comes through above the noise of the recording: the attenuation is at "
            "least %.0f dB.",
            out->attenuation_db);
    if (t->echo)
        lt_notes_add(
            &out->notes, "echo-in-return",
            "The returned channel holds much of what was sent: attenuation and times are less certain; lower the "
            "level of the speaker and record again.");
}

/* Opposite direction: the noise of the other side is compared just before and just after each change, so that traffic
 * that comes and goes does not count. Half a second on either side, away from the ramps. */
static double local_attenuation(const ltp_track *t, const ltp_levels_fit *l, double *doubt_db)
{
    static const size_t margin_after = 200, margin = 40, most = 600, least = 60;
    double sum = 0.0, squares = 0.0, weights = 0.0;
    size_t previous = 0, count = 0;
    for (size_t k = 1; k < t->count; k++) {
        if (l->state[k] == l->state[k - 1])
            continue;
        size_t next = k + 1;
        while (next < t->count && l->state[next] == l->state[k])
            next++;
        const size_t b_end = k > margin ? k - margin : 0, b_lo = previous + margin_after;
        const size_t a_lo = k + margin_after, a_end = next > margin ? next - margin : 0;
        const size_t b_start = b_end > b_lo + most ? b_end - most : b_lo;
        const size_t a_stop = a_end > a_lo + most ? a_lo + most : a_end;
        previous = k;
        if (b_end < b_start + least || a_stop < a_lo + least)
            continue;
        double pb = 0.0, pa = 0.0;
        for (size_t i = b_start; i < b_end; i++)
            pb += t->level[i];
        for (size_t i = a_lo; i < a_stop; i++)
            pa += t->level[i];
        const double nb = (double)(b_end - b_start), na = (double)(a_stop - a_lo), w = 1.0 / (1.0 / nb + 1.0 / na);
        const double db = lt_db_from_power(pa / na / (pb / nb)) * (l->state[k] == 1 ? 1.0 : -1.0);
        sum += w * db;
        squares += w * db * db;
        weights += w;
        count++;
    }
    if (count < 3)
        return NAN;
    const double mean = sum / weights;
    *doubt_db = 2.0 * sqrt(fmax(squares / weights - mean * mean, 0.0) / (double)(count - 1));
    return mean;
}

/* Whitening lifts the recorder's own noise; deep down it hides the gain. The attenuation of the plain levels is right,
 * and the rest of the whitened power is noise that does not switch. */
static void part_floor(ltp_track *t, ltp_levels_fit *l, double attenuation_db)
{
    const double closed = l->open * lt_amplitude_from_db(-attenuation_db);
    if (closed < l->closed) {
        t->noise = l->closed * l->closed - closed * closed;
        l->closed = closed;
    }
}

static lt_status measure(ltp_track *t, lt_switching *out, lt_error *err)
{
    ltp_levels_fit l = {0};
    ltp_ramp_fit *fits = ltp_alloc(2, sizeof *fits);
    lt_status st = fits == NULL ? ltp_fail_nomem(err, "a voice switch") : ltp_levels_fit_create(t, &l, err);
    if (st != LT_OK)
        goto done;
    const double db = lt_db_from_amplitude(l.open / l.closed);
    out->attenuation_db = db;
    out->attenuation_doubt_db = 2.0 * 8.686 * l.closed_sigma;
    out->attenuation_at_least = l.closed_in_noise;
    double local_doubt_db = NAN;
    const double local_db = t->same ? (double)NAN : local_attenuation(t, &l, &local_doubt_db);
    if (lt_is_known(local_db)) {
        out->attenuation_db = local_db;
        out->attenuation_doubt_db = local_doubt_db;
    }
    if (!(db >= least_attenuation_db) || !(l.evidence > least_evidence)) {
        lt_notes_add(&out->notes, "no-switching", "One gain explains the whole recording: nothing switches here.");
        goto done;
    }
    st = ltp_ramp_fit_make(t, &l, t->same, &fits[0], err);
    if (st == LT_OK)
        st = ltp_ramp_fit_make(t, &l, !t->same, &fits[1], err);
    for (int round = 0; round < 2 && st == LT_OK; round++) {
        st = ltp_levels_refine(t, t->same ? &fits[0] : &fits[1], t->same ? &fits[1] : &fits[0], &l, err);
        if (lt_is_known(local_db))
            part_floor(t, &l, local_db);
        if (st == LT_OK)
            st = ltp_ramp_fit_make(t, &l, t->same, &fits[0], err);
        if (st == LT_OK)
            st = ltp_ramp_fit_make(t, &l, !t->same, &fits[1], err);
    }
    if (st == LT_OK && !lt_is_known(local_db)) {
        out->attenuation_db = lt_db_from_amplitude(l.open / l.closed);
        out->attenuation_doubt_db = 2.0 * 8.686 * l.closed_sigma;
        out->attenuation_at_least = l.closed_in_noise;
    }
    if (st == LT_OK && fits[0].count + fits[1].count > 0)
        st = ltp_trigger_find(t, &fits[0], &fits[1], out, err);
    if (st == LT_OK) {
        out->switched = fits[0].count + fits[1].count > 0 && !lt_notes_has(&out->notes, "not-explained");
        fill(t, &l, &fits[0], &fits[1], out);
    }
done:
    ltp_levels_fit_free(&l);
    ltp_free(fits);
    return st;
}

lt_status lt_switching_measure(const lt_signal *sent, const lt_signal *returned, lt_switching_direction direction,
                               lt_switching *out, lt_error *err)
{
    ltp_track t;
    *out = (lt_switching){.delay_ms = NAN,
                          .attenuation_db = NAN,
                          .attenuation_doubt_db = NAN,
                          .attack_ms = NAN,
                          .reaction_ms = NAN,
                          .hold_ms = NAN,
                          .hold_doubt_ms = NAN,
                          .release_ms = NAN,
                          .threshold_dbfs = NAN,
                          .smoothing_ms = NAN,
                          .clipped_mean_ms = NAN,
                          .clipped_worst_ms = NAN,
                          .clipped_loss_db = NAN,
                          .talking_percent = NAN};
    lt_status st = ltp_track_create(sent, returned, direction, &t, err);
    if (st != LT_OK)
        return st;
    out->direction = t.same ? LT_SWITCHING_SAME : LT_SWITCHING_OPPOSITE;
    out->delay_ms = t.same ? 1000.0 * t.delay_s : (double)NAN;
    st = measure(&t, out, err);
    ltp_track_free(&t);
    return st;
}
