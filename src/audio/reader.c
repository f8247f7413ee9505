/* SPDX-License-Identifier: MIT
 * Reading sound files block by block. Full scale = 1.0; times count from the first frame of the file. */
#include <lanetune/audio.h>

#include "audio/beside.h"
#include "audio/format.h"
#include "audio/sound_fd.h"
#include "audio/wav_sizes.h"
#include "base/alloc.h"
#include "base/vector.h"

#include <inttypes.h>
#include <math.h>
#include <sndfile.h>
#include <string.h>
#include <unistd.h>

static const double min_rate_hz = 4000.0, max_rate_hz = 400000.0;
/* No recorder is driven a million times over its full scale: such a file holds integers stored as floats. */
static const double max_sample = 1e6;
enum { BLOCK_SAMPLES = 16384, CHANNELS_MAX = 1024, FIRST_ROOM = 1 << 20 };

struct lt_audio_reader {
    SNDFILE *file;
    ltp_wav_view *view; /* NULL: the file is read as it is */
    int fd;
    char *path;
    lt_audio_info info;
    double *block; /* interleaved, [block_frames x channels] */
    size_t block_frames;
    size_t raw_bytes;  /* of a sample that is decoded here: 2 or 3; 0: libsndfile decodes */
    uint64_t position; /* frames read so far */
    uint64_t bytes;    /* size of the file */
};

/* Whether a file begins as one of the kinds that libsndfile reads. */
static bool begins_as_sound(int fd)
{
    static const char kinds[][5] = {"RIFF", "RIFX", "RF64", "riff", "FORM", ".snd", "dns.",
                                    "fLaC", "OggS", "caff", "NIST", "Crea", "PVF1"};
    char first[4] = "";
    if (pread(fd, first, sizeof first, 0) != (ssize_t)sizeof first)
        return false;
    for (size_t i = 0; i < LTP_COUNT(kinds); i++)
        if (memcmp(first, kinds[i], sizeof first) == 0)
            return true;
    return false;
}

/* libsndfile keeps the reason of a failed open in one place for the whole process, where another thread may have
 * written meanwhile: it only chooses between sentences that are true of a damaged file too. */
static lt_status fail_open(const char *path, int fd, lt_error *err)
{
    if (!begins_as_sound(fd))
        return ltp_fail(err, LT_E_FORMAT,
                        "%s: not a sound file of a known kind (its content counts, not its name); export it as WAV",
                        path);
    switch (sf_error(NULL)) {
    case SF_ERR_UNSUPPORTED_ENCODING:
        return ltp_fail(err, LT_E_FORMAT, "%s: its samples are coded in an unsupported way; export it as WAV, 24 bit",
                        path);
    case SF_ERR_SYSTEM:
        return ltp_fail(err, LT_E_IO, "%s: reading failed; check the disk", path);
    default:
        return ltp_fail(err, LT_E_FORMAT, "%s: its header is damaged or cut off; copy or export the file again", path);
    }
}

/* WAV, AIFF and others are read as far as the file goes when the header promises more; libsndfile notes the two sizes.
 */
static bool header_was_corrected(SNDFILE *file)
{
    char log[4096] = "";
    (void)sf_command(file, SFC_GET_LOG_INFO, log, (int)sizeof log);
    log[sizeof log - 1] = '\0';
    for (const char *line = log; line != NULL; line = strchr(line, '\n')) {
        line += *line == '\n';
        const bool of_data =
            strncmp(line, "data ", 5) == 0 || strncmp(line, " SSND ", 6) == 0 || strncmp(line, "  Data Size", 11) == 0;
        const char *end = strchr(line, '\n');
        const char *hit = strstr(line, "should be");
        if (of_data && hit != NULL && (end == NULL || hit < end))
            return true;
    }
    return false;
}

static lt_status check_format(const char *path, const SF_INFO *sf, lt_error *err)
{
    if (sf->channels < 1 || sf->channels > CHANNELS_MAX)
        return ltp_fail(err, LT_E_FORMAT, "%s: %d channels; 1 to %d are read", path, sf->channels, (int)CHANNELS_MAX);
    if (!(sf->samplerate >= min_rate_hz && sf->samplerate <= max_rate_hz))
        return ltp_fail(err, LT_E_FORMAT,
                        "%s: sample rate %d Hz; %g to %g Hz are read, check the recorder or export the file again",
                        path, sf->samplerate, min_rate_hz, max_rate_hz);
    if ((sf->format & SF_FORMAT_TYPEMASK) == SF_FORMAT_RAW)
        return ltp_fail(err, LT_E_FORMAT, "%s: raw samples without a header; export it as WAV", path);
    return LT_OK;
}

