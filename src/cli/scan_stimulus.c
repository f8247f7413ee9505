/* SPDX-License-Identifier: MIT
 * What a recording tells only with the sweep that was played: rattle and rub, polarity, and which channel comes first.
 */
#include "scan.h"

#include "base/alloc.h"

#include <math.h>

enum { CHANNELS = 2 }; /* sent and returned */
static const double early_ms = 0.4;
static const double grave_db = -40.0;
static const double trusted_snr_db = 15.0;

static void say_irregular(const lt_irregular *i, unsigned channel, lt_faults *out)
{
    const lt_severity severity = i->level_db > grave_db ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING;
    if (i->synchronous)
        lt_faults_add(
            out, LT_FAULT_RUB, severity, channel, i->at_s,
            "a scratch once every period while the sweep passes %.0f to %.0f Hz, worst at %.0f Hz: %.0f dB re "
            "the tone, %.0f dB over the noise: likely a voice coil that rubs, a torn surround, or a wire that "
            "touches the cone; replace the speaker",
            i->from_hz, i->to_hz, i->worst_hz, i->level_db, i->over_noise_db);
    else
        lt_faults_add(
            out, LT_FAULT_RATTLE, severity, channel, i->at_s,
            "irregular noise while the sweep passes %.0f to %.0f Hz, worst at %.0f Hz: %.0f dB re the tone, %.0f "
            "dB over the noise: likely a loose screw, grille, panel or gasket in the post; press on the parts "
            "while a tone of %.0f Hz plays",
            i->from_hz, i->to_hz, i->worst_hz, i->level_db, i->over_noise_db, i->worst_hz);
}

static lt_status look_at(const char *path, unsigned channel, const lt_signal *stimulus, lt_scanned *out,
                         double *delay_ms, lt_error *err)
{
    lt_signal *recording = NULL;
    lt_response *response = NULL;
    lt_irregular irregular;
    lt_status status = lt_audio_load(path, channel, &recording, NULL, err);
    if (status == LT_OK) {
        const lt_signal *const list[] = {recording};
        status = lt_response_measure(list, &path, 1, stimulus, NULL, &response, err);
    }
    if (status == LT_OK) {
        *delay_ms = response->delay_ms;
        if (response->polarity < 0 && response->snr_db > trusted_snr_db)
            lt_faults_add(&out->faults, LT_FAULT_POLARITY, LT_SEVERITY_WARNING, channel + 1, NAN,
                          "the sweep comes back reversed (first swing negative, %.0f dB above the noise): likely two "
                          "wires exchanged at the speaker, the microphone or a plug",
                          response->snr_db);
        status = lt_irregular_find(recording, stimulus, response, &irregular, err);
        if (status == LT_OK && irregular.found)
            say_irregular(&irregular, channel + 1, &out->faults);
    }
    lt_response_free(response);
    lt_signal_free(recording);
    return status;
}

lt_status scan_with_stimulus(const char *path, const lt_signal *stimulus, lt_scanned *out, lt_error *err)
{
    double delay_ms[CHANNELS] = {NAN, NAN};
    lt_status status = LT_OK;
    for (unsigned c = 0; c < out->info.channels && c < CHANNELS; c++) {
        lt_error other = {0};
        const lt_status st = look_at(path, c, stimulus, out, &delay_ms[c], c == 0 ? err : &other);
        status = c == 0 ? st : status; /* the second channel need not hold the sweep */
    }
    if (delay_ms[0] - delay_ms[1] > early_ms)
        lt_faults_add(
            &out->faults, LT_FAULT_SWAPPED_CHANNELS, LT_SEVERITY_WARNING, 0, NAN,
            "the sweep reaches channel 2 %.1f ms before channel 1: what was sent is meant to be channel 1 and "
            "what returned channel 2; likely two cables exchanged at the recorder",
            delay_ms[0] - delay_ms[1]);
    return status;
}
