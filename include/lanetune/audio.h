/* SPDX-License-Identifier: MIT
 * audio: sound files, block by block. PCM full scale = 1.0; interleaved float in files, double per channel for
 * analysis. A file that holds NaN or infinity is refused. Recordings are only ever read. */
#ifndef LT_AUDIO_H
#define LT_AUDIO_H

#include <lanetune/base.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
    double rate_hz;
    unsigned channels; /* 1 .. 1024 */
    uint64_t frames;   /* as the header claims; count what is read */
    unsigned bits;     /* of a PCM sample, 0 = floating point or coded */
    char format[48];   /* "WAV, 24 bit PCM" */
    bool truncated;    /* the header promises more than the file holds; final when the end has been read */
    bool sizes_wrong;  /* a WAV whose header counts 0 or wrapped at 4 GiB: read as far as the file goes */
} lt_audio_info;

typedef struct lt_audio_reader lt_audio_reader;
/** Open anything libsndfile reads. LT_E_IO missing or unreadable; LT_E_FORMAT not a sound file, truncated header, no
 * channel or an absurd rate. err names path, cause and remedy in one line. */
LT_NODISCARD lt_status lt_audio_open(const char *path, lt_audio_reader **out, lt_error *err);
const lt_audio_info *lt_audio_reader_info(const lt_audio_reader *r);
/** Up to `frames` frames of one channel (0-based) into x; *got < frames only at the end. LT_E_IO, LT_E_FORMAT (NaN). */
LT_NODISCARD lt_status lt_audio_read(lt_audio_reader *r, unsigned channel, double *x, size_t frames, size_t *got,
                                     lt_error *err);
/** Go on `frames` frames later, without reading what lies between. LT_E_ARG: beyond the end; LT_E_IO: the kind of file
 * cannot do that. */
LT_NODISCARD lt_status lt_audio_skip(lt_audio_reader *r, uint64_t frames, lt_error *err);
void lt_audio_close(lt_audio_reader *r);
/** What the header got wrong, once the file was read to its end: notes "truncated-file" and "header-sizes" that name
 * path (of a long one, its end). */
void lt_audio_note(const char *path, const lt_audio_info *info, lt_notes *notes);

/** One channel (0-based) of a whole file. LT_E_ARG no such channel or an empty file. info may be NULL. */
LT_NODISCARD lt_status lt_audio_load(const char *path, unsigned channel, lt_signal **out, lt_audio_info *info,
                                     lt_error *err);

typedef enum { LT_AUDIO_PCM16, LT_AUDIO_PCM24, LT_AUDIO_FLOAT } lt_audio_encoding;
/** Write a WAV of `channels` signals of equal rate and count beside `path` and rename it into place. PCM is clipped at
 * full scale (a note "clipped-on-write" in notes if it happens). The bytes depend on the samples alone (no time stamp).
 * LT_E_IO: nothing is left behind, an old file at `path` stays whole. */
LT_NODISCARD lt_status lt_audio_save(const char *path, const lt_signal *const *signals, unsigned channels,
                                     lt_audio_encoding encoding, lt_notes *notes, lt_error *err);

/** Write a text or binary file beside and rename. */
LT_NODISCARD lt_status lt_file_save(const char *path, const void *data, size_t bytes, lt_error *err);
/** Whole file, NUL-terminated (*bytes excludes it); LT_E_ARG if larger than max_bytes. Free with lt_file_free(). */
LT_NODISCARD lt_status lt_file_load(const char *path, size_t max_bytes, char **out, size_t *bytes, lt_error *err);
void lt_file_free(char *data);

/* ---- live: devices, play and record (PortAudio, full duplex, callback only) ----
 *
 * All work with a device happens in a child process that shares memory with the caller: a device or sound server that
 * hangs, dies or makes its library abort takes only the child with it. The caller always gets its turn back. */

enum { LT_LIVE_CHANNELS_MAX = 8, LT_XRUNS_MAX = 64, LT_DEVICES_MAX = 64, LT_RATES_COUNT = 3 };
#define LT_LIVE_RATES_HZ                                                                                               \
    {                                                                                                                  \
        44100.0, 48000.0, 96000.0                                                                                      \
    }

typedef struct {
    char host[64];  /* "ALSA", "JACK Audio Connection Kit" */
    char name[128]; /* unique together with host */
    unsigned input_channels, output_channels;
    double default_rate_hz;
    double input_latency_ms, output_latency_ms;               /* defaults; NaN where the library reports nonsense */
    bool is_default_input, is_default_output;                 /* of its host */
    bool input_at[LT_RATES_COUNT], output_at[LT_RATES_COUNT]; /* opens at 44.1, 48, 96 kHz */
} lt_device;
typedef struct {
    size_t input, output;           /* indices into the list */
    bool duplex_at[LT_RATES_COUNT]; /* opens full-duplex at that rate */
    bool apart;                     /* two clocks: a stream each, and the delay between both is not known */
} lt_device_pair;
typedef struct {
    lt_device devices[LT_DEVICES_MAX];
    size_t device_count;
    lt_device_pair pairs[LT_DEVICES_MAX]; /* same host, input and output, at least one rate */
    size_t pair_count;
} lt_devices;
/** No device at all is LT_OK with device_count 0. LT_E_IO: the sound library did not answer in time. */
LT_NODISCARD lt_status lt_devices_list(lt_devices *out, lt_error *err);
/** An input and an output of two sound systems (indices into the list): true if both open at one rate at least, which
 * at[] says; they run as a stream each, so each of them was tried by itself. False within one system: see pairs. */