/* Integers of 16 and 24 bit, low byte first, are decoded here: one channel only, in a quarter of the time. */
static size_t raw_bytes_of(int format)
{
    const int type = format & SF_FORMAT_TYPEMASK;
    const int coding = format & SF_FORMAT_SUBMASK;
    const bool little =
        type == SF_FORMAT_WAV || type == SF_FORMAT_WAVEX || type == SF_FORMAT_RF64 || type == SF_FORMAT_W64;
    if (__BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__ || !little || (format & SF_FORMAT_ENDMASK) == SF_ENDIAN_BIG)
        return 0;
    return coding == SF_FORMAT_PCM_16 ? 2 : coding == SF_FORMAT_PCM_24 ? 3 : 0;
}

static void describe(lt_audio_reader *r, const SF_INFO *sf)
{
    r->info.rate_hz = sf->samplerate;
    r->info.channels = (unsigned)sf->channels;
    r->info.frames = sf->frames > 0 ? (uint64_t)sf->frames : 0;
    r->info.bits = ltp_format_bits(sf->format);
    r->info.truncated = header_was_corrected(r->file);
    r->info.sizes_wrong = r->view != NULL && ltp_wav_view_was_wrong(r->view);
    const int container = r->view != NULL ? ltp_wav_view_container(r->view) : sf->format & SF_FORMAT_TYPEMASK;
    ltp_format_text(container | (sf->format & SF_FORMAT_SUBMASK), r->info.format, sizeof r->info.format);
    r->block_frames = BLOCK_SAMPLES / r->info.channels;
    r->raw_bytes = raw_bytes_of(sf->format);
}

lt_status lt_audio_open(const char *path, lt_audio_reader **out, lt_error *err)
{
    SF_INFO sf = {0};
    *out = NULL;
    lt_audio_reader *r = ltp_alloc(1, sizeof *r);
    if (r == NULL)
        return ltp_fail_nomem(err, path);
    r->fd = -1;
    lt_status st = ltp_open_regular(path, "a sound file", &r->fd, &r->bytes, err);
    if (st == LT_OK)
        st = ltp_wav_look(path, r->fd, r->bytes, &r->view, err);
    if (st != LT_OK)
        goto done;
    r->file = r->view != NULL ? ltp_wav_view_open(r->view, &sf) : ltp_sound_open_fd(r->fd, SFM_READ, &sf);
    if (r->file == NULL) {
        st = fail_open(path, r->fd, err);
        goto done;
    }
    st = check_format(path, &sf, err);
    if (st != LT_OK)
        goto done;
    describe(r, &sf);
    r->path = ltp_alloc(strlen(path) + 1, 1);
    r->block = ltp_alloc(BLOCK_SAMPLES, sizeof *r->block);
    if (r->path == NULL || r->block == NULL) {
        st = ltp_fail_nomem(err, path);
        goto done;
    }
    memcpy(r->path, path, strlen(path) + 1);
    *out = r;
    r = NULL;
done:
    lt_audio_close(r);
    return st;
}

const lt_audio_info *lt_audio_reader_info(const lt_audio_reader *r)
{
    return &r->info;
}

void lt_audio_close(lt_audio_reader *r)
{
    if (r == NULL)
        return;
    if (r->file != NULL)
        (void)sf_close(r->file);
    if (r->fd >= 0)
        (void)close(r->fd);
    ltp_wav_view_free(r->view);
    ltp_free(r->path);
    ltp_free(r->block);
    ltp_free(r);
}

