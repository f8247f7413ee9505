/* SPDX-License-Identifier: MIT
 * A new site folder: site.yaml and visit.yaml with every field explained, and the folders for the recordings. What is
 * written here reads back as exactly the defaults. */
#include "base/alloc.h"
#include "site/folder.h"
#include "site/words.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

static const char site_head[] = "# A site: its counters (the operator's end) and its lanes (the customer's end).\n"
                                "# A line that is removed takes its default, which is what stands here.\n"
                                "# null = not known, or no such limit.\n\n";

static const char counters[] = "counters:\n"
                               "  - counter: 1                   # number; the lanes name it\n"
                               "    name: \"\"                     # free text\n"
                               "    listening: loudspeaker       # loudspeaker | handset | headset\n"
                               "    line_speech_dbov: -26        # operator's speech level on the outbound line\n"
                               "                                 # while active, dBov; -26 is usual\n"
                               "    coupling_db: null            # counter speaker to counter microphone, line\n"
                               "                                 # to line, dB; used where no recording says\n"
                               "                                 # it. null: loudspeaker -10, handset -30,\n"
                               "                                 # headset -40\n"
                               "    talk_percent: null           # of the shift, somebody is heard; null: 30\n"
                               "    shift_hours: null            # for the operator's exposure; null: 8\n\n"
                               "lanes:\n";

static const char lane_body[] = "    name: \"\"                     # free text\n"
                                "    counter: 1                   # number of its counter\n"
                                "    duplex: full                 # full | voice-switched | push-to-talk\n"
                                "    switching_attenuation_db: 20 # of a voice-switched lane, dB\n"
                                "    outbound:                    # volume towards the customer, dB re any zero\n"
                                "      now_db: 0                  # where it stands while the recordings are made\n"
                                "      min_db: -20                # lowest setting offered\n"
                                "      max_db: 10                 # highest setting offered\n"
                                "      step_db: 1                 # from one setting to the next\n"
                                "      steps_db: null             # a table such as [-20, -14, -9, -5, -2, 0, 2]\n"
                                "                                 # takes the place of min_db, max_db and step_db\n"
                                "      shared: \"\"                 # settings with the same word here are one knob\n"
                                "    inbound:                     # volume towards the operator, the same fields\n"
                                "      now_db: 0\n"
                                "      min_db: -20\n"
                                "      max_db: 10\n"
                                "      step_db: 1\n"
                                "      steps_db: null\n"
                                "      shared: \"\"\n"
                                "    eq:                          # equalizer of the lane\n"
                                "      kind: none                 # none | graphic | parametric\n"
                                "      bands_hz: null             # of a graphic one: [125, 250, 500, 1000, 2000]\n"
                                "      min_db: -12                # deepest cut\n"
                                "      max_db: 6                  # highest boost\n"
                                "      step_db: 1\n"
                                "      filters: 0                 # of a parametric one: how many\n"
                                "    vocal_effort: normal         # of customers, where no talk test is recorded:\n"
                                "                                 # normal | raised | loud | shout\n"
                                "    distances:                   # metres\n"
                                "      speaker_to_ear_m: 1        # lane speaker to the customer's ear\n"
                                "      mouth_to_microphone_m: 1   # customer's mouth to lane microphone\n"
                                "      speaker_to_microphone_m: 0.3 # inside the panel\n"
                                "      speaker_to_property_line_m: null # where a neighbour's limit counts\n"
                                "      speaker_to_bystander_m: null # who should not understand; null: not asked\n"
                                "    amplifier:\n"
                                "      clip_line_dbfs: null       # line level (sine, dBFS) at which it clips,\n"
                                "                                 # outbound at now_db\n"
                                "      volts_at_0_dbfs: null      # volts RMS at its output for 0 dBFS on the\n"
                                "                                 # line, outbound at now_db\n"
                                "    speaker:\n"
                                "      impedance_ohm: 8           # nominal\n"
                                "      power_w: null              # rated long-term power, watts\n"
                                "    cable:                       # amplifier to lane speaker\n"
                                "      gauge_awg: 18\n"
                                "      length_m: 30               # one way, metres\n"
                                "    limits:\n"
                                "      safe_margin_db: 6          # distance to feedback that must remain\n"
                                "      ear_dba: 80                # speech at the customer's ear, at most\n"
                                "      operator_dba: 80           # speech at the operator's ear, at most\n"
                                "      property_line_dba: null    # speech at the property line, at most\n"
                                "      talker_echo: acceptable    # the operator's own voice coming back (ITU-T\n"
                                "                                 # G.131): acceptable | limiting | off\n"
                                "    target_sii: 0.75             # speech intelligibility index that is enough\n"
                                "    noise: busy                  # settings are chosen for it: busy (L10) |\n"
                                "                                 # usual (Leq)\n";

