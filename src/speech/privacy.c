/* SPDX-License-Identifier: MIT
 * Speech privacy in the terms of ASTM E1130: articulation index at somebody who should not understand, and what is left
 * of it, the privacy index. */
#include "base/alloc.h"
#include "speech/sii_tables.h"

#include <math.h>
#include <string.h>

/* Articulation index, ANSI S3.5-1969: one-third octaves 200 Hz to 5 kHz, weight of a band per dB. Confidence: memory;
 * 300 times their sum is the 9.96 of the articulation class (ASTM E1110), which takes its weights from here. */
enum { FIRST = 1 /* 200 Hz among the thirds from 160 Hz */, BANDS = 15 };
static const double weights[BANDS] = {0.0004, 0.0010, 0.0010, 0.0014, 0.0014, 0.0020, 0.0020, 0.0024,
                                      0.0030, 0.0037, 0.0037, 0.0034, 0.0034, 0.0024, 0.0020};
static const double peaks_db = 12.0; /* of speech over its mean level */
static const double range_db = 30.0;

/* Customary classes; memory. */
static const struct {
    double from_percent;
    const char *word;
} classes[] = {{95.0, "confidential"}, {LT_PRIVACY_NORMAL_PERCENT, "normal"}, {60.0, "marginal"}, {-1.0, "none"}};

lt_status lt_privacy_measure(const double speech_db[LT_SPEECH_BANDS], const double noise_db[LT_SPEECH_BANDS],
                             lt_privacy *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    for (size_t i = 0; i < BANDS; i++) {
        const double speech = speech_db[FIRST + i];
        const double noise = noise_db[FIRST + i];
        if (!(speech <= 1000.0) || !(noise <= 1000.0))
            return ltp_fail(err, LT_E_ARG, "speech %g dB, noise %g dB at %g Hz: must be levels below 1000 dB", speech,
                            noise, ltp_sii_third[FIRST + i].centre_hz);
        const double heard = isinf(speech) ? 0.0 : isinf(noise) ? range_db : speech + peaks_db - noise;
        out->articulation_index += weights[i] * fmin(range_db, fmax(0.0, heard));
    }
    out->articulation_index = fmin(1.0, out->articulation_index);
    out->privacy_percent = 100.0 * (1.0 - out->articulation_index);
    size_t k = 0;
    while (!(out->privacy_percent >= classes[k].from_percent))
        k++;
    out->word = classes[k].word;
    return LT_OK;
}
