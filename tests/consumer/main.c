/* SPDX-License-Identifier: MIT
 * A program outside the project that uses the installed library: a sweep, its impulse response, the SII. */
#include <lanetune/lanetune.h>
#include <stdio.h>

int main(void)
{
    lt_sweep_options opt = lt_sweep_default_options();
    opt.seconds = 1.0;
    lt_signal *sweep = NULL;
    lt_response *response = NULL;
    lt_error err = {0};
    if (lt_sweep_create(&opt, &sweep, &err) == LT_OK) {
        const lt_signal *recording = sweep;
        if (lt_response_measure(&recording, NULL, 1, sweep, NULL, &response, &err) == LT_OK)
            printf("1 kHz: %.3f dB\n", lt_response_band_level(response, 0));
    }
    if (response == NULL)
        fprintf(stderr, "%s\n", err.what);
    const int failed = response == NULL || !(lt_response_band_level(response, 0) < 0.05) ||
                       !(lt_response_band_level(response, 0) > -0.05);
    lt_response_free(response);
    lt_signal_free(sweep);
    return failed;
}
