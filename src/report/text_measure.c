/* SPDX-License-Identifier: MIT
 * Text of single recordings and computations for a terminal, the answer in the first line. */
#include "base/alloc.h"
#include "report/levels.h"

#include <math.h>
#include <string.h>

enum { NAME_WIDTH = 60, ARRIVALS_SHOWN = 8 };

static void file_row(ltp_textbuf *b, const char *name)
{
    ltp_text_format(b, "  %-16s", "file");
    ltp_text_name(b, name, NAME_WIDTH);
    ltp_text_add(b, "\n");
}

/* "1250" or "31.5": nominal frequencies have no useless decimal. */
static void hz_column(ltp_textbuf *b, double hz, size_t width)
{
    ltp_text_column(b, hz, fabs(hz - round(hz)) > 0.05 ? 1 : 0, width);
}

static void number_and(ltp_textbuf *b, double value, int decimals, const char *after)
{
    ltp_text_number(b, value, decimals);
    ltp_text_add(b, after);
}

/* ---- stimulus ---- */

lt_status lt_text_stimulus(const lt_stimulus_info *s, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "wrote ");
    ltp_text_name(&b, s->path, LTP_COLUMNS - 10);
    ltp_text_add(&b, "\n\n");
    ltp_text_format(&b, "  %-16s%9s\n", "kind", s->kind);
    ltp_text_row(&b, "length", s->seconds, 2, "s");
    ltp_text_row(&b, "sample rate", s->rate_hz, 0, "Hz");
    ltp_text_row(&b, "from", s->from_hz, 0, "Hz");
    ltp_text_row(&b, "to", s->to_hz, 0, "Hz");
    ltp_text_row(&b, "largest sample", s->peak_dbfs, 1, "dB re full scale");
    ltp_text_row(&b, "RMS", s->rms_dbfs, 1, "dBFS");
    return ltp_text_take(&b, out, err);
}

/* ---- response ---- */

static void response_answer(ltp_textbuf *b, const lt_response *r)
{
    ltp_text_add(b, "direct arrival after ");
    number_and(b, r->delay_ms, 3, " ms");
    if (r->polarity != 0)
        ltp_text_format(b, ", polarity %c", r->polarity > 0 ? '+' : '-');
    if (lt_is_known(r->snr_db)) {
        ltp_text_add(b, ", ");
        number_and(b, r->snr_db, 1, " dB above the noise");
    }
    ltp_text_add(b, "\n\n");
}

static void response_facts(ltp_textbuf *b, const lt_response *r)
{
    ltp_text_row(b, "sample rate", r->rate_hz, 0, "Hz");
    ltp_text_add(b, "  stimulus        ");
    ltp_text_column(b, r->from_hz, 0, 9);
    ltp_text_add(b, " to ");
    number_and(b, r->to_hz, 0, " Hz");
    ltp_text_format(b, ", %u sweep%s\n", r->repeats, r->repeats == 1 ? "" : "s averaged");
    ltp_text_row(b, "clock drift", r->drift_ppm, 1, "ppm (positive: the recording is the longer one)");
    ltp_text_row(b, "early decay EDT", r->edt_s, 3, "s");
    ltp_text_row(b, "decay T20", r->t20_s, 3, "s");
    ltp_text_row(b, "clarity C50", r->c50_db, 1, "dB");
}

static void response_arrivals(ltp_textbuf *b, const lt_response *r)
{
    if (r->arrival_count == 0)
        return;
    ltp_text_add(b, "\n  later arrivals, re the direct one\n");
    for (size_t i = 0; i < r->arrival_count && i < ARRIVALS_SHOWN; i++) {
        ltp_text_add(b, "    ");
        ltp_text_column(b, r->arrivals[i].delay_ms, 2, 9);
        ltp_text_add(b, " ms");
        ltp_text_column(b, r->arrivals[i].level_db, 1, 9);
        ltp_text_add(b, " dB\n");
    }
    if (r->arrival_count > ARRIVALS_SHOWN)
        ltp_text_format(b, "    and %zu more (--json lists all)\n", r->arrival_count - ARRIVALS_SHOWN);
}

lt_status lt_text_response(const lt_response *r, const char *name, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    response_answer(&b, r);
    file_row(&b, name);
    response_facts(&b, r);
    response_arrivals(&b, r);
    ltp_text_add(&b, "\n  band Hz   level dB     SNR dB      THD %\n");
    for (size_t i = 0; i < r->band_count; i++) {
        hz_column(&b, r->bands[i].band.nominal_hz, 9);
        ltp_text_column(&b, r->bands[i].level_db, 1, 11);
        ltp_text_column(&b, r->bands[i].snr_db, 1, 11);
        ltp_text_column(&b, r->bands[i].thd_percent, 2, 11);
        ltp_text_add(&b, "\n");
    }
    if (r->notes.count > 0)
        ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Note: ", &r->notes);
    return ltp_text_take(&b, out, err);
}

