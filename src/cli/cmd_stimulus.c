/* SPDX-License-Identifier: MIT
 * lanetune stimulus: test signals to play. */
#include "cli.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

#define DEFAULT_TONE_HZ 1000.0
#define DEFAULT_TONE_DBFS (-20.0)
#define DEFAULT_TONE_S 10.0
#define HIGHEST_OF_RATE 0.46 /* a sweep or noise ends at this part of the sample rate at the latest */

enum { SWEEP = 1, SPEECH_NOISE = 2, PINK = 4, TONE = 8, STIPA = 16 };
static const struct {
    const char *word;
    unsigned bit;
} kinds[] = {{"sweep", SWEEP}, {"speech-noise", SPEECH_NOISE}, {"stipa", STIPA}, {"pink", PINK}, {"tone", TONE}};

static const cli_option options[] = {
    {"rate", CLI_NUMBER, "HZ", "sample rate, 8000 to 192000", "48000", 8000, 192000, NULL},
    {"seconds", CLI_NUMBER, "S", "length of one sweep, or of the noise or tone", "10, stipa 20", 0.05, 3600, NULL},
    {"from", CLI_NUMBER, "HZ", "lowest frequency of sweep or pink", "50", 10, 96000, NULL},
    {"to", CLI_NUMBER, "HZ", "highest frequency of sweep or pink, at most 0.46 of the rate", "18000", 10, 96000, NULL},
    {"peak", CLI_NUMBER, "DBFS", "peak of the sweep, dB re full scale", "-6", -60, 0, NULL},
    {"repeats", CLI_COUNT, "N", "how many sweeps; repeats are averaged", "1", 1, 64, NULL},
    {"lead", CLI_NUMBER, "S", "silence before the sweep", "0.5", 0, 10, NULL},
    {"tail", CLI_NUMBER, "S", "silence after the sweep", "1", 0, 10, NULL},
    {"no-markers", CLI_FLAG, NULL, "leave out the chirps that measure the clock drift", NULL, 0, 0, NULL},
    {"level", CLI_NUMBER, "DBFS", "RMS of noise, stipa or tone, dB re the RMS of a full-scale sine", "-20", -100, 3,
     NULL},
    {"seed", CLI_COUNT, "N", "start of the random numbers of the noise", "1", 0, 4294967295.0, NULL},
    {"hz", CLI_NUMBER, "HZ", "frequency of the tone", "1000", 1, 96000, NULL},
    {"bits", CLI_CHOICE, "BITS", "sample format", "24", 0, 0, "16|24|float"},
    {"force", CLI_FLAG, NULL, "replace a file that is there already", NULL, 0, 0, NULL},
};

/* Options that make sense for some kinds only; a useless one is a misunderstanding and is refused. */
static const struct {
    const char *option;
    unsigned kinds;
} meant_for[] = {
    {"from", SWEEP | PINK},
    {"to", SWEEP | PINK},
    {"peak", SWEEP},
    {"repeats", SWEEP},
    {"lead", SWEEP},
    {"tail", SWEEP},
    {"no-markers", SWEEP},
    {"hz", TONE},
    {"level", SPEECH_NOISE | PINK | TONE | STIPA},
    {"seed", SPEECH_NOISE | PINK | STIPA},
};

static lt_status make_sweep(const cli_args *a, lt_stimulus_info *info, lt_signal **out, lt_error *err)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.rate_hz = cli_number(a, "rate", o.rate_hz);
    o.seconds = cli_number(a, "seconds", o.seconds);
    o.from_hz = cli_number(a, "from", o.from_hz);
    o.to_hz = cli_number(a, "to", fmin(o.to_hz, floor(HIGHEST_OF_RATE * o.rate_hz)));
    o.peak_dbfs = cli_number(a, "peak", o.peak_dbfs);
    o.repeats = cli_count(a, "repeats", o.repeats);
    o.lead_s = cli_number(a, "lead", o.lead_s);
    o.tail_s = cli_number(a, "tail", o.tail_s);
    o.markers = !cli_flag(a, "no-markers");
    info->from_hz = o.from_hz;
    info->to_hz = o.to_hz;
    return lt_sweep_create(&o, out, err);
}

static lt_status make_noise(const cli_args *a, unsigned kind, lt_stimulus_info *info, lt_signal **out, lt_error *err)
{
    const lt_sweep_options sweep = lt_sweep_default_options(); /* pink covers the band of the sweep */
    lt_noise_options o = lt_noise_default_options();
    o.kind = kind == PINK ? LT_NOISE_PINK : LT_NOISE_SPEECH;
    o.rate_hz = cli_number(a, "rate", o.rate_hz);
    o.seconds = cli_number(a, "seconds", o.seconds);
    o.rms_dbfs = cli_number(a, "level", o.rms_dbfs);
    o.from_hz = cli_number(a, "from", sweep.from_hz);
    o.to_hz = cli_number(a, "to", fmin(sweep.to_hz, floor(HIGHEST_OF_RATE * o.rate_hz)));
    o.seed = cli_count(a, "seed", (unsigned)o.seed);
    info->from_hz = kind == PINK ? o.from_hz : (double)NAN;
    info->to_hz = kind == PINK ? o.to_hz : (double)NAN;
    return lt_noise_create(&o, out, err);
}

