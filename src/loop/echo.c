/* SPDX-License-Identifier: MIT
 * Echo loss (ITU-T G.122) and the echo-weighted value of talker echo (ITU-T G.131). dB. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>

static const double from_hz = 300.0;
static const double to_hz = 3400.0;
static const double finest_bin_hz = 2.0; /* widest bin allowed: the trapezoids follow a resonance */

static size_t fft_size(const lt_ir *path)
{
    const size_t padded = 4 * path->count;
    const size_t fine = (size_t)ceil(path->rate_hz / finest_bin_hz);
    return lt_rfft_good_size(padded > fine ? padded : fine);
}

/* Sum of (A_i + A_(i-1)) (lg f_i - lg f_(i-1)) over the band: both ends exact, the bins between. */
static double trapezoids(const lt_ir *path, const lt_complex *spectrum, size_t n_fft, double low_hz, double high_hz)
{
    const double bin_hz = path->rate_hz / (double)n_fft;
    double lg = log10(low_hz);
    double power = lt_complex_power(lt_ir_at(path, low_hz));
    double sum = 0.0;
    for (size_t k = (size_t)floor(low_hz / bin_hz) + 1; (double)k * bin_hz < high_hz && k <= n_fft / 2; k++) {
        const double next_lg = log10((double)k * bin_hz);
        const double next_power = lt_complex_power(spectrum[k]);
        sum += (power + next_power) * (next_lg - lg);
        lg = next_lg;
        power = next_power;
    }
    return sum + (power + lt_complex_power(lt_ir_at(path, high_hz))) * (log10(high_hz) - lg);
}

lt_status ltp_echo_loss_between(const lt_ir *path, double low_hz, double high_hz, double *echo_loss_db, lt_error *err)
{
    *echo_loss_db = NAN;
    const size_t n_fft = fft_size(path);
    lt_complex *spectrum = ltp_alloc(n_fft / 2 + 1, sizeof *spectrum);
    if (spectrum == NULL)
        return ltp_fail_nomem(err, "an echo loss");
    const lt_status st = lt_ir_spectrum(path, n_fft, spectrum, err);
    if (st == LT_OK) {
        const double sum = trapezoids(path, spectrum, n_fft, low_hz, high_hz);
        *echo_loss_db = lt_db_from_power(2.0 * log10(high_hz / low_hz)) - lt_db_from_power(sum);
    }
    ltp_free(spectrum);
    return st;
}

lt_status lt_echo_loss(const lt_ir *path, double *echo_loss_db, lt_error *err)
{
    *echo_loss_db = NAN;
    if (path->count == 0 || !(path->rate_hz > 0.0))
        return ltp_fail(err, LT_E_ARG, "the echo path's impulse response is empty: measure it again");
    if (!(path->from_hz <= from_hz * 1.001 && path->to_hz >= to_hz * 0.999 && path->rate_hz / 2.0 >= to_hz))
        return LT_OK; /* the band is not covered: not known */
    return ltp_echo_loss_between(path, from_hz, to_hz, echo_loss_db, err);
}

double lt_talker_echo_weighted_db(double telr_db, double one_way_ms)
{
    const double t = fmax(one_way_ms, 0.0);
    return telr_db - 40.0 * log10((1.0 + t / 10.0) / (1.0 + t / 150.0)) + 6.0 * exp(-0.3 * t * t);
}
