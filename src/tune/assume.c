/* SPDX-License-Identifier: MIT
 * Stated defaults for what was not measured. dB SPL, dBFS. Each one used is said so in the result. */
#include "tune/tune_internal.h"

#include <math.h>

const char *ltp_listening_name(lt_listening listening)
{
    static const char *const names[LT_LISTEN_COUNT] = {"loudspeaker", "handset", "headset"};
    return (unsigned)listening < LT_LISTEN_COUNT ? names[listening] : "unknown";
}

/* Ours: speech of -26 dBov (-23 dBFS) arrives at 67 dB from a loudspeaker, at 62 dB in an earpiece. */
double ltp_receive_default_db(lt_listening listening)
{
    return listening == LT_LISTEN_LOUDSPEAKER ? 90.0 : 85.0;
}

double ltp_coupling_default_db(lt_listening listening)
{
    switch (listening) {
    case LT_LISTEN_HANDSET:
        return -30.0;
    case LT_LISTEN_HEADSET:
        return -40.0;
    case LT_LISTEN_LOUDSPEAKER:
    case LT_LISTEN_COUNT:
        break;
    }
    return -10.0;
}

double lt_tune_counter_coupling_db(const lt_tune_lane *lane)
{
    return lt_is_known(lane->coupling_db) ? lane->coupling_db : ltp_coupling_default_db(lane->listening);
}

double ltp_bandwidth_db(size_t band)
{
    return lt_sii_band_at(LT_SII_THIRD_OCTAVE, band).bandwidth_db;
}

/* Raise or lower a spectrum to the A-weighted level wanted. */
static void scale_to(double dba, double spectrum_db[LT_SPEECH_BANDS])
{
    const double now = lt_speech_dba(spectrum_db);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        spectrum_db[i] += dba - now;
}

void ltp_road_noise(double dba, double spectrum_db[LT_SPEECH_BANDS])
{
    /* A-weighted one-third-octave levels of road traffic re their sum, 160 Hz to 5 kHz.
     * Source: EN 1793-3, normalised traffic noise spectrum (memory); 6.3 and 8 kHz continued by us. */
    static const double weighted_db[LT_SPEECH_BANDS] = {-18, -16, -15, -14, -13, -12, -11, -9,  -8,
                                                        -9,  -10, -11, -13, -15, -16, -18, -20, -22};
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_band band = lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i);
        spectrum_db[i] = weighted_db[i] - lt_weight_a_db(band.exact_hz) - ltp_bandwidth_db(i);
    }
    scale_to(dba, spectrum_db);
}

/* Room noise falls by 5 dB an octave in octave and third-octave bands, the slope of the RC curves (ANSI S12.2). */
void ltp_office_noise(double dba, double spectrum_db[LT_SPEECH_BANDS])
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_band band = lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i);
        spectrum_db[i] = -5.0 * log2(band.exact_hz / 1000.0) - ltp_bandwidth_db(i);
    }
    scale_to(dba, spectrum_db);
}

/* Equipment as it should be set up: a normal voice (62.35 dB SPL at 1 m, ANSI S3.5) gives -26 dBov on the line. */
double ltp_lane_mic_cal_default_db(double mouth_to_microphone_m)
{
    return 62.35 - 20.0 * log10(mouth_to_microphone_m) - lt_dbfs_from_dbov(-26.0);
}
