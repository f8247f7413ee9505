/* SPDX-License-Identifier: MIT
 * speech_stoi_tool aligned|measure RATE REFERENCE RATE RECORDING: STOI of little-endian doubles, one value a line. */
#include <lanetune/speech.h>

#include "doubles.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int main(int argc, char **argv)
{
    if (argc != 6)
        return 2;
    lt_stoi_result *r = calloc(1, sizeof *r);
    lt_signal *x = load_doubles(strtod(argv[2], NULL), argv[3]);
    lt_signal *y = load_doubles(strtod(argv[4], NULL), argv[5]);
    lt_error err = {0};
    int failed = 2;
    if (r != NULL && x != NULL && y != NULL) {
        const lt_status status =
            strcmp(argv[1], "aligned") == 0 ? lt_stoi(x, y, r, &err) : lt_stoi_measure(x, y, r, &err);
        failed = status != LT_OK;
        if (failed)
            (void)fprintf(stderr, "%s\n", err.what);
        else
            printf("stoi %.9f\nestoi %.9f\ndelay %.6f\ndrift %.6f\nseconds %.6f\n", r->stoi, r->estoi, r->delay_ms,
                   r->drift_ppm, r->seconds);
    }
    lt_signal_free(x);
    lt_signal_free(y);
    free(r);
    return failed;
}