/* ---- levels ---- */

static void hum_text(ltp_textbuf *b, const lt_levels *l, const char *unit)
{
    if (!l->hum) {
        ltp_text_add(b, "\n  mains hum: none found\n");
        return;
    }
    ltp_text_add(b, "\n  mains hum of ");
    number_and(b, l->mains_hz, 0, " Hz: ");
    number_and(b, l->hum_level_db, 1, " ");
    ltp_text_format(b, "%s in %zu line%s\n", unit, l->line_count, l->line_count == 1 ? "" : "s");
    for (size_t i = 0; i < l->line_count; i++) {
        ltp_text_column(b, l->lines[i].hz, 1, 12);
        ltp_text_add(b, " Hz");
        ltp_text_column(b, l->lines[i].level_db, 1, 9);
        ltp_text_add(b, "\n");
    }
}

lt_status lt_text_noise(const lt_levels *l, const char *name, bool calibrated, bool octaves, const lt_level_more *more,
                        char **out, lt_error *err)
{
    const char *unit = calibrated ? "dB SPL" : "dBFS";
    const char *weighted = calibrated ? "dB(A)" : "dBFS (A-weighted)";
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "LAeq ");
    ltp_text_number(&b, l->laeq_db, 1);
    ltp_text_format(&b, " %s over ", weighted);
    number_and(&b, l->seconds, 1, " s, busy (LA10) ");
    number_and(&b, l->la10_db, 1, ", quiet (LA90) ");
    number_and(&b, l->la90_db, 1, "\n\n");
    file_row(&b, name);
    ltp_text_row(&b, "LAeq", l->laeq_db, 1, weighted);
    ltp_text_row(&b, "LCeq", l->lceq_db, 1, calibrated ? "dB(C)" : "dBFS (C-weighted)");
    ltp_text_row(&b, "LAFmax", l->lafmax_db, 1, weighted);
    ltp_text_row(&b, "LA10", l->la10_db, 1, weighted);
    ltp_text_row(&b, "LA50", l->la50_db, 1, weighted);
    ltp_text_row(&b, "LA90", l->la90_db, 1, weighted);
    ltp_text_row(&b, "largest sample", l->peak_dbfs, 1, "dB re full scale");
    ltp_text_detectors(&b, l, calibrated);
    hum_text(&b, l, unit);
    ltp_text_interference(&b, l, unit);
    if (more != NULL)
        ltp_text_more(&b, more, calibrated);
    ltp_text_format(&b, "\n  band Hz        Leq        L10        L50        L90   (%s)\n", unit);
    ltp_text_bands(&b, l->low_bands, l->low_band_count);
    ltp_text_bands(&b, l->bands, l->band_count);
    if (octaves) {
        ltp_text_add(&b, "\n  octave Hz      Leq        L10        L50        L90\n");
        ltp_text_bands(&b, l->octaves, l->octave_count);
    }
    if (l->notes.count > 0)
        ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Note: ", &l->notes);
    return ltp_text_take(&b, out, err);
}

lt_status lt_text_levels(const lt_levels *l, const char *name, bool calibrated, char **out, lt_error *err)
{
    return lt_text_noise(l, name, calibrated, false, NULL, out, err);
}

/* ---- speech level ---- */

static void stoi_text(ltp_textbuf *b, const lt_stoi_result *r)
{
    ltp_text_add(b, "\n");
    ltp_text_row(b, "STOI", r->stoi, 3, "of 1: intelligibility against the reference");
    ltp_text_row(b, "ESTOI", r->estoi, 3, "of 1: the same, for unsteady noise");
    ltp_text_row(b, "compared", r->seconds, 1, "s of speech");
    ltp_text_row(b, "reference begins", r->delay_ms, 1, "ms into the recording");
    if (lt_is_known(r->drift_ppm))
        ltp_text_row(b, "clock drift", r->drift_ppm, 1, "ppm");
}

