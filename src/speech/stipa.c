/* SPDX-License-Identifier: MIT
 * STIPA, the direct method of IEC 60268-16:2020: modulation transfer from a recording of the test signal. */
#include "speech/stipa.h"
#include "base/alloc.h"
#include "speech/sti_tables.h"

#include <math.h>
#include <string.h>

static const double modulation_index = 0.55; /* of the test signal */
static const double highest_valid = 1.3;     /* a transfer beyond is no measurement */
static const double lowest_rate_hz = 16000.0, work_rate_hz = 48000.0;
static const double longest_s = 300.0;
static const double least_s = 8.0, standard_s = 15.0; /* evaluated; IEC 60268-16: 15 s to 25 s */
static const double least_certainty = 6.0, sure = 50.0;
static const double largest_drift = 0.005;
static const double drift_note_ppm = 300.0;
static const double spoiled_note_s = 0.5;
static const double unsteady = 0.06; /* between the halves */
static const double piece_s = 5.0, piece_step_s = 0.5;
static const double jump_gain = 1.25; /* power of the pieces over that of the whole: the phase jumps */
static const double jump_over_noise = 10.0;
enum { FEW_JUMPS = 4 /* lines; more than the start of a loop makes */ };

static lt_status check_signal(const lt_signal *s, lt_error *err)
{
    const double seconds = (double)s->count / s->rate_hz;
    if (!(s->rate_hz >= lowest_rate_hz))
        return ltp_fail(err, LT_E_ARG,
                        "sample rate %g Hz: STIPA needs the octaves up to 8 kHz; record at 24000 Hz or more",
                        s->rate_hz);
    if (seconds < least_s)
        return ltp_fail(err, LT_E_ARG, "%.1f s long: STIPA needs at least %.0f s, better 15 s to 25 s", seconds,
                        least_s);
    if (seconds > longest_s)
        return ltp_fail(err, LT_E_ARG, "%.0f s long: cut out the part with the STIPA signal, 15 s to 25 s are enough",
                        seconds);
    double sum = 0.0;
    for (size_t i = 0; i < s->count; i++)
        sum += s->samples[i] * s->samples[i];
    if (!(sum > 0.0) || !isfinite(sum))
        return ltp_fail(err, LT_E_SNR, "the recording is %s: nothing to evaluate", sum > 0.0 ? "not finite" : "silent");
    return LT_OK;
}

static lt_status check_part(const ltp_stipa_part *p, lt_error *err)
{
    if (p->certainty < least_certainty)
        return ltp_fail(
            err, LT_E_SNR,
            "no STIPA signal found: play the file of 'lanetune stimulus stipa'; if it was played, it is lost "
            "in the noise (STI near 0)");
    if (fabs(p->speed - 1.0) > largest_drift)
        return ltp_fail(err, LT_E_FORMAT,
                        "the STIPA signal runs %.1f %% too %s: player or recorder used a wrong sample rate; repeat it",
                        100.0 * fabs(p->speed - 1.0), p->speed > 1.0 ? "fast" : "slow");
    if ((double)p->used_frames * LTP_STIPA_FRAME_S < least_s)
        return ltp_fail(
            err, LT_E_SNR,
            "only %.1f s of undisturbed STIPA signal: at least %.0f s are needed; repeat it when it is quieter",
            (double)p->used_frames * LTP_STIPA_FRAME_S, least_s);
    return LT_OK;
}

/* What averaging over frames takes from a modulation. */
static double droop(double hz)
{
    const double x = LT_PI * hz * LTP_STIPA_FRAME_S;
    return sin(x) / x;
}

/* Squared amplitude of line i, without what noise adds, from pieces of 5 s that need not be in phase with each other,
 * with the grid that begins at `offset`. */
static double power_of_pieces(const ltp_stipa_envelope *e, const ltp_stipa_part *p, size_t band, size_t i, size_t from,
                              size_t to, size_t offset, double *noise)
{
    const size_t length = (size_t)lround(piece_s / LTP_STIPA_FRAME_S);
    double sum = 0.0, noises = 0.0, frames = 0.0;
    for (size_t at = from; at < to;) {
        const size_t end = at == from ? from + offset : at + length;
        const size_t stop = end < to ? end : to;
        ltp_stipa_fit fit;
        size_t count = 0;
        for (size_t j = at; j < stop; j++)
            count += p->used[j] ? 1 : 0;
        if (2 * count > length && ltp_stipa_fit_band(e, band, p->speed, at, stop, p->used, true, &fit)) {
            sum += (double)count * (lt_complex_power(fit.line[i]) - fit.noise[i]);
            noises += (double)count * fit.noise[i];
            frames += (double)count;
        }
        at = stop;
    }
    *noise = frames > 0.0 ? noises / frames : 0.0;
    return frames > 0.0 ? sum / frames : 0.0;
}

