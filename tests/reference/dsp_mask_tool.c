/* SPDX-License-Identifier: MIT
 * Prints the relative attenuation of every filter of the bank: kind, band Hz, frequency over mid-band, dB. For the
 * figure in docs/filter-mask.svg. Usage: reference_dsp_mask_tool RATE */
#include "dsp/bank.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    enum { STEPS = 200 };
    const double rate_hz = argc > 1 ? strtod(argv[1], NULL) : 48000.0;
    const lt_bank_bands bands = {
        .first = -16, .last = LT_THIRD_16_KHZ, .octaves = true, .octave_first = -5, .octave_last = 4};
    lt_bank *bank = NULL;
    lt_error err = {0};
    if (lt_bank_create_bands(rate_hz, &bands, &bank, &err) != LT_OK) {
        (void)fprintf(stderr, "%s\n", err.what);
        return 1;
    }
    for (size_t i = 0; i < lt_bank_band_count(bank); i++) {
        const lt_band b = lt_bank_band(bank, i);
        for (int k = 0; k <= STEPS; k++) {
            const double u = -1.0 + 2.0 * k / STEPS;
            const double ratio = pow(10.0, u * fabs(u)); /* closer together in the pass band */
            if (ratio * b.exact_hz < 0.5 * rate_hz)
                printf("%s %g %.6f %.4f\n", i < lt_bank_third_count(bank) ? "third_octave" : "octave", b.nominal_hz,
                       ratio, -lt_db_from_power(ltp_bank_power(bank, i, ratio * b.exact_hz)));
        }
    }
    lt_bank_free(bank);
    return 0;
}
