/* SPDX-License-Identifier: MIT
 * Limits that are violated at every offered setting: by how much, and the physical change that would meet them. dB. */
#include "tune/tune_internal.h"

#include <math.h>
#include <stdio.h>

static void safe_margin_advice(const ltp_evidence *e, double by_db, char *text, size_t size)
{
    const lt_tune_lane *l = e->lane;
    if (!e->loop_known) {
        (void)snprintf(
            text, size,
            "Record lane-coupling (stimulus on the outbound line, recorded from the inbound line): without it "
            "no setting above the present one can be called safe.");
        return;
    }
    if (l->listening == LT_LISTEN_LOUDSPEAKER && by_db <= 20.0)
        (void)snprintf(
            text, size,
            "The loop needs %.1f dB less coupling: a handset or headset at the counter (about 20 to 30 dB), or "
            "lane microphone and speaker farther apart and sealed from each other in the housing%s.",
            by_db, l->duplex == LT_DUPLEX_FULL ? ", or voice switching of at least that much" : "");
    else
        (void)snprintf(text, size,
                       "The loop needs %.1f dB less coupling: seal lane microphone and speaker from each other, double "
                       "their distance (about 6 dB), check the pairs for crosstalk%s.",
                       by_db, l->duplex == LT_DUPLEX_FULL ? ", or fit voice switching of at least that much" : "");
}

static void headroom_advice(const ltp_evidence *e, const lt_tune_figures *at, double by_db, char *text, size_t size)
{
    const lt_tune_lane *l = e->lane;
    if (lt_is_known(at->headroom_db) && at->headroom_db < 0.0)
        (void)snprintf(
            text, size,
            "Speech peaks clip the amplifier by %.1f dB: lower the line level before it, or fit an amplifier "
            "of %.1f times the power.",
            by_db, lt_power_from_db(by_db));
    else
        (void)snprintf(text, size,
                       "The speaker takes %.2f W of speech and is rated %.2f W: fit one rated %.1f W or more, or lower "
                       "the amplifier's gain by %.1f dB.",
                       at->speaker_power_w, l->speaker_power_w, ceil(at->speaker_power_w * 10.0) / 10.0, by_db);
}

static void echo_advice(const ltp_evidence *e, double by_db, char *text, size_t size)
{
    double one_way_ms = 0.0;
    for (size_t c = 0; c < e->count; c++)
        one_way_ms = fmax(one_way_ms, lt_is_known(e->cond[c].echo_one_way_ms) ? e->cond[c].echo_one_way_ms : 0.0);
    if (one_way_ms >= 5.0)
        (void)snprintf(text, size,
                       "The operator's echo needs %.1f dB more loss, or less delay than %.0f ms one way: take the "
                       "processing out of the path, or use an echo canceller.",
                       by_db, one_way_ms);
    else
        (void)snprintf(text, size,
                       "The operator's echo needs %.1f dB more loss: separate twisted pairs for both directions, seal "
                       "microphone and speaker from each other, or voice switching.",
                       by_db);
}

static void advice(const ltp_evidence *e, const lt_tune_figures *at, lt_limit k, double by_db, char *text, size_t size)
{
    switch (k) {
    case LT_LIMIT_SAFE_MARGIN:
        safe_margin_advice(e, by_db, text, size);
        break;
    case LT_LIMIT_EAR_LEVEL:
        (void)snprintf(text, size,
                       "Even the lowest outbound setting is %.1f dB too loud at the listening position: lower the "
                       "amplifier's own gain or the speaker's tap by that much.",
                       by_db);
        break;
    case LT_LIMIT_OPERATOR_LEVEL:
        (void)snprintf(text, size,
                       "Even the lowest inbound setting is %.1f dB too loud for the operator: lower the gain of the "
                       "counter's amplifier or earpiece by that much.",
                       by_db);
        break;
    case LT_LIMIT_HEADROOM:
        headroom_advice(e, at, by_db, text, size);
        break;
    case LT_LIMIT_PROPERTY_LINE:
        (void)snprintf(text, size,
                       "The property line needs %.1f dB less: bring the speaker nearer to the car window (half the "
                       "distance allows 6 dB less), turn it away from the line, or build a barrier. The local code "
                       "decides.",
                       by_db);
        break;
    case LT_LIMIT_TALKER_ECHO:
        echo_advice(e, by_db, text, size);
        break;
    case LT_LIMIT_RANGE:
    case LT_LIMIT_NOISE:
    case LT_LIMIT_TARGET:
    case LT_LIMIT_COUNT:
        break;
    }
}

void ltp_unmet(const ltp_evidence *e, lt_tune_result *r)
{
    const double d_out_db = e->lane->outbound.steps_db[0] - e->lane->outbound.recorded_db;
    const double d_in_db = e->lane->inbound.steps_db[0] - e->lane->inbound.recorded_db;
    for (int k = 0; k < LTP_LIMITS; k++) {
        const double slack = ltp_slack_at(e->slack_db, (lt_limit)k, d_out_db, d_in_db);
        if (!(slack < -LTP_SLACK_ROUNDING_DB))
            continue;
        lt_unmet *u = &r->unmet[r->unmet_count++];
        u->limit = (lt_limit)k;
        u->by_db = -slack;
        advice(e, &r->after, u->limit, u->by_db, u->advice, sizeof u->advice);
    }
}