static lt_status make_tone(const cli_args *a, lt_stimulus_info *info, lt_signal **out, lt_error *err)
{
    const lt_tone_options o = {
        .rate_hz = cli_number(a, "rate", lt_sweep_default_options().rate_hz),
        .hz = cli_number(a, "hz", DEFAULT_TONE_HZ),
        .seconds = cli_number(a, "seconds", DEFAULT_TONE_S),
        .rms_dbfs = cli_number(a, "level", DEFAULT_TONE_DBFS),
    };
    info->from_hz = info->to_hz = o.hz;
    return lt_tone_create(&o, out, err);
}

static lt_status make_stipa(const cli_args *a, lt_signal **out, lt_error *err)
{
    lt_stipa_options o = lt_stipa_default_options();
    o.rate_hz = cli_number(a, "rate", o.rate_hz);
    o.seconds = cli_number(a, "seconds", o.seconds);
    o.rms_dbfs = cli_number(a, "level", o.rms_dbfs);
    o.seed = cli_count(a, "seed", (unsigned)o.seed);
    return lt_stipa_create(&o, out, err);
}

static lt_audio_encoding encoding_of(const cli_args *a)
{
    const char *bits = cli_text(a, "bits", "24");
    if (strcmp(bits, "16") == 0)
        return LT_AUDIO_PCM16;
    return strcmp(bits, "float") == 0 ? LT_AUDIO_FLOAT : LT_AUDIO_PCM24;
}

static int describe(cli_args *a, lt_stimulus_info *info, const lt_signal *s)
{
    lt_error err = {0};
    info->rate_hz = s->rate_hz;
    info->seconds = (double)s->count / s->rate_hz;
    info->peak_dbfs = lt_db_from_amplitude(lt_signal_peak(s));
    info->rms_dbfs = lt_dbfs_from_rms(lt_signal_rms(s));
    char *text = NULL;
    lt_status status;
    if (a->json) {
        const lt_json_head head = cli_json_head(a, NULL, 0);
        status = lt_json_stimulus(&head, info, &text, &err);
    } else {
        status = lt_text_stimulus(info, &text, &err);
    }
    return cli_finish(a, status, &err, text);
}

static unsigned kind_of(const char *word)
{
    for (size_t i = 0; i < LTP_COUNT(kinds); i++) {
        if (strcmp(kinds[i].word, word) == 0)
            return kinds[i].bit;
    }
    return 0;
}

static int check_usage(const cli_args *a, unsigned kind)
{
    if (kind == 0)
        return cli_usage(a->command, "'%s' is not one of sweep, speech-noise, stipa, pink, tone", a->words[0]);
    for (size_t i = 0; i < LTP_COUNT(meant_for); i++) {
        if (cli_given(a, meant_for[i].option) && (meant_for[i].kinds & kind) == 0)
            return cli_usage(a->command, "--%s means nothing to %s", meant_for[i].option, a->words[0]);
    }
    return CLI_DONE;
}

static int run(cli_args *a)
{
    const unsigned kind = kind_of(a->words[0]);
    const char *path = a->words[1];
    lt_error err = {0};
    lt_signal *s = NULL;
    lt_stimulus_info info = {.kind = a->words[0], .path = path, .from_hz = (double)NAN, .to_hz = (double)NAN};
    int rc = check_usage(a, kind);
    if (rc != CLI_DONE)
        return rc;
    if (cli_may_write(a, path, &err) != LT_OK)
        return cli_fail(a, &err);
    lt_status status;
    if (kind == SWEEP)
        status = make_sweep(a, &info, &s, &err);
    else if (kind == TONE)
        status = make_tone(a, &info, &s, &err);
    else if (kind == STIPA)
        status = make_stipa(a, &s, &err);
    else
        status = make_noise(a, kind, &info, &s, &err);
    if (status == LT_E_ARG)
        rc = cli_usage(a->command, "%s", err.what); /* only options go in, so one of them is wrong */
    else if (status != LT_OK || cli_save_wav(a, path, s, encoding_of(a), &err) != LT_OK)
        rc = cli_fail(a, &err);
    else
        rc = describe(a, &info, s);
    lt_signal_free(s);
    return rc;
}

const cli_command cmd_stimulus = {
    .name = "stimulus",
    .words = "KIND OUT.wav",
    .summary = "write a test signal: sweep, speech-noise, stipa, pink or tone",
    .about =
        "Writes a test signal to play through the intercom. KIND is sweep (exponential sine sweep with a marker chirp "
        "before and after it, for lanetune response), speech-noise (long-term spectrum of normal speech), stipa "
        "(for lanetune sti --stipa), pink or tone.\n"
        "Before you play it: headsets off, hearing protection near the lane speaker, traffic in the lane stopped; "
        "start quietly.",
    .example = "lanetune stimulus sweep sweep.wav --seconds 10 --peak -12\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 2,
    .words_max = 2,
    .run = run,
};
