/* SPDX-License-Identifier: MIT
 * Two visits compared, for a terminal: what it means first, then the figures, then band by band. */
#include "report/text_build.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { NOTES_SHOWN = 5 };

static void signed_column(ltp_textbuf *b, double value, int decimals, size_t width)
{
    char text[32];
    if (!lt_is_known(value)) {
        ltp_text_column(b, value, decimals, width);
        return;
    }
    const bool minus = value < -0.5 * pow(10.0, -decimals);
    size_t used = 0; /* digits without the C library's decimal point */
    for (double x = fabs(value); x >= 10.0; x /= 10.0)
        used++;
    used += 2 + (decimals > 0 ? 1 + (size_t)decimals : 0);
    (void)snprintf(text, sizeof text, "%*s%c", (int)(width > used ? width - used : 0), "", minus ? '-' : '+');
    ltp_text_add(b, text);
    ltp_text_number(b, fabs(value), decimals);
}

static void title(ltp_textbuf *b, const lt_compare_lane *l)
{
    ltp_text_format(b, "\nLane %u", l->lane);
    if (l->name[0] != '\0') {
        ltp_text_add(b, ", ");
        ltp_text_name(b, l->name, 40);
    }
    ltp_text_add(b, l->worse ? ": worse than before\n" : "\n");
}

static void finding(ltp_textbuf *b, const lt_finding *f)
{
    char lead[96];
    const char *kind = f->kind == LT_FINDING_WORSE    ? (f->over_limit ? "WORSE " : "worse ")
                       : f->kind == LT_FINDING_BETTER ? "better"
                                                      : "note  ";
    (void)snprintf(lead, sizeof lead, "  %s  ", kind);
    ltp_text_add(b, "\n");
    ltp_text_wrap(b, lead, f->evidence);
    if (f->kind == LT_FINDING_NOTE && f->code == LT_FINDING_NOTHING) {
        ltp_text_wrap(b, "          ", f->cause);
        return;
    }
    (void)snprintf(lead, sizeof lead,
                   "          %s: ", f->kind == LT_FINDING_NOTE ? "meaning" : lt_finding_sure_name(f->probability));
    ltp_text_wrap(b, lead, f->cause);
    if (strcmp(f->next_step, "Nothing.") != 0)
        ltp_text_wrap(b, "          next: ", f->next_step);
}

static void figure_row(ltp_textbuf *b, const char *word, double before, double after, int decimals, const char *unit)
{
    if (!lt_is_known(before) && !lt_is_known(after))
        return;
    ltp_text_format(b, "  %-30s", word);
    ltp_text_column(b, before, decimals, 10);
    ltp_text_column(b, after, decimals, 10);
    signed_column(b, after - before, decimals, 10);
    ltp_text_format(b, "%s%s\n", unit[0] != '\0' ? " " : "", unit);
}

static void figures(ltp_textbuf *b, const lt_compare_lane *l)
{
    const lt_tune_figures *x = &l->figures_before, *y = &l->figures_after;
    ltp_text_format(b, "\n  %-30s%10s%10s%10s\n", "at the same settings", "before", "after", "change");
    if (l->figures_known) {
        figure_row(b, "SII to the customer", x->sii_outbound, y->sii_outbound, 2, "");
        figure_row(b, "SII to the operator", x->sii_inbound, y->sii_inbound, 2, "");
        figure_row(b, "safe margin", x->safe_margin_db, y->safe_margin_db, 1, "dB");
        figure_row(b, "margin to howling", x->margin_db, y->margin_db, 1, "dB");
        figure_row(b, "speech at the customer's ear", x->ear_dba, y->ear_dba, 1, "dB(A)");
        figure_row(b, "speech at the operator's ear", x->operator_dba, y->operator_dba, 1, "dB(A)");
        figure_row(b, "talker echo TELR", x->echo_telr_db, y->echo_telr_db, 1, "dB");
    }
    figure_row(b, "outbound, while recording", l->outbound_setting_db.before, l->outbound_setting_db.after, 1, "dB");
    figure_row(b, "inbound, while recording", l->inbound_setting_db.before, l->inbound_setting_db.after, 1, "dB");
    figure_row(b, "outbound, recommended", l->outbound_recommended_db.before, l->outbound_recommended_db.after, 1,
               "dB");
    figure_row(b, "inbound, recommended", l->inbound_recommended_db.before, l->inbound_recommended_db.after, 1, "dB");
    for (size_t i = 0; i < l->noise_count; i++)
        if (l->noises[i].condition[0] == '\0')
            figure_row(b, lt_compare_noise_kind_name(l->noises[i].kind), l->noises[i].laeq_db.before,
                       l->noises[i].laeq_db.after, 1, l->noises[i].kind == LT_COMPARE_NOISE_MIC ? "dBFS, A" : "dB(A)");
    for (size_t i = 0; i < l->talk_count; i++)
        if (l->talks[i].condition[0] == '\0')
            figure_row(b, "talk test, active level", l->talks[i].active_level_db.before,
                       l->talks[i].active_level_db.after, 1, "dBFS");
}

