/* SPDX-License-Identifier: MIT
 * Text of the echo path for a terminal: the finding first, then figures, evidence and what to do next. */
#include "report/text_build.h"

#include <math.h>

enum { ARRIVALS_SHOWN = 8 };

static void answer(ltp_textbuf *b, const lt_echo *e)
{
    ltp_text_format(b, "%s", lt_echo_finding_name(e->finding));
    if (e->finding == LT_ECHO_UNCLEAR && e->rival != LT_ECHO_NONE)
        ltp_text_add(b, ": the evidence does not separate two causes");
    if (lt_is_known(e->delay_ms)) {
        ltp_text_add(b, ": echo after ");
        ltp_text_number(b, e->delay_ms, 2);
        ltp_text_add(b, " ms");
    }
    if (lt_is_known(e->echo_loss_db)) {
        ltp_text_add(b, ", ");
        ltp_text_number(b, e->echo_loss_db, 1);
        ltp_text_add(b, " dB down");
    }
    ltp_text_add(b, "\n\n");
}

static void figures(ltp_textbuf *b, const lt_echo *e)
{
    const char *verdict = lt_echo_verdict_name(e->talker.verdict);
    ltp_text_row(b, "sureness", 100.0 * e->confidence, 0, "%");
    ltp_text_row(b, "delay", e->delay_ms, 2, "ms");
    ltp_text_row(b, "echo loss", e->echo_loss_db, 1, "dB (ITU-T G.122)");
    ltp_text_row(b, "tail", e->tail_ms, 1, "ms until 30 dB of its energy are gone");
    ltp_text_row(b, "TELR", e->talker.telr_db, 1, "dB, talker echo loudness rating");
    ltp_text_row(b, "needed here", e->talker.required_telr_db, 1, "dB at this delay (G.131)");
    ltp_text_format(b, "  %-16s%9s\n", "talker echo", verdict != NULL ? verdict : "-");
    ltp_text_row(b, "rating R", e->talker.r_with, 1, "with the echo (G.107)");
    ltp_text_row(b, "", e->talker.r_without, 1, "without");
    ltp_text_row(b, "opinion score", e->talker.mos_with, 2, "with the echo, 1 to 4.5");
    ltp_text_format(b, "  %-16s%9s   as ITU-T P.340 sorts terminals\n", "double-talk type",
                    e->double_talk_type != NULL ? e->double_talk_type : "-");
    if (e->source == LT_ECHO_FROM_SPEECH && lt_is_known(e->snr_db)) {
        ltp_text_row(b, "echo over rest", e->snr_db, 1, "dB while something is sent");
        ltp_text_row(b, "double-talk", e->double_talk_percent, 0, "% of that time, left out");
    }
    ltp_text_row(b, "clock drift", e->drift_ppm, 1, "ppm");
}

static void arrivals(ltp_textbuf *b, const lt_echo *e)
{
    if (e->arrival_count == 0)
        return;
    ltp_text_add(b, "\n  arrivals        delay ms   level dB   longer path m\n");
    for (size_t i = 0; i < e->arrival_count && i < ARRIVALS_SHOWN; i++) {
        ltp_text_add(b, "              ");
        ltp_text_column(b, e->arrivals[i].delay_ms, 2, 12);
        ltp_text_column(b, e->arrivals[i].level_db, 1, 11);
        ltp_text_column(b, e->arrivals[i].path_m, 2, 16);
        ltp_text_add(b, "\n");
    }
    if (e->arrival_count > ARRIVALS_SHOWN)
        ltp_text_format(b, "    and %zu more (--json lists all)\n", e->arrival_count - ARRIVALS_SHOWN);
}

static void canceller(ltp_textbuf *b, const lt_canceller *c)
{
    if (c == NULL)
        return;
    ltp_text_add(b, "\n  echo canceller   tail ms    ERLE dB\n");
    for (size_t i = 0; i < c->count; i++) {
        ltp_text_add(b, "              ");
        ltp_text_column(b, c->tails[i].tail_ms, 0, 12);
        ltp_text_column(b, c->tails[i].erle_db, 1, 11);
        ltp_text_add(b, "\n");
    }
    ltp_text_row(b, "shortest enough", c->sufficient_ms, 0, "ms");
    ltp_text_row(b, "path itself", c->path_db, 1, "dB: what a perfect canceller would reach here");
    if (c->bulk_ms > 0.0)
        ltp_text_row(b, "delay before it", c->bulk_ms, 0, "ms, taken off first; add it where the canceller cannot");
}

static void other_way(ltp_textbuf *b, const lt_echo *e)
{
    if (e == NULL)
        return;
    const char *verdict = lt_echo_verdict_name(e->talker.verdict);
    ltp_text_format(b, "\n  the other way: what the lane's talker hears of himself\n  %-16s%9s\n", "finding",
                    lt_echo_finding_name(e->finding));
    ltp_text_row(b, "delay", e->delay_ms, 2, "ms");
    ltp_text_row(b, "echo loss", e->echo_loss_db, 1, "dB (ITU-T G.122)");
    ltp_text_row(b, "TELR", e->talker.telr_db, 1, "dB");
    ltp_text_format(b, "  %-16s%9s\n\n", "talker echo", verdict != NULL ? verdict : "-");
    ltp_text_notes(b, "Next there: ", &e->advice);
    ltp_text_notes(b, "Note there: ", &e->notes);
}

lt_status lt_text_echo(const lt_echo *e, const lt_echo *back, const lt_canceller *c, const char *name, char **out,
                       lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    answer(&b, e);
    ltp_text_format(&b, "  %-16s", "file");
    ltp_text_name(&b, name, 60);
    ltp_text_add(&b, "\n");
    figures(&b, e);
    arrivals(&b, e);
    canceller(&b, c);
    other_way(&b, back);
    ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Because: ", &e->evidence);
    ltp_text_notes(&b, "Next: ", &e->advice);
    ltp_text_notes(&b, "Note: ", &e->notes);
    return ltp_text_take(&b, out, err);
}
