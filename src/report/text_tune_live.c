/* SPDX-License-Identifier: MIT
 * Text of lanes that were dialled in and measured again: the verdict first, then before, predicted, measured. */
#include "report/text_build.h"

#include <stdio.h>

static void verdict(ltp_textbuf *b, const lt_dialled_lane *l)
{
    ltp_text_format(b, "lane %u%s", l->lane, l->name[0] != '\0' ? ", " : "");
    ltp_text_name(b, l->name, 24);
    if (!l->dialled)
        ltp_text_add(b, ": stays as it is\n");
    else if (!l->measured_again)
        ltp_text_add(b, ": dialled in, not measured again\n");
    else if (l->unstable)
        ltp_text_add(b, ": UNSTABLE, turn both knobs back\n");
    else if (l->unmet_count > 0)
        ltp_text_add(b, ": dialled in, but it misses a limit\n");
    else
        ltp_text_add(b, ": dialled in and measured, all limits hold\n");
}

static void knobs(ltp_textbuf *b, const lt_dialled_lane *l)
{
    const struct {
        const char *word;
        double from_db, to_db;
    } rows[] = {{"outbound", l->outbound_from_db, l->outbound_to_db},
                {"inbound", l->inbound_from_db, l->inbound_to_db}};
    for (size_t i = 0; i < 2; i++) {
        ltp_text_format(b, "  %-9s", rows[i].word);
        ltp_text_column(b, rows[i].from_db, 1, 6);
        ltp_text_add(b, " ->");
        ltp_text_column(b, rows[i].to_db, 1, 6);
        ltp_text_add(b, " dB\n");
    }
}

static void figures(ltp_textbuf *b, const lt_dialled_lane *l)
{
    const lt_tune_figures *x = &l->before, *p = &l->predicted, *m = &l->measured;
    const struct {
        const char *word, *unit;
        double before, predicted, measured;
        int decimals;
    } rows[] = {
        {"SII to the customer", "", x->sii_outbound, p->sii_outbound, m->sii_outbound, 3},
        {"SII to the operator", "", x->sii_inbound, p->sii_inbound, m->sii_inbound, 3},
        {"safe margin", " dB", x->safe_margin_db, p->safe_margin_db, m->safe_margin_db, 1},
        {"margin to howling", " dB", x->margin_db, p->margin_db, m->margin_db, 1},
        {"speech at the customer's ear", " dB(A)", x->ear_dba, p->ear_dba, m->ear_dba, 1},
        {"speech at the operator's ear", " dB(A)", x->operator_dba, p->operator_dba, m->operator_dba, 1},
        {"speech at the property line", " dB(A)", x->property_line_dba, p->property_line_dba, m->property_line_dba, 1},
        {"talker echo TELR", " dB", x->echo_telr_db, p->echo_telr_db, m->echo_telr_db, 1},
    };
    ltp_text_format(b, "\n  %-30s%10s%11s%10s\n", "", "before", "predicted", "measured");
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        if (!lt_is_known(rows[i].before) && !lt_is_known(rows[i].measured))
            continue;
        ltp_text_format(b, "  %-30s", rows[i].word);
        ltp_text_column(b, rows[i].before, rows[i].decimals, 10);
        ltp_text_column(b, rows[i].predicted, rows[i].decimals, 11);
        ltp_text_column(b, rows[i].measured, rows[i].decimals, 10);
        ltp_text_format(b, "%s\n", rows[i].unit);
    }
}

static const char *limit_word(lt_limit limit)
{
    static const char *const words[LT_LIMIT_COUNT] = {
        [LT_LIMIT_SAFE_MARGIN] = "the safe margin is short",
        [LT_LIMIT_EAR_LEVEL] = "speech at the customer's ear is too loud",
        [LT_LIMIT_OPERATOR_LEVEL] = "speech at the operator's ear is too loud",
        [LT_LIMIT_HEADROOM] = "the amplifier's headroom is short",
        [LT_LIMIT_PROPERTY_LINE] = "speech at the property line is too loud",
        [LT_LIMIT_TALKER_ECHO] = "the operator hears too much of the own voice",
    };
    return (unsigned)limit < LT_LIMIT_COUNT && words[limit] != NULL ? words[limit] : "a limit is missed";
}

static void misses(ltp_textbuf *b, const lt_dialled_lane *l)
{
    char line[200];
    if (l->unmet_count + l->missed_count + l->notes.count > 0)
        ltp_text_add(b, "\n");
    for (size_t i = 0; i < l->unmet_count; i++) {
        (void)snprintf(line, sizeof line, "%s by %.1f dB", limit_word(l->unmet[i].limit), l->unmet[i].by_db);
        ltp_text_wrap(b, "  ! ", line);
    }
    for (size_t i = 0; i < l->missed_count; i++) {
        (void)snprintf(line, sizeof line, "not measured again: %s; what it says holds for the settings of before",
                       l->missed[i]);
        ltp_text_wrap(b, "  - ", line);
    }
    ltp_text_notes(b, "  - ", &l->notes);
}

lt_status lt_text_tune_live(const lt_dialled *d, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    if (d->visit_after != NULL)
        ltp_text_format(&b, "Visit %s was dialled in and measured again as visit %s\n", d->visit_before,
                        d->visit_after);
    else
        ltp_text_format(&b, "Nothing was dialled in; visit %s stays the last one\n", d->visit_before);
    for (size_t i = 0; i < d->count; i++) {
        const lt_dialled_lane *l = &d->lanes[i];
        ltp_text_add(&b, "\n");
        verdict(&b, l);
        if (l->dialled) {
            knobs(&b, l);
            figures(&b, l);
        }
        misses(&b, l);
    }
    return ltp_text_take(&b, out, err);
}