/* Where samples were lost, or the player began anew, the phase of a line jumps, and its parts cancel each other. Then
 * pieces tell more; the grid is shifted until no piece holds the jump. Squared amplitude, or `whole` if that is right.
 */
static double power_across_jumps(const ltp_stipa_envelope *e, const ltp_stipa_part *p, size_t band, size_t i,
                                 size_t from, size_t to, double whole)
{
    const size_t step = (size_t)lround(piece_step_s / LTP_STIPA_FRAME_S);
    double best = 0.0, noise_there = 0.0;
    for (size_t k = 1; k <= (size_t)lround(piece_s / piece_step_s); k++) {
        double noise = 0.0;
        const double now = power_of_pieces(e, p, band, i, from, to, k * step, &noise);
        if (now > best) {
            best = now;
            noise_there = noise;
        }
    }
    return best > jump_gain * whole && best > jump_over_noise * noise_there ? best : whole;
}

/* Transfer values of frames [from, to). false: a band cannot be fitted. *jumps: lines whose phase jumps. */
static bool transfer(const ltp_stipa_envelope *e, const ltp_stipa_part *p, size_t from, size_t to,
                     double m[LT_STI_BANDS][LT_STI_MODULATIONS], unsigned *jumps)
{
    memset(m, 0, LT_STI_BANDS * sizeof *m);
    *jumps = 0;
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        ltp_stipa_fit fit;
        if (!(e->median[k] > 0.0))
            continue;
        if (!ltp_stipa_fit_band(e, k, p->speed, from, to, p->used, true, &fit) || !(fit.mean > 0.0))
            return false;
        for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++) {
            const double hz = ltp_sti_rows[k].stipa_hz[i];
            const double whole = fmax(0.0, lt_complex_power(fit.line[i]) - fit.noise[i]);
            const double power = power_across_jumps(e, p, k, i, from, to, whole);
            *jumps += power > whole ? 1 : 0;
            m[k][i] = sqrt(power) / (fit.mean * modulation_index * droop(hz));
        }
    }
    return true;
}

static lt_status check_transfer(double m[LT_STI_BANDS][LT_STI_MODULATIONS], lt_error *err)
{
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++)
            if (!(m[k][i] <= highest_valid))
                return ltp_fail(err, LT_E_FORMAT,
                                "modulation transfer %.2f at %g Hz: above %.1f it is no measurement; the signal is "
                                "not STIPA or another sound pulsates with it",
                                m[k][i], ltp_sti_rows[k].nominal_hz, highest_valid);
    return LT_OK;
}

static void add_notes(const lt_signal *s, const ltp_stipa_part *p, unsigned jumps, lt_sti_result *out)
{
    const size_t clipped = lt_clipped_samples(s);
    if (clipped > 0)
        lt_notes_add(&out->notes, "clipping", "The recording is clipped (%zu samples): repeat it with less gain.",
                     clipped);
    if (jumps >= FEW_JUMPS)
        lt_notes_add(
            &out->notes, "samples-lost",
            "The signal jumps in time: samples were lost or repeated, or the player started it anew. What is out "
            "of step was left out.");
    if (p->spoiled_s > spoiled_note_s)
        lt_notes_add(&out->notes, "spoiled", "%.1f s in between were left out: other sounds, gaps or jumps spoil them.",
                     p->spoiled_s);
    if (out->used_s < standard_s - 0.05)
        lt_notes_add(&out->notes, "short",
                     "Only %.1f s of STIPA signal: the standard wants 15 s to 25 s; the result is less certain.",
                     out->used_s);
    if (fabs(out->drift_ppm) > drift_note_ppm && p->certainty > sure)
        lt_notes_add(&out->notes, "drift",
                     "The clocks of player and recorder differ by %.0f ppm; it was taken into account.",
                     fabs(out->drift_ppm));
    if (lt_octave(3).upper_hz > 0.51 * s->rate_hz)
        lt_notes_add(&out->notes, "band-limited",
                     "The sample rate ends inside the octave of 8000 Hz: its figure stands for the part below %.0f Hz.",
                     0.5 * s->rate_hz);
}

