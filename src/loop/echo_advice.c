/* SPDX-License-Identifier: MIT
 * What a technician does next, within five minutes, for each finding. Common practice of the trade. */
#include "loop/echo_internal.h"

#include <math.h>

static void say(lt_echo *e, const char *code, const char *text)
{
    lt_notes_add(&e->advice, code, "%s", text);
}

static void crosstalk(lt_echo *e)
{
    say(e, "unplug-speaker", "Unplug the lane speaker and record again: if the echo stays, it never left the wires.");
    say(e, "re-terminate",
        "Re-terminate both pairs: no split pairs, shield landed at one end only, outbound and inbound on separate "
        "twisted pairs.");
    say(e, "separate-runs",
        "Move the speaker pair away from the microphone pair where they share a conduit or punch-down.");
}

static void acoustic(lt_echo *e)
{
    say(e, "cover-microphone",
        "Press a thick cloth over the microphone opening: if the echo falls, sound gets in there; if not, it comes "
        "through the housing.");
    say(e, "foam-gasket",
        "Put foam behind the speaker and a closed gasket round speaker and microphone; look for open cable holes "
        "between them.");
    say(e, "lower", "Lower the outbound level 3 dB and aim speaker and microphone apart: the echo falls dB for dB.");
}

static void reflection(lt_echo *e)
{
    double path_m = 0.0, best = -1e9;
    for (size_t i = 1; i < e->arrival_count; i++)
        if (e->arrivals[i].path_m > 0.5 && e->arrivals[i].level_db > best) {
            best = e->arrivals[i].level_db;
            path_m = e->arrivals[i].path_m;
        }
    lt_notes_add(&e->advice, "find-surface",
                 "Look for a hard surface about %.1f m from the speaker (a path %.1f m longer than the direct one): "
                 "canopy, wall, menu board, door, car.",
                 path_m / 2.0, path_m);
    say(e, "hold-blanket",
        "Have somebody hold a blanket or foam in front of that surface and record again: the copy must fall.");
    say(e, "turn-speaker", "Turn the speaker and the microphone away from it, or put absorber on it.");
}

static void processing(lt_echo *e)
{
    lt_notes_add(
        &e->advice, "bypass",
        "Bypass the digital parts one after the other (hub, network link, wireless base) and record again: the "
        "one that takes the %.0f ms with it is the one.",
        fabs(e->delay_ms));
    say(e, "canceller",
        "An echo this late needs an echo canceller in that part, switched on and with a tail longer than the delay.");
    say(e, "buffers", "Shorten its buffers or choose its low-delay mode where it has one.");
}

static void near_howl(lt_echo *e)
{
    say(e, "turn-down",
        "Turn the inbound or outbound level down 3 dB and record again: the repeats of a loop die away much faster "
        "then, those between two walls do not.");
    if (lt_is_known(e->repeat_db))
        lt_notes_add(
            &e->advice, "margin",
            "Each pass around the loop loses only %.1f dB: that is the feedback margin. Bring it to 6 dB or more.",
            -e->repeat_db);
    say(e, "other-end", "At the counter, a headset in place of the loudspeaker opens the loop.");
}

static void unclear(lt_echo *e)
{
    const lt_echo_finding b = e->rival;
    if (lt_notes_has(&e->notes, "swapped"))
        say(e, "swap",
            "Run it again with sent and returned the other way round; sent is the line towards the lane speaker.");
    else if (lt_notes_has(&e->notes, "recorder-offset"))
        say(e, "one-recorder",
            "Record sent and returned on two channels of one recorder: only then the delay tells the cause.");
    else if (b == LT_ECHO_CROSSTALK || (b == LT_ECHO_ACOUSTIC && e->delay_ms < 1.0))
        say(e, "unplug-speaker",
            "Unplug the lane speaker and record again: an echo that stays is crosstalk, one that goes is acoustic.");
    else if (b == LT_ECHO_REFLECTION && e->delay_ms > 5.0)
        say(e, "cover-microphone",
            "Tap the lane microphone while recording both lines, and hold a blanket before the nearest hard surface: "
            "an "
            "echo that falls is a reflection, one that stays as late is processing.");
    else if (b == LT_ECHO_REFLECTION)
        say(e, "hold-blanket",
            "Hold a blanket before the nearest hard surface and record again: if the late copy falls it is a "
            "reflection, else cover the microphone.");
    else
        say(e, "record-longer", "Record 30 s of clear speech with nobody talking at the other end.");
}

void ltp_echo_advise(const ltp_echo_reading *r, const lt_echo_options *o, lt_echo *e)
{
    (void)r;
    (void)o;
    switch (e->finding) {
    case LT_ECHO_CROSSTALK:
        crosstalk(e);
        break;
    case LT_ECHO_ACOUSTIC:
        acoustic(e);
        break;
    case LT_ECHO_REFLECTION:
        reflection(e);
        break;
    case LT_ECHO_PROCESSING:
        processing(e);
        break;
    case LT_ECHO_NEAR_HOWL:
        near_howl(e);
        break;
    case LT_ECHO_UNCLEAR:
        unclear(e);
        break;
    case LT_ECHO_NONE:
        say(e, "nothing", "No echo to cure. If somebody complains, record at the time and place where it is heard.");
        break;
    case LT_ECHO_FINDING_COUNT:
    default:
        break;
    }
}
