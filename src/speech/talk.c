/* SPDX-License-Identifier: MIT
 * Talk test: what P.56 calls active, and the mean spectra of the activity and of the pauses. dBFS.
 *
 * Activity starts when the envelope has climbed to its threshold, some 20 ms after a loud first sound and much later
 * after a soft one, and ends a hangover of 0.2 s after it fell below. So a time as long as the hangover is left out of
 * the pauses before each activity too, as is the time that a band's filter needs to settle after it: both hold speech.
 * In recorded sentences that beginning alone can lift the mean of the pauses by 20 dB. */
#include "base/alloc.h"
#include "speech/p56.h"
#include <lanetune/speech.h>

#include <math.h>
#include <string.h>

/* Before each activity, no pause: the longest of these that leaves pauses enough. */
static const double onsets_s[] = {0.2, 0.1, 0.05};
static const double fewest_pauses_s = 0.5; /* less is said so */
static const double shortest_speech_s = 5.0;
static const double low_snr_db = 18.0; /* nearer, P.56 takes the loud moments of the noise for speech */

typedef struct {
    size_t from, to; /* frames */
} span;

typedef struct {
    span *items;
    size_t count;
    size_t onset; /* frames before an item that belong to neither side */
} span_list;

/* Sums over time of what falls on active frames and on pauses. */
typedef struct {
    double active, active_frames;
    double pause, pause_frames;
} two_sums;

/* ---- activity ---- */

static lt_status find_activity(const lt_signal *s, double threshold, span_list *out, lt_error *err)
{
    const size_t hangover = ltp_p56_hangover_frames(s->rate_hz);
    *out = (span_list){0};
    out->items = ltp_alloc(s->count / (hangover + 1) + 2, sizeof *out->items); /* each lasts longer than its hangover */
    if (out->items == NULL)
        return ltp_fail_nomem(err, "a talk test");
    ltp_p56_envelope envelope = ltp_p56_envelope_at(s->rate_hz);
    span *now = NULL;
    const size_t end = threshold > 0.0 ? s->count : 0; /* no threshold: silence */
    for (size_t n = 0; n < end; n++) {
        if (!(ltp_p56_next(&envelope, s->samples[n]) >= threshold))
            continue;
        if (now == NULL || n >= now->to) {
            now = &out->items[out->count++];
            now->from = n;
        }
        now->to = n + 1 + hangover;
    }
    if (now != NULL && now->to > s->count)
        now->to = s->count;
    return LT_OK;
}

static void choose_onset(const lt_signal *s, span_list *spans)
{
    for (size_t k = 0; k < LTP_COUNT(onsets_s); k++) {
        size_t pauses = 0;
        size_t free_from = 0;
        spans->onset = (size_t)lround(onsets_s[k] * s->rate_hz);
        for (size_t i = 0; i < spans->count; i++) {
            if (spans->items[i].from > free_from + spans->onset)
                pauses += spans->items[i].from - free_from - spans->onset;
            free_from = spans->items[i].to;
        }
        pauses += s->count - free_from;
        if ((double)pauses >= fewest_pauses_s * s->rate_hz)
            return;
    }
}

static double overlap(double from, double to, double first, double last)
{
    return fmax(0.0, fmin(to, last) - fmax(from, first));
}

/* Share the mean square of the frames [from, to) between the two sums. *k is the first span that may still matter.
 * settle: frames after an activity that are no pause yet. */
static void share(const span_list *spans, size_t *k, double from, double to, double settle, double mean_square,
                  two_sums *sums)
{
    while (*k < spans->count && (double)spans->items[*k].to + settle <= from)
        ++*k;
    double active = 0.0;
    double spoilt = 0.0; /* active, or too near to it */
    double done = from;
    for (size_t i = *k; i < spans->count; i++) {
        const double start = (double)spans->items[i].from;
        const double end = (double)spans->items[i].to;
        if (start - (double)spans->onset >= to)
            break;
        active += overlap(from, to, start, end);
        spoilt += overlap(fmax(from, done), to, start - (double)spans->onset, end + settle);
        done = fmax(done, end + settle);
    }
    sums->active += active * mean_square;
    sums->active_frames += active;
    if (spoilt <= 0.0) {
        sums->pause += (to - from) * mean_square;
        sums->pause_frames += to - from;
    }
}

static double mean_db(double sum, double frames)
{
    if (!(frames > 0.0))
        return (double)NAN;
    return lt_dbfs_from_mean_square(sum / frames);
}

/* ---- spectra ---- */

typedef struct {
    lt_bank *bank;
    size_t next[LT_TALK_BANDS_MAX]; /* first span that still matters to each band */
    two_sums sums[LT_TALK_BANDS_MAX];
    double mean_square[LT_TALK_BANDS_MAX];
} spectra;

/* The hop that starts at frame `at`. A band answers late: what it says now happened a delay ago. */
static void add_hop(spectra *p, const span_list *spans, size_t at, double rate_hz)
{
    const size_t count = lt_bank_band_count(p->bank);
    for (size_t i = 0; i < count; i++) {
        const double delay = lt_bank_delay_s(p->bank, i) * rate_hz;
        const double from = (double)at - delay;
        if (from < delay)
            continue; /* the filter is still swinging up */
        share(spans, &p->next[i], from, from + (double)lt_bank_hop_frames(p->bank), delay, p->mean_square[i],
              &p->sums[i]);
    }
}

