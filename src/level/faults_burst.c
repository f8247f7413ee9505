/* SPDX-License-Identifier: MIT
 * Burst buzz: a mobile phone of the TDMA kind sends in one of eight slots, every 4.615 ms, so that anything that
 * rectifies its carrier buzzes at 1625 / 7.5 = 216.7 Hz with many harmonics (frame of 3GPP TS 45.002, 60/13 ms).
 *
 * Spectra of 0.12 s, 26 frames of the phone, so that the comb's lines fall on every 26th bin; Hann. A line counts if it
 * stands 8 dB over what lies between the lines. A voice or an instrument is not within a quarter of a percent of that
 * pitch for long: the phases of all lines, from frame to frame, give the pitch to a tenth of a percent. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"

#include <string.h>

enum { LINES = 16, EVERY = 26, OVERLAP = 4, GAP_FROM = 6, GAP_TO = 20, GAP = GAP_TO - GAP_FROM + 1 };
static const double slot_hz = 1625.0 / 7.5;
static const double stands_out = 6.3; /* 8 dB, line of three bins over three bins of the gap */
static const double together_s = 0.8; /* a burst too short to be sure belongs to the next one */
enum { LEAST_LINES = 6, LEAST_HIGH = 3, HIGH_FROM = 6, LEAST_FRAMES = 3 };
static const double pitch_within_hz = 0.65, pitch_steady_hz = 0.35, scatter_most_hz = 3.0;
static const double least = 1e-10; /* mean square of a line: -97 dBFS */

static const char subject[] = "the search for burst buzz";

struct ltp_burst {
    double rate_hz;
    ltp_frames frames;
    double *power; /* [bins] mean squares */
    double scale;
    size_t lines;
    lt_complex before[LINES + 1]; /* the lines in the last frame */
    bool combed_before;
    double pitch_hz; /* of the last pair of frames; NaN */
    size_t in_row;
    double row_from_s;
    double maybe_from_s; /* of a row that was too short */
    ltp_burst_result result;
    double energy;
    size_t energy_frames;
};

void ltp_burst_free(ltp_burst *d)
{
    if (d == NULL)
        return;
    ltp_frames_close(&d->frames);
    ltp_free(d->power);
    ltp_free(d);
}

lt_status ltp_burst_create(double rate_hz, ltp_burst **out, lt_error *err)
{
    *out = NULL;
    ltp_burst *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    d->rate_hz = rate_hz;
    d->lines = (size_t)fmin(LINES, 0.45 * rate_hz / slot_hz);
    d->result.from_s = NAN;
    d->maybe_from_s = -1e9;
    const size_t n = lt_rfft_good_size((size_t)(EVERY / slot_hz * rate_hz));
    lt_status st = ltp_frames_open(&d->frames, n, n / OVERLAP, lt_window_hann, subject, err);
    d->power = ltp_alloc(d->frames.bins, sizeof *d->power);
    if (st == LT_OK && d->power == NULL)
        st = ltp_fail_nomem(err, subject);
    if (st != LT_OK) {
        ltp_burst_free(d);
        return st;
    }
    d->scale = 2.0 / ((double)n * (0.375 * (double)n));
    *out = d;
    return LT_OK;
}

/* Power of line k over that between it and the next one; *power is the line's mean square. */
static double line_over_gap(const ltp_burst *d, double line, double *power)
{
    const double bins_of_line = slot_hz * (double)d->frames.n / d->rate_hz;
    const size_t at = (size_t)(line * bins_of_line + 0.5);
    double gap[2 * GAP];
    size_t count = 0;
    for (size_t i = GAP_FROM; i <= GAP_TO; i++) {
        gap[count++] = d->power[at + i < d->frames.bins ? at + i : d->frames.bins - 1];
        gap[count++] = d->power[at - i];
    }
    *power = d->power[at - 1] + d->power[at] + d->power[at + 1];
    const double between = 3.0 * lt_median(gap, count) + 1e-20;
    return *power / between;
}

