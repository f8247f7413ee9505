/* SPDX-License-Identifier: MIT
 * lanetune calibrate: microphone by a calibrator or a meter's reading, interface by a loopback; kept in visit.yaml. */
#include "live.h"

#include "base/alloc.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { TRIES_MAX = 5 };
#define AGREE_DB 0.1
#define TONE_S 3.0
#define METER_S 8.0
#define LOOP_S 4.0
#define LOOP_DBFS (-12.0)
#define LOOP_AFTER_S 0.7

static const cli_option options[] = {
    {"mic", CLI_FLAG, NULL, "the measurement microphone sits in a sound calibrator of 1 kHz", NULL, 0, 0, NULL},
    {"calibrator", CLI_CHOICE, "SPL", "its level in dB", "94", 0, 0, "94|114"},
    {"loopback", CLI_FLAG, NULL, "an output is wired to the line input: gain and round trip", NULL, 0, 0, NULL},
    {"reading", CLI_NUMBER, "DBA", "what a sound level meter beside the microphone reads in a steady noise (A, Slow)",
     NULL, 30, 130, NULL},
    {"level", CLI_NUMBER, "DBFS", "peak that is played into the loopback, -60 to -3", "-12", -60, -3, NULL},
    {"visit", CLI_TEXT, "DATE", "folder below visits/", "the latest", 0, 0, NULL},
    CLI_YES_OPTION("do not ask"),
    CLI_IN_CHANNEL_OPTION,
    CLI_DEVICE_OPTIONS,
};

typedef struct {
    cli_live live;
    lt_visit *visit;
    lt_calibration found;
    unsigned tries;
    double hz;                    /* of the calibrator; NaN */
    lt_signal *played, *recorded; /* of the last loopback */
    lt_notes notes;
} job;

/* ---- one reading of each kind ---- */

static lt_status read_calibrator(job *j, double spl_db, lt_error *err)
{
    lt_take *take = NULL;
    lt_calibrator c;
    lt_status st = cli_live_take(&j->live, "calibrator", NULL, TONE_S, &take, err);
    if (st == LT_OK)
        st = lt_calibrator_measure(take->channels[j->live.channel], spl_db, &c, err);
    if (st == LT_OK) {
        j->found.result_db = c.mic_cal_db;
        j->found.rate_hz = take->rate_hz;
        j->hz = c.hz;
    }
    lt_take_free(take);
    return st;
}

static lt_status read_meter(job *j, double dba, lt_error *err)
{
    lt_take *take = NULL;
    lt_levels *l = ltp_alloc(1, sizeof *l);
    lt_status st = l == NULL ? ltp_fail_nomem(err, "the levels")
                             : cli_live_take(&j->live, "steady noise", NULL, METER_S, &take, err);
    if (st == LT_OK)
        st = lt_levels_measure(take->channels[j->live.channel], 0.0, l, err);
    if (st == LT_OK && !lt_is_known(l->laeq_db))
        st = ltp_fail(err, LT_E_SNR, "nothing is heard; look at the cable, the input gain and the phantom power");
    if (st == LT_OK && l->la10_db - l->la90_db > 4.0)
        st =
            ltp_fail(err, LT_E_SNR, "the noise moves by %.1f dB while it is read; use a steady one, such as pink noise",
                     l->la10_db - l->la90_db);
    if (st == LT_OK) {
        j->found.result_db = dba - l->laeq_db;
        j->found.rate_hz = take->rate_hz;
    }
    lt_take_free(take);
    ltp_free(l);
    return st;
}

static lt_status read_loopback(job *j, double level_dbfs, lt_error *err)
{
    lt_sweep_options o = lt_sweep_default_options();
    const lt_response_options opt = lt_response_default_options();
    lt_signal *sweep = NULL;
    lt_take *take = NULL;
    lt_response *r = NULL;
    o.rate_hz = j->live.opt.rate_hz;
    o.to_hz = fmin(o.to_hz, floor(0.45 * o.rate_hz));
    o.seconds = LOOP_S;
    o.peak_dbfs = level_dbfs;
    j->live.opt.ceiling_dbfs = level_dbfs + 0.1;
    lt_status st = lt_sweep_create(&o, &sweep, err);
    if (st == LT_OK)
        st = cli_live_take(&j->live, "loopback", sweep, LOOP_AFTER_S, &take, err);
    if (st == LT_OK) {
        const lt_signal *const recordings[] = {take->channels[j->live.channel]};
        const char *const names[] = {"the loopback"};
        if (lt_clipped_samples(recordings[0]) > 0)
            st = ltp_fail(err, LT_E_CLIP, "the input clips; turn its gain or --level down");
        else
            st = lt_response_measure(recordings, names, 1, sweep, &opt, &r, err);
    }
    if (st == LT_OK && !(r->snr_db > 30.0))
        st = ltp_fail(err, LT_E_SNR, "the return is only %.0f dB above the noise; is the output wired to this input?",
                      r->snr_db);
    if (st == LT_OK) {
        j->found.result_db = lt_response_band_level(r, 0); /* 1 kHz */
        j->found.latency_ms = r->delay_ms;
        j->found.rate_hz = take->rate_hz;
        lt_signal_free(j->played);
        lt_signal_free(j->recorded);
        j->played = sweep;
        j->recorded = take->channels[j->live.channel];
        sweep = take->channels[j->live.channel] = NULL;
    }
    lt_response_free(r);
    lt_take_free(take);
    lt_signal_free(sweep);
    return st;
}

