/* SPDX-License-Identifier: MIT
 * Lets dsp_scipy.py call the library: raw doubles in on standard input, raw doubles out on standard output.
 *   resample IN_HZ OUT_HZ | bank RATE_HZ (per-band mean square of the whole) | peaking HZ Q DB RATE_HZ */
#include <lanetune/dsp.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static lt_signal *read_all(double rate_hz)
{
    enum { MOST = 1 << 24 };
    double *x = malloc(MOST * sizeof *x);
    const size_t count = x == NULL ? 0 : fread(x, sizeof *x, MOST, stdin);
    lt_signal *s = NULL;
    if (lt_signal_create(count, rate_hz, &s, NULL) == LT_OK && count > 0)
        memcpy(s->samples, x, count * sizeof *x);
    free(x);
    return s;
}

static int put(const double *x, size_t count)
{
    return fwrite(x, sizeof *x, count, stdout) == count ? 0 : 1;
}

static int resample(double in_hz, double out_hz)
{
    lt_signal *in = read_all(in_hz);
    lt_signal *out = NULL;
    if (in == NULL || lt_resample(in, out_hz, &out, NULL) != LT_OK)
        return 1;
    const int rc = put(out->samples, out->count);
    lt_signal_free(in);
    lt_signal_free(out);
    return rc;
}

static int bank(double rate_hz)
{
    lt_signal *in = read_all(rate_hz);
    lt_bank *b = NULL;
    if (in == NULL || lt_bank_create(rate_hz, LT_THIRD_FIRST, LT_THIRD_LAST, &b, NULL) != LT_OK)
        return 1;
    double hop[LT_THIRDS];
    double sum[LT_THIRDS] = {0};
    const size_t frames = lt_bank_hop_frames(b);
    for (size_t i = 0; i + frames <= in->count; i += frames) {
        lt_bank_hop(b, in->samples + i, hop);
        for (size_t k = 0; k < lt_bank_band_count(b); k++)
            sum[k] += hop[k] * (double)frames / (double)in->count;
    }
    const int rc = put(sum, lt_bank_band_count(b));
    lt_bank_free(b);
    lt_signal_free(in);
    return rc;
}

static int peaking(double hz, double q, double db, double rate_hz)
{
    lt_signal *in = read_all(rate_hz);
    if (in == NULL)
        return 1;
    const lt_biquad b = lt_biquad_peaking(hz, q, db, rate_hz);
    lt_biquad_state s = {0};
    lt_biquad_run(&b, &s, in->samples, in->samples, in->count);
    const int rc = put(in->samples, in->count);
    lt_signal_free(in);
    return rc;
}

int main(int argc, char **argv)
{
    double v[4] = {0};
    for (int i = 2; i < argc && i < 6; i++)
        v[i - 2] = strtod(argv[i], NULL);
    if (argc == 4 && strcmp(argv[1], "resample") == 0)
        return resample(v[0], v[1]);
    if (argc == 3 && strcmp(argv[1], "bank") == 0)
        return bank(v[0]);
    if (argc == 6 && strcmp(argv[1], "peaking") == 0)
        return peaking(v[0], v[1], v[2], v[3]);
    return 2;
}
