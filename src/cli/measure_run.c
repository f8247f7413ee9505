/* SPDX-License-Identifier: MIT
 * A live measurement from the first question to the file that is kept. */
#include "live_words.h"
#include "measure.h"

#include "base/alloc.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { TAKES_MAX = 3, OLD_DAYS = 30 };
#define AFTER_S 0.7 /* recorded after the stimulus' own tail: round trip and decay */
#define LATENCY_FIRST_S 0.06
#define LATENCY_MOST_S 0.12

/* ---- open and close ---- */

static bool is_in_site(const lt_site *s, bool counter, unsigned number)
{
    return counter ? lt_site_counter_of(s, number) != NULL : lt_site_lane_of(s, number) != NULL;
}

static lt_status check_place(const cli_measure_job *j, lt_error *err)
{
    const lt_record_place *p = &j->place;
    const bool between = p->path == LT_PATH_CROSS_COUPLING;
    const bool counters = between && p->counter != 0;
    const char *kind = counters ? "counter" : "lane";
    const unsigned own = counters ? p->counter : p->lane;
    const unsigned first = counters ? j->site->counters[0].counter : j->site->lanes[0].tune.lane;
    if (!is_in_site(j->site, counters, own))
        return ltp_fail(err, LT_E_ARG, "%s/site.yaml: there is no %s %u; the first one is %u", p->dir, kind, own,
                        first);
    if (between && p->from == own)
        return ltp_fail(err, LT_E_ARG, "%s is from %s %u to itself; its own coupling is the path %s-coupling", j->word,
                        kind, own, kind);
    if (between && !is_in_site(j->site, counters, p->from))
        return ltp_fail(err, LT_E_ARG, "%s: %s/site.yaml has no %s %u", j->word, p->dir, kind, p->from);
    return LT_OK;
}

lt_status cli_measure_open(cli_measure_job *j, const char *dir, const char *visit, lt_error *err)
{
    lt_path_word(j->place.path, j->place.from, j->word);
    lt_status st = lt_site_load(dir, &j->site, err);
    if (st == LT_OK)
        st = lt_visit_load(dir, visit, &j->visit, err);
    if (st != LT_OK)
        return st;
    j->place.dir = dir;
    j->place.date = j->visit->date;
    st = check_place(j, err);
    return st == LT_OK ? lt_record_names(&j->place, j->file, j->stimulus_file, err) : st;
}

static void drop(cli_measure_job *j)
{
    lt_signal_free(j->stimulus);
    lt_signal_free(j->recording);
    lt_interface_free(j->interface);
    j->interface = NULL;
    lt_response_free(j->response);
    ltp_free(j->levels);
    ltp_free(j->talk_test);
    j->stimulus = j->recording = NULL;
    j->response = NULL;
    j->levels = NULL;
    j->talk_test = NULL;
}

void cli_measure_close(cli_measure_job *j)
{
    drop(j);
    lt_visit_free(j->visit);
    lt_site_free(j->site);
    j->visit = NULL;
    j->site = NULL;
}

/* ---- channel and calibration ---- */

/* Microphone and line are recorded together where the device has both inputs: the microphone's level is watched
 * whatever is measured, and swapped plugs show. */
static void welcome_both(cli_measure_job *j, unsigned channel)
{
    unsigned most = channel;
    most = j->visit->mic_channel > most ? j->visit->mic_channel : most;
    most = j->visit->line_channel > most ? j->visit->line_channel : most;
    if (most <= LT_LIVE_CHANNELS_MAX)
        j->live->opt.welcome_channels = most;
}

