/* SPDX-License-Identifier: MIT
 * Last part of a lane: conditions, assumptions and doubts, which recordings were used, and the bands as a table. */
#include "report/html.h"

#include <math.h>
#include <string.h>

static void put_condition_text(ltp_textbuf *b, const lt_visit *visit, const char *name)
{
    for (size_t i = 0; visit != NULL && i < visit->condition_count && i < LT_CONDITIONS_MAX; i++) {
        if (strcmp(visit->conditions[i].condition, name) == 0 && visit->conditions[i].text[0] != '\0') {
            ltp_text_add(b, " (");
            ltp_text_add_escaped(b, visit->conditions[i].text);
            ltp_text_add(b, ")");
            return;
        }
    }
}

static const char *duplex_words(lt_duplex d)
{
    switch (d) {
    case LT_DUPLEX_VOICE_SWITCHED:
        return "Voice-switched";
    case LT_DUPLEX_PUSH_TO_TALK:
        return "Push-to-talk";
    case LT_DUPLEX_FULL:
    case LT_DUPLEX_COUNT:
        break;
    }
    return "Full duplex";
}

static void put_conditions(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_lane *t = v->tune;
    ltp_text_add(b, "<div><h4>Conditions</h4>\n<p>Measured: ");
    for (size_t i = 0; i < t->condition_count && i < LT_CONDITIONS_MAX; i++) {
        const char *name = t->recordings[i].name;
        ltp_text_add(b, i == 0 ? "" : "; ");
        if (name[0] == '\0')
            ltp_text_add(b, "lane empty");
        else
            ltp_text_add_escaped(b, name);
        put_condition_text(b, v->survey->visit, name);
    }
    ltp_text_add(b, t->condition_count > 1 ? ". Every figure is the worst of them" : "");
    ltp_text_format(b, ". Settings are chosen for the %s noise. %s",
                    t->noise_case == LT_NOISE_BUSY ? "busy minutes\xE2\x80\x99 (L10)" : "usual (mean)",
                    duplex_words(t->duplex));
    if (t->duplex == LT_DUPLEX_VOICE_SWITCHED) {
        ltp_text_add(b, ", ");
        ltp_put_value(b, t->switching_attenuation_db, 0, "dB");
        ltp_text_add(b, " of switching");
    }
    ltp_text_add(b, ".</p></div>\n");
}

/* ---- recordings ---- */

static void put_left_out(ltp_textbuf *b, const lt_survey_lane *lane)
{
    bool any = false;
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        if (r->usable)
            continue;
        ltp_text_add(b, any ? "" : "<div><h4>Recordings that could not be used</h4>\n<ul>\n");
        any = true;
        ltp_text_add(b, "<li>");
        ltp_text_add_escaped(b, r->file);
        for (size_t k = 0; k < r->notes.count && k < LT_NOTES_MAX; k++) {
            ltp_text_add(b, k == 0 ? ": " : "; ");
            ltp_text_add_escaped(b, r->notes.items[k].message);
        }
        ltp_text_add(b, "</li>\n");
    }
    ltp_text_add(b, any ? "</ul></div>\n" : "");
}

static void put_quality(ltp_textbuf *b, const lt_recording *r)
{
    if (r->response != NULL) {
        ltp_text_add(b, "signal to noise ");
        ltp_put_value(b, r->response->snr_db, 0, "dB");
        if (lt_is_known(r->response->drift_ppm)) {
            ltp_text_add(b, ", clock ");
            ltp_put_value(b, r->response->drift_ppm, 1, "ppm");
        }
        if (r->response->repeats > 1)
            ltp_text_format(b, ", %u sweeps", r->response->repeats);
    } else if (r->levels != NULL) {
        ltp_put_value(b, r->levels->seconds, 0, "s");
        ltp_text_add(b, ", LAeq ");
        ltp_put_value(b, r->levels->laeq_db, 1, r->path == LT_PATH_NOISE_MIC ? "dBFS(A)" : "dB(A)");
    } else if (r->talk_test != NULL) {
        ltp_put_value(b, r->talk_test->seconds, 0, "s");
        ltp_text_add(b, ", speech ");
        ltp_put_value(b, r->talk_test->level.active_level_db, 1, "dBFS");
        ltp_text_add(b, " while active, ");
        ltp_put_value(b, r->talk_test->level.activity_percent, 0, "% of the time");
    } else {
        ltp_text_add(b, "-");
    }
}

static void put_remarks(ltp_textbuf *b, const lt_notes *notes)
{
    for (size_t i = 0; i < notes->count && i < LT_NOTES_MAX; i++) {
        ltp_text_add(b, "<p>");
        ltp_text_add_escaped(b, notes->items[i].message);
        ltp_text_add(b, "</p>");
    }
}

