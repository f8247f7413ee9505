/* SPDX-License-Identifier: MIT
 * Band limits: a recording that ends well below half its sampling rate, as after a telephone line, a speech coder or a
 * wrong conversion.
 *
 * The mean spectrum of the frames that carry sound, in twelfths of an octave. The upper limit is the highest point
 * above which everything lies 25 dB lower, within an octave, and 15 dB of that within half an octave: voices, music and
 * roads fall more slowly. Levels re the spectrum's own. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"

#include <string.h>

enum { POINTS = 128, PER_OCTAVE = 12 };
static const double frame_s = 0.085, lowest_hz = 100.0;
static const double steep_db = 15.0, deep_db = 25.0, filled_db = 42.0;
static const double lowest_limit_hz = 2000.0, highest_limit_hz = 8200.0, speech_limit_hz = 4300.0,
                    telephone_low_hz = 220.0;
static const double least = 1e-9; /* mean square of a frame that counts */
static const double loud_part = 0.01;

static const char subject[] = "the search for band limits";

struct ltp_extent {
    double rate_hz;
    ltp_frames frames;
    double *sum; /* [bins] powers */
    size_t count;
    double loudest;
};

void ltp_extent_free(ltp_extent *d)
{
    if (d == NULL)
        return;
    ltp_frames_close(&d->frames);
    ltp_free(d->sum);
    ltp_free(d);
}

lt_status ltp_extent_create(double rate_hz, ltp_extent **out, lt_error *err)
{
    *out = NULL;
    ltp_extent *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    d->rate_hz = rate_hz;
    const size_t n = lt_rfft_good_size((size_t)(frame_s * rate_hz));
    lt_status st = ltp_frames_open_spectra(&d->frames, n, n, lt_window_blackman_harris, subject, err);
    d->sum = ltp_alloc(d->frames.bins, sizeof *d->sum);
    if (st == LT_OK && d->sum == NULL)
        st = ltp_fail_nomem(err, subject);
    if (st != LT_OK) {
        ltp_extent_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

/* A frame that is much quieter than the loudest so far holds noise rather than what came through the line. */
static void end_frame(ltp_extent *d)
{
    double energy = 0.0;
    const ltp_frames *f = &d->frames;
    for (size_t i = 0; i < f->n; i++)
        energy += f->x[i] * f->x[i] / (double)f->n;
    if (energy < least || energy < loud_part * d->loudest)
        return;
    if (loud_part * energy > d->loudest) {
        memset(d->sum, 0, f->bins * sizeof *d->sum);
        d->count = 0;
    }
    d->loudest = fmax(d->loudest, energy);
    ltp_frames_transform(&d->frames);
    for (size_t k = 0; k < f->bins; k++)
        d->sum[k] += lt_complex_power(f->spectrum[k]);
    d->count++;
}

void ltp_extent_push(ltp_extent *d, const double *x, size_t count)
{
    while (ltp_frames_take(&d->frames, &x, &count))
        end_frame(d);
}

/* Mean power in dB of each twelfth of an octave from lowest_hz up. */
static size_t spectrum_db(const ltp_extent *d, double *level_db)
{
    size_t count = 0;
    const double bin_hz = d->rate_hz / (double)d->frames.n;
    for (; count < POINTS; count++) {
        const double low = lowest_hz * pow(2.0, ((double)count - 0.5) / PER_OCTAVE);
        const double high = lowest_hz * pow(2.0, ((double)count + 0.5) / PER_OCTAVE);
        if (high > 0.48 * d->rate_hz)
            break;
        double sum = 0.0, bins = 0.0;
        for (size_t k = (size_t)ceil(low / bin_hz); k < d->frames.bins && ((double)k * bin_hz < high || bins < 0.5);
             k++) {
            sum += d->sum[k];
            bins += 1.0;
        }
        level_db[count] = lt_db_from_power(sum / fmax(bins, 1.0) + 1e-30);
    }
    return count;
}

static double highest_from(const double *level_db, size_t from, size_t count)
{
    double top = -INFINITY;
    for (size_t i = from; i < count; i++)
        top = fmax(top, level_db[i]);
    return top;
}

static double point_hz(size_t i)
{
    return lowest_hz * pow(2.0, (double)i / PER_OCTAVE);
}

/* Dialling tones and held notes leave most of the band empty, and say nothing about its end. */
static bool is_filled(const double *level_db, size_t limit)
{
    const double top = highest_from(level_db, 0, limit + 1);
    for (size_t i = 2 * PER_OCTAVE; i + PER_OCTAVE / 4 <= limit; i++)
        if (highest_from(level_db, i, i + PER_OCTAVE / 4) < top - filled_db)
            return false;
    return true;
}

static double upper_limit_hz(const double *level_db, size_t count)
{
    for (size_t i = count; i-- > PER_OCTAVE;) {
        if (i + PER_OCTAVE / 2 >= count || point_hz(i) > highest_limit_hz)
            continue;
        if (point_hz(i) < lowest_limit_hz)
            break;
        const size_t octave = i + PER_OCTAVE < count ? i + PER_OCTAVE : count - 1;
        if (level_db[i] - highest_from(level_db, i + PER_OCTAVE / 2, count) > steep_db &&
            level_db[i] - highest_from(level_db, octave, count) > deep_db && is_filled(level_db, i)) {
            const double edge_db = level_db[i] - 6.0;
            while (i + 1 < count && level_db[i + 1] > edge_db)
                i++;
            return point_hz(i);
        }
    }
    return NAN;
}

static double lower_limit_hz(const double *level_db, size_t count)
{
    const double top = highest_from(level_db, 0, count);
    size_t i = 0;
    while (i < count && level_db[i] < top - deep_db)
        i++;
    return point_hz(i);
}

void ltp_extent_finish(ltp_extent *d, const ltp_scan_end *end)
{
    double level_db[POINTS];
    if (d->count < 5)
        return;
    const size_t count = spectrum_db(d, level_db);
    const double top_hz = upper_limit_hz(level_db, count), half_hz = 0.5 * d->rate_hz;
    const double bottom_hz = lower_limit_hz(level_db, count);
    if (lt_is_known(top_hz) && (half_hz > 1.15 * top_hz || top_hz < speech_limit_hz)) {
        const bool speech = top_hz < speech_limit_hz;
        lt_faults_add(
            end->out, LT_FAULT_BAND_LIMITED, speech ? LT_SEVERITY_WARNING : LT_SEVERITY_NOTE, end->channel, NAN,
            "nothing above %.0f Hz though the file reaches to %.0f Hz%s: likely a telephone line or speech coder "
            "in between, a conversion from a lower rate, or a defective tweeter or microphone",
            top_hz, half_hz, bottom_hz > telephone_low_hz ? ", and little below 300 Hz" : "");
    } else if (half_hz < speech_limit_hz) {
        lt_faults_add(end->out, LT_FAULT_BAND_LIMITED, LT_SEVERITY_NOTE, end->channel, NAN,
                      "the file is sampled at %.0f Hz and ends at %.0f Hz: speech is intelligible, but what lies above "
                      "cannot be judged; record at 44.1 or 48 kHz if the line carries more",
                      d->rate_hz, half_hz);
    }
}
