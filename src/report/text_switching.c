/* SPDX-License-Identifier: MIT
 * A voice switch for a terminal, the answer in the first line. */
#include "report/text_build.h"

enum { NAME_WIDTH = 60, TALK_OFF_SHOWN = 6 };

static void number(ltp_textbuf *b, double value, int decimals, const char *after)
{
    ltp_text_number(b, value, decimals);
    ltp_text_add(b, after);
}

static void answer(ltp_textbuf *b, const lt_switching *s)
{
    if (!s->switched) {
        ltp_text_add(b, "no voice switching found\n\n");
        return;
    }
    ltp_text_add(b, s->attenuation_at_least ? "switches by at least " : "switches by ");
    number(b, s->attenuation_db, 1, " dB: attack ");
    number(b, s->attack_ms, 0, " ms, hold ");
    number(b, s->hold_ms, 0, " ms, release ");
    number(b, s->release_ms, 0, " ms\n\n");
}

static void ramp_row(ltp_textbuf *b, const char *word, double ms, lt_ramp_shape shape)
{
    ltp_text_row(b, word, ms, 1,
                 shape == LT_RAMP_EXPONENTIAL ? "ms, time constant (exponential)"
                 : shape == LT_RAMP_DB        ? "ms, whole ramp (straight in dB)"
                                              : "ms, whole ramp (straight in amplitude)");
}

static void beginnings(ltp_textbuf *b, const lt_switching *s)
{
    if (!lt_is_known(s->clipped_mean_ms))
        return;
    ltp_text_format(b, "  cut beginnings  %9u of %u, mean ", s->clipped, s->beginnings);
    number(b, s->clipped_mean_ms, 0, " ms, worst ");
    number(b, s->clipped_worst_ms, 0, " ms\n");
    if (s->clipped > 0 && s->clipped_mean_ms >= 20.0)
        ltp_text_wrap(
            b, "  Advice: ",
            "First syllables are cut. Raise the level at the switch's input or lower its threshold, so that it "
            "opens sooner; a shorter attack helps where it can be set.");
}

static void talk_offs(ltp_textbuf *b, const lt_switching *s)
{
    for (size_t i = 0; i < s->talk_off_count && i < TALK_OFF_SHOWN; i++) {
        ltp_text_add(b, i == 0 ? "  held by noise    " : "                   ");
        ltp_text_column(b, s->talk_offs[i].at_s, 1, 6);
        ltp_text_add(b, " s, for ");
        number(b, s->talk_offs[i].seconds, 1, " s at ");
        number(b, s->talk_offs[i].level_dbfs, 1, " dBFS\n");
    }
    if (s->talk_off_count > TALK_OFF_SHOWN)
        ltp_text_format(b, "                   and %zu more (--json lists all)\n", s->talk_off_count - TALK_OFF_SHOWN);
    if (s->talk_off_count > 0)
        ltp_text_wrap(
            b, "  Advice: ",
            s->direction == LT_SWITCHING_SAME
                ? "Steady noise, a truck perhaps, holds this path open and the opposite one down. Raise the "
                  "threshold above that level, or lower the microphone's gain before the switch."
                : "Steady noise of the side that is recorded as sent holds the opposite direction down. Raise "
                  "the threshold above that level, or lower the gain before the switch.");
}

lt_status lt_text_switching(const lt_switching *s, const char *name, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    answer(&b, s);
    ltp_text_format(&b, "  %-16s", "file");
    ltp_text_name(&b, name, NAME_WIDTH);
    ltp_text_format(&b, "\n  %-16s%9s%s\n", "direction", lt_switching_direction_name(s->direction),
                    s->direction == LT_SWITCHING_SAME ? ": returned is what the switch lets through"
                                                      : ": returned is turned down while sent talks");
    if (lt_is_known(s->delay_ms))
        ltp_text_row(&b, "delay", s->delay_ms, 2, "ms");
    if (s->switched) {
        ltp_text_row(&b, "attenuation", s->attenuation_db, 1, s->attenuation_at_least ? "dB or more" : "dB");
        ltp_text_row(&b, "doubt", s->attenuation_doubt_db, 1, "dB");
        ramp_row(&b, "attack", s->attack_ms, s->attack_shape);
        ltp_text_row(&b, "hold", s->hold_ms, 0, "ms after the last sound that triggers");
        ltp_text_row(&b, "doubt", s->hold_doubt_ms, 0, "ms");
        ramp_row(&b, "release", s->release_ms, s->release_shape);
        ltp_text_row(&b, "threshold", s->threshold_dbfs, 1, "dBFS in the sent channel");
        ltp_text_row(&b, "held by sent", s->talking_percent, 0, "% of the time");
        beginnings(&b, s);
        talk_offs(&b, s);
        if (s->single_transducer)
            ltp_text_wrap(&b, "  ",
                          "The returned side is as good as dead while sent talks: one transducer that is speaker and "
                          "microphone in turn, or a switch of very deep attenuation. Nobody can interrupt.");
    }
    ltp_text_notes(&b, "  Note: ", &s->notes);
    return ltp_text_take(&b, out, err);
}
