/* SPDX-License-Identifier: MIT
 * Text of margins for a terminal: one loop, and several lanes of a site. The answer stands in the first line. */
#include "report/text_build.h"

#include <math.h>
#include <stdio.h>

enum { NAME_WIDTH = 60, SETS_SHOWN = 24, LANES_WIDTH = 18 };

static void number_and(ltp_textbuf *b, double value, int decimals, const char *after)
{
    ltp_text_number(b, value, decimals);
    ltp_text_add(b, after);
}

static void margin_answer(ltp_textbuf *b, const lt_margin *m)
{
    if (!lt_is_known(m->safe_margin_db)) {
        ltp_text_add(b, "stable: there is no gain around the loop, it cannot howl\n");
        return;
    }
    if (!m->stable) {
        ltp_text_add(b, "UNSTABLE: it howls, ");
        number_and(b, -m->margin_db, 1, " dB above the onset at ");
        number_and(b, m->ring_hz, 0, " Hz; turn it down\n");
    } else if (lt_is_known(m->margin_db)) {
        ltp_text_add(b, "stable: ");
        number_and(b, m->margin_db, 1, " dB below howling at ");
        number_and(b, m->ring_hz, 0, " Hz\n");
    } else {
        ltp_text_add(b, "stable: no frequency comes round in phase\n");
    }
    ltp_text_add(b, "safe margin ");
    number_and(b, m->safe_margin_db, 1, " dB, whatever a car or the weather does to the phase\n");
}

static void colouration(ltp_textbuf *b, const lt_colouration *c)
{
    if (!lt_is_known(c->ripple_db))
        return;
    ltp_text_add(b, "  colouration     ");
    number_and(b, c->ripple_db, 1, " dB from the weakest to the strongest frequency, ");
    number_and(b, c->hz, 0, " Hz");
    if (lt_is_known(c->decay_s)) {
        ltp_text_add(b, ";\n                  rings on there for ");
        ltp_text_number(b, c->decay_s, c->decay_s < 0.1 ? 3 : 2);
        ltp_text_add(b, " s (60 dB)");
    }
    ltp_text_add(b, "\n");
}

static void attenuation(ltp_textbuf *b, double needed_db, double want_db)
{
    if (!lt_is_known(needed_db))
        return;
    ltp_text_add(b, "  voice switching ");
    if (needed_db > 0.0)
        number_and(b, needed_db, 1, " dB of attenuation would give a safe margin of ");
    else
        ltp_text_add(b, "not needed for a safe margin of ");
    number_and(b, want_db, 1, " dB\n");
}

static void candidates(ltp_textbuf *b, const lt_ring_candidate *list, size_t count)
{
    if (count > 0)
        ltp_text_add(b, "\n  would ring at    with margin   -3 dB width\n");
    for (size_t i = 0; i < count; i++) {
        ltp_text_column(b, list[i].hz, 0, 12);
        ltp_text_add(b, " Hz");
        ltp_text_column(b, list[i].margin_db, 1, 13);
        ltp_text_add(b, " dB");
        ltp_text_column(b, list[i].width_hz, list[i].width_hz < 10.0 ? 1 : 0, 11);
        ltp_text_add(b, lt_is_known(list[i].width_hz) ? " Hz\n" : "\n");
    }
}

static void notches(ltp_textbuf *b, const lt_margin *m)
{
    if (m->notch_count > 0)
        ltp_text_add(b, "\n  notches that help      Q        cut\n");
    for (size_t i = 0; i < m->notch_count; i++) {
        ltp_text_column(b, m->notches[i].hz, 0, 12);
        ltp_text_add(b, " Hz");
        ltp_text_column(b, m->notches[i].q, 1, 12);
        ltp_text_column(b, m->notches[i].cut_db, 1, 9);
        ltp_text_add(b, " dB\n");
    }
    if (m->notch_count > 0) {
        ltp_text_add(b, "  safe margin with them ");
        number_and(b, m->safe_margin_with_notches_db, 1, " dB\n");
    }
}

lt_status lt_text_margin(const lt_margin *m, double want_db, const char *name, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    margin_answer(&b, m);
    ltp_text_add(&b, "\n");
    ltp_text_format(&b, "  %-16s", "file");
    ltp_text_name(&b, name, NAME_WIDTH);
    ltp_text_add(&b, "\n");
    colouration(&b, &m->colouration);
    attenuation(&b, lt_needed_attenuation_db(m->safe_margin_db, want_db), want_db);
    candidates(&b, m->candidates, m->candidate_count);
    notches(&b, m);
    return ltp_text_take(&b, out, err);
}

/* ---- several lanes ---- */

void ltp_open_lanes(char text[64], const lt_open_margin *m, unsigned open, const char *between)
{
    size_t used = 0;
    text[0] = '\0';
    for (size_t i = 0; i < m->lane_count; i++) {
        if ((open >> i & 1u) == 0 || used + 12 > 64)
            continue;
        const int n = snprintf(text + used, 64 - used, "%s%u", used > 0 ? between : "", m->lanes[i].lane);
        used += n > 0 ? (size_t)n : 0;
    }
}