static void paths(ltp_textbuf *b, const lt_compare_lane *l)
{
    if (l->response_count == 0)
        return;
    ltp_text_format(b, "\n  %-26s%7s%7s%8s%9s%9s%12s\n", "path, change in dB", "level", "bass", "treble", "THD %",
                    "delay", "polarity");
    for (size_t i = 0; i < l->response_count; i++) {
        const lt_compare_response *r = &l->responses[i];
        char name[64];
        (void)snprintf(name, sizeof name, "%s%s%.20s", lt_compare_path_name(r->path),
                       r->condition[0] != '\0' ? " " : "", r->condition);
        ltp_text_add(b, "  ");
        ltp_text_name_column(b, name, 26);
        signed_column(b, r->level_db, 1, 7);
        signed_column(b, r->bass_db, 1, 7);
        signed_column(b, r->treble_db, 1, 8);
        signed_column(b, r->thd_percent.after - r->thd_percent.before, 1, 9);
        if (r->delay_known)
            signed_column(b, r->delay_ms.after - r->delay_ms.before, 2, 9);
        else
            ltp_text_format(b, "%9s", "-");
        const int turned = r->polarity_before * r->polarity_after;
        ltp_text_format(b, "%12s\n", turned == 0 ? "-" : turned > 0 ? "same" : "reversed");
    }
}

/* Something on this lane changed, by its recordings or by what follows from them. */
static bool is_changed(const lt_compare_lane *l)
{
    for (size_t i = 0; i < l->finding_count; i++)
        if (l->findings[i].code != LT_FINDING_NOTHING && l->findings[i].code != LT_FINDING_NOT_COMPARED)
            return true;
    return l->worse;
}

/* Some band of a path that is shown differs by more than its doubt. */
static bool has_changed_band(const lt_compare_lane *l)
{
    for (size_t i = 0; i < l->response_count; i++)
        for (size_t k = 0; k < l->responses[i].band_count && l->responses[i].condition[0] == '\0'; k++)
            if (l->responses[i].bands[k].changed && l->responses[i].bands[k].doubt_db <= 9.9)
                return true;
    return false;
}

/* Outbound and couplings of the empty lane, side by side; a star marks what exceeds its doubt. */
static void bands(ltp_textbuf *b, const lt_compare_lane *l)
{
    const lt_compare_response *shown[LT_COMPARE_PATH_COUNT];
    size_t count = 0;
    for (size_t i = 0; i < l->response_count && count < 4; i++)
        if (l->responses[i].condition[0] == '\0')
            shown[count++] = &l->responses[i];
    if (count == 0)
        return;
    ltp_text_add(b, "\n  change per one-third octave, dB (doubt); * exceeds the doubt\n band Hz");
    for (size_t k = 0; k < count; k++)
        ltp_text_format(b, "%18s", lt_compare_path_name(shown[k]->path));
    ltp_text_add(b, "\n");
    for (int index = LT_THIRD_50_HZ; index <= LT_THIRD_16_KHZ; index++) {
        const double hz = lt_third_octave(index).nominal_hz;
        const lt_compare_band *row[LT_COMPARE_PATH_COUNT] = {0};
        bool any = false;
        for (size_t k = 0; k < count; k++)
            for (size_t i = 0; i < shown[k]->band_count; i++)
                if (fabs(shown[k]->bands[i].hz - hz) < 0.01) {
                    row[k] = &shown[k]->bands[i];
                    any = true;
                }
        if (!any)
            continue;
        ltp_text_column(b, hz, fabs(hz - round(hz)) > 0.05 ? 1 : 0, 8);
        for (size_t k = 0; k < count; k++) {
            if (row[k] == NULL) {
                ltp_text_format(b, "%18s", "-");
                continue;
            }
            if (row[k]->doubt_db > 9.9) {
                ltp_text_format(b, "%18s", "(noise)   ");
                continue;
            }
            signed_column(b, row[k]->difference_db, 1, 9);
            ltp_text_add(b, " (");
            ltp_text_column(b, row[k]->doubt_db, 1, 4);
            ltp_text_add(b, row[k]->changed ? ") *" : ")  ");
        }
        ltp_text_add(b, "\n");
    }
}

static void notes(ltp_textbuf *b, const lt_notes *n)
{
    for (size_t i = 0; i < n->count && i < NOTES_SHOWN; i++)
        ltp_text_wrap(b, "  Note: ", n->items[i].message);
    if (n->count > NOTES_SHOWN)
        ltp_text_format(b, "  Note: and %zu more, see --json\n", n->count - NOTES_SHOWN);
}

lt_status lt_text_compare(const lt_visit_comparison *c, bool all, char **out, lt_error *err)
{
    ltp_textbuf b;
    size_t worse = 0;
    bool left_out = false;
    ltp_text_init(&b, 0);
    for (size_t i = 0; i < c->lane_count; i++)
        worse += c->lanes[i].worse ? 1 : 0;
    ltp_text_format(&b, "%zu of %zu lane%s worse: %s against %s\n", worse, c->lane_count, c->lane_count == 1 ? "" : "s",
                    c->after.date, c->before.date);
    if (c->weather_before[0] != '\0' || c->weather_after[0] != '\0') {
        ltp_text_add(&b, "weather: ");
        ltp_text_name(&b, c->weather_after[0] != '\0' ? c->weather_after : "-", 30);
        ltp_text_add(&b, ", was ");
        ltp_text_name(&b, c->weather_before[0] != '\0' ? c->weather_before : "-", 30);
        ltp_text_add(&b, "\n");
    }
    for (size_t i = 0; i < c->lane_count; i++) {
        const lt_compare_lane *l = &c->lanes[i];
        title(&b, l);
        for (size_t k = 0; k < l->finding_count; k++)
            finding(&b, &l->findings[k]);
        left_out |= !all && !(is_changed(l) && has_changed_band(l));
        if (all || is_changed(l)) {
            figures(&b, l);
            paths(&b, l);
        }
        if (all || (is_changed(l) && has_changed_band(l)))
            bands(&b, l);
        notes(&b, &l->notes);
    }
    notes(&b, &c->notes);
    if (left_out)
        ltp_text_add(&b, "\nTables where nothing changed are left out; --bands prints them.\n");
    return ltp_text_take(&b, out, err);
}
