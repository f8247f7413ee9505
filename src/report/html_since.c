/* SPDX-License-Identifier: MIT
 * Since the last visit: what got better and worse, in the words of somebody who owns the lanes, with the figures. */
#include "report/html.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

/* ---- words ---- */

typedef struct {
    lt_finding_code code;
    const char *worse, *better;
    bool is_fault; /* something is broken, or no longer: it is told as new or gone */
} headline;

/* clang-format off: a finding a line */
static const headline headlines[] = {
    {LT_FINDING_OUTBOUND_LEVEL, "Customers hear the operator more quietly", "Customers hear the operator more loudly",
     false},
    {LT_FINDING_OUTBOUND_TREBLE, "The operator sounds duller at the car", "The operator sounds clearer at the car",
     false},
    {LT_FINDING_OUTBOUND_BASS, "The operator sounds thinner at the car", "The operator sounds fuller at the car",
     false},
    {LT_FINDING_INBOUND_LEVEL, "The operator hears customers more quietly", "The operator hears customers more loudly",
     false},
    {LT_FINDING_INBOUND_TREBLE, "Customers sound duller to the operator", "Customers sound clearer to the operator",
     false},
    {LT_FINDING_BANDS, "Part of the sound has changed for the worse", "Part of the sound has changed for the better",
     false},
    {LT_FINDING_MICROPHONE_LEVEL, "The lane microphone sends less", "The lane microphone sends more", true},
    {LT_FINDING_MICROPHONE_TREBLE, "The lane microphone sounds duller", "The lane microphone sounds clearer", true},
    {LT_FINDING_LANE_COUPLING, "More of the lane speaker gets into the lane microphone",
     "Less of the lane speaker gets into the lane microphone", false},
    {LT_FINDING_COUNTER_COUPLING, "More of the counter speaker gets into the counter microphone",
     "Less of the counter speaker gets into the counter microphone", false},
    {LT_FINDING_POLARITY, "Two wires are swapped", "Two wires are no longer swapped", true},
    {LT_FINDING_DELAY, "The sound is longer on its way", "The sound is less long on its way", false},
    {LT_FINDING_DISTORTION, "The sound is distorted", "The sound is no longer as distorted", true},
    {LT_FINDING_HUM, "There is a hum", "There is no hum any more", true},
    {LT_FINDING_NOISE, "It is noisier", "It is quieter", false},
    {LT_FINDING_TALK_TEST, "Speech from the lane arrives more quietly", "Speech from the lane arrives more loudly",
     false},
    {LT_FINDING_MARGIN, "The intercom is closer to howling", "The intercom is further from howling", false},
    {LT_FINDING_SII, "Speech is harder to understand", "Speech is easier to understand", false},
    {LT_FINDING_ECHO, "The operator hears more of their own echo", "The operator hears less of their own echo", false},
    {LT_FINDING_SETTING_WITHOUT_EFFECT, "A knob was turned and the level did not follow", "A knob acts again", true},
};
/* clang-format on */

static const headline *headline_of(lt_finding_code code)
{
    for (size_t i = 0; i < LTP_COUNT(headlines); i++)
        if (headlines[i].code == code)
            return &headlines[i];
    return NULL;
}

/* Where the words alone leave it open. */
static const char *place_of(const lt_finding *f)
{
    static const struct {
        const char *path, *words;
    } places[] = {{"noise-ear", " in the lane"},
                  {"noise-mic", " on the line from the lane"},
                  {"noise-counter", " at the counter"},
                  {"sii-outbound", " for the customer"},
                  {"sii-inbound", " for the operator"}};
    for (size_t i = 0; i < LTP_COUNT(places); i++)
        if (strcmp(f->path, places[i].path) == 0)
            return places[i].words;
    return "";
}

static void put_headline(ltp_textbuf *b, const lt_finding *f)
{
    const headline *h = headline_of(f->code);
    const bool hum_stays = f->code == LT_FINDING_HUM && lt_is_known(f->change);
    if (hum_stays)
        ltp_text_add(b, f->kind == LT_FINDING_WORSE ? "The hum is louder" : "The hum is quieter");
    else if (h != NULL)
        ltp_text_add(b, f->kind == LT_FINDING_BETTER ? h->better : h->worse);
    ltp_text_add(b, place_of(f));
    if (!lt_is_known(f->change))
        return;
    ltp_text_add(b, ", by ");
    ltp_put_value(b, fabs(f->change), f->unit[0] == '\0' ? 2 : 1, f->unit[0] == '%' ? "percentage points" : f->unit);
}

