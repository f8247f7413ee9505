/* SPDX-License-Identifier: MIT
 * Since the last visit: what got better and worse, in the words of somebody who owns the lanes, with the figures. */
#include "report/html.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

/* ---- words ---- */

/* How a change is told: as worse or better; as a fault that is new or gone; or neither, where only a change is known.
 */
typedef enum { DEGREE, FAULT, CHANGE } manner;
typedef struct {
    lt_finding_code code;
    const char *worse, *better;
    manner manner;
} headline;

/* clang-format off: a finding a line */
static const headline headlines[] = {
    {LT_FINDING_OUTBOUND_LEVEL, "Customers hear the operator more quietly", "Customers hear the operator more loudly",
     DEGREE},
    {LT_FINDING_OUTBOUND_TREBLE, "The operator sounds duller at the car", "The operator sounds clearer at the car",
     DEGREE},
    {LT_FINDING_OUTBOUND_BASS, "The operator sounds thinner at the car", "The operator sounds fuller at the car",
     DEGREE},
    {LT_FINDING_INBOUND_LEVEL, "The operator hears customers more quietly", "The operator hears customers more loudly",
     DEGREE},
    {LT_FINDING_INBOUND_TREBLE, "Customers sound duller to the operator", "Customers sound clearer to the operator",
     DEGREE},
    {LT_FINDING_BANDS, "Part of the sound has changed for the worse", "Part of the sound has changed for the better",
     DEGREE},
    {LT_FINDING_MICROPHONE_LEVEL, "The lane microphone sends less", "The lane microphone sends more", DEGREE},
    {LT_FINDING_MICROPHONE_TREBLE, "The lane microphone sounds duller", "The lane microphone sounds clearer", DEGREE},
    {LT_FINDING_LANE_COUPLING, "More of the lane speaker gets into the lane microphone",
     "Less of the lane speaker gets into the lane microphone", DEGREE},
    {LT_FINDING_COUNTER_COUPLING, "More of the counter speaker gets into the counter microphone",
     "Less of the counter speaker gets into the counter microphone", DEGREE},
    {LT_FINDING_POLARITY, "The polarity is not what it was", "The polarity is not what it was", CHANGE},
    {LT_FINDING_DELAY, "The sound is longer on its way", "The sound is less long on its way", DEGREE},
    {LT_FINDING_DISTORTION, "The sound is more distorted", "The sound is less distorted", DEGREE},
    {LT_FINDING_HUM, "There is a hum", "There is no hum any more", FAULT},
    {LT_FINDING_NOISE, "It is noisier", "It is quieter", DEGREE},
    {LT_FINDING_TALK_TEST, "Speech from the lane arrives more quietly", "Speech from the lane arrives more loudly",
     DEGREE},
    {LT_FINDING_MARGIN, "The intercom is closer to howling", "The intercom is further from howling", DEGREE},
    {LT_FINDING_SII, "Speech is harder to understand", "Speech is easier to understand", DEGREE},
    {LT_FINDING_ECHO, "The operator hears more of their own echo", "The operator hears less of their own echo", DEGREE},
    {LT_FINDING_SETTING_WITHOUT_EFFECT, "A knob was turned and the level did not follow", "A knob acts again", DEGREE},
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
    const struct {
        const char *path, *words;
    } places[] = {{lt_path_name(LT_PATH_NOISE_EAR), " in the lane"},
                  {lt_path_name(LT_PATH_NOISE_MIC), " on the line from the lane"},
                  {lt_path_name(LT_PATH_NOISE_COUNTER), " at the counter"},
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

/* A hum that was there before is no new one. */
static const char *tag_of(const lt_finding *f)
{
    const headline *h = headline_of(f->code);
    const bool better = f->kind == LT_FINDING_BETTER;
    const bool there_before = lt_is_known(f->change);
    if (h != NULL && h->manner == CHANGE)
        return "Changed";
    if (h != NULL && h->manner == FAULT && !there_before)
        return better ? "Gone" : "New";
    return better ? "Better" : "Worse";
}

/* ---- figures ---- */

typedef struct {
    const char *name, *unit;
    int decimals;
    double before, after;
    const lt_finding_code *codes; /* the findings that say whether it moved by more than its doubt */
    size_t code_count;
    const char *path; /* of that finding; NULL: any */
    bool is_level;    /* neither way is better */
} figure;

static const lt_finding *finding_of(const lt_compare_lane *l, const figure *f)
{
    for (size_t i = 0; i < l->finding_count; i++)
        for (size_t k = 0; k < f->code_count; k++)
            if (l->findings[i].code == f->codes[k] && (f->path == NULL || strcmp(l->findings[i].path, f->path) == 0))
                return &l->findings[i];
    return NULL;
}

/* The same as the findings say: what no finding speaks of lies within the doubt of the two visits. */
static const char *judgement(const lt_compare_lane *l, const figure *f)
{
    static const double alike = 0.5; /* of the last decimal shown */
    const double change = f->after - f->before;
    const lt_finding *found = finding_of(l, f);
    if (!lt_is_known(change))
        return "not known in both";
    if (fabs(change) * pow(10.0, f->decimals) < alike)
        return "as before"; /* a figure is that of one condition; a finding may be of another */
    if (found == NULL)
        return "within the doubt";
    if (f->is_level)
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
    static const lt_finding_code sii[] = {LT_FINDING_SII}, margin[] = {LT_FINDING_MARGIN}, echo[] = {LT_FINDING_ECHO};
    static const lt_finding_code at_car[] = {LT_FINDING_OUTBOUND_LEVEL, LT_FINDING_OUTBOUND_TREBLE,
                                             LT_FINDING_OUTBOUND_BASS, LT_FINDING_BANDS};
    static const lt_finding_code at_operator[] = {LT_FINDING_INBOUND_LEVEL,    LT_FINDING_INBOUND_TREBLE,
                                                  LT_FINDING_MICROPHONE_LEVEL, LT_FINDING_MICROPHONE_TREBLE,
                                                  LT_FINDING_TALK_TEST,        LT_FINDING_BANDS};
    const figure rows[] = {
        {"How well the customer understands, 0 to 1", "", 2, x->sii_outbound, y->sii_outbound, sii, LTP_COUNT(sii),
         "sii-outbound", false},
        {"How well the operator understands, 0 to 1", "", 2, x->sii_inbound, y->sii_inbound, sii, LTP_COUNT(sii),
         "sii-inbound", false},
        {"Safe distance from howling", "dB", 1, x->safe_margin_db, y->safe_margin_db, margin, LTP_COUNT(margin), NULL,
         false},
        {"Speech at the car, at its loudest", "dB(A)", 1, x->ear_dba, y->ear_dba, at_car, LTP_COUNT(at_car), NULL,
         true},
        {"Speech at the operator's ear", "dB(A)", 1, x->operator_dba, y->operator_dba, at_operator,
         LTP_COUNT(at_operator), NULL, true},
        {"Distance of the echo below speech", "dB", 1, x->echo_telr_db, y->echo_telr_db, echo, LTP_COUNT(echo), NULL,
         false},
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
