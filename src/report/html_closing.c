/* SPDX-License-Identifier: MIT
 * End of the page: calibration, how it was measured, cautions, units, standards. */
#include "report/html.h"

#include <math.h>

static void put_calibration(ltp_textbuf *b, const lt_survey *s)
{
    const lt_visit *visit = s->visit;
    ltp_text_add(b, "<div><h3>Calibration</h3>\n<ul>\n<li>Measurement microphone: full scale reads ");
    ltp_put_value(b, visit->mic_cal_db, 1, "dB SPL");
    ltp_text_add(b, lt_is_known(visit->mic_cal_db) ? ".</li>\n" : "; sound levels cannot be told without it.</li>\n");
    ltp_text_add(b, "<li>Line: a full-scale signal played into the line input reads ");
    ltp_put_value(b, visit->loopback_db, 1, "dBFS");
    ltp_text_add(b, ".</li>\n");
    if (lt_is_known(visit->lane_mic_cal_db)) {
        ltp_text_add(b, "<li>Lane microphone: ");
        ltp_put_value(b, visit->lane_mic_cal_db, 1, "dB SPL");
        ltp_text_add(b, " at it makes full scale on the inbound line.</li>\n");
    }
    if (s->site != NULL && lt_is_known(s->site->temperature_c)) {
        ltp_text_add(b, "<li>Air at ");
        ltp_put_value(b, s->site->temperature_c, 0, "\xC2\xB0\x43");
        ltp_text_add(b, ": sound travels ");
        ltp_put_value(b, lt_speed_of_sound_m_s(s->site->temperature_c), 0, "metres a second");
        ltp_text_add(b, ".</li>\n");
    }
    ltp_text_add(b, "</ul></div>\n");
}

static const lt_recording *first_sweep(const lt_survey *s)
{
    for (size_t l = 0; l < s->lane_count; l++)
        for (size_t i = 0; i < s->lanes[l].recording_count; i++)
            if (s->lanes[l].recordings[i].response != NULL)
                return &s->lanes[l].recordings[i];
    return NULL;
}

static void put_method(ltp_textbuf *b, const lt_survey *s)
{
    const lt_recording *sweep = first_sweep(s);
    ltp_text_add(b, "<div><h3>How it was measured</h3>\n<p>A test signal");
    if (sweep != NULL && lt_is_known(sweep->response->from_hz) && lt_is_known(sweep->response->to_hz)) {
        ltp_text_add(b, " from ");
        ltp_put_value(b, sweep->response->from_hz, 0, "Hz");
        ltp_text_add(b, " to ");
        ltp_put_value(b, sweep->response->to_hz / 1000.0, 1, "kHz");
    }
    ltp_text_add(
        b, " was played through each path and recorded; from it come the response, the echoes and the gain around the "
           "loop. Noise was recorded at the car window and at the counter. From these the program computed, for every "
           "setting that the equipment offers, how well speech is understood and how close the loop is to howling, and "
           "chose the best setting that keeps all limits. A margin called safe holds for any phase, so that no car and "
           "no weather can undercut it.</p></div>\n");
}

static void put_cautions(ltp_textbuf *b)
{
    ltp_text_add(
        b, "<div class=\"cautions\"><h3>Before anybody works at the lane</h3>\n<ul>\n"
           "<li>Stop traffic in the lane and mark it; stay in sight of drivers.</li>\n"
           "<li>Wear hearing protection near the lane speaker while test signals play; take headsets off first.</li>\n"
           "<li>Change one setting at a time, quieter first, and listen for ringing.</li>\n"
           "<li>Mains wiring is for licensed people only.</li>\n"
           "<li>Noise at the property line follows the local code; the figure here is an estimate for free field and "
           "replaces no measurement that the code asks for.</li>\n"
           "</ul></div>\n");
}

static void put_units(ltp_textbuf *b)
{
    ltp_text_add(
        b,
        "<div><h3>Units and standards</h3>\n<ul>\n"
        "<li>Settings: dB re the dial\xE2\x80\x99s own zero; only differences count.</li>\n"
        "<li>SII: Speech Intelligibility Index, 0 to 1, one-third-octave procedure of ANSI S3.5-1997; good from 0.75, "
        "poor below 0.45.</li>\n"
        "<li>dB(A), LAeq, L10, L50, L90: sound level re 20 \xC2\xB5Pa, IEC 61672-1; bands after IEC 61260-1.</li>\n"
        "<li>Level of speech: ITU-T P.56. Echo: ITU-T G.122 and G.131.</li>\n"
        "<li>dBFS: re the level of a full-scale sine (AES17). Sweeps after ISO 18233, sound speed after "
        "ISO 9613-1.</li>\n"
        "</ul></div>\n");
}

static void put_visit_notes(ltp_textbuf *b, const lt_visit *visit)
{
    if (visit->notes[0] == '\0')
        return;
    ltp_text_add(b, "<div><h3>Notes of the visit</h3>\n<p>");
    ltp_text_add_escaped(b, visit->notes);
    ltp_text_add(b, "</p></div>\n");
}

void ltp_html_closing(ltp_textbuf *b, const lt_survey *s, const lt_report_options *opt)
{
    ltp_text_add(
        b,
        "<section class=\"closing\" id=\"about\">\n<h2>About these figures</h2>\n<div class=\"columns fineprint\">\n");
    put_cautions(b);
    if (s->visit != NULL)
        put_calibration(b, s);
    put_method(b, s);
    put_units(b);
    if (s->visit != NULL)
        put_visit_notes(b, s->visit);
    ltp_text_add(b, "</div>\n<p class=\"small\">Made with lanetune");
    if (opt->version != NULL) {
        ltp_text_add(b, " ");
        ltp_text_add_escaped(b, opt->version);
    }
    ltp_text_add(b, ".</p>\n</section>\n");
}