lt_status cli_measure_choose_channel(cli_measure_job *j, const cli_args *a, lt_error *err)
{
    const bool microphone = lt_path_is_from_microphone(j->place.path);
    const unsigned usual = microphone ? j->visit->mic_channel : j->visit->line_channel;
    const char *field = microphone ? "mic_channel" : "line_channel";
    const lt_status st = cli_live_choose_channel(j->live, a, usual, field, err);
    const unsigned channel = j->live->channel + 1;
    if (st != LT_OK)
        return st;
    if (!lt_path_is_swept(j->place.path) && channel != 1 && channel != usual)
        return ltp_fail(err, LT_E_ARG,
                        "input %u is asked for, but %s in visit.yaml is %u; a long recording keeps all "
                        "its channels, so change that field",
                        channel, field, usual);
    j->live->cal_db = microphone ? j->visit->mic_cal_db : (double)NAN;
    j->live->opt.main_channel = channel;
    j->live->opt.welcome_channels = 0;
    if (lt_path_is_swept(j->place.path))
        welcome_both(j, channel);
    j->live->spl_channel = microphone ? channel - 1 : j->visit->mic_channel - 1;
    j->live->spl_cal_db = microphone || channel != j->visit->mic_channel ? j->visit->mic_cal_db : (double)NAN;
    return LT_OK;
}

static int days_since(const char *date)
{
    struct tm then = {.tm_isdst = -1, .tm_hour = 12};
    if (sscanf(date, "%4d-%2d-%2d", &then.tm_year, &then.tm_mon, &then.tm_mday) != 3)
        return 0;
    then.tm_year -= 1900;
    then.tm_mon -= 1;
    return (int)(difftime(time(NULL), mktime(&then)) / 86400.0);
}

/* The newest calibration of the kind that this path needs. */
static const lt_calibration *newest(const cli_measure_job *j, bool loopback, const char *device)
{
    for (size_t i = j->visit->calibration_count; i > 0; i--) {
        const lt_calibration *c = &j->visit->calibrations[i - 1];
        if ((c->method == LT_CALIBRATED_LOOPBACK) == loopback && (device == NULL || strcmp(c->device, device) == 0))
            return c;
    }
    return NULL;
}

/* The ceiling on SPL could not act. */
static void note_unwatched(cli_measure_job *j)
{
    const bool calibrated = lt_is_known(j->visit->mic_cal_db);
    if (lt_is_known(j->live->spl_cal_db) && j->live->spl_channel < j->live->heard_channels)
        return;
    lt_notes_add(&j->notes, "spl-not-watched",
                 "The sound level was not watched (--max-spl): the measurement microphone %s.",
                 calibrated ? "is at no other input of this device" : "is not calibrated");
}

static void note_calibration(cli_measure_job *j)
{
    char device[256];
    const bool microphone = lt_path_is_from_microphone(j->place.path);
    const lt_calibration *c = newest(j, !microphone, NULL);
    if (!microphone && lt_path_is_swept(j->place.path))
        cli_live_devices(j->live, device, sizeof device);
    else
        cli_live_device(j->live, device, sizeof device);
    if (microphone && !lt_is_known(j->visit->mic_cal_db))
        lt_notes_add(&j->notes, "not-calibrated",
                     "The microphone is not calibrated: no level in dB SPL; run lanetune calibrate --mic.");
    if (lt_path_is_swept(j->place.path) && !microphone)
        note_unwatched(j);
    if (c == NULL)
        return;
    const size_t n = strlen(device);
    const bool input_alone =
        j->live->used.output[0] == '\0' && strncmp(c->device, device, n) == 0 && c->device[n] == ',';
    if ((strcmp(c->device, device) != 0 && !input_alone) || (microphone && c->channel != j->live->channel + 1))
        lt_notes_add(&j->notes, "calibration-device",
                     "The calibration is of %.80s, input %u, and this recording of %.80s, input %u; calibrate again.",
                     c->device, c->channel, device, j->live->channel + 1);
    const int days = days_since(c->date);
    if (days > OLD_DAYS)
        lt_notes_add(&j->notes, "calibration-old", "The calibration is %d days old; calibrate again.", days);
}

/* ---- ask ---- */