/* All channels are looked at: a file that holds one broken number is not trusted anywhere. */
static lt_status check_samples(const lt_audio_reader *r, const double *x, size_t frames, lt_error *err)
{
    const size_t n = frames * r->info.channels;
    bool good = true;
    if (r->info.bits > 0)
        return LT_OK; /* a code of PCM is always a number */
    for (size_t i = 0; i < n; i++)
        good &= fabs(x[i]) <= max_sample; /* false for NaN */
    for (size_t i = 0; !good && i < n; i++) {
        if (fabs(x[i]) <= max_sample)
            continue;
        const uint64_t frame = r->position + i / r->info.channels;
        const char *what = isfinite(x[i]) ? "a million times full scale or more" : "not a number";
        return ltp_fail(err, LT_E_FORMAT,
                        "%s: frame %" PRIu64
                        " (%.3f s), channel %zu is %s; the file is damaged or was written wrongly, "
                        "export it again",
                        r->path, frame, (double)frame / r->info.rate_hz, i % r->info.channels + 1, what);
    }
    return LT_OK;
}

/* One block of all channels; *got = 0 at the end. */
static lt_status read_block(lt_audio_reader *r, double *x, size_t frames, size_t *got, lt_error *err)
{
    *got = 0;
    const sf_count_t n = sf_readf_double(r->file, x, (sf_count_t)frames);
    if (n < 0 || n > (sf_count_t)frames)
        return ltp_fail(err, LT_E_IO, "%s: reading failed after %" PRIu64 " frames; check the disk", r->path,
                        r->position);
    const lt_status st = check_samples(r, x, (size_t)n, err);
    if (st != LT_OK)
        return st;
    *got = (size_t)n;
    r->position += (uint64_t)n;
    if ((size_t)n < frames && r->position < r->info.frames)
        r->info.truncated = true; /* the header promised more */
    return LT_OK;
}

/* The only channel, 16 bit: nothing keeps the compiler from taking several at a time. */
LTP_WIDE static void decode_mono(const unsigned char *restrict raw, double *restrict x, size_t frames)
{
    for (size_t i = 0; i < frames; i++) {
        int16_t code;
        memcpy(&code, raw + 2 * i, sizeof code);
        x[i] = (double)code * 0x1p-15;
    }
}

/* One channel of raw[frames], whose frames have `step` bytes. Three bytes are read as four, so one byte follows raw. */
static void decode(const unsigned char *raw, size_t bytes, size_t step, double *x, size_t frames)
{
    if (bytes == 2 && step == 2)
        decode_mono(raw, x, frames);
    for (size_t i = 0; bytes == 2 && step > 2 && i < frames; i++) {
        int16_t code;
        memcpy(&code, raw + i * step, sizeof code);
        x[i] = (double)code * 0x1p-15;
    }
    for (size_t i = 0; bytes == 3 && i < frames; i++) {
        uint32_t four;
        memcpy(&four, raw + i * step, sizeof four);
        x[i] = (double)(int32_t)(four << 8) * 0x1p-31;
    }
}

/* One channel of one block; *got < frames at the end. */
static lt_status read_raw(lt_audio_reader *r, unsigned channel, double *x, size_t frames, size_t *got, lt_error *err)
{
    unsigned char *raw = (unsigned char *)r->block;
    const size_t step = r->raw_bytes * r->info.channels;
    *got = 0;
    const sf_count_t n = sf_read_raw(r->file, raw, (sf_count_t)(frames * step));
    if (n < 0 || n > (sf_count_t)(frames * step))
        return ltp_fail(err, LT_E_IO, "%s: reading failed after %" PRIu64 " frames; check the disk", r->path,
                        r->position);
    *got = (size_t)n / step;
    decode(raw + channel * r->raw_bytes, r->raw_bytes, step, x, *got);
    r->position += *got;
    if (*got < frames && r->position < r->info.frames)
        r->info.truncated = true; /* the header promised more */
    return LT_OK;
}

/* As read_raw(), by way of libsndfile's doubles of all channels. */
static lt_status read_decoded(lt_audio_reader *r, unsigned channel, double *x, size_t frames, size_t *got,
                              lt_error *err)
{
    const bool mono = r->info.channels == 1;
    const lt_status st = read_block(r, mono ? x : r->block, frames, got, err);
    for (size_t i = 0; st == LT_OK && !mono && i < *got; i++)
        x[i] = r->block[i * r->info.channels + channel];
    return st;
}