static lt_status read_once(job *j, lt_error *err)
{
    switch (j->found.method) {
    case LT_CALIBRATED_LOOPBACK:
        return read_loopback(j, j->found.level_db, err);
    case LT_CALIBRATED_METER:
        return read_meter(j, j->found.level_db, err);
    case LT_CALIBRATED_CALIBRATOR:
    case LT_CALIBRATED_COUNT:
        break;
    }
    return read_calibrator(j, j->found.level_db, err);
}

/* ---- until two agree ---- */

static lt_status read_until_two_agree(job *j, lt_error *err)
{
    double before = (double)NAN;
    const double agree = j->found.method == LT_CALIBRATED_METER ? 1.0 : AGREE_DB;
    for (j->tries = 1; j->tries <= TRIES_MAX; j->tries++) {
        lt_error why = {0};
        const lt_status st = read_once(j, &why);
        if (st == LT_E_SNR && j->tries < TRIES_MAX && !j->live.without_asking) {
            cli_live_say(&j->live, "%s", why.what);
            if (!cli_live_wait_key(&j->live, "Any key tries again; ESC or q leaves."))
                return ltp_fail(err, LT_E_STATE, "%s", j->live.stopped);
            before = (double)NAN;
            continue;
        }
        if (st != LT_OK)
            return ltp_fail(err, st, "%s", why.what);
        cli_live_say(&j->live, "Reading %u: %.2f dB", j->tries, j->found.result_db);
        if (fabs(j->found.result_db - before) <= agree) {
            j->found.result_db = (j->found.result_db + before) / 2.0;
            return LT_OK;
        }
        before = j->found.result_db;
    }
    return ltp_fail(err, LT_E_SNR,
                    "%d readings and no two in a row agree within %.1f dB; seat the microphone anew and "
                    "hold still",
                    (int)TRIES_MAX, agree);
}

/* ---- the command ---- */

static const char *prompt_of(lt_calibration_method m)
{
    return m == LT_CALIBRATED_LOOPBACK ? "Wire the output that plays to the line input, speakers disconnected.\nAny "
                                         "key begins; ESC or q leaves."
           : m == LT_CALIBRATED_METER
               ? "Meter (A, Slow) beside the microphone, steady noise running.\nAny key begins; ESC or q leaves."
               : "Microphone into the calibrator, switch it on, wait ten seconds.\nAny key begins; ESC or q leaves.";
}

static int check_usage(const cli_args *a, job *j)
{
    const int ways =
        (cli_flag(a, "mic") ? 1 : 0) + (cli_flag(a, "loopback") ? 1 : 0) + (cli_given(a, "reading") ? 1 : 0);
    if (ways != 1)
        return cli_usage(a->command, "one of --mic, --loopback and --reading DBA is needed");
    if (cli_given(a, "calibrator") && !cli_flag(a, "mic"))
        return cli_usage(a->command, "--calibrator goes with --mic");
    if (cli_given(a, "level") && !cli_flag(a, "loopback"))
        return cli_usage(a->command, "--level goes with --loopback");
    j->found.latency_ms = (double)NAN;
    j->hz = (double)NAN;
    if (cli_flag(a, "loopback")) {
        j->found.method = LT_CALIBRATED_LOOPBACK;
        j->found.level_db = cli_number(a, "level", LOOP_DBFS);
    } else if (cli_flag(a, "mic")) {
        j->found.method = LT_CALIBRATED_CALIBRATOR;
        j->found.level_db = strtod(cli_text(a, "calibrator", "94"), NULL);
    } else {
        j->found.method = LT_CALIBRATED_METER;
        j->found.level_db = cli_number(a, "reading", 94.0);
    }
    return CLI_DONE;
}

/* The recording stays with the visit: the interface's own response comes from it. */
static lt_status keep_loopback(job *j, const cli_args *a, lt_error *err)
{
    lt_interface *f = NULL;
    lt_status st = lt_visit_keep_loopback(a->words[0], j->visit->date, j->recorded, j->played, err);
    if (st == LT_OK)
        st = lt_visit_interface(a->words[0], j->visit, &f, &j->notes, err);
    if (st == LT_OK && f != NULL && lt_interface_most_db(f) >= 0.1)
        lt_notes_add(&j->notes, "interface-response",
                     "The interface is up to %.1f dB off its level at 1 kHz (50 Hz to 16 kHz); this is taken off what "
                     "is measured.",
                     lt_interface_most_db(f));
    lt_interface_free(f);
    return st;
}

