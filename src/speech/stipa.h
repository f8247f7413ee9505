/* SPDX-License-Identifier: MIT
 * STIPA measurement: intensities of the octaves over time, and what of a recording can be evaluated. Frames of 10 ms.
 */
#ifndef LTP_SPEECH_STIPA_H
#define LTP_SPEECH_STIPA_H

#include <lanetune/speech.h>

#define LTP_STIPA_FRAME_S 0.01
enum { LTP_STIPA_LINES = LT_STI_BANDS * LT_STIPA_MODULATIONS };

/** Mean intensity of each octave in each frame, over that of the band's median second. */
typedef struct {
    double *u[LT_STI_BANDS]; /* [frames] */
    double median[LT_STI_BANDS];
    size_t frames;
} ltp_stipa_envelope;
LT_NODISCARD lt_status ltp_stipa_envelope_create(const lt_signal *s, ltp_stipa_envelope **out, lt_error *err);
void ltp_stipa_envelope_free(ltp_stipa_envelope *e);

/** Least squares of mean + two sinusoids over frames [from, to) of which used (NULL = all) says true. */
typedef struct {
    double mean;
    lt_complex line[LT_STIPA_MODULATIONS]; /* amplitudes */
    double noise[LT_STIPA_MODULATIONS];    /* squared amplitude that the band's own fluctuation gives a line */
} ltp_stipa_fit;
/** speed: of the modulation, recorded over nominal. with_noise: fill noise too. false: too few frames. */
bool ltp_stipa_fit_band(const ltp_stipa_envelope *e, size_t band, double speed, size_t from, size_t to,
                        const bool *used, bool with_noise, ltp_stipa_fit *out);

/** What of the recording is STIPA and not spoiled. */
typedef struct {
    bool *used;         /* [frames], owned */
    size_t used_frames; /* how many */
    double speed;       /* modulation frequency, recorded over nominal */
    double certainty;   /* mean power of the lines over that of their surroundings; 1 = nothing */
    double spoiled_s;   /* left out between the first and the last used frame */
    bool jumped;        /* time jumps: samples were lost or repeated */
} ltp_stipa_part;
LT_NODISCARD lt_status ltp_stipa_find(const ltp_stipa_envelope *e, ltp_stipa_part *out, lt_error *err);

#endif
