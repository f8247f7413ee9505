/* SPDX-License-Identifier: MIT
 * Words and numbers of the HTML report. */
#include "report/html.h"

#include <math.h>

const char *ltp_grade(double sii)
{
    if (!lt_is_known(sii))
        return "not rated";
    if (sii >= LTP_SII_GOOD)
        return "good";
    return sii < LTP_SII_POOR ? "poor" : "fair";
}

const char *ltp_limit_words(lt_limit limit)
{
    static const char *const words[LT_LIMIT_COUNT] = {
        [LT_LIMIT_SAFE_MARGIN] = "feedback margin",
        [LT_LIMIT_EAR_LEVEL] = "loudness at the customer\xE2\x80\x99s ear",
        [LT_LIMIT_OPERATOR_LEVEL] = "loudness at the operator\xE2\x80\x99s ear",
        [LT_LIMIT_HEADROOM] = "headroom of amplifier and speaker",
        [LT_LIMIT_PROPERTY_LINE] = "level at the property line",
        [LT_LIMIT_TALKER_ECHO] = "echo that the operator hears",
        [LT_LIMIT_RANGE] = "end of the adjuster\xE2\x80\x99s range",
        [LT_LIMIT_NOISE] = "noise",
        [LT_LIMIT_TARGET] = "target",
    };
    return (unsigned)limit < LT_LIMIT_COUNT ? words[limit] : "limit";
}

void ltp_put_value(ltp_textbuf *b, double value, int decimals, const char *unit)
{
    if (isinf(value) && value < 0.0) {
        ltp_text_add(b, "silence");
        return;
    }
    if (!lt_is_known(value)) {
        ltp_text_add(b, "not known");
        return;
    }
    const double smallest = 0.5 * pow(10.0, -decimals);
    if (value <= -smallest)
        ltp_text_add(b, LTP_MINUS);
    ltp_text_number(b, fabs(value), decimals);
    if (unit[0] != '\0') {
        ltp_text_add(b, "\xC2\xA0"); /* number and unit stay on one line */
        ltp_text_add(b, unit);
    }
}

/* 0, 1 or 2: what a setting needs to be shown as it stands on the dial. */
static int decimals_of(double x)
{
    if (fabs(x - round(x)) < 0.005)
        return 0;
    return fabs(10.0 * x - round(10.0 * x)) < 0.05 ? 1 : 2;
}

void ltp_put_dial(ltp_textbuf *b, double setting_db)
{
    if (lt_is_known(setting_db) && setting_db >= 0.005)
        ltp_text_add(b, "+");
    ltp_put_value(b, setting_db, lt_is_known(setting_db) ? decimals_of(setting_db) : 0, "dB");
}

bool ltp_is_moved(double now_db, double recommended_db)
{
    return lt_is_known(now_db) && lt_is_known(recommended_db) && fabs(recommended_db - now_db) > 0.005;
}

bool ltp_steps_between(const lt_adjuster *a, double now_db, size_t step, long *steps)
{
    for (size_t i = 0; i < a->step_count && i < LT_STEPS_MAX; i++) {
        if (fabs(a->steps_db[i] - now_db) < 0.005) {
            *steps = (long)step - (long)i;
            return true;
        }
    }
    return false;
}

void ltp_put_turned(ltp_textbuf *b, const lt_adjuster *a, double now_db, double recommended_db, size_t step)
{
    long steps = 0;
    if (!ltp_is_moved(now_db, recommended_db)) {
        ltp_text_add(b, "left as it is");
    } else if (ltp_steps_between(a, now_db, step, &steps) && steps != 0) {
        const long count = steps < 0 ? -steps : steps;
        ltp_text_format(b, "turned %ld step%s %s", count, count == 1 ? "" : "s", steps > 0 ? "up" : "down");
    } else {
        ltp_text_add(b, recommended_db > now_db ? "turned up by " : "turned down by ");
        const double change = fabs(recommended_db - now_db);
        ltp_put_value(b, change, decimals_of(change), "dB");
    }
}

void ltp_put_lane_name(ltp_textbuf *b, const ltp_lane_view *v)
{
    ltp_text_format(b, "Lane %u", v->result->lane);
    if (v->result->name[0] != '\0') {
        ltp_text_add(b, ", <bdi>");
        ltp_text_add_escaped(b, v->result->name);
        ltp_text_add(b, "</bdi>");
    }
}

/* ---- the verdict ---- */

static void put_quality(ltp_textbuf *b, double outbound, double inbound)
{
    const bool out_known = lt_is_known(outbound), in_known = lt_is_known(inbound);
    if (!out_known && !in_known)
        ltp_text_add(b, "How well speech is understood cannot be told from these recordings");
    else if (!out_known || !in_known)
        ltp_text_format(b, "Speech is %s %s, and cannot be rated %s", ltp_grade(out_known ? outbound : inbound),
                        out_known ? "to the customer" : "to the operator",
                        out_known ? "to the operator" : "to the customer");
    else if (ltp_grade(outbound) == ltp_grade(inbound))
        ltp_text_format(b, "Speech is %s both ways", ltp_grade(outbound));
    else
        ltp_text_format(b, "Speech is %s to the customer and %s to the operator", ltp_grade(outbound),
                        ltp_grade(inbound));
}

static void put_action(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_result *r = v->result;
    if (!ltp_is_moved(r->outbound_now_db, r->outbound_recommended_db) &&
        !ltp_is_moved(r->inbound_now_db, r->inbound_recommended_db)) {
        ltp_text_add(b, " with both settings left as they are");
        return;
    }
    ltp_text_add(b, " with outbound ");
    ltp_put_turned(b, &v->tune->outbound, r->outbound_now_db, r->outbound_recommended_db, r->outbound_step);
    ltp_text_add(b, " and inbound ");
    ltp_put_turned(b, &v->tune->inbound, r->inbound_now_db, r->inbound_recommended_db, r->inbound_step);
}

static void put_reason(ltp_textbuf *b, const lt_tune_result *r)
{
    if (r->binding_count == 0)
        return;
    switch (r->binding[0].limit) {
    case LT_LIMIT_TARGET:
        return;
    case LT_LIMIT_NOISE:
        ltp_text_add(b, "; against the noise that is left, more gain does not help");
        return;
    case LT_LIMIT_RANGE:
        ltp_text_add(b, "; the adjuster goes no farther");
        return;
    case LT_LIMIT_SAFE_MARGIN:
    case LT_LIMIT_EAR_LEVEL:
    case LT_LIMIT_OPERATOR_LEVEL:
    case LT_LIMIT_HEADROOM:
    case LT_LIMIT_PROPERTY_LINE:
    case LT_LIMIT_TALKER_ECHO:
    case LT_LIMIT_COUNT:
        break;
    }
    ltp_text_format(b, "; the %s allows no more", ltp_limit_words(r->binding[0].limit));
}

void ltp_put_verdict(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_result *r = v->result;
    if (r->unmet_count > 0) {
        ltp_text_format(b, "No setting keeps every limit: even at the quietest, the %s is missed",
                        ltp_limit_words(r->unmet[0].limit));
        if (lt_is_known(r->unmet[0].by_db)) {
            ltp_text_add(b, " by ");
            ltp_put_value(b, r->unmet[0].by_db, 1, "dB");
        }
        ltp_text_add(b, ", so something has to be changed at the lane itself.");
        return;
    }
    put_quality(b, r->after.sii_outbound, r->after.sii_inbound);
    put_action(b, v);
    put_reason(b, r);
    ltp_text_add(b, ".");
}
