/* SPDX-License-Identifier: MIT
 * Speech against noise in one-third octaves, before and after, with the part that is heard. Band levels, dB SPL. */
#include "report/chart.h"

#include <math.h>

/* One direction in the condition in which it is understood worst. */
typedef struct {
    double before_db[LT_SPEECH_BANDS], after_db[LT_SPEECH_BANDS], noise_db[LT_SPEECH_BANDS];
    double disturbance_db[LT_SPEECH_BANDS]; /* what hides speech: noise, masking, threshold; NaN: cannot be told */
    const char *condition;
    double sii;
} picture;

static void take_direction(const ltp_lane_view *v, const lt_tune_condition *e, bool outbound, picture *p)
{
    p->condition = e->name;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double speech = outbound ? e->speech_ear_db[i] : e->speech_operator_db[i];
        p->before_db[i] = speech + (outbound ? v->outbound_before_db : v->inbound_before_db);
        p->after_db[i] = speech + (outbound ? v->outbound_after_db : v->inbound_after_db);
        const double parts[] = {e->lane_noise_operator_db[i] + v->inbound_after_db, e->counter_noise_db[i]};
        p->noise_db[i] = outbound ? e->noise_ear_db[i] : lt_db_sum(parts, 2);
        p->disturbance_db[i] = NAN;
    }
}

static void rate(picture *p)
{
    lt_sii_result result;
    lt_error ignored = {0};
    p->sii = NAN;
    if (lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, p->after_db, p->noise_db, NULL, &result, &ignored) != LT_OK)
        return; /* a band is not known: no shade then */
    p->sii = result.sii;
    for (size_t i = 0; i < LT_SPEECH_BANDS && i < result.count; i++)
        p->disturbance_db[i] = result.bands[i].disturbance_db;
}

static bool is_drawable(const picture *p)
{
    size_t known = 0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        known += lt_is_known(p->after_db[i]) && fabs(p->after_db[i]) < 1000.0;
    return known >= 2;
}

static bool find_worst(const ltp_lane_view *v, bool outbound, picture *worst)
{
    bool found = false;
    for (size_t i = 0; i < v->result->condition_count; i++) {
        picture p;
        take_direction(v, &v->result->conditions[i], outbound, &p);
        if (!is_drawable(&p))
            continue;
        rate(&p);
        if (!found || p.sii < worst->sii)
            *worst = p;
        found = true;
    }
    return found;
}

static double band_hz(size_t i)
{
    return lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).hz;
}

static void to_band_levels(picture *p)
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double width_db = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).bandwidth_db;
        p->before_db[i] += width_db;
        p->after_db[i] += width_db;
        p->noise_db[i] += width_db;
        p->disturbance_db[i] += width_db;
    }
}

static void find_range(const picture *p, double *bottom, double *top)
{
    double highest = -INFINITY, lowest = INFINITY;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double levels[] = {p->after_db[i] + 15.0, p->before_db[i], p->noise_db[i]};
        for (size_t k = 0; k < 3; k++) {
            if (!lt_is_known(levels[k]) || fabs(levels[k]) > 1000.0)
                continue;
            highest = fmax(highest, levels[k]);
            lowest = fmin(lowest, levels[k]);
        }
    }
    *top = 10.0 * ceil((highest + 2.0) / 10.0);
    *bottom = fmax(*top - 80.0, 10.0 * floor((lowest - 8.0) / 10.0));
}

/* The 30 dB range of speech, 15 dB either side of its level, as far as it lies above what hides it (ANSI S3.5, band
 * audibility). */
static void add_data(ltp_charts *c, const picture *p, double bottom)
{
    ltp_text_add(&c->script, "$s << EOD\n");
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double peak = fmax(bottom, p->after_db[i] + 15.0);
        const double hidden = fmax(bottom, fmax(p->after_db[i] - 15.0, p->disturbance_db[i]));
        const double row[] = {p->before_db[i], p->after_db[i], fmax(bottom, p->noise_db[i]), fmin(hidden, peak), peak};
        ltp_chart_value(c, band_hz(i));
        for (size_t k = 0; k < 5; k++) {
            ltp_text_add(&c->script, " ");
            ltp_chart_value(c, k >= 3 && !lt_is_known(p->disturbance_db[i]) ? (double)NAN : row[k]);
        }
        ltp_text_add(&c->script, "\n");
    }
    ltp_text_add(&c->script, "EOD\n");
}

