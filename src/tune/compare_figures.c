/* SPDX-License-Identifier: MIT
 * What the changes do to the lane: margin, intelligibility, echo at the same settings; settings and calibrations. */
#include "tune/compare.h"

#include <math.h>
#include <stdio.h>

static const double margin_doubt_db = 1.0, sii_doubt = 0.03, echo_doubt_db = 1.0;

/* The first cause among the findings, as a half-sentence. */
static const char *first_cause(const lt_compare_lane *l, bool of_loop)
{
    for (size_t i = 0; i < l->finding_count; i++) {
        switch (l->findings[i].code) {
        case LT_FINDING_LANE_COUPLING:
        case LT_FINDING_COUNTER_COUPLING:
            if (of_loop)
                return "It follows from the coupling, see there.";
            break;
        case LT_FINDING_OUTBOUND_LEVEL:
        case LT_FINDING_MICROPHONE_LEVEL:
        case LT_FINDING_INBOUND_LEVEL:
            return of_loop ? "It follows from the change of level, see there."
                           : "It follows from the level, see there.";
        case LT_FINDING_OUTBOUND_TREBLE:
        case LT_FINDING_MICROPHONE_TREBLE:
        case LT_FINDING_INBOUND_TREBLE:
            return "It follows from the change of treble, see there.";
        case LT_FINDING_NOISE:
        case LT_FINDING_HUM:
        case LT_FINDING_TALK_TEST:
            if (!of_loop)
                return "It follows from the noise or the talk test, see there.";
            break;
        case LT_FINDING_OUTBOUND_BASS:
        case LT_FINDING_BANDS:
        case LT_FINDING_POLARITY:
        case LT_FINDING_DELAY:
        case LT_FINDING_DISTORTION:
        case LT_FINDING_MARGIN:
        case LT_FINDING_SII:
        case LT_FINDING_ECHO:
        case LT_FINDING_SETTINGS:
        case LT_FINDING_SETTING_WITHOUT_EFFECT:
        case LT_FINDING_CALIBRATION:
        case LT_FINDING_NOT_COMPARED:
        case LT_FINDING_NOTHING:
        case LT_FINDING_CODE_COUNT:
            break;
        }
    }
    return "No single path stands out: small changes add up, or the recordings differ.";
}

static void margin(ltp_compare *c)
{
    const double b = c->out->figures_before.safe_margin_db, a = c->out->figures_after.safe_margin_db;
    const double limit = c->after->lane->safe_margin_limit_db;
    if (!lt_is_known(b) || !lt_is_known(a) || fabs(a - b) <= margin_doubt_db)
        return;
    const bool newly_missed = lt_is_known(limit) && a < limit && b >= limit;
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_MARGIN,
                                                           .kind = a < b ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = "margin",
                                                           .unit = "dB",
                                                           .change = a - b,
                                                           .probability = 0.9,
                                                           .over_limit = newly_missed || b - a >= c->opt->worse_db});
    ltp_compare_say(f->evidence, "Safe margin at the same settings %.1f dB, was %.1f dB; demanded %.1f dB%s.", a, b,
                    limit, newly_missed ? ", which it now misses" : "");
    ltp_compare_say(f->cause, "%s", first_cause(c->out, true));
    if (a < b)
        ltp_compare_say(f->next_step,
                        "Until the cause is mended: set outbound %+.1f dB and inbound %+.1f dB, which tune "
                        "recommends now.",
                        c->out->outbound_recommended_db.after, c->out->inbound_recommended_db.after);
    else
        ltp_compare_say(f->next_step, "Run tune: there may be room for more gain.");
}

/* Traffic of another hour moves the index without anything having changed: a few dB of noise in the doubt of the noise
 * are worth 1/30 of the index each (the range of audibility, ANSI S3.5). */
static double sii_doubt_of(const lt_compare_lane *l, bool outbound)
{
    double d = sii_doubt;
    for (size_t i = 0; i < l->noise_count; i++) {
        const lt_compare_noise *n = &l->noises[i];
        const double moved = fmax(fabs(n->la10_db.after - n->la10_db.before), fabs(n->difference_db));
        const bool counts = n->kind == (outbound ? LT_COMPARE_NOISE_EAR : LT_COMPARE_NOISE_MIC);
        if (counts && fabs(n->difference_db) <= n->doubt_db && lt_is_known(moved))
            d = fmax(d, sii_doubt + moved / 30.0);
    }
    return d;
}