lt_status lt_text_talk_test(const lt_talk_test *t, const char *name, double cal_db, bool calibrated,
                            const lt_stoi_result *stoi, char **out, lt_error *err)
{
    const char *unit = calibrated ? "dB SPL" : "dBFS";
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    if (lt_is_known(t->level.active_level_db)) {
        ltp_text_add(&b, "active speech level ");
        ltp_text_number(&b, t->level.active_level_db + cal_db, 1);
        ltp_text_format(&b, " %s, active ", unit);
        number_and(&b, t->level.activity_percent, 0, " % of ");
        number_and(&b, t->seconds, 1, " s\n\n");
    } else {
        ltp_text_add(&b, "silence, no speech in it\n\n");
    }
    file_row(&b, name);
    ltp_text_row(&b, "active level", t->level.active_level_db + cal_db, 1, unit);
    ltp_text_row(&b, "long-term level", t->level.long_term_level_db + cal_db, 1, unit);
    ltp_text_row(&b, "activity", t->level.activity_percent, 1, "%");
    ltp_text_row(&b, "noise in pauses", t->noise_level_db + cal_db, 1, unit);
    if (stoi != NULL)
        stoi_text(&b, stoi);
    ltp_text_format(&b, "\n  band Hz     speech     pauses   (%s)\n", unit);
    for (size_t i = 0; i < t->band_count; i++) {
        hz_column(&b, t->bands[i].band.nominal_hz, 9);
        ltp_text_column(&b, t->bands[i].speech_db + cal_db, 1, 11);
        ltp_text_column(&b, t->bands[i].noise_db + cal_db, 1, 11);
        ltp_text_add(&b, "\n");
    }
    if (t->notes.count > 0)
        ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Note: ", &t->notes);
    return ltp_text_take(&b, out, err);
}

/* ---- SII ---- */

/* ANSI S3.5 calls a system good above 0.75 and poor below 0.45. */
static const char *sii_word(double sii)
{
    if (sii < 0.45)
        return "poor (under 0.45)";
    return sii < 0.75 ? "fair (good from 0.75)" : "good (0.75 and more)";
}

static void privacy_text(ltp_textbuf *b, const lt_privacy *p)
{
    ltp_text_add(b, "privacy index ");
    ltp_text_number(b, p->privacy_percent, 0);
    ltp_text_format(b, " %%: %s (customary class), articulation index ", p->word);
    number_and(b, p->articulation_index, 2, "\n");
    if (p->privacy_percent < 80.0)
        ltp_text_wrap(
            b, "",
            "Who stands there understands: lower the speech, raise the distance, or give the operator a handset "
            "or headset and the customer a handset; turning up noise is no answer.");
    ltp_text_add(b, "\n");
}

static void recorded_text(ltp_textbuf *b, const lt_sii_recorded *r)
{
    static const char *const noises[][2] = {{"leq", "dB(A), Leq"},
                                            {"l10", "dB(A), L10 of each band"},
                                            {"l50", "dB(A), L50 of each band"},
                                            {"l90", "dB(A), L90 of each band"},
                                            {"pauses", "dB(A), pauses of the talk test"}};
    if (!isnan(r->speech_dba)) {
        ltp_text_row(b, "speech", r->speech_dba, 1, "dB(A) while active, 160 Hz to 8 kHz");
        ltp_text_row(b, "active level", r->active_level_db, 1, "dB SPL (ITU-T P.56)");
        ltp_text_row(b, "activity", r->activity_percent, 0, "%");
    }
    for (size_t i = 0; r->noise != NULL && i < LTP_COUNT(noises); i++)
        if (strcmp(r->noise, noises[i][0]) == 0)
            ltp_text_row(b, "noise", r->noise_dba, 1, noises[i][1]);
    ltp_text_add(b, "\n");
}

lt_status lt_text_sii(const lt_sii_result *r, const lt_privacy *privacy, const lt_sii_recorded *recorded, char **out,
                      lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "SII ");
    ltp_text_number(&b, r->sii, 3);
    ltp_text_format(&b, ": %s\n\n", sii_word(r->sii));
    if (privacy != NULL)
        privacy_text(&b, privacy);
    if (recorded != NULL)
        recorded_text(&b, recorded);
    ltp_text_add(&b, "  band Hz  speech dB   noise dB  audibility  importance\n");
    for (size_t i = 0; i < r->count; i++) {
        hz_column(&b, r->bands[i].hz, 9);
        ltp_text_column(&b, r->bands[i].speech_db, 1, 11);
        ltp_text_column(&b, r->bands[i].noise_db, 1, 11);
        ltp_text_column(&b, r->bands[i].audibility, 3, 12);
        ltp_text_column(&b, r->bands[i].importance, 4, 12);
        ltp_text_add(&b, "\n");
    }
    return ltp_text_take(&b, out, err);
}
