/* SPDX-License-Identifier: MIT
 * Burst buzz: a mobile phone of the TDMA kind sends in one of eight slots, every 4.615 ms, so that anything that
 * rectifies its carrier buzzes at 1625 / 7.5 = 216.7 Hz with many harmonics (frame of 3GPP TS 45.002, 60/13 ms).
 *
 * Spectra of 0.12 s, 26 frames of the phone, so that the comb's lines fall on every 26th bin; Hann. A line counts if it
 * stands 8 dB over what lies between the lines. A phone's clock is right to a part in a million, so that only the
 * recorder's own error and the noise move the pitch; the phases of all lines, from frame to frame, give it to a tenth
 * of a percent and say how sure that is. No voice or instrument keeps that pitch. Spectra four times as long find the
 * buzz where noise covers it by 6 dB more. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"
#include "level/rank.h"

#include <string.h>

enum { LINES = 16, EVERY = 26, OVERLAP = 4, GAP_FROM = 6, GAP_TO = 20, LONGER = 4 };
enum { GAP = (GAP_TO - GAP_FROM) * LONGER + 1 };
static const double slot_hz = 1625.0 / 7.5;
/* Line of three bins over three bins of the gap: 8 dB, and 6 dB in the longer frames. */
static const double stands_out = 6.3, stands_out_longer = 4.0;
static const double together_s = 0.8; /* a burst too short to be sure belongs to the next one */
enum { LEAST_LINES = 6, LEAST_HIGH = 3, HIGH_FROM = 6, LEAST_FRAMES = 3, LEAST_LONGER = 2, STRAYS = 3 };
static const double clock_within_hz = 0.065; /* 300 ppm */
static const double errors = 2.0, pitch_within_hz = 0.65;
static const double scatter_most = 0.09;  /* turns of a line between two frames, RMS */
static const double least_longer_s = 0.3; /* in the longer frames, altogether */
static const double comb_to_hz = 8000.0, comb_within_hz = 0.5, recorder_error = 1e-4;
static const double most_of_buzz = 1.5, and_more_s = 1.0; /* than the buzz: a tone of its own */
static const double least_s = 0.15;                       /* of one burst */
static const double least = 1e-10;                        /* mean square of a line: -97 dBFS */
static const char subject[] = "the search for burst buzz";

/* The comb in frames of one length. */
typedef struct {
    ltp_frames frames;
    double *power; /* [bins] mean squares */
    double scale, rate_hz;
    double stands_out;
    size_t least_row;             /* frames of a burst */
    size_t lines, longer;         /* bins of the gap are so many times as many */
    lt_complex before[LINES + 1]; /* the lines in the last frame */
    bool combed_before;
    uint32_t strays; /* a bit for each of the last frames: a comb, but not of that pitch */
    size_t in_row;
    double row_from_s;
    double maybe_from_s; /* of a row that was too short */
    ltp_burst_result result;
    double energy;
    size_t energy_frames;
} comb;

struct ltp_burst {
    comb brief, faint;
};

void ltp_burst_free(ltp_burst *d)
{
    if (d == NULL)
        return;
    ltp_frames_close(&d->brief.frames);
    ltp_frames_close(&d->faint.frames);
    ltp_free(d->brief.power);
    ltp_free(d->faint.power);
    ltp_free(d);
}

static lt_status open_comb(comb *d, double rate_hz, size_t longer, lt_error *err)
{
    d->rate_hz = rate_hz;
    d->longer = longer;
    d->stands_out = longer > 1 ? stands_out_longer : stands_out;
    d->least_row = longer > 1 ? LEAST_LONGER : LEAST_FRAMES;
    d->lines = (size_t)fmin(LINES, 0.45 * rate_hz / slot_hz);
    d->result.from_s = NAN;
    d->maybe_from_s = -1e9;
    const size_t n = lt_rfft_good_size((size_t)((double)(EVERY * longer) / slot_hz * rate_hz));
    lt_status st = ltp_frames_open_spectra(&d->frames, n, n / OVERLAP, lt_window_hann, subject, err);
    d->scale = 2.0 / ((double)n * (0.375 * (double)n));
    d->power = ltp_alloc(d->frames.bins, sizeof *d->power);
    return st == LT_OK && d->power == NULL ? ltp_fail_nomem(err, subject) : st;
}

