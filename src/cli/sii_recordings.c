/* SPDX-License-Identifier: MIT
 * Speech and noise of an SII from recordings: band levels of speech-level and noise less the bandwidths of ANSI S3.5.
 */
#include "sii_recordings.h"

#include "levels.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

bool sii_recordings_asked(const cli_args *a)
{
    return cli_given(a, "speech-rec") || cli_given(a, "noise-rec");
}

int sii_recordings_check(const cli_args *a)
{
    static const char *const belongings[][2] = {{"cal-db", NULL},
                                                {"channel", "speech-rec"},
                                                {"noise", "noise-rec"},
                                                {"noise-cal-db", "noise-rec"},
                                                {"noise-channel", "noise-rec"}};
    const bool asked = sii_recordings_asked(a);
    for (size_t i = 0; i < LTP_COUNT(belongings); i++) {
        const char *to = belongings[i][1];
        if (cli_given(a, belongings[i][0]) && !(to == NULL ? asked : cli_given(a, to)))
            return cli_usage(a->command, "--%s belongs to --%s", belongings[i][0],
                             to == NULL ? "speech-rec or --noise-rec" : to);
    }
    if (!asked)
        return CLI_DONE;
    const bool needs_cal = cli_given(a, "speech-rec") || !cli_given(a, "noise-cal-db");
    if (needs_cal && !cli_given(a, "cal-db"))
        return cli_usage(a->command, "a recording needs --cal-db, the sound pressure level that reads 0 dBFS");
    if (cli_given(a, "speech-rec") && cli_given(a, "speech"))
        return cli_usage(a->command, "give one of --speech-rec and --speech");
    if (cli_flag(a, "mtf"))
        return cli_usage(a->command, "with --mtf the table gives speech and noise; leave the recordings out");
    return CLI_DONE;
}

/* Bands that a recording tells nothing of: as in the nearest that it does, per hertz. */
static lt_status fill_noise(cli_args *a, const char *path, double noise_db[LT_SPEECH_BANDS], lt_error *err)
{
    if (!lt_spectrum_is_known(noise_db))
        return ltp_fail(err, LT_E_ARG, "%s: it reaches none of the 18 bands; record at 22.05 kHz or more", path);
    (void)lt_spectrum_fill(noise_db, path, &a->notes);
    return LT_OK;
}

/* ---- speech ---- */

static void set_speech(cli_args *a, const char *path, const lt_talk_test *t, sii_recordings *out)
{
    const double cal_db = cli_number(a, "cal-db", 0.0);
    const size_t reached = lt_talk_spectra(t, cal_db, out->speech_db, out->noise_db);
    out->has_speech = true;
    out->about.active_level_db = t->level.active_level_db + cal_db;
    out->about.activity_percent = t->level.activity_percent;
    out->about.speech_dba = lt_speech_dba(out->speech_db);
    lt_notes_append(&a->notes, &t->notes);
    if (reached < LT_SPEECH_BANDS)
        lt_notes_add(&a->notes, "speech-band-limited",
                     "%s does not reach %zu of the 18 bands: they count as without speech, so the index is too low; "
                     "record at 22.05 kHz or more",
                     path, LT_SPEECH_BANDS - reached);
}

static lt_status measure_speech(cli_args *a, bool use_pauses, sii_recordings *out, lt_error *err)
{
    const char *path = cli_text(a, "speech-rec", "");
    lt_signal *s = NULL;
    lt_talk_test *t = ltp_alloc(1, sizeof *t);
    lt_status status = t != NULL ? cli_load(a, path, "channel", &s, err) : ltp_fail_nomem(err, "talk test");
    if (status == LT_OK)
        status = lt_talk_test_measure(s, t, err);
    if (status == LT_OK && !(t->level.activity_percent > 0.0))
        status = ltp_fail(err, LT_E_SNR, "%s: silence, no speech to compute an index for; record again", path);
    if (status == LT_OK)
        set_speech(a, path, t, out);
    if (status == LT_OK && use_pauses) {
        out->about.noise = "pauses";
        if (!lt_spectrum_is_known(out->noise_db))
            status = ltp_fail(err, LT_E_SNR, "%s: no pause is quiet enough to tell the noise; give --noise-rec", path);
    }
    cli_name_file(err, path);
    lt_signal_free(s);
    ltp_free(t);
    return status;
}

/* ---- noise ---- */

static lt_noise_level level_named(const char *word)
{
    return strcmp(word, "l10") == 0   ? LT_NOISE_L10
           : strcmp(word, "l50") == 0 ? LT_NOISE_L50
           : strcmp(word, "l90") == 0 ? LT_NOISE_L90
                                      : LT_NOISE_LEQ;
}

static lt_status measure_levels(cli_args *a, const char *path, lt_levels *levels, lt_error *err)
{
    lt_audio_reader *reader = NULL;
    lt_level_meter *meter = NULL;
    unsigned channel = 0;
    lt_status status = lt_audio_open(path, &reader, err);
    if (status == LT_OK)
        status = cli_channel_of(a, path, "noise-channel", lt_audio_reader_info(reader), &channel, err);
    if (status == LT_OK)
        status = lt_level_meter_create(lt_audio_reader_info(reader)->rate_hz,
                                       cli_number(a, "noise-cal-db", cli_number(a, "cal-db", 0.0)), &meter, err);
    if (status == LT_OK)
        status = cli_feed_levels(reader, channel, meter, NULL, err);
    if (status == LT_OK)
        lt_audio_note(path, lt_audio_reader_info(reader), &a->notes);
    if (status == LT_OK)
        status = lt_level_meter_finish(meter, levels, err);
    cli_name_file(err, path);
    lt_level_meter_free(meter);
    lt_audio_close(reader);
    return status;
}

static lt_status measure_noise(cli_args *a, sii_recordings *out, lt_error *err)
{
    const char *path = cli_text(a, "noise-rec", "");
    lt_levels *levels = ltp_alloc(1, sizeof *levels);
    const lt_status status = levels != NULL ? measure_levels(a, path, levels, err) : ltp_fail_nomem(err, "levels");
    if (status == LT_OK) {
        out->about.noise = cli_text(a, "noise", "leq");
        lt_noise_spectrum(levels, level_named(out->about.noise), 0.0, out->noise_db);
        lt_notes_append(&a->notes, &levels->notes);
    }
    ltp_free(levels);
    return status;
}

lt_status sii_recordings_measure(cli_args *a, bool has_noise, sii_recordings *out, lt_error *err)
{
    const bool noise = cli_given(a, "noise-rec");
    const bool pauses = cli_given(a, "speech-rec") && !noise && !has_noise;
    lt_status status = LT_OK;
    *out = (sii_recordings){
        .about = {.speech_dba = NAN, .active_level_db = NAN, .activity_percent = NAN, .noise_dba = NAN}};
    if (cli_given(a, "speech-rec"))
        status = measure_speech(a, pauses, out, err);
    if (status == LT_OK && noise)
        status = measure_noise(a, out, err);
    if (status != LT_OK || !(noise || pauses))
        return status;
    out->has_noise = true;
    status = fill_noise(a, cli_text(a, "noise-rec", cli_text(a, "speech-rec", "")), out->noise_db, err);
    out->about.noise_dba = lt_speech_dba(out->noise_db);
    return status;
}
