/* SPDX-License-Identifier: MIT
 * The words of the site files, their defaults, and names of folders. */
#include "site/words.h"

#include "base/alloc.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

const char *const ltp_words_listening[LT_LISTEN_COUNT] = {"loudspeaker", "handset", "headset"};
const char *const ltp_words_duplex[LT_DUPLEX_COUNT] = {"full", "voice-switched", "push-to-talk"};
const char *const ltp_words_eq[LT_EQ_KIND_COUNT] = {"none", "graphic", "parametric"};
const char *const ltp_words_effort[LT_EFFORT_COUNT] = {"normal", "raised", "loud", "shout"};
const char *const ltp_words_echo[LT_ECHO_LIMIT_COUNT] = {"acceptable", "limiting", "off"};
const char *const ltp_words_noise[LT_NOISE_CASE_COUNT] = {"busy", "usual"};

const char *lt_calibration_method_name(lt_calibration_method m)
{
    static const char *const names[LT_CALIBRATED_COUNT] = {"calibrator", "meter", "loopback"};
    return (unsigned)m < LT_CALIBRATED_COUNT ? names[m] : "";
}

static const char cross_from[] = "cross-coupling-from-";

void lt_path_word(lt_path p, unsigned from, char word[LT_PATH_WORD_MAX])
{
    if (p == LT_PATH_CROSS_COUPLING)
        (void)snprintf(word, LT_PATH_WORD_MAX, "%s%u", cross_from, from);
    else
        (void)snprintf(word, LT_PATH_WORD_MAX, "%s", lt_path_name(p));
}

bool lt_path_from_word(const char *word, lt_path *out, unsigned *from)
{
    const size_t length = strlen(cross_from);
    *from = 0;
    if (strncmp(word, cross_from, length) != 0)
        return lt_path_from_name(word, out) && *out != LT_PATH_CROSS_COUPLING;
    const char *number = word + length;
    const size_t count = strspn(number, "0123456789");
    if (count < 1 || count > 4 || number[count] != '\0' || number[0] == '0')
        return false;
    *out = LT_PATH_CROSS_COUPLING;
    for (size_t i = 0; i < count; i++)
        *from = 10 * *from + (unsigned)(number[i] - '0');
    return true;
}

void ltp_folder_name(bool counter, unsigned number, char folder[32])
{
    (void)snprintf(folder, 32, "%s-%u", counter ? "counter" : "lane", number);
}

lt_status ltp_site_path(char path[LTP_SITE_PATH_MAX], lt_error *err, const char *format, ...)
{
    va_list args;
    va_start(args, format);
    const int n = vsnprintf(path, LTP_SITE_PATH_MAX, format, args);
    va_end(args);
    if (n < 0 || n >= LTP_SITE_PATH_MAX)
        return ltp_fail(err, LT_E_ARG, "%.200s...: the path is too long; choose shorter names", path);
    return LT_OK;
}

static bool holds_only(const char *s, const char *allowed)
{
    return strspn(s, allowed) == strlen(s);
}

#define SMALL_LETTERS "abcdefghijklmnopqrstuvwxyz"
#define DIGITS "0123456789"

bool ltp_is_visit_name(const char *name)
{
    const size_t n = strlen(name);
    return n >= 1 && n < 32 && name[0] != '.' &&
           holds_only(name, SMALL_LETTERS "ABCDEFGHIJKLMNOPQRSTUVWXYZ" DIGITS "-_.");
}

bool ltp_is_condition(const char *name)
{
    const size_t n = strlen(name);
    return n >= 1 && n < LT_NAME_MAX && holds_only(name, SMALL_LETTERS DIGITS "-");
}

bool ltp_make_steps(double min_db, double max_db, double step_db, lt_adjuster *a)
{
    /* A last step that rounding moved a hair above max_db still counts. */
    const double count = floor((max_db - min_db) / step_db + 1e-6) + 1.0;
    if (!(count >= 1.0 && count <= LT_STEPS_MAX))
        return false;
    a->step_count = (size_t)count;
    for (size_t k = 0; k < a->step_count; k++)
        a->steps_db[k] = min_db + (double)k * step_db;
    return true;
}

lt_counter ltp_default_counter(unsigned number)
{
    return (lt_counter){.counter = number,
                        .listening = LT_LISTEN_LOUDSPEAKER,
                        .line_speech_dbov = -26.0, /* ITU-T practice */
                        .coupling_db = (double)NAN,
                        .talk_percent = (double)NAN,
                        .shift_hours = (double)NAN};
}

lt_site_lane ltp_default_lane(unsigned number)
{
    lt_site_lane l = {.counter = 1, .eq = {.kind = LT_EQ_NONE, .min_db = -12.0, .max_db = 6.0, .step_db = 1.0}};
    lt_tune_lane *t = &l.tune;
    t->lane = number;
    t->duplex = LT_DUPLEX_FULL;
    t->switching_attenuation_db = 20.0;
    (void)ltp_make_steps(-20.0, 10.0, 1.0, &t->outbound);
    (void)ltp_make_steps(-20.0, 10.0, 1.0, &t->inbound);
    t->vocal_effort = LT_EFFORT_NORMAL;
    t->speaker_to_ear_m = 1.0;
    t->mouth_to_microphone_m = 1.0;
    t->speaker_to_microphone_m = 0.3;
    t->speaker_to_property_line_m = (double)NAN;
    t->speaker_to_bystander_m = (double)NAN;
    t->clip_line_dbfs = (double)NAN;
    t->volts_at_0_dbfs = (double)NAN;
    t->speaker_ohm = 8.0;
    t->speaker_power_w = (double)NAN;
    t->cable_gauge_awg = 18.0;
    t->cable_length_m = 30.0;
    t->safe_margin_limit_db = 6.0;
    t->ear_limit_dba = 80.0;
    t->operator_limit_dba = 80.0;
    t->property_line_limit_dba = (double)NAN;
    t->echo_limit = LT_ECHO_LIMIT_ACCEPTABLE;
    t->target_sii = 0.75;
    t->noise_case = LT_NOISE_BUSY;
    t->mic_cal_db = (double)NAN;
    t->lane_mic_cal_db = (double)NAN;
    return l;
}