static void sii(ltp_compare *c, bool outbound)
{
    const double b = outbound ? c->out->figures_before.sii_outbound : c->out->figures_before.sii_inbound;
    const double a = outbound ? c->out->figures_after.sii_outbound : c->out->figures_after.sii_inbound;
    if (!lt_is_known(b) || !lt_is_known(a) || fabs(a - b) <= sii_doubt_of(c->out, outbound))
        return;
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_SII,
                                                           .kind = a < b ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = outbound ? "sii-outbound" : "sii-inbound",
                                                           .unit = "",
                                                           .change = a - b,
                                                           .probability = 0.8,
                                                           .over_limit = b - a >= c->opt->worse_sii});
    ltp_compare_say(f->evidence, "SII to the %s at the same settings %.2f, was %.2f.",
                    outbound ? "customer" : "operator", a, b);
    ltp_compare_say(f->cause, "%s", first_cause(c->out, false));
    ltp_compare_say(f->next_step, a < b ? "Mend the cause first; gain against it costs margin." : "Nothing.");
}

static void echo(ltp_compare *c)
{
    const double b = c->out->figures_before.echo_telr_db, a = c->out->figures_after.echo_telr_db;
    if (!lt_is_known(b) || !lt_is_known(a) || fabs(a - b) <= echo_doubt_db)
        return;
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_ECHO,
                                                           .kind = a < b ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = "echo",
                                                           .unit = "dB",
                                                           .change = a - b,
                                                           .probability = 0.85,
                                                           .over_limit = b - a >= c->opt->worse_db});
    ltp_compare_say(f->evidence, "Talker echo (TELR) at the same settings %.1f dB, was %.1f dB.", a, b);
    ltp_compare_say(f->cause, "%s", first_cause(c->out, true));
    ltp_compare_say(f->next_step, a < b ? "Mend the coupling; lower both gains until then." : "Nothing.");
}

static void settings(ltp_compare *c)
{
    const double d_out = ltp_compare_outbound_change_db(c), d_in = ltp_compare_inbound_change_db(c);
    if (!(fabs(d_out) > 0.05) && !(fabs(d_in) > 0.05))
        return;
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_SETTINGS,
                                                           .kind = LT_FINDING_NOTE,
                                                           .unit = "dB",
                                                           .change = d_out + d_in,
                                                           .probability = 1.0});
    ltp_compare_say(f->evidence, "Settings while recording: outbound %.1f, was %.1f dB; inbound %.1f, was %.1f dB.",
                    c->out->outbound_setting_db.after, c->out->outbound_setting_db.before,
                    c->out->inbound_setting_db.after, c->out->inbound_setting_db.before);
    ltp_compare_say(f->cause,
                    "Somebody turned them; the change is taken out of the paths, and figures are those at the "
                    "present now_db of site.yaml.");
    ltp_compare_say(f->next_step, "Nothing, if that was on purpose.");
}

static void calibration(ltp_compare *c)
{
    const struct {
        const char *name;
        double before, after, from_db;
    } rows[] = {
        {"mic_cal_db", c->before->lane->mic_cal_db, c->after->lane->mic_cal_db, 3.0},
        {"loopback_db", c->before->lane->loopback_db, c->after->lane->loopback_db, 3.0},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        const double d = rows[i].after - rows[i].before;
        const bool missing = i == 0 && lt_is_known(rows[i].before) != lt_is_known(rows[i].after);
        if (!missing && !(fabs(d) >= rows[i].from_db))
            continue;
        lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_CALIBRATION,
                                                               .kind = LT_FINDING_NOTE,
                                                               .path = rows[i].name,
                                                               .unit = "dB",
                                                               .change = missing ? (double)NAN : d,
                                                               .probability = 1.0});
        if (missing)
            ltp_compare_say(f->evidence, "%s is known in one visit only.", rows[i].name);
        else
            ltp_compare_say(f->evidence, "%s %.1f dB, was %.1f dB.", rows[i].name, rows[i].after, rows[i].before);
        ltp_compare_say(f->cause, missing
                                      ? "Levels at the microphone cannot be compared as a whole, only their shape."
                                      : "Another gain of the recorder or another microphone; taken out of all levels.");
        ltp_compare_say(f->next_step, missing ? "Calibrate at each visit."
                                              : "Nothing, if the recorder's gain was changed; else calibrate again.");
    }
}

void ltp_compare_find_figures(ltp_compare *c)
{
    if (c->out->figures_known) {
        margin(c);
        sii(c, true);
        sii(c, false);
        echo(c);
    }
    settings(c);
    calibration(c);
}