/* Where curve a runs farthest from curve b, among the bands first to last: there a label disturbs least. */
static size_t farthest(const double *a, const double *b, size_t first, size_t last)
{
    size_t best = first;
    double most = -1.0;
    for (size_t i = first; i <= last; i++) {
        const double gap = fabs(a[i] - b[i]);
        if (lt_is_known(gap) && gap > most) {
            most = gap;
            best = i;
        }
    }
    return best;
}

/* A label above or below a curve, clear of it over the label's own width of about four bands. */
static void label_beside(ltp_charts *c, const double *curve, const double *other, size_t i, const char *colour,
                         const char *text)
{
    const bool above = !(curve[i] < other[i]);
    double y = curve[i];
    for (size_t k = i - 2; k <= i + 2 && k < LT_SPEECH_BANDS; k++)
        if (lt_is_known(curve[k]))
            y = above ? fmax(y, curve[k]) : fmin(y, curve[k]);
    if (lt_is_known(y))
        ltp_chart_label(c, band_hz(i), y + (above ? 4.0 : -4.0), "center", colour, text, NULL);
}

static void add_labels(ltp_charts *c, const picture *p, bool changed)
{
    label_beside(c, p->noise_db, p->after_db, farthest(p->noise_db, p->after_db, 2, 6), LTP_INK, "noise");
    label_beside(c, p->after_db, p->before_db, farthest(p->after_db, p->noise_db, 8, 11), LTP_ACCENT,
                 changed ? "speech, after" : "speech");
    if (changed)
        label_beside(c, p->before_db, p->after_db, 14, LTP_SOFT, "before");
    size_t widest = 5;
    double most = 0.0;
    for (size_t i = 4; i <= 12; i++) {
        const double open = p->after_db[i] + 15.0 - fmax(p->disturbance_db[i], p->after_db[i]);
        if (lt_is_known(p->disturbance_db[i]) && open > most) {
            most = open;
            widest = i;
        }
    }
    if (most > 8.0)
        ltp_chart_label(c, band_hz(widest), p->after_db[widest] + 12.0, "center", LTP_ACCENT, "heard", NULL);
}

static void add_caption(ltp_chart *chart, const picture *p, size_t conditions)
{
    ltp_text_add(&chart->caption, "Shaded: the part of speech that is heard above the noise.");
    if (conditions > 1)
        ltp_text_add(&chart->caption, " Shown is the condition in which it is understood worst.");
    if (!lt_is_known(p->sii))
        ltp_text_add(&chart->caption, " The noise is not known in every band, so nothing is shaded.");
}

static void add_direction(ltp_charts *c, const ltp_lane_view *v, bool outbound)
{
    picture p;
    if (!find_worst(v, outbound, &p))
        return;
    to_band_levels(&p);
    double bottom = 0.0, top = 0.0;
    find_range(&p, &bottom, &top);
    ltp_chart *chart = ltp_chart_begin(c, v->index, outbound ? LTP_CHART_SPEECH_EAR : LTP_CHART_SPEECH_OPERATOR);
    ltp_chart_axis_hz(c, 150.0, 8500.0);
    ltp_chart_axis_y(c, bottom, top, 10.0, "dB SPL in one-third octaves");
    add_data(c, &p, bottom);
    const double change =
        outbound ? v->outbound_after_db - v->outbound_before_db : v->inbound_after_db - v->inbound_before_db;
    const bool changed = fabs(change) > 0.01;
    add_labels(c, &p, changed);
    if (v->result->condition_count > 1)
        ltp_chart_condition_label(c, 0.02, 0.06, LTP_SOFT, p.condition);
    ltp_text_add(&c->script, "plot $s using 1:5:6 with filledcurves fillcolor rgb '" LTP_TINT "' notitle, "
                             "$s using 1:4 with lines lc rgb '" LTP_INK "' lw 1.6 notitle, ");
    if (changed)
        ltp_text_add(&c->script, "$s using 1:2 with lines lc rgb '" LTP_SOFT "' lw 1.6 dt (7,4) notitle, ");
    ltp_text_add(&c->script, "$s using 1:3 with lines lc rgb '" LTP_ACCENT "' lw 2.8 notitle\n");
    add_caption(chart, &p, v->result->condition_count);
}

void ltp_chart_speech(ltp_charts *c, const ltp_lane_view *v)
{
    add_direction(c, v, true);
    add_direction(c, v, false);
}
