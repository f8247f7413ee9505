/* SPDX-License-Identifier: MIT
 * Recommended settings for a terminal: one table of all lanes first, then each lane before and after, what limits it
 * and what would help. */
#include "report/text_build.h"

#include <stdio.h>
#include <string.h>

enum { LANE_NAME_WIDTH = 12, NOTES_SHOWN = 5 };

static void arrow(ltp_textbuf *b, double before, double after, int decimals, size_t width)
{
    ltp_text_column(b, before, decimals, width);
    ltp_text_add(b, " ->");
    ltp_text_column(b, after, decimals, width + 1);
}

static void summary(ltp_textbuf *b, const lt_tune_result *r, size_t count)
{
    bool unmet = false, unknown = false;
    ltp_text_add(b, "Settings to dial in, now -> then (SII: 0 to 1, how much of speech is heard)\n\n");
    ltp_text_format(b, "%-17s%14s%15s%14s%15s\n", "lane", "outbound dB", "inbound dB", "SII customer", "SII operator");
    for (size_t i = 0; i < count; i++) {
        ltp_text_format(b, "%4u ", r[i].lane);
        ltp_text_name_column(b, r[i].name, LANE_NAME_WIDTH);
        arrow(b, r[i].outbound_now_db, r[i].outbound_recommended_db, 1, 5);
        ltp_text_add(b, " ");
        arrow(b, r[i].inbound_now_db, r[i].inbound_recommended_db, 1, 5);
        ltp_text_add(b, "  ");
        arrow(b, r[i].before.sii_outbound, r[i].after.sii_outbound, 2, 4);
        ltp_text_add(b, "   ");
        arrow(b, r[i].before.sii_inbound, r[i].after.sii_inbound, 2, 4);
        const bool loop_unknown = lt_notes_has(&r[i].assumptions, "loop-not-measured");
        ltp_text_add(b, r[i].unmet_count > 0 ? " !" : "");
        ltp_text_add(b, loop_unknown ? " ?\n" : "\n");
        unmet |= r[i].unmet_count > 0;
        unknown |= loop_unknown;
    }
    if (unmet)
        ltp_text_add(b, "! a limit cannot be met at any setting, see below\n");
    if (unknown)
        ltp_text_add(b, "? the loop was not measured: the safe margin is not known and not checked\n");
}

static void figures(ltp_textbuf *b, const lt_tune_result *r)
{
    const struct {
        const char *word, *unit;
        double before, after;
        int decimals;
    } rows[] = {
        {"outbound setting", "dB", r->outbound_now_db, r->outbound_recommended_db, 1},
        {"inbound setting", "dB", r->inbound_now_db, r->inbound_recommended_db, 1},
        {"SII to the customer", "", r->before.sii_outbound, r->after.sii_outbound, 3},
        {"SII to the operator", "", r->before.sii_inbound, r->after.sii_inbound, 3},
        {"safe margin", "dB", r->before.safe_margin_db, r->after.safe_margin_db, 1},
        {"margin to howling", "dB", r->before.margin_db, r->after.margin_db, 1},
        {"speech at the customer's ear", "dB(A)", r->before.ear_dba, r->after.ear_dba, 1},
        {"speech at the operator's ear", "dB(A)", r->before.operator_dba, r->after.operator_dba, 1},
        {"speech at the property line", "dB(A)", r->before.property_line_dba, r->after.property_line_dba, 1},
        {"talker echo TELR", "dB", r->before.echo_telr_db, r->after.echo_telr_db, 1},
        {"headroom of the amplifier", "dB", r->before.headroom_db, r->after.headroom_db, 1},
        {"power into the speaker", "W", r->before.speaker_power_w, r->after.speaker_power_w, 2},
    };
    ltp_text_format(b, "  %-30s%10s%10s\n", "", "now", "then");
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (!lt_is_known(rows[i].before) && !lt_is_known(rows[i].after))
            continue; /* a row of dashes says nothing */
        ltp_text_format(b, "  %-30s", rows[i].word);
        ltp_text_column(b, rows[i].before, rows[i].decimals, 10);
        ltp_text_column(b, rows[i].after, rows[i].decimals, 10);
        ltp_text_format(b, "%s%s\n", rows[i].unit[0] != '\0' ? " " : "", rows[i].unit);
    }
}

static const char *limit_text(lt_limit limit)
{
    switch (limit) {
    case LT_LIMIT_SAFE_MARGIN:
        return "the safe margin to howling";
    case LT_LIMIT_EAR_LEVEL:
        return "the level at the customer's ear";
    case LT_LIMIT_OPERATOR_LEVEL:
        return "the level at the operator's ear";
    case LT_LIMIT_HEADROOM:
        return "the headroom of amplifier and speaker";
    case LT_LIMIT_PROPERTY_LINE:
        return "the level at the property line";
    case LT_LIMIT_TALKER_ECHO:
        return "the echo that the operator hears";
    case LT_LIMIT_RANGE:
        return "the last step of an adjuster";
    case LT_LIMIT_NOISE:
        return "the noise: more gain does not help";
    case LT_LIMIT_TARGET:
        return "nothing: the target is reached in both directions";
    case LT_LIMIT_COUNT:
        break;
    }
    return lt_limit_name(limit);
}