static void put_recordings(ltp_textbuf *b, const lt_survey_lane *lane)
{
    if (lane->recording_count == 0)
        return;
    ltp_text_add(b, "<details>\n<summary>Recordings and their quality</summary>\n<table class=\"fine\">\n<thead><tr>"
                    "<th scope=\"col\">File</th><th scope=\"col\">Quality</th><th "
                    "scope=\"col\">Remarks</th></tr></thead>\n<tbody>\n");
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        ltp_text_add(b, "<tr><th scope=\"row\">");
        ltp_text_add_escaped(b, r->file);
        ltp_text_add(b, "</th><td>");
        put_quality(b, r);
        ltp_text_add(b, r->usable ? "</td><td>" : "</td><td>left out. ");
        put_remarks(b, &r->notes);
        if (r->response != NULL)
            put_remarks(b, &r->response->notes);
        if (r->levels != NULL)
            put_remarks(b, &r->levels->notes);
        if (r->talk_test != NULL)
            put_remarks(b, &r->talk_test->notes);
        ltp_text_add(b, "</td></tr>\n");
    }
    ltp_text_add(b, "</tbody></table>\n</details>\n");
}

/* ---- bands ---- */

static void put_cell(ltp_textbuf *b, double level_db)
{
    ltp_text_add(b, "<td>");
    if (lt_is_known(level_db))
        ltp_put_value(b, level_db, 0, "");
    else
        ltp_text_add(b, "-");
    ltp_text_add(b, "</td>");
}

/* Band levels of the first condition, after. */
static void put_bands(ltp_textbuf *b, const ltp_lane_view *v)
{
    if (v->result->condition_count == 0)
        return;
    const lt_tune_condition *e = &v->result->conditions[0];
    ltp_text_add(
        b,
        "<details>\n<summary>Speech and noise band by band</summary>\n<p class=\"small\">One-third octaves, dB SPL, at "
        "the recommended settings, ");
    if (e->name[0] == '\0')
        ltp_text_add(b, "lane empty");
    else
        ltp_text_add_escaped(b, e->name);
    ltp_text_add(b,
                 ".</p>\n<table class=\"fine bands\">\n<thead><tr><th scope=\"col\">Hz</th><th scope=\"col\">speech at "
                 "customer</th><th scope=\"col\">noise at customer</th><th scope=\"col\">speech at operator</th><th "
                 "scope=\"col\">noise at operator</th></tr></thead>\n<tbody>\n");
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_sii_band band = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i);
        const double noise[] = {e->lane_noise_operator_db[i] + v->inbound_after_db, e->counter_noise_db[i]};
        ltp_text_format(b, "<tr><th scope=\"row\">%d</th>", (int)lround(band.hz));
        put_cell(b, e->speech_ear_db[i] + v->outbound_after_db + band.bandwidth_db);
        put_cell(b, e->noise_ear_db[i] + band.bandwidth_db);
        put_cell(b, e->speech_operator_db[i] + v->inbound_after_db + band.bandwidth_db);
        put_cell(b, lt_db_sum(noise, 2) + band.bandwidth_db);
        ltp_text_add(b, "</tr>\n");
    }
    ltp_text_add(b, "</tbody></table>\n</details>\n");
}

size_t ltp_sentence_bytes(const ltp_lane_view *v)
{
    size_t bytes = ltp_notes_bytes(v);
    for (size_t i = 0; i < v->result->advice_count && i < LT_ADVICE_MAX; i++)
        bytes += strlen(v->result->advice[i]);
    return bytes;
}

void ltp_html_evidence(ltp_textbuf *b, const ltp_lane_view *v, size_t figures)
{
    const size_t in_last_row = ltp_sentence_bytes(v) > LTP_WORDY_BYTES ? 2 : figures % 3;
    if (in_last_row == 1) { /* room for two beside the last chart */
        ltp_text_add(b, "<div class=\"beside\">\n");
        put_conditions(b, v);
    } else { /* room for one, or for none: then the row is its own */
        put_conditions(b, v);
        ltp_text_add(b, in_last_row == 2 ? "</div>\n<div class=\"columns fineprint\">\n" : "");
    }
    ltp_html_notes(b, v);
    put_left_out(b, v->lane);
    ltp_text_add(b, in_last_row == 1 ? "</div>\n" : "");
    ltp_text_add(b, "</div>\n");
}

void ltp_html_tables(ltp_textbuf *b, const ltp_lane_view *v)
{
    put_recordings(b, v->lane);
    put_bands(b, v);
}