/* The halves apart: a level or a gain that changed meanwhile shows. */
static lt_status compare_halves(const ltp_stipa_envelope *e, const ltp_stipa_part *p, const lt_sti_options *opt,
                                lt_sti_result *out, lt_error *err)
{
    double m[LT_STI_BANDS][LT_STI_MODULATIONS];
    double sti[2];
    unsigned jumps = 0;
    size_t middle = 0;
    lt_sti_result *half = ltp_alloc(1, sizeof *half);
    if (half == NULL)
        return ltp_fail_nomem(err, "STIPA");
    for (size_t seen = 0; middle < e->frames && 2 * seen < p->used_frames; middle++)
        seen += p->used[middle] ? 1 : 0;
    for (size_t i = 0; i < 2; i++) {
        const size_t from = i == 0 ? 0 : middle;
        const size_t to = i == 0 ? middle : e->frames;
        sti[i] = (double)NAN;
        if (transfer(e, p, from, to, m, &jumps) && lt_sti_from_mtf(m, LT_STI_STIPA, opt, half, NULL) == LT_OK)
            sti[i] = half->sti;
    }
    if (fabs(sti[0] - sti[1]) > unsteady)
        lt_notes_add(&out->notes, "unsteady",
                     "The first half gives STI %.2f, the second %.2f: noise or gain changed meanwhile; repeat it.",
                     sti[0], sti[1]);
    ltp_free(half);
    return LT_OK;
}

/* Octave band levels of the evaluated part, dBFS. */
static void measure_levels(const ltp_stipa_envelope *e, const ltp_stipa_part *p, double level_db[LT_STI_BANDS])
{
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        double sum = 0.0;
        for (size_t j = 0; j < e->frames; j++)
            sum += p->used[j] ? e->u[k][j] : 0.0;
        level_db[k] = lt_dbfs_from_mean_square(e->median[k] * sum / (double)p->used_frames);
    }
}

/* From the intensities to the index, and what there is to say about it. */
static lt_status evaluate(const lt_signal *s, const ltp_stipa_envelope *e, const ltp_stipa_part *part,
                          const lt_sti_options *opt, double cal_db, lt_sti_result *out, lt_error *err)
{
    double m[LT_STI_BANDS][LT_STI_MODULATIONS];
    double level_db[LT_STI_BANDS];
    lt_sti_levels levels;
    lt_sti_options used = *opt;
    unsigned jumps = 0;
    if (!transfer(e, part, 0, e->frames, m, &jumps))
        return ltp_fail(err, LT_E_SNR, "the octaves cannot be evaluated: too little signal; play it louder");
    measure_levels(e, part, level_db);
    for (size_t k = 0; k < LT_STI_BANDS; k++) { /* the noise is in m already: what was recorded counts as speech */
        levels.speech_db[k] = level_db[k] + cal_db;
        levels.noise_db[k] = -(double)INFINITY;
    }
    if (!isnan(cal_db))
        used.levels = &levels;
    lt_status status = check_transfer(m, err);
    if (status == LT_OK)
        status = lt_sti_from_mtf(m, LT_STI_STIPA, &used, out, err);
    if (status != LT_OK)
        return status;
    out->seconds = (double)s->count / s->rate_hz;
    out->used_s = (double)part->used_frames * LTP_STIPA_FRAME_S;
    out->drift_ppm = 1e6 * (1.0 / part->speed - 1.0);
    memcpy(out->level_db, level_db, sizeof level_db);
    add_notes(s, part, jumps, out);
    return compare_halves(e, part, &used, out, err);
}

lt_status lt_stipa_measure(const lt_signal *s, const lt_sti_options *opt, double cal_db, lt_sti_result *out,
                           lt_error *err)
{
    lt_signal *resampled = NULL;
    ltp_stipa_envelope *e = NULL;
    ltp_stipa_part part = {0};
    memset(out, 0, sizeof *out);
    lt_status status = check_signal(s, err);
    if (status == LT_OK && !isnan(cal_db) && (opt->levels != NULL || !isnan(opt->snr_db)))
        status = ltp_fail(err, LT_E_ARG, "a calibration and levels from elsewhere: give one of them");
    if (status == LT_OK && s->rate_hz > 1.01 * work_rate_hz)
        status = lt_resample(s, work_rate_hz, &resampled, err);
    if (status == LT_OK)
        status = ltp_stipa_envelope_create(resampled != NULL ? resampled : s, &e, err);
    if (status == LT_OK)
        status = ltp_stipa_find(e, &part, err);
    if (status == LT_OK)
        status = check_part(&part, err);
    if (status == LT_OK)
        status = evaluate(s, e, &part, opt, cal_db, out, err);
    ltp_free(part.used);
    ltp_stipa_envelope_free(e);
    lt_signal_free(resampled);
    return status;
}