/* New or gone for faults, worse or better for all else. A distortion or hum that was there before is no new one. */
static const char *tag_of(const lt_finding *f)
{
    const headline *h = headline_of(f->code);
    const bool better = f->kind == LT_FINDING_BETTER;
    const bool there_before = f->code == LT_FINDING_HUM && lt_is_known(f->change);
    if (h != NULL && h->is_fault && !there_before)
        return better ? "Gone" : "New";
    return better ? "Better" : "Worse";
}

/* ---- figures ---- */

typedef struct {
    const char *name, *unit;
    int decimals;
    double before, after;
    lt_finding_code code; /* the finding that says whether it moved by more than its doubt */
    const char *path;     /* of that finding; NULL: any */
} figure;

static const lt_finding *finding_of(const lt_compare_lane *l, const figure *f)
{
    for (size_t i = 0; i < l->finding_count; i++)
        if (l->findings[i].code == f->code && (f->path == NULL || strcmp(l->findings[i].path, f->path) == 0))
            return &l->findings[i];
    return NULL;
}

/* The same as the findings say: what no finding speaks of lies within the doubt of the two visits. */
static const char *judgement(const lt_compare_lane *l, const figure *f)
{
    static const double alike = 0.5; /* of the last decimal shown */
    const double change = f->after - f->before;
    const lt_finding *found = finding_of(l, f);
    const bool is_level = f->code == LT_FINDING_OUTBOUND_LEVEL || f->code == LT_FINDING_INBOUND_LEVEL;
    if (!lt_is_known(change))
        return "not known in both";
    if (fabs(change) * pow(10.0, f->decimals) < alike)
        return "as before"; /* a figure is that of one condition; a finding may be of another */
    if (found == NULL)
        return "within the doubt";
    if (is_level)
        return change > 0.0 ? "more" : "less";
    return found->kind == LT_FINDING_BETTER ? "better" : "<strong class=\"alarm\">worse</strong>";
}

static void put_figure(ltp_textbuf *b, const lt_compare_lane *l, const figure *f)
{
    if (!lt_is_known(f->before) && !lt_is_known(f->after))
        return;
    ltp_text_format(b, "<tr><th scope=\"row\">%s</th><td>", f->name);
    ltp_put_value(b, f->before, f->decimals, f->unit);
    ltp_text_add(b, "</td><td>");
    ltp_put_value(b, f->after, f->decimals, f->unit);
    ltp_text_format(b, "</td><td>%s</td></tr>\n", judgement(l, f));
}

static void put_figures(ltp_textbuf *b, const lt_compare_lane *l)
{
    const lt_tune_figures *x = &l->figures_before;
    const lt_tune_figures *y = &l->figures_after;
    const figure rows[] = {
        {"How well the customer understands, 0 to 1", "", 2, x->sii_outbound, y->sii_outbound, LT_FINDING_SII,
         "sii-outbound"},
        {"How well the operator understands, 0 to 1", "", 2, x->sii_inbound, y->sii_inbound, LT_FINDING_SII,
         "sii-inbound"},
        {"Safe distance from howling", "dB", 1, x->safe_margin_db, y->safe_margin_db, LT_FINDING_MARGIN, NULL},
        {"Speech at the car, at its loudest", "dB(A)", 1, x->ear_dba, y->ear_dba, LT_FINDING_OUTBOUND_LEVEL, NULL},
        {"Speech at the operator's ear", "dB(A)", 1, x->operator_dba, y->operator_dba, LT_FINDING_INBOUND_LEVEL, NULL},
        {"Distance of the echo below speech", "dB", 1, x->echo_telr_db, y->echo_telr_db, LT_FINDING_ECHO, NULL},
    };
    if (!l->figures_known)
        return;
    ltp_text_add(b, "<div class=\"checks\"><table>\n<thead><tr><th scope=\"col\">at the same settings</th><th "
                    "scope=\"col\">then</th><th scope=\"col\">now</th><th scope=\"col\">that is</th></tr></thead>\n"
                    "<tbody>\n");
    for (size_t i = 0; i < LTP_COUNT(rows); i++)
        put_figure(b, l, &rows[i]);
    ltp_text_add(b, "</tbody>\n</table></div>\n");
}

/* ---- findings ---- */

static bool is_told(const lt_finding *f)
{
    return headline_of(f->code) != NULL;
}