bool lt_devices_across(const lt_devices *d, size_t input, size_t output, bool at[LT_RATES_COUNT]);

typedef struct {
    const char *host;           /* NULL: the sound library's default host; a part of the name is enough ("jack") */
    const char *output_host;    /* NULL: that of the input, or else any that has the output */
    const char *input, *output; /* device names (a unique part of the name is enough); NULL: the host's default */
    double rate_hz;             /* asked; 0 = the stimulus' own, without one the device's */
    unsigned input_channels;    /* recorded: 1 .. 8 */
    unsigned welcome_channels;  /* lt_live_play_record: recorded instead where the device has so many; 0 = no more */
    unsigned main_channel;      /* 1-based: nothing but zeros there is a fault; 0 = on all of them */
    unsigned output_channel;    /* 1-based: the one that plays; the others stay silent */
    double ceiling_dbfs;        /* no sample above this peak is ever played  [-60, 0]  -3 */
    double latency_s;           /* asked of the host; 0 = its default, at most 26 ms where the device allows that */
    double ramp_s;              /* fade-in of what is played  0.05 */
} lt_live_options;
lt_live_options lt_live_default_options(void);

typedef enum {
    LT_XRUN_INPUT_OVERFLOW,
    LT_XRUN_INPUT_UNDERFLOW,
    LT_XRUN_OUTPUT_UNDERFLOW,
    LT_XRUN_OUTPUT_OVERFLOW
} lt_xrun_kind;
typedef struct {
    uint64_t frame; /* of the recording */
    lt_xrun_kind kind;
} lt_xrun;

/** The devices that a take really used, by their full names. */
typedef struct {
    char host[64], input[128], output[128]; /* output empty: nothing was played */
    char output_host[64];
    bool apart; /* a stream each: no common clock, and no common start */
} lt_live_used;

/** What the caller sees about every 2 ms while it runs; peaks since the last call. Before the stream is open all is 0.
 * Reading newest frames is allowed: interleaved points to `frames` frames from the start (play and record) or is NULL
 * (record to file). A watcher that does not come back within 2 s while something plays ends the sound. */
typedef struct {
    double rate_hz;
    uint64_t frames, total_frames; /* total 0 = until stopped */
    uint64_t lead_frames;          /* recorded before the stimulus begins, to a few ms; 0 but for two devices */
    double peak[LT_LIVE_CHANNELS_MAX];
    double mean_square[LT_LIVE_CHANNELS_MAX]; /* since the last call */
    const float *interleaved;                 /* [frames x channels] so far; NULL when recording to a file */
    const float *newest;                      /* [newest_frames x channels] since the last call */
    size_t newest_frames;
    unsigned channels;
} lt_live_view;
/** Return false to stop: the sound fades out within 50 ms. */
typedef bool (*lt_live_watch)(void *context, const lt_live_view *view);

typedef struct {
    lt_signal *channels[LT_LIVE_CHANNELS_MAX]; /* as recorded from the first callback on */
    unsigned channel_count;
    double rate_hz; /* that the stream really had */
    lt_live_used used;
    lt_xrun xruns[LT_XRUNS_MAX]; /* what the device reported: a warning, not a verdict; judge by the recording */
    size_t xrun_count;           /* may exceed LT_XRUNS_MAX */
    bool complete;               /* false: stopped by the watcher or by the device; what was recorded is here */
    bool all_zero;               /* only exact zeros arrived (at the end, while something played): nothing connected */
    double start_s;              /* time from the call to the first callback */
    double callback_worst_ms;    /* longest callback */
    double callback_share;       /* time in callbacks / time of audio */
    lt_notes notes;              /* "xrun" */
} lt_take;
/** Play `stimulus` (NULL: silence) on one output and record all asked inputs for its length + tail_s.
 * Two devices, other than two of one JACK server, run a stream each: the recording then begins 0.5 s before the
 * stimulus, give or take their latencies, so that nobody takes that time for a delay of the lane.
 * Stopped by the watcher is LT_OK with complete = false. LT_E_IO device missing, refused the rate, vanished, hung or
 * delivering nothing but zeros (what is there so far is in *out, complete = false; NULL if nothing is);
 * LT_E_ARG options, a stimulus that peaks above the ceiling or has another rate than asked. Never longer than the
 * audio's own length + 5 s. */
LT_NODISCARD lt_status lt_live_play_record(const lt_live_options *opt, const lt_signal *stimulus, double tail_s,
                                           lt_live_watch watch, void *context, lt_take **out, lt_error *err);
void lt_take_free(lt_take *t);

typedef struct {
    uint64_t frames;
    double rate_hz;
    lt_live_used used;
    lt_xrun xruns[LT_XRUNS_MAX];
    size_t xrun_count;
    uint64_t dropped_frames; /* that the disk was too slow for; replaced by silence, so that times stay true */
    bool complete, all_zero;
    double start_s, callback_worst_ms, callback_share;
    char why[512]; /* what ended it too early, without the tail that says where it is kept; "" = nothing did */
} lt_live_recorded;
/** Record to a 24-bit WAV as it comes (constant memory, the header brought up to date every second, written beside and
 * renamed at the end; after a crash the part file is readable up to the last second). Over 4 GiB it becomes RF64.
 * seconds <= 0: until the watcher says stop, which counts as complete. A file that exists is refused (LT_E_ARG).
 * LT_E_IO as lt_live_play_record(), or a full disk: what was recorded until then is kept at `path`, and said so. */
LT_NODISCARD lt_status lt_live_record_file(const lt_live_options *opt, const char *path, double seconds,
                                           lt_live_watch watch, void *context, lt_live_recorded *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