/* Behind "conditions:", "settings:" and "couplings:" stands no [], so that the example below is an entry of the list as
 * soon as its # is gone; until then the field is null, which is an empty list. */
static const char visit_body[] = "who: \"\"                          # who made the recordings\n"
                                 "weather: \"\"\n"
                                 "notes: \"\"\n"
                                 "mic_cal_db: null                 # measurement microphone: the SPL that reads\n"
                                 "                                 # 0 dBFS in its recordings. Without it no\n"
                                 "                                 # result in dB SPL, so no settings: record a\n"
                                 "                                 # 94 dB calibrator; mic_cal_db = 94 - its level\n"
                                 "                                 # in dBFS\n"
                                 "mic_channel: 1                   # its channel in files of two or more channels\n"
                                 "line_channel: 2                  # channel of the line in such files\n"
                                 "loopback_db: 0                   # output wired to the line input: what 0 dBFS\n"
                                 "                                 # played reads there, dBFS\n"
                                 "lane_mic_cal_db: null            # SPL at the lane microphone that makes 0 dBFS\n"
                                 "                                 # on the inbound line; only without a talk test\n"
                                 "conditions:                      # what the conditions in the file names mean:\n"
                                 "#  - {condition: car, text: \"saloon car, window open\"}\n"
                                 "settings:                        # where the settings of this visit differ from\n"
                                 "                                 # now_db in site.yaml:\n"
                                 "#  - {lane: 1, outbound_db: 0, inbound_db: 0}\n"
                                 "\n"
                                 "# The recordings go into the folders lane-1, lane-2, ... beside this file:\n"
                                 "#   outbound.wav          stimulus on the outbound line, microphone at the ear\n"
                                 "#   lane-coupling.wav     stimulus on the outbound line, inbound line recorded\n"
                                 "#   noise-ear.wav         noise at the customer's ear\n"
                                 "#   noise-mic.wav         noise on the inbound line, nobody talks\n"
                                 "#   talk-test.wav         somebody reads sentences at the lane, inbound line\n"
                                 "#   inbound.wav           stimulus on the inbound line, microphone at the\n"
                                 "#                         operator's ear\n"
                                 "#   counter-coupling.wav  stimulus on the inbound line, outbound line recorded\n"
                                 "#   noise-counter.wav     noise at the operator's ear, intercom muted\n"
                                 "#   bystander.wav         stimulus on the outbound line, microphone where\n"
                                 "#                         somebody is who should not understand;\n"
                                 "#                         noise-bystander.wav: the noise there. Both only where\n"
                                 "#                         privacy counts\n"
                                 "#   cross-coupling-from-2.wav  in lane-1: stimulus on the outbound line of\n"
                                 "#                              lane 2, inbound line of lane 1 recorded\n"
                                 "# inbound, counter-coupling and noise-counter may lie once in counter-1. With a\n"
                                 "# car at the lane: outbound.car.wav and so on. stimulus.wav, the file that was\n"
                                 "# played, lies here.\n";