static lt_status calibrate(job *j, const cli_args *a, lt_error *err)
{
    const bool loopback = j->found.method == LT_CALIBRATED_LOOPBACK;
    lt_status st = loopback ? cli_live_choose_channel(&j->live, a, j->visit->line_channel, "line_channel", err)
                            : cli_live_choose_channel(&j->live, a, j->visit->mic_channel, "mic_channel", err);
    if (st != LT_OK)
        return st;
    j->live.max_spl_db = HUGE_VAL;
    if (!cli_live_wait_key(&j->live, prompt_of(j->found.method)))
        return ltp_fail(err, LT_E_STATE, "%s", j->live.stopped);
    st = read_until_two_agree(j, err);
    if (st != LT_OK)
        return st;
    j->found.channel = j->live.channel + 1;
    if (loopback)
        cli_live_devices(&j->live, j->found.device, sizeof j->found.device);
    else
        cli_live_device(&j->live, j->found.device, sizeof j->found.device);
    if (loopback && j->live.used.apart) {
        j->found.latency_ms = (double)NAN; /* another one with every start */
        lt_notes_add(&j->notes, "delay-unknown",
                     "Two devices play and record, and do not start together: there is no round trip to take off, and "
                     "delays measured with them are not known.");
    }
    if (!cli_today(j->found.date))
        return ltp_fail(err, LT_E_IO, "the clock of this machine cannot be read");
    const lt_visit_change change = {.mic_cal_db = loopback ? (double)NAN : j->found.result_db,
                                    .loopback_db = loopback ? j->found.result_db : (double)NAN,
                                    .calibration = &j->found};
    st = lt_visit_write(a->words[0], j->visit->date, &change, err);
    return st == LT_OK && loopback ? keep_loopback(j, a, err) : st;
}

static int print(cli_args *a, const job *j)
{
    lt_error err = {0};
    char *text = NULL;
    lt_status st;
    lt_notes_append(&a->notes, &j->notes);
    if (a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        st = lt_json_calibrate(&head, &j->found, j->visit->date, j->tries, j->hz, &text, &err);
    } else {
        st = lt_text_calibrate(&j->found, j->tries, &text, &err);
    }
    return cli_finish(a, st, &err, text);
}

static bool is_looped(const lt_visit *v)
{
    for (size_t i = 0; i < v->calibration_count; i++)
        if (v->calibrations[i].method == LT_CALIBRATED_LOOPBACK)
            return true;
    return false;
}

/* On a terminal, behind the result. */
static void say_next(job *j, const char *dir)
{
    const bool loopback = j->found.method == LT_CALIBRATED_LOOPBACK;
    if (loopback && !lt_is_known(j->visit->mic_cal_db))
        cli_live_say(&j->live, "\nNext: lanetune calibrate %.200s --mic, for levels in dB SPL.", dir);
    else if (!loopback && !is_looped(j->visit))
        cli_live_say(
            &j->live,
            "\nNext: lanetune calibrate %.200s --loopback, so that the interface's own response, gain and delay "
            "come off.",
            dir);
    else
        cli_live_say(&j->live, "\nNext: lanetune tune %.200s --live leads through all measurements of all lanes.", dir);
}

static int run(cli_args *a)
{
    job j = {0};
    lt_error err = {0};
    int rc = check_usage(a, &j);
    if (rc != CLI_DONE)
        return rc;
    lt_status st = lt_visit_load(a->words[0], cli_text(a, "visit", NULL), &j.visit, &err);
    if (st != LT_OK)
        return cli_fail(a, &err);
    rc = cli_live_begin(&j.live, a);
    if (rc == CLI_DONE) {
        st = calibrate(&j, a, &err);
        cli_live_end(&j.live);
        rc = st == LT_OK ? print(a, &j) : cli_fail(a, &err);
        if (rc == CLI_DONE && j.live.shows && j.live.keys && !a->json)
            say_next(&j, a->words[0]);
    }
    lt_visit_free(j.visit);
    lt_signal_free(j.played);
    lt_signal_free(j.recorded);
    return rc;
}

const cli_command cmd_calibrate = {
    .name = "calibrate",
    .words = "SITE",
    .summary = "calibrate microphone and interface, kept in visit.yaml",
    .about =
        "Reads a sound calibrator (1 kHz, 94 or 114 dB), a loopback of the interface, or the steady noise that a "
        "sound level meter reads too, until two readings agree. A wrong frequency, a level that moves, hum, noise "
        "and clipping are refused.\n"
        "The result goes into the visit's visit.yaml with date, device and channel; all else in that file stays as "
        "it is. Do not touch the gain knobs of the interface afterwards.",
    .example = "lanetune calibrate elm-street --mic --calibrator 94 --yes\n"
               "lanetune calibrate elm-street --loopback\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