static lt_status measure_spectra(const lt_signal *s, const span_list *spans, lt_talk_test *out, lt_error *err)
{
    spectra *p = ltp_alloc(1, sizeof *p);
    if (p == NULL)
        return ltp_fail_nomem(err, "a talk test");
    const lt_status status = lt_bank_create(s->rate_hz, LT_THIRD_50_HZ, LT_THIRD_16_KHZ, &p->bank, err);
    if (status == LT_OK) {
        const size_t hop = lt_bank_hop_frames(p->bank);
        for (size_t at = 0; at + hop <= s->count; at += hop) {
            lt_bank_hop(p->bank, s->samples + at, p->mean_square);
            add_hop(p, spans, at, s->rate_hz);
        }
        out->band_count = lt_bank_band_count(p->bank);
        for (size_t i = 0; i < out->band_count; i++) {
            const two_sums *t = &p->sums[i];
            const double active = t->active_frames > 0.0 ? t->active / t->active_frames : 0.0;
            const double pause = t->pause_frames > 0.0 ? t->pause / t->pause_frames : 0.0;
            out->bands[i].band = lt_bank_band(p->bank, i);
            out->bands[i].speech_db = lt_dbfs_from_mean_square(fmax(0.0, active - pause));
            out->bands[i].noise_db = mean_db(t->pause, t->pause_frames);
        }
        lt_bank_free(p->bank);
    }
    ltp_free(p);
    return status;
}

/* ---- whole recording ---- */

/* Mean squares of the activity and, about their own mean, of the pauses: what is left of an offset is no noise. */
static two_sums split_power(const lt_signal *s, const span_list *spans)
{
    const size_t step = 16;
    two_sums power = {0};
    two_sums sum = {0};
    size_t k = 0;
    size_t j = 0;
    for (size_t at = 0; at < s->count; at += step) {
        const size_t count = s->count - at < step ? s->count - at : step;
        double squares = 0.0;
        double plain = 0.0;
        for (size_t i = 0; i < count; i++) {
            squares += s->samples[at + i] * s->samples[at + i];
            plain += s->samples[at + i];
        }
        share(spans, &k, (double)at, (double)(at + count), 0.0, squares / (double)count, &power);
        share(spans, &j, (double)at, (double)(at + count), 0.0, plain / (double)count, &sum);
    }
    if (power.pause_frames > 0.0)
        power.pause = fmax(0.0, power.pause - sum.pause * sum.pause / sum.pause_frames);
    return power;
}

static void add_notes(const lt_signal *raw, double mean, const two_sums *sums, lt_talk_test *out)
{
    const double rate_hz = raw->rate_hz;
    const size_t clipped = lt_clipped_samples(raw);
    if (clipped > 0)
        lt_notes_add(&out->notes, "clipping",
                     "The recording is clipped (%zu samples): repeat it with less recording gain.", clipped);
    if (fabs(mean) > 0.01)
        lt_notes_add(&out->notes, "dc-offset",
                     "The recording has a constant offset of %.1f %% of full scale; it was taken off before measuring.",
                     100.0 * mean);
    if (out->level.activity_percent <= 0.0) {
        lt_notes_add(&out->notes, "silent", "The recording is silent: check the line and the recording level.");
        return;
    }
    if (sums->active_frames < shortest_speech_s * rate_hz)
        lt_notes_add(&out->notes, "short", "Only %.1f s of speech: record at least %.0f s of sentences.",
                     sums->active_frames / rate_hz, shortest_speech_s);
    if (!(sums->pause_frames > 0.0)) {
        lt_notes_add(
            &out->notes, "no-pauses",
            "No pause between the sentences is quiet enough to measure the noise, so it is still in the speech "
            "spectrum: pause for a second between sentences, or record where it is less noisy.");
        return;
    }
    if (sums->pause_frames < fewest_pauses_s * rate_hz)
        lt_notes_add(&out->notes, "few-pauses",
                     "The pauses last only %.2f s together: the noise level is uncertain; pause longer.",
                     sums->pause_frames / rate_hz);
    const double noise = sums->pause / sums->pause_frames;
    const double speech = sums->active_frames > 0.0 ? sums->active / sums->active_frames - noise : 0.0;
    const double snr_db = lt_db_from_power(fmax(0.0, speech)) - lt_db_from_power(noise);
    if (snr_db < low_snr_db)
        lt_notes_add(&out->notes, "low-snr",
                     "The speech stands only %.0f dB above the noise of the pauses: loud moments of the noise count as "
                     "speech, so "
                     "the noise may be some dB higher than shown.",
                     fmax(snr_db, -99.0));
}

lt_status lt_talk_test_measure(const lt_signal *s, lt_talk_test *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    lt_signal *ac = NULL;
    span_list spans = {0};
    lt_status status = lt_signal_copy(s, 0, s->count, &ac, err);
    if (status != LT_OK)
        return status;
    const double mean = s->count > 0 ? lt_mean(s->samples, s->count) : 0.0;
    for (size_t i = 0; i < ac->count; i++)
        ac->samples[i] -= mean; /* an offset of the recorder is no speech, and would hide every pause */
    status = lt_active_level_measure(ac, &out->level, err);
    if (status != LT_OK)
        goto done;
    status = find_activity(ac, out->level.threshold, &spans, err);
    if (status != LT_OK)
        goto done;
    choose_onset(ac, &spans);
    const two_sums sums = split_power(ac, &spans);
    out->seconds = (double)s->count / s->rate_hz;
    out->noise_level_db = mean_db(sums.pause, sums.pause_frames);
    status = measure_spectra(ac, &spans, out, err);
    if (status == LT_OK)
        add_notes(s, mean, &sums, out);
done:
    ltp_free(spans.items);
    lt_signal_free(ac);
    return status;
}