/* Pitch from the turn of each line since the last frame; false if the lines do not agree on one. */
static bool find_pitch(const ltp_burst *d, const lt_complex *now, const bool *stands, double *pitch_hz)
{
    const double hop_s = (double)d->frames.hop / d->rate_hz;
    double off[LINES + 1], sum = 0.0, weight = 0.0, square = 0.0, count = 0.0;
    for (size_t k = 1; k <= d->lines; k++) {
        const double expected = 2.0 * LT_PI * (double)k * slot_hz * hop_s;
        const lt_complex turn = lt_complex_multiply(now[k], (lt_complex){d->before[k].re, -d->before[k].im});
        const lt_complex rest = lt_complex_multiply(turn, (lt_complex){cos(expected), -sin(expected)});
        off[k] = atan2(rest.im, rest.re) / (2.0 * LT_PI * hop_s);
        if (stands[k]) {
            sum += (double)k * off[k];
            weight += (double)(k * k);
        }
    }
    const double off_hz = sum / fmax(weight, 1.0);
    for (size_t k = 1; k <= d->lines; k++)
        if (stands[k]) {
            square += (off[k] - (double)k * off_hz) * (off[k] - (double)k * off_hz);
            count += 1.0;
        }
    *pitch_hz = slot_hz + off_hz;
    return fabs(off_hz) < pitch_within_hz && sqrt(square / fmax(count, 1.0)) < scatter_most_hz;
}

static bool is_combed(ltp_burst *d, double *comb_power)
{
    size_t lines = 0, high = 0;
    bool stands[LINES + 1] = {false};
    lt_complex now[LINES + 1] = {{0}};
    *comb_power = 0.0;
    for (size_t k = 1; k <= d->lines; k++) {
        double power;
        now[k] = d->frames.spectrum[(size_t)((double)k * slot_hz * (double)d->frames.n / d->rate_hz + 0.5)];
        if (line_over_gap(d, (double)k, &power) < stands_out || power < least)
            continue;
        stands[k] = true;
        lines++;
        high += k >= HIGH_FROM;
        *comb_power += power;
    }
    const bool combed = lines >= LEAST_LINES && high >= LEAST_HIGH;
    double pitch_hz = NAN;
    bool steady = combed && d->combed_before && find_pitch(d, now, stands, &pitch_hz);
    if (steady && d->in_row > 0 && fabs(pitch_hz - d->pitch_hz) > pitch_steady_hz)
        steady = false;
    d->combed_before = combed;
    d->pitch_hz = pitch_hz;
    memcpy(d->before, now, sizeof now);
    return steady;
}

static void end_row(ltp_burst *d)
{
    if (d->in_row >= LEAST_FRAMES) {
        d->result.bursts++;
        d->result.seconds += (double)(d->in_row * d->frames.hop) / d->rate_hz;
        if (isnan(d->result.from_s))
            d->result.from_s = d->row_from_s - d->maybe_from_s < together_s ? d->maybe_from_s : d->row_from_s;
    } else if (d->in_row == LEAST_FRAMES - 1 && d->row_from_s - d->maybe_from_s >= together_s) {
        d->maybe_from_s = d->row_from_s;
    }
    d->in_row = 0;
}

static void end_frame(ltp_burst *d)
{
    ltp_frames_transform(&d->frames);
    for (size_t k = 0; k < d->frames.bins; k++)
        d->power[k] = d->scale * lt_complex_power(d->frames.spectrum[k]);
    double power;
    if (is_combed(d, &power)) {
        if (d->in_row++ == 0)
            d->row_from_s = ((double)d->frames.pushed - 0.5 * (double)d->frames.n - (double)d->frames.hop) / d->rate_hz;
        if (d->in_row >= LEAST_FRAMES) {
            d->energy += power;
            d->energy_frames++;
        }
    } else {
        end_row(d);
    }
}

void ltp_burst_push(ltp_burst *d, const double *x, size_t count)
{
    while (ltp_frames_take(&d->frames, &x, &count))
        end_frame(d);
}

void ltp_burst_result_of(ltp_burst *d, ltp_burst_result *out)
{
    end_row(d);
    *out = d->result;
    out->level_dbfs =
        d->energy_frames > 0 ? lt_dbfs_from_mean_square(d->energy / (double)d->energy_frames) : -(double)INFINITY;
}

void ltp_burst_finish(ltp_burst *d, const ltp_scan_end *end)
{
    ltp_burst_result r;
    ltp_burst_result_of(d, &r);
    if (isnan(r.from_s) || r.seconds < (r.bursts < 2 ? 0.15 : 0.2))
        return;
    lt_faults_add(
        end->out, LT_FAULT_BURST_BUZZ, LT_SEVERITY_WARNING, end->channel, r.from_s,
        "%zu burst%s of a 217 Hz buzz with its multiples, %.1f s together at %.1f dBFS: a mobile phone sends "
        "close by; likely entry: an unshielded or unbalanced wire, a microphone lead, or a missing capacitor at "
        "an amplifier's input",
        r.bursts, r.bursts == 1 ? "" : "s", r.seconds, r.level_dbfs);
}
