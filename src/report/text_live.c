/* SPDX-License-Identifier: MIT
 * Text of what was measured live: verdict first, then what to do where it is poor. */
#include "report/text_build.h"

#include <math.h>

static void advice(ltp_textbuf *b, lt_quality q, double hz)
{
    if (q == LT_QUALITY_GOOD)
        return;
    ltp_text_add(b, "\n");
    ltp_text_format(b, "%s around %d Hz. What helps:\n", q == LT_QUALITY_FAIR ? "The noise is near" : "Too much noise",
                    (int)lround(hz));
    ltp_text_wrap(b, "  - ", "wait for a quiet moment, close doors, stop engines and fans, and measure again");
    ltp_text_wrap(b, "  - ", "more sweeps or longer ones (--sweeps, --seconds); a higher --level if ears allow it");
    ltp_text_wrap(b, "  - ",
                  "look whether microphone and plugs are where they belong; below 200 Hz and above 5 kHz a "
                  "small speaker gives little, and that is no fault of the measurement");
}

static void band_cells(ltp_textbuf *b, const lt_response_band *band)
{
    ltp_text_column(b, band->band.nominal_hz, 0, 9);
    ltp_text_column(b, band->level_db, 1, 10);
    ltp_text_column(b, band->snr_db, 1, 10);
    ltp_text_format(b, "  %s", lt_quality_name(lt_quality_of(band->snr_db)));
}

static void response(ltp_textbuf *b, const lt_response *r, bool apart)
{
    double hz = 0.0;
    const lt_quality q = lt_quality_of_response(r, &hz);
    ltp_text_row(b, "direct arrival", apart ? (double)NAN : r->delay_ms, 3, "ms");
    if (apart)
        ltp_text_row(b, "clock drift", r->drift_ppm, 1, "ppm between both devices, taken off");
    static const char head[] = "  band Hz  level dB    SNR dB      ";
    const size_t rows = (r->band_count + 1) / 2; /* two halves side by side: the verdict stays on the screen */
    ltp_text_format(b, "\n%s   %.29s\n", head, head);
    for (size_t i = 0; i < rows; i++) {
        band_cells(b, &r->bands[i]);
        if (i + rows < r->band_count) {
            ltp_text_add(b, "   ");
            band_cells(b, &r->bands[i + rows]);
        }
        ltp_text_add(b, "\n");
    }
    advice(b, q, lt_is_known(hz) ? hz : 1000.0);
}

static void headline(ltp_textbuf *b, const lt_measured *m)
{
    double hz = 0.0;
    ltp_text_format(b, "%s%s%s of %s %u", m->path, m->condition[0] != '\0' ? ", " : "", m->condition,
                    m->lane > 0 ? "lane" : "counter", m->lane > 0 ? m->lane : m->counter);
    if (m->response != NULL)
        ltp_text_format(b, ": %s\n\n", lt_quality_name(lt_quality_of_response(m->response, &hz)));
    else
        ltp_text_add(b, " recorded\n\n");
}

lt_status lt_text_measure(const lt_measured *m, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    headline(&b, m);
    ltp_text_add(&b, "  file            ");
    ltp_text_name(&b, m->file, 60);
    ltp_text_add(&b, "\n");
    ltp_text_row(&b, "length", m->seconds, 1, "s");
    ltp_text_row(&b, "sample rate", m->rate_hz, 0, "Hz");
    if (m->sweeps > 0) {
        ltp_text_row(&b, "played at", m->level_dbfs, 1, "dBFS peak");
        ltp_text_format(&b, "  sweeps          %9u of ", m->sweeps);
        ltp_text_number(&b, m->sweep_s, 1);
        ltp_text_add(&b, " s\n");
    }
    if (m->response != NULL)
        response(&b, m->response, m->used->apart);
    if (m->levels != NULL)
        ltp_text_row(&b, "LAeq", m->levels->laeq_db, 1, m->calibrated ? "dB(A)" : "dBFS, A-weighted");
    if (m->talk_test != NULL)
        ltp_text_row(&b, "speech", m->talk_test->level.active_level_db, 1, "dBFS, active level");
    if (m->notes->count > 0)
        ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Note: ", m->notes);
    return ltp_text_take(&b, out, err);
}

lt_status lt_text_calibrate(const lt_calibration *c, unsigned tries, char **out, lt_error *err)
{
    const bool loopback = c->method == LT_CALIBRATED_LOOPBACK;
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, loopback ? "loopback_db " : "mic_cal_db ");
    ltp_text_number(&b, c->result_db, 2);
    ltp_text_add(&b, ", written to visit.yaml\n\n");
    ltp_text_add(&b, "  device          ");
    ltp_text_name(&b, c->device, 60);
    ltp_text_format(&b, "\n  input           %9u\n", c->channel);
    ltp_text_row(&b, "sample rate", c->rate_hz, 0, "Hz");
    ltp_text_row(&b, loopback ? "played at" : "level", c->level_db, 1, loopback ? "dBFS peak" : "dB SPL");
    if (loopback)
        ltp_text_row(&b, "round trip", c->latency_ms, 3, "ms");
    ltp_text_format(&b, "  takes           %9u\n", tries);
    ltp_text_wrap(&b, "",
                  loopback ? "Leave the gain knobs of the interface as they are now."
                           : "Leave the input gain of the microphone as it is now.");
    return ltp_text_take(&b, out, err);
}