static const char couplings[] = "couplings:                       # what no recording tells of the way from lane\n"
                                "                                 # to lane or counter to counter:\n"
                                "#  - between: lanes              # lanes | counters\n"
                                "#    from: 1                     # whose loudspeaker\n"
                                "#    to: 2                       # whose microphone\n"
                                "#    level_db: null              # flat coupling, line to line, dB\n"
                                "#    distance_m: 4               # without a level: metres between them\n";

/* With one lane and one counter an entry would name a lane that is not there. */
static const char no_couplings[] = "couplings:                       # of several lanes or counters: what no\n"
                                   "                                 # recording tells of the way between them\n";

static lt_status save_site(const char *dir, const char *name, unsigned lanes, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    ltp_sheet t = {0};
    ltp_sheet_add(&t, "%ssite: ", site_head);
    ltp_sheet_quoted(&t, name);
    ltp_sheet_add(&t, "\ntemperature_c: 20                # of the air, degrees Celsius: speed of sound\n%s", counters);
    for (unsigned i = 1; i <= lanes; i++)
        ltp_sheet_add(&t, "%s  - lane: %-22u # number; recordings: visits/DATE/lane-%u/\n%s", i > 1 ? "\n" : "", i, i,
                      lane_body);
    ltp_sheet_add(&t, "\n%s", lanes > 1 ? couplings : no_couplings);
    lt_status st = ltp_site_path(path, err, "%s/site.yaml", dir);
    if (st != LT_OK)
        t.failed = true;
    const lt_status saved = ltp_sheet_save(&t, path, err);
    return st != LT_OK ? st : saved;
}

static lt_status save_visit(const char *dir, const char *date, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    lt_status st = ltp_site_path(path, err, "%s/visits/%s/visit.yaml", dir, date);
    if (st != LT_OK)
        return st;
    ltp_sheet t = {0};
    ltp_sheet_add(&t, "# One visit: a day of recordings. A line that is removed takes its default.\n\ndate: ");
    ltp_sheet_quoted(&t, date);
    ltp_sheet_add(&t, "\n%s", visit_body);
    return ltp_sheet_save(&t, path, err);
}

static lt_status make_folders(const char *dir, const char *date, unsigned lanes, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX], folder[32];
    lt_status st = LT_OK;
    for (unsigned i = 0; i <= lanes && st == LT_OK; i++) {
        ltp_folder_name(i == 0, i == 0 ? 1 : i, folder);
        st = ltp_site_path(path, err, "%s/visits/%s/%s", dir, date, folder);
        if (st == LT_OK)
            st = ltp_folder_make(path, err);
    }
    return st;
}

lt_status lt_site_new(const char *dir, const char *site_name, const char *date, unsigned lanes, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    struct stat s;
    if (lanes < 1 || lanes > LT_SITE_LANES_MAX)
        return ltp_fail(err, LT_E_ARG, "%u lanes; a site has 1 to %d", lanes, (int)LT_SITE_LANES_MAX);
    if (!ltp_is_visit_name(date))
        return ltp_fail(err, LT_E_ARG,
                        "visit '%.40s': use letters, digits, '-', '_' and '.', at most 31, such as 2024-05-14", date);
    if (site_name != NULL && strlen(site_name) >= LT_TEXT_MAX)
        return ltp_fail(err, LT_E_ARG, "the name of the site has %zu bytes; at most %d are kept, shorten it",
                        strlen(site_name), LT_TEXT_MAX - 1);
    lt_status st = ltp_site_path(path, err, "%s/site.yaml", dir);
    if (st != LT_OK)
        return st;
    if (lstat(path, &s) == 0 || (errno != ENOENT && errno != ENOTDIR))
        return ltp_fail(err, LT_E_ARG, "%s: is there already and stays as it is; choose another folder", path);
    st = make_folders(dir, date, lanes, err);
    if (st == LT_OK)
        st = save_visit(dir, date, err);
    /* Last, so that an interrupted run can simply be repeated. */
    return st == LT_OK ? save_site(dir, site_name != NULL ? site_name : "", lanes, err) : st;
}
