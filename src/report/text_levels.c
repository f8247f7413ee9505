/* SPDX-License-Identifier: MIT
 * Text of what a sound level meter says beyond the usual. */
#include "report/levels.h"

#include <inttypes.h>
#include <math.h>

enum { PASSBYS_SHOWN = 10, HOUR_S = 3600, MINUTE_S = 60 };

void ltp_text_detectors(ltp_textbuf *b, const lt_levels *l, bool calibrated)
{
    const char *weighted = calibrated ? "dB(A)" : "dBFS (A-weighted)";
    const char *c_weighted = calibrated ? "dB(C)" : "dBFS (C-weighted)";
    ltp_text_row(b, "LZeq", l->lzeq_db, 1, calibrated ? "dB" : "dBFS");
    ltp_text_row(b, "LAE (exposure)", l->lae_db, 1, weighted);
    ltp_text_row(b, "LAFmin", l->lafmin_db, 1, weighted);
    ltp_text_row(b, "LASmax", l->lasmax_db, 1, weighted);
    ltp_text_row(b, "LCFmax", l->lcfmax_db, 1, c_weighted);
    ltp_text_row(b, "LCpeak", l->lcpeak_db, 1, c_weighted);
    ltp_text_row(b, "LA1", l->la_exceeded_db[0], 1, weighted);
    ltp_text_row(b, "LA99", l->la_exceeded_db[98], 1, weighted);
}

void ltp_text_bands(ltp_textbuf *b, const lt_level_band *bands, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const double hz = bands[i].band.nominal_hz;
        ltp_text_column(b, hz, fabs(hz - round(hz)) > 0.05 ? 1 : 0, 9);
        ltp_text_column(b, bands[i].leq_db, 1, 11);
        ltp_text_column(b, bands[i].l10_db, 1, 11);
        ltp_text_column(b, bands[i].l50_db, 1, 11);
        ltp_text_column(b, bands[i].l90_db, 1, 11);
        ltp_text_add(b, "\n");
    }
}

/* "1:02:03" since the start of the recording. */
static void clock_text(ltp_textbuf *b, double seconds)
{
    const unsigned long s = (unsigned long)floor(seconds);
    ltp_text_format(b, "%lu:%02lu:%02lu", s / HOUR_S, s / MINUTE_S % MINUTE_S, s % MINUTE_S);
}

static void passbys_text(ltp_textbuf *b, const lt_traffic_result *t, const char *unit)
{
    ltp_text_format(b, "\n  pass-bys: %" PRIu64 " (%s)\n", t->passby_total, unit);
    if (t->passby_count == 0)
        return;
    ltp_text_add(b, "       start     length s     LAFmax        LAE   over background\n");
    for (size_t i = 0; i < t->passby_count && i < PASSBYS_SHOWN; i++) {
        const lt_passby *p = &t->passbys[i];
        const unsigned long s = (unsigned long)floor(p->start_s);
        ltp_text_format(b, "%6lu:%02lu:%02lu", s / HOUR_S, s / MINUTE_S % MINUTE_S, s % MINUTE_S);
        ltp_text_column(b, p->duration_s, 1, 13);
        ltp_text_column(b, p->peak_dba, 1, 11);
        ltp_text_column(b, p->exposure_db, 1, 11);
        ltp_text_column(b, p->peak_dba - p->background_dba, 1, 18);
        ltp_text_add(b, "\n");
    }
    if (t->passby_count > PASSBYS_SHOWN)
        ltp_text_format(b, "    and %zu more (--json lists them)\n", t->passby_count - PASSBYS_SHOWN);
}

void ltp_text_more(ltp_textbuf *b, const lt_level_more *more, bool calibrated)
{
    if (more->nc != NULL) {
        ltp_text_add(b, "\n  noise criterion: NC ");
        if (more->nc->below || more->nc->above)
            ltp_text_add(b, more->nc->below ? "under 15" : "over 70");
        else
            ltp_text_number(b, more->nc->rating, 0);
        ltp_text_add(b, ", decided at ");
        ltp_text_number(b, more->nc->governing_hz, more->nc->governing_hz < 50.0 ? 1 : 0);
        ltp_text_add(b, " Hz\n");
    }
    passbys_text(b, more->traffic, calibrated ? "dB(A)" : "dBFS, A-weighted");
    if (more->traffic->busy_hour) {
        ltp_text_add(b, "  busiest hour: from ");
        clock_text(b, more->traffic->busy_hour_start_s);
        ltp_text_add(b, ", LAeq ");
        ltp_text_number(b, more->traffic->busy_hour_laeq_db, 1);
        ltp_text_add(b, "\n");
    }
    if (isnan(more->share_percent))
        return;
    ltp_text_add(b, "  speech of ");
    ltp_text_number(b, more->speech_dba, 0);
    ltp_text_add(b, " dB(A) is poor (SII under ");
    ltp_text_number(b, more->sii, 2);
    ltp_text_add(b, ") ");
    ltp_text_number(b, more->share_percent, 1);
    ltp_text_add(b, " % of the time:\n    whenever the noise is over ");
    ltp_text_number(b, more->limit_dba, 1);
    ltp_text_add(b, " dB(A)\n");
}