static size_t open_count(unsigned open)
{
    size_t count = 0;
    for (; open != 0; open &= open - 1)
        count++;
    return count;
}

static void open_answer(ltp_textbuf *b, const lt_open_margin *m)
{
    const lt_matrix_margin *s = &m->sets[0];
    char lanes[64];
    ltp_open_lanes(lanes, m, s->open, ", ");
    const char *which = open_count(s->open) > 1 ? "lanes" : "lane";
    if (!lt_is_known(s->margin_db)) {
        ltp_text_add(b, "stable: whatever lanes are open, nothing comes round in phase\n");
        return;
    }
    if (s->stable)
        ltp_text_format(b, "stable: with %s %s open, ", which, lanes);
    else
        ltp_text_format(b, "UNSTABLE: with %s %s open it howls, ", which, lanes);
    number_and(b, fabs(s->margin_db), 1, s->stable ? " dB below howling at " : " dB above the onset at ");
    number_and(b, s->ring_hz, 0, " Hz\n");
}

/* "lane 1 > 2": from lane 1's speaker into lane 2's microphone; the counters where there are several. */
static void ring_words(char text[80], const lt_open_margin *m, const lt_ring_path *p)
{
    text[0] = '\0';
    if (!p->known)
        return;
    const int n = snprintf(text, 80, "lane %u > %u", m->lanes[p->speaker_lane].lane, m->lanes[p->microphone_lane].lane);
    if (m->counter_count > 1 && n > 0 && n < 40)
        (void)snprintf(text + n, 80 - (size_t)n, ", counter %u > %u", m->counters[p->counter_speaker],
                       m->counters[p->counter_microphone]);
}

static void set_row(ltp_textbuf *b, const lt_open_margin *m, const lt_matrix_margin *s)
{
    char text[80];
    ltp_open_lanes(text, m, s->open, " ");
    ltp_text_format(b, "  %-*.*s", LANES_WIDTH, LANES_WIDTH, text);
    ltp_text_column(b, s->margin_db, 1, 6);
    ltp_text_column(b, s->safe_margin_db, 1, 8);
    ltp_text_column(b, lt_open_rule_db(m, s->open), 1, 8);
    ltp_text_column(b, s->ring_hz, 0, 8);
    ring_words(text, m, &s->path);
    ltp_text_format(b, "  %.28s\n", text);
}

static void set_table(ltp_textbuf *b, const lt_open_margin *m)
{
    ltp_text_add(b, "\n  open lanes        margin    safe    rule    ring  rings from speaker > mic\n"
                    "                        dB      dB      dB      Hz\n");
    for (size_t i = 0; i < m->set_count && i < SETS_SHOWN; i++)
        set_row(b, m, &m->sets[i]);
    if (m->set_count > SETS_SHOWN)
        ltp_text_format(b, "  and %zu more with a greater margin (--json lists all)\n", m->set_count - SETS_SHOWN);
    ltp_text_wrap(b, "  ",
                  "rule: each doubling of open microphones costs 3 dB (common practice), from the least safe margin of "
                  "the open lanes alone; what was measured counts.");
}

static void lane_part(ltp_textbuf *b, const lt_open_lane *l)
{
    const lt_margin *m = &l->margin;
    ltp_text_format(b, "\nlane %u alone: ", l->lane);
    if (!lt_is_known(m->safe_margin_db)) {
        ltp_text_add(b, "no gain around the loop\n");
        return;
    }
    ltp_text_add(b, "margin ");
    number_and(b, m->margin_db, 1, " dB, safe margin ");
    number_and(b, m->safe_margin_db, 1, " dB (demanded: ");
    number_and(b, l->want_db, 1, " dB)\n");
    colouration(b, &m->colouration);
    attenuation(b, l->needed_attenuation_db, l->want_db);
    candidates(b, m->candidates, m->candidate_count < 4 ? m->candidate_count : 4);
    notches(b, m);
    if (m->notch_count > 0 && l->notch.judged) {
        ltp_text_format(b, "  in the %s direction, where they cost ", l->notch.inbound ? "inbound" : "outbound");
        number_and(b, l->notch.sii_loss, 3, " of the SII\n");
    }
}

lt_status lt_text_open_margin(const lt_open_margin *m, const char *site, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    open_answer(&b, m);
    ltp_text_add(&b, "\n  site            ");
    ltp_text_name(&b, site, NAME_WIDTH);
    ltp_text_add(&b, "\n");
    set_table(&b, m);
    for (size_t i = 0; i < m->lane_count; i++)
        lane_part(&b, &m->lanes[i]);
    if (m->warnings.count + m->assumptions.count > 0)
        ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Note: ", &m->warnings);
    ltp_text_notes(&b, "Assumed: ", &m->assumptions);
    return ltp_text_take(&b, out, err);
}