lt_status ltp_burst_create(double rate_hz, ltp_burst **out, lt_error *err)
{
    *out = NULL;
    ltp_burst *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    lt_status st = open_comb(&d->brief, rate_hz, 1, err);
    st = st != LT_OK ? st : open_comb(&d->faint, rate_hz, LONGER, err);
    if (st != LT_OK) {
        ltp_burst_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

/* Power of line k over that between it and the next one; *power is the line's mean square. */
static double line_over_gap(const comb *d, double line, double *power)
{
    const double bins_of_line = slot_hz * (double)d->frames.n / d->rate_hz;
    const size_t at = (size_t)(line * bins_of_line + 0.5);
    double gap[2 * GAP + LTP_RANK_PADDING];
    size_t count = 0;
    for (size_t i = GAP_FROM * d->longer; i <= GAP_TO * d->longer; i++) {
        gap[count++] = d->power[at + i < d->frames.bins ? at + i : d->frames.bins - 1];
        gap[count++] = d->power[at - i];
    }
    *power = d->power[at - 1] + d->power[at] + d->power[at + 1];
    const double between = 3.0 * ltp_median_by_rank(gap, count) + 1e-20;
    return *power / between;
}

/* Do the lines agree on the phone's pitch? From the turn of each line since the last frame, in turns; the phones' own
 * clocks are no worse than the recorder's. */
static bool keeps_pitch(const comb *d, const lt_complex *now, const bool *stands)
{
    const double hop_s = (double)d->frames.hop / d->rate_hz;
    double off[LINES + 1], sum = 0.0, weight = 0.0, square = 0.0, count = 0.0;
    for (size_t k = 1; k <= d->lines; k++) {
        const double expected = 2.0 * LT_PI * (double)k * slot_hz * hop_s;
        const lt_complex turn = lt_complex_multiply(now[k], (lt_complex){d->before[k].re, -d->before[k].im});
        const lt_complex rest = lt_complex_multiply(turn, (lt_complex){cos(expected), -sin(expected)});
        off[k] = atan2(rest.im, rest.re) / (2.0 * LT_PI);
        if (stands[k]) {
            sum += (double)k * off[k];
            weight += (double)(k * k);
        }
    }
    const double slope = sum / fmax(weight, 1.0);
    for (size_t k = 1; k <= d->lines; k++)
        if (stands[k]) {
            square += (off[k] - (double)k * slope) * (off[k] - (double)k * slope);
            count += 1.0;
        }
    const double scatter = sqrt(square / fmax(count - 1.0, 1.0));
    const double sure_hz = clock_within_hz + errors * scatter / sqrt(fmax(weight, 1.0)) / hop_s;
    return fabs(slope) / hop_s < fmin(sure_hz, pitch_within_hz) && scatter < scatter_most;
}

static bool is_combed(comb *d, double *comb_power)
{
    size_t lines = 0, high = 0;
    bool stands[LINES + 1] = {false};
    lt_complex now[LINES + 1] = {{0}};
    *comb_power = 0.0;
    for (size_t k = 1; k <= d->lines; k++) {
        double power;
        now[k] = d->frames.spectrum[(size_t)((double)k * slot_hz * (double)d->frames.n / d->rate_hz + 0.5)];
        if (line_over_gap(d, (double)k, &power) < d->stands_out || power < least)
            continue;
        stands[k] = true;
        lines++;
        high += k >= HIGH_FROM;
        *comb_power += power;
    }
    const bool combed = lines >= LEAST_LINES && high >= LEAST_HIGH;
    const bool steady = combed && d->combed_before && keeps_pitch(d, now, stands);
    d->strays = d->strays << 1 | (combed && !steady);
    d->combed_before = combed;
    memcpy(d->before, now, sizeof now);
    return steady;
}

static void end_row(comb *d)
{
    if (d->in_row >= d->least_row) {
        d->result.bursts++;
        d->result.seconds += (double)(d->in_row * d->frames.hop) / d->rate_hz;
        if (isnan(d->result.from_s))
            d->result.from_s = d->row_from_s - d->maybe_from_s < together_s ? d->maybe_from_s : d->row_from_s;
    } else if (d->in_row == d->least_row - 1 && d->row_from_s - d->maybe_from_s >= together_s) {
        d->maybe_from_s = d->row_from_s;
    }
    d->in_row = 0;
}

static void end_frame(comb *d, bool in_vain)
{
    ltp_frames_transform(&d->frames);
    for (size_t k = 0; k < d->frames.bins; k++)
        d->power[k] = d->scale * lt_complex_power(d->frames.spectrum[k]);
    double power;
    if (is_combed(d, &power) && !in_vain) {
        if (d->in_row++ == 0)
            d->row_from_s = ((double)d->frames.pushed - 0.5 * (double)d->frames.n - (double)d->frames.hop) / d->rate_hz;
        if (d->in_row >= d->least_row) {
            d->energy += power;
            d->energy_frames++;
        }
    } else {
        end_row(d);
    }
}

/* A voice that passes the pitch shows as a comb in the short frames, of another pitch; a faint buzz does not. */
static bool is_voice(const comb *brief)
{
    size_t strays = 0;
    for (size_t i = 0; i < OVERLAP * LONGER; i++)
        strays += brief->strays >> i & 1U;
    return strays >= STRAYS;
}

void ltp_burst_push(ltp_burst *d, const double *x, size_t count)
{
    while (count > 0) { /* the longer frames first, so that blocks of any size give the same */
        const size_t room = ltp_frames_room(&d->brief.frames), part = count < room ? count : room;
        const double *from = x;
        size_t left = part;
        while (ltp_frames_take(&d->faint.frames, &from, &left))
            end_frame(&d->faint, is_voice(&d->brief));
        left = part;
        while (ltp_frames_take(&d->brief.frames, &x, &left))
            end_frame(&d->brief, false);
        count -= part;
    }
}

void ltp_burst_result_of(ltp_burst *d, ltp_burst_result *out)
{
    end_row(&d->brief);
    end_row(&d->faint);
    const bool is_faint = d->brief.result.seconds < least_s && d->faint.result.seconds > least_longer_s;
    const comb *c = is_faint ? &d->faint : &d->brief;
    *out = c->result;
    out->level_dbfs =
        c->energy_frames > 0 ? lt_dbfs_from_mean_square(c->energy / (double)c->energy_frames) : -(double)INFINITY;
}

bool ltp_burst_has_line(double hz, double length_s, double burst_s)
{
    const double line = round(hz / slot_hz);
    return line >= 1.0 && burst_s > 0.0 && length_s < most_of_buzz * burst_s + and_more_s && hz < comb_to_hz &&
           fabs(hz - line * slot_hz) < comb_within_hz + recorder_error * hz;
}

double ltp_burst_finish(ltp_burst *d, const ltp_scan_end *end)
{
    ltp_burst_result r;
    ltp_burst_result_of(d, &r);
    if (isnan(r.from_s) || r.seconds < (r.bursts < 2 ? least_s : 0.2))
        return 0.0;
    lt_faults_add(
        end->out, LT_FAULT_BURST_BUZZ, LT_SEVERITY_WARNING, end->channel, r.from_s,
        "%zu burst%s of a 217 Hz buzz with its multiples, %.1f s together at %.1f dBFS: a mobile phone sends "
        "close by; likely entry: an unshielded or unbalanced wire, a microphone lead, or a missing capacitor at "
        "an amplifier's input",
        r.bursts, r.bursts == 1 ? "" : "s", r.seconds, r.level_dbfs);
    return r.seconds;
}
