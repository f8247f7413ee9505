/* SPDX-License-Identifier: MIT
 * An isolation test as a file: what arrives at each point per one-third octave (lines) and its noise (broken lines), in
 * the order of the signal from light to dark; the point behind the part at fault in the colour of a warning. */
#include "report/figure.h"

#include <math.h>
#include <stdio.h>

enum { KEY_COLUMNS = 16 };
static const double row_apart = 0.075, rows_high = 0.95; /* of the graph */
static const double span_db = 80.0;

/* What the chart shows: of all points the same kind of recording, the one that tells most. */
typedef enum { SHOW_RESPONSE, SHOW_TALK, SHOW_NOISE } shown_kind;

static shown_kind choose(const lt_isolate_figure *g)
{
    bool talk = false;
    for (size_t i = 0; i < g->count; i++) {
        if (g->points[i].response != NULL || g->points[i].bypass_response != NULL)
            return SHOW_RESPONSE;
        talk |= g->points[i].talk != NULL || g->points[i].bypass_talk != NULL;
    }
    return talk ? SHOW_TALK : SHOW_NOISE;
}

typedef struct {
    double top_db, bottom_db; /* of all curves; NaN before the first */
} reach;

static void extend(reach *r, double db)
{
    if (!lt_is_known(db))
        return;
    r->top_db = lt_is_known(r->top_db) ? fmax(r->top_db, db) : db;
    r->bottom_db = lt_is_known(r->bottom_db) ? fmin(r->bottom_db, db) : db;
}

static void add_band(ltp_charts *c, reach *r, double hz, double signal_db, double noise_db)
{
    const double row[] = {hz, signal_db, noise_db};
    for (size_t k = 0; k < 3; k++) {
        ltp_chart_value(c, row[k]);
        ltp_text_add(&c->script, k < 2 ? " " : "\n");
    }
    extend(r, signal_db);
    extend(r, noise_db);
}

/* One data block: Hz, signal, noise. False if there is no such recording. */
static bool add_point(ltp_charts *c, reach *r, shown_kind kind, const lt_isolate_point *p, bool bypass, size_t number)
{
    const lt_response *response = bypass ? p->bypass_response : p->response;
    const lt_talk_test *talk = bypass ? p->bypass_talk : p->talk;
    const lt_levels *noise = bypass ? p->bypass_noise : p->noise;
    if (kind == SHOW_RESPONSE ? response == NULL : kind == SHOW_TALK ? talk == NULL : noise == NULL)
        return false;
    ltp_text_format(&c->script, "$%s%zu << EOD\n", bypass ? "coupler" : "point", number);
    for (size_t i = 0; kind == SHOW_RESPONSE && i < response->band_count; i++) {
        const lt_response_band *b = &response->bands[i];
        add_band(c, r, b->band.nominal_hz, b->level_db, b->level_db - b->snr_db);
    }
    for (size_t i = 0; kind == SHOW_TALK && i < talk->band_count; i++)
        add_band(c, r, talk->bands[i].band.nominal_hz, talk->bands[i].speech_db, talk->bands[i].noise_db);
    for (size_t i = 0; kind == SHOW_NOISE && i < noise->band_count; i++)
        add_band(c, r, noise->bands[i].band.nominal_hz, noise->bands[i].leq_db, NAN);
    ltp_text_add(&c->script, "EOD\n");
    return true;
}

/* From light to dark along the chain; what lies behind the part at fault stands out. */
static void colour_of(const lt_isolate_figure *g, size_t number, char out[16])
{
    const lt_isolation *r = g->isolation;
    const double x = g->count > 1 ? (double)number / (double)(g->count - 1) : 1.0;
    if (r->fault_count > 0 && r->faults[0].to == number)
        (void)snprintf(out, 16, "%s", LTP_WARN);
    else
        (void)snprintf(out, 16, "#%02x%02x%02x", (unsigned)(150.0 - 150.0 * x), (unsigned)(195.0 - 150.0 * x),
                       (unsigned)(205.0 - 150.0 * x));
}