static const char *begins(const cli_measure_job *j)
{
    return j->may_skip_all ? "Any key begins; s leaves this one out, a all of these; ESC or q leaves."
           : j->may_skip   ? "Any key begins; s leaves this one out; ESC or q leaves."
                           : "Any key begins; ESC or q leaves.";
}

lt_status cli_measure_ask(cli_measure_job *j, lt_error *err)
{
    cli_live *l = j->live;
    char instructions[CLI_INSTRUCTIONS];
    const bool swept = lt_path_is_swept(j->place.path);
    const bool counters = j->place.lane == 0;
    cli_live_say(l, "%s%s, %s %u%s%s", l->asked ? "\n" : "", j->word, counters ? "counter" : "lane",
                 counters ? j->place.counter : j->place.lane, j->place.condition[0] != '\0' ? ", " : "",
                 j->place.condition);
    cli_path_instructions(&j->place, instructions);
    cli_live_say(l, "%s", instructions);
    cli_live_say(l, "Input %u of the interface records%s.", l->channel + 1, swept ? "" : "; nothing is played");
    if (swept) {
        cli_live_say(l, "Output %u of the interface plays.", l->opt.output_channel);
        cli_live_say(l, "%s", l->cautioned ? cli_cautions_again : cli_cautions);
        l->cautioned = true;
    }
    l->asked = true;
    l->key = '\0';
    if (!cli_live_wait_key(l, begins(j)))
        return ltp_fail(err, LT_E_STATE, "%s", l->stopped);
    j->skipped_all = j->may_skip_all && (l->key == 'a' || l->key == 'A');
    j->skipped = j->skipped_all || (j->may_skip && (l->key == 's' || l->key == 'S'));
    return LT_OK;
}

/* ---- a sweep ---- */

static lt_status make_sweep(cli_measure_job *j, lt_error *err)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.rate_hz = j->live->opt.rate_hz;
    o.to_hz = fmin(o.to_hz, floor(0.45 * o.rate_hz));
    o.seconds = j->seconds;
    o.repeats = j->sweeps;
    o.peak_dbfs = j->level_dbfs;
    return lt_sweep_create(&o, &j->stimulus, err);
}

/* One device has one clock; two may have two. */
static bool one_clock(const lt_take *t)
{
    return !t->used.apart && strcmp(t->used.input, t->used.output) == 0;
}

/* What is known about a loss. */
static void say_broken(const cli_measure_job *j, const lt_continuity *c)
{
    char size[64] = "samples", place[64] = "";
    if (lt_is_known(c->frames))
        (void)snprintf(size, sizeof size, "%.0f samples", fabs(c->frames));
    if (lt_is_known(c->from_s))
        (void)snprintf(place, sizeof place, ", between %.2f s and %.2f s", c->from_s, c->to_s);
    cli_live_say(j->live, "The device %s %s%s; the take is refused.", c->frames < 0.0 ? "repeated" : "lost", size,
                 place);
}

/* The input, counted from 1, that holds the sweep where the chosen one does not; 0 = none. */
static unsigned other_input(const cli_measure_job *j, const lt_take *t)
{
    for (unsigned i = 0; i < t->channel_count; i++) {
        lt_continuity c;
        lt_error ignored = {0};
        if (i != j->live->channel &&
            lt_response_continuity(t->channels[i], j->stimulus, one_clock(t), NULL, 0, &c, &ignored) == LT_OK)
            return i + 1;
    }
    return 0;
}