static void limits(ltp_textbuf *b, const lt_tune_result *r)
{
    for (size_t i = 0; i < r->unmet_count; i++) {
        ltp_text_format(b, "  Not met: %s, short by ", limit_text(r->unmet[i].limit));
        ltp_text_number(b, r->unmet[i].by_db, 1);
        ltp_text_add(b, " dB.\n");
        if (r->unmet[i].advice[0] != '\0')
            ltp_text_wrap(b, "    ", r->unmet[i].advice);
    }
    for (size_t i = 0; i < r->binding_count; i++) {
        ltp_text_format(b, "  Limited by %s", limit_text(r->binding[i].limit));
        if (r->binding[i].one_db_buys_sii >= 0.0005) {
            ltp_text_add(b, "\n    (one dB more would buy ");
            ltp_text_number(b, r->binding[i].one_db_buys_sii, 3);
            ltp_text_add(b, " SII)");
        }
        ltp_text_add(b, "\n");
    }
}

static void notches(ltp_textbuf *b, const lt_tune_result *r)
{
    for (size_t i = 0; i < r->notch_count; i++) {
        ltp_text_add(b, "  Notch: ");
        ltp_text_number(b, r->notches[i].hz, 0);
        ltp_text_add(b, " Hz, Q ");
        ltp_text_number(b, r->notches[i].q, 1);
        ltp_text_add(b, ", cut ");
        ltp_text_number(b, r->notches[i].cut_db, 1);
        ltp_text_add(b, " dB\n");
    }
    if (r->notch_count > 0 && lt_is_known(r->safe_margin_with_notches_db)) {
        ltp_text_add(b, "  Safe margin with the notches: ");
        ltp_text_number(b, r->safe_margin_with_notches_db, 1);
        ltp_text_add(b, " dB\n");
    }
}

/* What makes a recording useless comes before what only blurs it, and all of it stays within a few lines. */
static void recording_notes(ltp_textbuf *b, const lt_notes *notes)
{
    size_t shown = 0;
    for (int round = 0; round < 2; round++) {
        for (size_t i = 0; i < notes->count && shown < NOTES_SHOWN; i++) {
            const char *code = notes->items[i].code;
            const bool mild = strcmp(code, "low-snr") == 0 || strcmp(code, "thd-noise") == 0;
            if (mild == (round == 1)) {
                ltp_text_wrap(b, "  Note: ", notes->items[i].message);
                shown++;
            }
        }
    }
    if (notes->count > shown)
        ltp_text_format(b, "  Note: and %zu more about the recordings; --json and results.json have all\n",
                        notes->count - shown);
}

/* One line each: the operator's day, and who else understands. */
static void people(ltp_textbuf *b, const lt_tune_result *r)
{
    const lt_tune_exposure *x = &r->exposure;
    const lt_tune_privacy *p = &r->privacy;
    const bool assumed = x->talk_assumed || x->shift_assumed;
    char text[320];
    (void)snprintf(text, sizeof text,
                   "L_EX,8h %.1f -> %.1f dB(A), NIOSH dose %.3g -> %.3g %% (%.3g %% speech in %.3g h%s). Information, "
                   "not a medical statement.",
                   x->lex_8h_dba.before, x->lex_8h_dba.after, x->dose_percent.before, x->dose_percent.after,
                   x->talk_percent, x->shift_hours, assumed ? ", assumed" : "");
    if (lt_is_known(x->lex_8h_dba.after))
        ltp_text_wrap(b, "  Operator's exposure: ", text);
    if (p->from == LT_PRIVACY_NOT_ASKED)
        return;
    if (p->after.word == NULL)
        (void)snprintf(text, sizeof text, "not known, no noise was recorded.");
    else if (p->from == LT_PRIVACY_FROM_DISTANCE)
        (void)snprintf(text, sizeof text, "index %.0f -> %.0f %% (%s -> %s), estimated for %.1f m.",
                       p->before.privacy_percent, p->after.privacy_percent, p->before.word, p->after.word,
                       p->distance_m);
    else
        (void)snprintf(text, sizeof text, "index %.0f -> %.0f %% (%s -> %s), from a recording.",
                       p->before.privacy_percent, p->after.privacy_percent, p->before.word, p->after.word);
    ltp_text_wrap(b, "  Privacy at the bystander: ", text);
}

static void lane_text(ltp_textbuf *b, const lt_tune_result *r)
{
    ltp_text_format(b, "\nLane %u", r->lane);
    if (r->name[0] != '\0') {
        ltp_text_add(b, ", ");
        ltp_text_name(b, r->name, LTP_COLUMNS - 16);
    }
    ltp_text_add(b, "\n\n");
    figures(b, r);
    ltp_text_add(b, "\n");
    limits(b, r);
    notches(b, r);
    people(b, r);
    for (size_t i = 0; i < r->advice_count; i++)
        ltp_text_wrap(b, "  Advice: ", r->advice[i]);
    ltp_text_notes(b, "  Assumed: ", &r->assumptions);
    recording_notes(b, &r->warnings);
}

lt_status lt_text_tune(const lt_tune_result *r, size_t count, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    summary(&b, r, count);
    for (size_t i = 0; i < count; i++)
        lane_text(&b, &r[i]);
    return ltp_text_take(&b, out, err);
}