static void add_headline(ltp_charts *c, const lt_isolate_figure *g, double at_db)
{
    const lt_isolation *r = g->isolation;
    char ours[64];
    if (r->fault_count == 0) {
        ltp_chart_label(c, 115.0, at_db, "left", LTP_SOFT,
                        r->next_known ? "no fault found yet" : "no fault found between the points", NULL);
        return;
    }
    const lt_isolate_fault *f = &r->faults[0];
    (void)snprintf(ours, sizeof ours, "%s: %s ", lt_isolate_kind_name(f->kind),
                   f->from == f->to ? "at or before" : "arises before");
    ltp_chart_label(c, 115.0, at_db, "left", LTP_WARN, ours, g->points[f->to].name);
}

/* Names at the right in the order of the signal. */
static void add_key(ltp_charts *c, const lt_isolate_figure *g, const bool *plain, const bool *coupler)
{
    size_t row = 0, rows = 0;
    for (size_t i = 0; i < g->count; i++)
        rows += plain[i] || coupler[i] ? 1 : 0;
    const double apart = rows > 0 ? fmin(row_apart, rows_high / (double)rows) : row_apart; /* all find room */
    for (size_t i = 0; i < g->count; i++) {
        char colour[16];
        if (!plain[i] && !coupler[i])
            continue;
        colour_of(g, i, colour);
        ltp_chart_condition_label(c, 1.02, 0.95 - apart * (double)row++, colour, g->points[i].name);
    }
}

static void add_curves(ltp_charts *c, const lt_isolate_figure *g, const bool *plain, const bool *coupler)
{
    ltp_text_add(&c->script, "plot NaN notitle");
    for (size_t i = 0; i < g->count; i++) {
        char colour[16];
        colour_of(g, i, colour);
        if (plain[i])
            ltp_text_format(&c->script,
                            ", $point%zu using 1:3 with lines dt (12,6) lw 1.2 lc rgb '%s', $point%zu using 1:2 with "
                            "lines lw 2.2 lc rgb '%s'",
                            i, colour, i, colour);
        if (coupler[i])
            ltp_text_format(&c->script, ", $coupler%zu using 1:2 with lines dt (2,5) lw 2.2 lc rgb '%s'", i, colour);
    }
    ltp_text_add(&c->script, "\n");
}

lt_status lt_figure_isolate(const lt_isolate_figure *g, const lt_report_options *opt, lt_figure_format format,
                            char **out, size_t *bytes, lt_error *err)
{
    static const char *const titles[] = {"Response at each point; broken lines: noise; dotted: with the coupler",
                                         "Talk at each point; broken lines: pauses; dotted: with the coupler",
                                         "Noise at each point; dotted: with the coupler"};
    ltp_figure f;
    const shown_kind kind = choose(g);
    bool plain[LT_ISOLATE_POINTS_MAX] = {false}, coupler[LT_ISOLATE_POINTS_MAX] = {false};
    reach r = {NAN, NAN};
    *out = NULL;
    lt_status status = ltp_figure_begin(&f, format, titles[kind], LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        for (size_t i = 0; i < g->count; i++) {
            plain[i] = add_point(c, &r, kind, &g->points[i], false, i);
            coupler[i] = add_point(c, &r, kind, &g->points[i], true, i);
        }
        const double top = lt_is_known(r.top_db) ? 10.0 * ceil((r.top_db + 6.0) / 10.0) : 0.0;
        const double lowest = lt_is_known(r.bottom_db) ? 10.0 * floor(r.bottom_db / 10.0) : top - 40.0;
        const double bottom = fmax(fmin(lowest, top - 30.0), top - span_db);
        ltp_text_format(&c->script, "set rmargin %d\n", (int)KEY_COLUMNS);
        ltp_chart_axis_hz(c, 100.0, 16000.0);
        ltp_chart_axis_y(c, bottom, top, top - bottom > 40.0 ? 20.0 : 10.0, kind == SHOW_RESPONSE ? "dB" : "dBFS");
        add_headline(c, g, top - 0.05 * (top - bottom));
        add_key(c, g, plain, coupler);
        add_curves(c, g, plain, coupler);
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