static lt_status check_take(const cli_measure_job *j, const lt_take *t, bool *whole, lt_notes *notes, lt_error *err)
{
    const lt_signal *x = t->channels[j->live->channel];
    uint64_t suspects[LT_XRUNS_MAX];
    size_t n = 0;
    lt_continuity c;
    *whole = false;
    if ((double)lt_clipped_samples(x) > CLI_CLIPPED_MOST * (double)x->count)
        return ltp_fail(err, LT_E_CLIP,
                        "the recording clips at %.1f dBFS; turn the input gain of the interface or "
                        "--level down and measure again",
                        lt_db_from_amplitude(lt_signal_peak(x)));
    for (; n < t->xrun_count && n < LT_XRUNS_MAX; n++)
        suspects[n] = t->xruns[n].frame;
    cli_live_guard(j->live, NULL, NULL);
    lt_error why = {0};
    const lt_status st = lt_response_continuity(x, j->stimulus, one_clock(t), suspects, n, &c, &why);
    const unsigned other = st == LT_E_SNR ? other_input(j, t) : 0;
    cli_live_unguard(j->live);
    if (other > 0)
        return ltp_fail(err, st,
                        "the sweep comes in on input %u and not on input %u; look whether the plugs are swapped or the "
                        "cable of input %u is loose, or choose with --in-channel",
                        other, j->live->channel + 1, j->live->channel + 1);
    if (st != LT_OK)
        return ltp_fail(err, st, "%s", why.what);
    *whole = c.verdict != LT_CONTINUITY_BROKEN;
    if (c.verdict == LT_CONTINUITY_UNCLEAR)
        lt_notes_add(notes, "continuity-unclear",
                     "There is too much noise to tell whether the device lost samples; measure again to be sure.");
    if (!*whole)
        say_broken(j, &c);
    return LT_OK;
}

/* What is recorded before the sound can have come back is the round trip of the interface. */
static lt_status trim(cli_measure_job *j, const lt_signal *x, lt_error *err)
{
    char device[256];
    if (j->live->used.apart) {
        j->result.removed_ms = 0.0;
        lt_notes_add(&j->notes, "delay-unknown",
                     "Two devices play and record, and do not start together: the delay of the lane is not known. "
                     "Measure with one device that does both where it matters (lane-coupling, for the echo).");
        return lt_signal_copy(x, 0, x->count, &j->recording, err);
    }
    cli_live_devices(j->live, device, sizeof device);
    const lt_calibration *c = newest(j, true, device);
    size_t first = 0;
    if (c != NULL && lt_is_known(c->latency_ms) && fabs(c->rate_hz - x->rate_hz) < 0.5) {
        first = (size_t)lround(c->latency_ms * 0.001 * x->rate_hz);
        first = first < x->count / 2 ? first : 0;
    }
    j->result.removed_ms = 1000.0 * (double)first / x->rate_hz;
    if (first > 0)
        lt_notes_add(&j->notes, "latency-removed",
                     "%zu samples of the interface's round trip were taken off: the delay is that of the lane.", first);
    else
        lt_notes_add(&j->notes, "latency-unknown",
                     "The delay holds the interface's own round trip; lanetune calibrate --loopback takes it off.");
    return lt_signal_copy(x, first, x->count - first, &j->recording, err);
}

/* A device that reported that it ran over or dry gets more time for the next take. The sound system may then play up to
 * this long after a stop. */
static void give_more_time(cli_measure_job *j, const lt_take *t)
{
    if (t == NULL || t->xrun_count == 0)
        return;
    const double before_s = j->live->opt.latency_s;
    j->live->opt.latency_s = fmin(fmax(2.0 * before_s, LATENCY_FIRST_S), LATENCY_MOST_S);
    if (j->live->opt.latency_s > before_s)
        cli_live_say(j->live, "The device reported %zu overruns or underruns; it gets %.0f ms of latency now.",
                     t->xrun_count, 1000.0 * j->live->opt.latency_s);
}

static lt_status sweep_until_whole(cli_measure_job *j, lt_error *err)
{
    for (j->result.takes = 1; j->result.takes <= TAKES_MAX; j->result.takes++) {
        lt_take *take = NULL;
        bool whole = false;
        j->live->refuses_clipped = true; /* bursts look for it */
        lt_status st = cli_live_take(j->live, j->word, j->stimulus, AFTER_S, &take, err);
        j->live->refuses_clipped = false;
        if (st == LT_OK)
            st = check_take(j, take, &whole, &j->notes, err);
        if (st == LT_OK && whole)
            st = trim(j, take->channels[j->live->channel], err);
        if (st == LT_OK && !whole)
            give_more_time(j, take);
        lt_take_free(take);
        if (st != LT_OK || whole)
            return st;
    }
    return ltp_fail(err, LT_E_XRUN,
                    "the device lost samples in %d takes; end other programs, or ask for another --rate or device",
                    (int)TAKES_MAX);
}