lt_status lt_audio_read(lt_audio_reader *r, unsigned channel, double *x, size_t frames, size_t *got, lt_error *err)
{
    *got = 0;
    if (channel >= r->info.channels)
        return ltp_fail(err, LT_E_ARG, "%s: channel %u was asked for; the file has %u", r->path, channel + 1,
                        r->info.channels);
    while (*got < frames) {
        const size_t wanted = frames - *got < r->block_frames ? frames - *got : r->block_frames;
        size_t n = 0;
        const lt_status st = r->raw_bytes > 0 ? read_raw(r, channel, x + *got, wanted, &n, err)
                                              : read_decoded(r, channel, x + *got, wanted, &n, err);
        if (st != LT_OK)
            return st;
        *got += n;
        if (n < wanted)
            break;
    }
    return LT_OK;
}

lt_status lt_audio_skip(lt_audio_reader *r, uint64_t frames, lt_error *err)
{
    if (r->position > r->info.frames || frames > r->info.frames - r->position)
        return ltp_fail(err, LT_E_ARG, "%s: the file ends before frame %" PRIu64, r->path, r->position + frames);
    const sf_count_t at = (sf_count_t)(r->position + frames);
    if (sf_seek(r->file, at, SEEK_SET) != at)
        return ltp_fail(err, LT_E_IO, "%s: this kind of file must be read from its beginning", r->path);
    r->position += frames;
    return LT_OK;
}

static lt_status fail_long(const lt_audio_reader *r, lt_error *err)
{
    return ltp_fail(err, LT_E_ARG, "%s: longer than %d frames (%.1f hours); cut it into parts", r->path,
                    (int)LT_SIGNAL_MAX_COUNT, LT_SIGNAL_MAX_COUNT / r->info.rate_hz / 3600.0);
}

/* Grows with what is really read; the header's count only tells where to start, up to a limit. */
static lt_status read_all(lt_audio_reader *r, unsigned channel, double **samples, size_t *count, lt_error *err)
{
    size_t room = r->info.frames < FIRST_ROOM ? (size_t)r->info.frames + 1 : FIRST_ROOM;
    if (r->info.frames > LT_SIGNAL_MAX_COUNT && r->bytes / r->info.channels > LT_SIGNAL_MAX_COUNT)
        return fail_long(r, err); /* it has the bytes for it: do not fill the memory first */
    for (;;) {
        double *grown = ltp_realloc(*samples, room, sizeof *grown);
        if (grown == NULL)
            return ltp_fail_nomem(err, r->path);
        *samples = grown;
        size_t got = 0;
        const lt_status st = lt_audio_read(r, channel, grown + *count, room - *count, &got, err);
        if (st != LT_OK)
            return st;
        *count += got;
        if (*count < room)
            return LT_OK;
        if (*count > LT_SIGNAL_MAX_COUNT)
            return fail_long(r, err);
        room = room > LT_SIGNAL_MAX_COUNT / 2 ? (size_t)LT_SIGNAL_MAX_COUNT + 1 : 2 * room;
    }
}

static lt_status fail_empty(const lt_audio_reader *r, lt_error *err)
{
    if (r->bytes < 4096)
        return ltp_fail(err, LT_E_ARG, "%s: the file holds no sound, not even one frame; record again", r->path);
    return ltp_fail(err, LT_E_ARG,
                    "%s: the header promises no sound, though the file has %" PRIu64
                    " bytes: the recorder was interrupted; record again",
                    r->path, r->bytes);
}

lt_status lt_audio_load(const char *path, unsigned channel, lt_signal **out, lt_audio_info *info, lt_error *err)
{
    lt_audio_reader *r = NULL;
    lt_signal *s = NULL;
    double *samples = NULL;
    size_t count = 0;
    *out = NULL;
    lt_status st = lt_audio_open(path, &r, err);
    if (st == LT_OK)
        st = lt_signal_create(0, r->info.rate_hz, &s, err);
    if (st == LT_OK)
        st = read_all(r, channel, &samples, &count, err);
    if (st == LT_OK && count == 0)
        st = fail_empty(r, err);
    if (st == LT_OK) {
        ltp_free(s->samples);
        s->samples = samples;
        s->count = count;
        samples = NULL;
        *out = s;
        s = NULL;
        if (info != NULL)
            *info = r->info;
    }
    ltp_free(samples);
    lt_signal_free(s);
    lt_audio_close(r);
    return st;
}
