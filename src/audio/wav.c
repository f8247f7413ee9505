/* SPDX-License-Identifier: MIT
 * Writing WAV files beside and renaming. Full scale = 1.0 = the largest code + 1 of PCM. */
#include <lanetune/audio.h>

#include "audio/beside.h"
#include "audio/sound_fd.h"
#include "base/alloc.h"

#include <errno.h>
#include <float.h>
#include <math.h>
#include <sndfile.h>
#include <sys/stat.h>

enum { CHANNELS_MAX = 1024, BLOCK_SAMPLES = 16384 };
/* The sizes in a WAV header are 32 bit; this leaves room for the header itself. */
static const uint64_t max_data_bytes = UINT32_MAX - 65536U;

static unsigned bytes_of(lt_audio_encoding encoding)
{
    return encoding == LT_AUDIO_PCM16 ? 2 : encoding == LT_AUDIO_PCM24 ? 3 : 4;
}

static int format_of(lt_audio_encoding encoding)
{
    return SF_FORMAT_WAV | (encoding == LT_AUDIO_PCM16   ? SF_FORMAT_PCM_16
                            : encoding == LT_AUDIO_PCM24 ? SF_FORMAT_PCM_24
                                                         : SF_FORMAT_FLOAT);
}

static lt_status check(const char *path, const lt_signal *const *signals, unsigned channels, lt_audio_encoding encoding,
                       lt_error *err)
{
    if (channels < 1 || channels > CHANNELS_MAX)
        return ltp_fail(err, LT_E_ARG, "%s: %u channels; 1 to %d can be written", path, channels, (int)CHANNELS_MAX);
    const double rate_hz = signals[0]->rate_hz;
    /* The header holds whole hertz: a rate such as 44099.6 would silently become another one. */
    if (!(rate_hz >= 1.0 && rate_hz <= 1e6) || fabs(rate_hz - rint(rate_hz)) > 1e-6)
        return ltp_fail(err, LT_E_ARG, "%s: a sample rate of %.10g Hz cannot be written; resample to whole hertz", path,
                        rate_hz);
    if ((uint64_t)signals[0]->count > max_data_bytes / bytes_of(encoding) / channels)
        return ltp_fail(err, LT_E_ARG, "%s: %zu frames do not fit into a WAV file; write shorter parts", path,
                        signals[0]->count);
    for (unsigned c = 0; c < channels; c++) {
        if (fabs(signals[c]->rate_hz - rate_hz) > 1e-6 || signals[c]->count != signals[0]->count)
            return ltp_fail(err, LT_E_ARG, "%s: the channels differ in rate or length; they must be equal", path);
        for (size_t i = 0; i < signals[c]->count; i++)
            if (!(fabs(signals[c]->samples[i]) <= (double)FLT_MAX))
                return ltp_fail(err, LT_E_ARG, "%s: frame %zu of channel %u is not a number and cannot be written",
                                path, i, c + 1);
    }
    return LT_OK;
}

/* Round half away from zero, the same for both signs; full scale becomes the largest code and never wraps. Codes that
 * were read come back unchanged. */
static int32_t quantise(double x, double steps, bool *clipped)
{
    *clipped |= fabs(x) > 1.0;
    const double code = round(x * steps);
    return (int32_t)(code > steps - 1.0 ? steps - 1.0 : code < -steps ? -steps : code);
}

typedef struct {
    SNDFILE *file;
    const lt_signal *const *signals;
    unsigned channels;
    lt_audio_encoding encoding;
    bool clipped;
    union {
        int32_t codes[BLOCK_SAMPLES];
        float floats[BLOCK_SAMPLES];
    } block;
} wav_job;

static bool write_block(wav_job *j, size_t first, size_t frames)
{
    size_t k = 0;
    for (size_t i = first; i < first + frames; i++)
        for (unsigned c = 0; c < j->channels; c++, k++) {
            const double x = j->signals[c]->samples[i];
            if (j->encoding == LT_AUDIO_FLOAT)
                j->block.floats[k] = (float)x;
            else if (j->encoding == LT_AUDIO_PCM16) /* the file takes the upper 16 or 24 of 32 bits */
                j->block.codes[k] = quantise(x, 32768.0, &j->clipped) * 65536;
            else
                j->block.codes[k] = quantise(x, 8388608.0, &j->clipped) * 256;
        }
    const sf_count_t n = (sf_count_t)frames;
    return j->encoding == LT_AUDIO_FLOAT ? sf_writef_float(j->file, j->block.floats, n) == n
                                         : sf_writef_int(j->file, j->block.codes, n) == n;
}

/* 0 or an errno value. */
static int write_frames(wav_job *j, int fd)
{
    SF_INFO sf = {.samplerate = (int)lrint(j->signals[0]->rate_hz),
                  .channels = (int)j->channels,
                  .format = format_of(j->encoding)};
    errno = 0;
    j->file = ltp_sound_open_fd(fd, SFM_WRITE, &sf);
    if (j->file == NULL)
        return errno != 0 ? errno : EIO;
    /* The PEAK chunk holds the time of day: without it the same samples give the same bytes. */
    (void)sf_command(j->file, SFC_SET_ADD_PEAK_CHUNK, NULL, SF_FALSE);
    const size_t total = j->signals[0]->count, step = BLOCK_SAMPLES / j->channels;
    bool good = true;
    for (size_t i = 0; good && i < total; i += step)
        good = write_block(j, i, total - i < step ? total - i : step);
    const int cause = errno;
    if (sf_close(j->file) != 0)
        good = false;
    if (!good)
        return cause != 0 ? cause : ENOSPC;
    /* A header that could not be completed shows in the size. */
    struct stat st;
    const uint64_t data = (uint64_t)total * j->channels * bytes_of(j->encoding);
    return fstat(fd, &st) == 0 && (uint64_t)st.st_size >= data + 44 ? 0 : ENOSPC;
}

lt_status lt_audio_save(const char *path, const lt_signal *const *signals, unsigned channels,
                        lt_audio_encoding encoding, lt_notes *notes, lt_error *err)
{
    ltp_beside b = {.fd = -1};
    lt_status st = check(path, signals, channels, encoding, err);
    if (st != LT_OK)
        return st;
    wav_job *job = ltp_alloc(1, sizeof *job);
    if (job == NULL)
        return ltp_fail_nomem(err, path);
    st = ltp_beside_open(path, &b, err);
    if (st != LT_OK)
        goto done;
    job->signals = signals;
    job->channels = channels;
    job->encoding = encoding;
    const int cause = write_frames(job, b.fd);
    if (cause != 0) {
        st = ltp_beside_failed(&b, cause, err);
        goto done;
    }
    st = ltp_beside_commit(&b, err);
    if (st == LT_OK && job->clipped)
        lt_notes_add(notes, "clipped-on-write", "%s: samples over full scale were cut off while writing.", path);
done:
    ltp_beside_abandon(&b);
    ltp_free(job);
    return st;
}