/* The response of the interface, where the newest loopback is of this device. */
static lt_status find_interface(cli_measure_job *j, lt_error *err)
{
    char device[256];
    cli_live_devices(j->live, device, sizeof device);
    lt_interface_free(j->interface);
    j->interface = NULL;
    if (newest(j, true, NULL) == NULL || newest(j, true, NULL) != newest(j, true, device))
        return LT_OK;
    return lt_visit_interface(j->place.dir, j->visit, &j->interface, &j->notes, err);
}

/* Distortion is no result here. */
static void append_notes(cli_measure_job *j, const lt_notes *from)
{
    for (size_t i = 0; i < from->count; i++)
        if (strcmp(from->items[i].code, "thd-noise") != 0)
            lt_notes_add(&j->notes, from->items[i].code, "%s", from->items[i].message);
}

static lt_status measure_swept(cli_measure_job *j, lt_error *err)
{
    lt_response_options opt = lt_response_default_options();
    lt_status st = cli_measure_plan(j, err);
    if (st == LT_OK)
        st = make_sweep(j, err);
    if (st != LT_OK)
        return st;
    const double total_s = (double)j->stimulus->count / j->stimulus->rate_hz + AFTER_S;
    j->live->opt.ceiling_dbfs = fmin(0.0, j->level_dbfs + 0.1);
    cli_live_say(j->live, "%u sweep%s of %.1f s at %.1f dBFS: %.0f s", j->sweeps, j->sweeps == 1 ? "" : "s", j->seconds,
                 j->level_dbfs, total_s);
    st = sweep_until_whole(j, err);
    if (st != LT_OK)
        return st;
    const lt_signal *const recordings[] = {j->recording};
    const char *const names[] = {"the recording"};
    st = find_interface(j, err);
    if (st != LT_OK)
        return st;
    opt.interface = j->interface;
    cli_live_guard(j->live, NULL, NULL);
    st = lt_response_measure(recordings, names, 1, j->stimulus, &opt, &j->response, err);
    cli_live_unguard(j->live);
    if (st == LT_OK && cli_live_asked_to_stop(j->live))
        st = ltp_fail(err, LT_E_STATE, "%s", j->live->stopped);
    if (st == LT_OK) {
        append_notes(j, &j->response->notes);
        st = lt_record_keep(&j->place, j->recording, j->stimulus, err);
    }
    if (st != LT_OK)
        return st;
    j->result.seconds = (double)j->recording->count / j->recording->rate_hz;
    j->result.rate_hz = j->recording->rate_hz;
    j->result.stimulus = j->stimulus_file;
    j->result.complete = true;
    j->result.response = j->response;
    return LT_OK;
}

/* ---- run ---- */

lt_status cli_measure_run(cli_measure_job *j, lt_error *err)
{
    const bool swept = lt_path_is_swept(j->place.path);
    drop(j);
    j->result = (lt_measured){.visit = j->place.date,
                              .path = j->word,
                              .condition = j->place.condition,
                              .file = j->file,
                              .lane = j->place.lane,
                              .counter = j->place.lane == 0 ? j->place.counter : 0,
                              .used = &j->live->used,
                              .level_dbfs = (double)NAN,
                              .sweep_s = (double)NAN,
                              .notes = &j->notes};
    const lt_status st = swept ? measure_swept(j, err) : cli_measure_recorded(j, err);
    if (st != LT_OK)
        return st;
    if (swept) {
        j->result.level_dbfs = j->level_dbfs;
        j->result.sweep_s = j->seconds;
        j->result.sweeps = j->sweeps;
    }
    note_calibration(j);
    return LT_OK;
}