static void put_finding(ltp_textbuf *b, const lt_finding *f)
{
    ltp_text_format(b, "<li><strong%s>%s:</strong> ", f->kind == LT_FINDING_BETTER ? "" : " class=\"alarm\"",
                    tag_of(f));
    put_headline(b, f);
    if (f->condition[0] != '\0') {
        ltp_text_add(b, " (");
        ltp_text_add_escaped(b, f->condition);
        ltp_text_add(b, ")");
    }
    ltp_text_format(b, ". %s: ", f->probability >= 0.85 ? "Cause" : f->probability >= 0.6 ? "Likely" : "Possibly");
    ltp_text_add_escaped(b, f->cause);
    if (f->kind != LT_FINDING_BETTER) {
        ltp_text_add(b, " Next: ");
        ltp_text_add_escaped(b, f->next_step);
    }
    ltp_text_add(b, " <span class=\"small\">");
    ltp_text_add_escaped(b, f->evidence);
    ltp_text_add(b, "</span></li>\n");
}

static size_t put_findings(ltp_textbuf *b, const lt_compare_lane *l, bool better)
{
    size_t count = 0;
    for (size_t i = 0; i < l->finding_count; i++) {
        const lt_finding *f = &l->findings[i];
        if (!is_told(f) || (f->kind == LT_FINDING_BETTER) != better)
            continue;
        if (count++ == 0)
            ltp_text_add(b, "<ul>\n");
        put_finding(b, f);
    }
    ltp_text_add(b, count > 0 ? "</ul>\n" : "");
    return count;
}

/* Settings that were turned, what was not recorded twice. */
static void put_rest(ltp_textbuf *b, const lt_compare_lane *l)
{
    for (size_t i = 0; i < l->finding_count; i++) {
        const lt_finding *f = &l->findings[i];
        if (is_told(f) || f->code == LT_FINDING_NOTHING)
            continue;
        ltp_text_add(b, "<p class=\"small\">");
        ltp_text_add_escaped(b, f->evidence);
        ltp_text_add(b, "</p>\n");
    }
}

static void put_lane(ltp_textbuf *b, const lt_compare_lane *l)
{
    ltp_text_format(b, "<h3>Lane %u", l->lane);
    if (l->name[0] != '\0') {
        ltp_text_add(b, ", <bdi>");
        ltp_text_add_escaped(b, l->name);
        ltp_text_add(b, "</bdi>");
    }
    ltp_text_add(b, "</h3>\n");
    const size_t worse = put_findings(b, l, false);
    const size_t better = put_findings(b, l, true);
    if (worse + better == 0)
        ltp_text_add(b, "<p>Nothing has changed that these measurements can tell.</p>\n");
    put_figures(b, l);
    put_rest(b, l);
}

static void put_weather(ltp_textbuf *b, const char *weather)
{
    if (weather[0] == '\0')
        return;
    ltp_text_add(b, " (weather: <bdi>");
    ltp_text_add_escaped(b, weather);
    ltp_text_add(b, "</bdi>)");
}

void ltp_html_since(ltp_textbuf *b, const lt_report_options *opt)
{
    const lt_visit_comparison *c = opt->since;
    if (c == NULL && opt->since_missing == NULL)
        return;
    ltp_text_add(b, "<section class=\"closing since\" id=\"since\">\n<h2>Since the last visit</h2>\n");
    if (c == NULL) {
        ltp_text_add(b, "<p>The visit before this one could not be compared: ");
        ltp_text_add_escaped(b, opt->since_missing);
        ltp_text_add(b, "</p>\n</section>\n");
        return;
    }
    ltp_text_add(b, "<p>Compared with the visit of <bdi>");
    ltp_text_add_escaped(b, c->before.date);
    ltp_text_add(b, "</bdi>");
    put_weather(b, c->weather_before);
    ltp_text_add(b,
                 ". What was turned on purpose is taken out: all figures are for the same settings. Within the doubt: "
                 "the difference may be that of traffic, of the talker or of where the microphone stood.</p>\n");
    for (size_t i = 0; i < c->lane_count; i++)
        put_lane(b, &c->lanes[i]);
    for (size_t i = 0; i < c->notes.count; i++) {
        ltp_text_add(b, "<p class=\"small\">");
        ltp_text_add_escaped(b, c->notes.items[i].message);
        ltp_text_add(b, "</p>\n");
    }
    ltp_text_add(b, "</section>\n");
}
