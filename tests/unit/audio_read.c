/* SPDX-License-Identifier: MIT
 * Reading sound files: kinds, depths, channels, blocks, and what is refused. Files are made with libsndfile itself. */
#include <lanetune/audio.h>

#include "fault.h"
#include "near.h"
#include "rng.h"
#include "scratch.h"
#include "sound_file.h"
#include "suite.h"

#include <pthread.h>
#include <sndfile.h>
#include <string.h>
#include <time.h>

enum { FRAMES = 3001 };

/* Channel c holds a sine of its own frequency. */
static double truth(size_t frame, int channel, double rate_hz)
{
    return 0.4 * sin(2.0 * LT_PI * (300.0 + 170.0 * channel) * (double)frame / rate_hz);
}

static bool make_file(const char *path, int format, int rate_hz, int channels, sf_count_t frames)
{
    SF_INFO sf = {.samplerate = rate_hz, .channels = channels, .format = format};
    SNDFILE *f = sf_open(path, SFM_WRITE, &sf);
    if (f == NULL)
        return false;
    bool good = true;
    for (sf_count_t i = 0; i < frames && good; i++) {
        double x[64];
        for (int c = 0; c < channels; c++)
            x[c] = truth((size_t)i, c, rate_hz);
        good = sf_writef_double(f, x, 1) == 1;
    }
    return sf_close(f) == 0 && good;
}

/* Largest difference to the truth, or +infinity when lengths differ. */
static double worst(const lt_signal *s, int channel, size_t frames)
{
    double w = s->count == frames ? 0.0 : HUGE_VAL;
    for (size_t i = 0; i < s->count && i < frames; i++)
        w = fmax(w, fabs(s->samples[i] - truth(i, channel, s->rate_hz)));
    return w;
}

static void every_kind_is_read(void **state)
{
    (void)state;
    static const struct {
        const char *file, *text;
        int format, rate_hz, channels;
        unsigned bits;
        double tolerance; /* one step of the coding */
    } rows[] = {
        {"a.wav", "WAV, 8 bit PCM", SF_FORMAT_WAV | SF_FORMAT_PCM_U8, 8000, 1, 8, 1.0 / 128},
        {"b.wav", "WAV, 16 bit PCM", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 44100, 2, 16, 1.0 / 32768},
        {"c.wav", "WAV, 24 bit PCM", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 48000, 3, 24, 1.0 / 8388608},
        {"d.wav", "WAV, 32 bit PCM", SF_FORMAT_WAV | SF_FORMAT_PCM_32, 96000, 1, 32, 1e-9},
        {"e.wav", "WAV, 32 bit float", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 192000, 2, 0, 1e-7},
        {"f.wav", "WAV, 64 bit float", SF_FORMAT_WAV | SF_FORMAT_DOUBLE, 384000, 8, 0, 1e-15},
        {"g.wav", "WAV, mu-law", SF_FORMAT_WAV | SF_FORMAT_ULAW, 8000, 1, 0, 0.02},
        {"h.wav", "WAV, 24 bit PCM", SF_FORMAT_WAVEX | SF_FORMAT_PCM_24, 48000, 16, 24, 1.0 / 8388608},
        {"i.aiff", "AIFF, 16 bit PCM", SF_FORMAT_AIFF | SF_FORMAT_PCM_16, 22050, 2, 16, 1.0 / 32768},
        {"j.flac", "FLAC, 24 bit PCM", SF_FORMAT_FLAC | SF_FORMAT_PCM_24, 48000, 2, 24, 1.0 / 8388608},
        {"k.ogg", "OGG, Vorbis", SF_FORMAT_OGG | SF_FORMAT_VORBIS, 44100, 1, 0, 0.1},
        {"l.w64", "W64, 24 bit PCM", SF_FORMAT_W64 | SF_FORMAT_PCM_24, 48000, 1, 24, 1.0 / 8388608},
        {"m.rf64", "RF64, 16 bit PCM", SF_FORMAT_RF64 | SF_FORMAT_PCM_16, 48000, 1, 16, 1.0 / 32768},
        {"n.caf", "CAF, 16 bit PCM", SF_FORMAT_CAF | SF_FORMAT_PCM_16, 16000, 1, 16, 1.0 / 32768},
        {"o.au", "AU, 16 bit PCM", SF_FORMAT_AU | SF_FORMAT_PCM_16, 4000, 1, 16, 1.0 / 32768},
        {"wrong-name.mp3", "WAV, 16 bit PCM", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 1, 16, 1.0 / 32768},
    };
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        const char *path = scratch_at(&dir, &names, rows[i].file);
        assert_true(make_file(path, rows[i].format, rows[i].rate_hz, rows[i].channels, FRAMES));
        for (int c = 0; c < rows[i].channels; c++) {
            lt_error err = {0};
            lt_signal *s = NULL;
            lt_audio_info info = {0};
            if (lt_audio_load(path, (unsigned)c, &s, &info, &err) != LT_OK) {
                print_error("%s: %s\n", rows[i].file, err.what);
                bad++;
                continue;
            }
            bad += !near_abs(rows[i].file, worst(s, c, FRAMES), 0.0, rows[i].tolerance);
            bad += !near_abs(rows[i].file, info.rate_hz, rows[i].rate_hz, 0.0);
            bad += strcmp(info.format, rows[i].text) != 0 || info.bits != rows[i].bits || info.truncated ||
                   info.channels != (unsigned)rows[i].channels;
            lt_signal_free(s);
        }
    }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void blocks_of_any_size_give_the_same(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    assert_true(make_file(path, SF_FORMAT_WAV | SF_FORMAT_PCM_24, 48000, 3, 40000));
    lt_error err = {0};
    lt_signal *whole = NULL;
    assert_int_equal(lt_audio_load(path, 1, &whole, NULL, &err), LT_OK);
    static const size_t sizes[] = {1, 7, 512, 5461, 5462, 39999, 40000, 70000};
    static double x[70000];
    for (size_t k = 0; k < COUNT(sizes); k++) {
        lt_audio_reader *r = NULL;
        assert_int_equal(lt_audio_open(path, &r, &err), LT_OK);
        assert_int_equal(lt_audio_reader_info(r)->frames, 40000);
        size_t total = 0, got = 0;
        do {
            assert_int_equal(lt_audio_read(r, 1, x, sizes[k], &got, &err), LT_OK);
            assert_memory_equal(x, whole->samples + total, got * sizeof *x);
            total += got;
        } while (got == sizes[k]);
        assert_int_equal(total, 40000);
        assert_int_equal(lt_audio_read(r, 1, x, sizes[k], &got, &err), LT_OK);
        assert_int_equal(got, 0);
        lt_audio_close(r);
    }
    lt_signal_free(whole);
    lt_audio_close(NULL);
    scratch_remove(&dir);
}

/* ---- headers that lie ---- */

static uint8_t wav[FRAMES * 2 + 64];

static void put32(size_t at, uint32_t v)
{
    for (size_t i = 0; i < 4; i++)
        wav[at + i] = (uint8_t)(v >> 8 * i);
}

/* A plain 16 bit WAV has its data size at byte 40 and the data from byte 44 on. */
static void headers_are_claims(void **state)
{
    (void)state;
    static const struct {
        const char *row;
        uint32_t riff_size, data_size, rate_hz;
        size_t keep; /* bytes of the file that remain */
        lt_status status;
        size_t frames;
        bool truncated;
        const char *what;
    } rows[] = {
        {"as written", FRAMES * 2 + 36, FRAMES * 2, 48000, FRAMES * 2 + 44, LT_OK, FRAMES, false, ""},
        {"cut in the middle", FRAMES * 2 + 36, FRAMES * 2, 48000, 2044, LT_OK, 1000, true, ""},
        {"size never filled in", 0xffffffff, 0xffffffff, 48000, FRAMES * 2 + 44, LT_OK, FRAMES, true, ""},
        {"two gigabytes claimed", 0x80000000, 0x7fffff00, 48000, 4044, LT_OK, 2000, true, ""},
        {"size left at zero", 0, 0, 48000, FRAMES * 2 + 44, LT_OK, FRAMES, false, ""},
        {"data size left at zero", FRAMES * 2 + 36, 0, 48000, FRAMES * 2 + 44, LT_OK, FRAMES, false, ""},
        {"only a header", 36, 0, 48000, 44, LT_E_ARG, 0, false, "holds no sound"},
        {"header and a promise", 4036, 4000, 48000, 44, LT_E_ARG, 0, false, "holds no sound"},
        {"one frame", 38, 2, 48000, 46, LT_OK, 1, false, ""},
        {"half a header", FRAMES * 2 + 36, FRAMES * 2, 48000, 21, LT_E_FORMAT, 0, false, "damaged or cut off"},
        {"four bytes", FRAMES * 2 + 36, FRAMES * 2, 48000, 4, LT_E_FORMAT, 0, false, "x.wav: "},
        {"too slow", FRAMES * 2 + 36, FRAMES * 2, 3999, FRAMES * 2 + 44, LT_E_FORMAT, 0, false, "sample rate 3999 Hz"},
        {"slowest", FRAMES * 2 + 36, FRAMES * 2, 4000, FRAMES * 2 + 44, LT_OK, FRAMES, false, ""},
        {"fastest", FRAMES * 2 + 36, FRAMES * 2, 400000, FRAMES * 2 + 44, LT_OK, FRAMES, false, ""},
        {"too fast", FRAMES * 2 + 36, FRAMES * 2, 400001, FRAMES * 2 + 44, LT_E_FORMAT, 0, false, "4000 to 400000 Hz"},
        {"no rate", FRAMES * 2 + 36, FRAMES * 2, 0, FRAMES * 2 + 44, LT_E_FORMAT, 0, false, "x.wav: "},
    };
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    assert_true(make_file(path, SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 1, FRAMES));
    assert_int_equal(scratch_read(path, wav, sizeof wav), FRAMES * 2 + 44);
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        put32(4, rows[i].riff_size);
        put32(24, rows[i].rate_hz);
        put32(40, rows[i].data_size);
        assert_true(scratch_write(path, wav, rows[i].keep));
        lt_error err = {0};
        lt_signal *s = NULL;
        lt_audio_info info = {0};
        const lt_status st = lt_audio_load(path, 0, &s, &info, &err);
        const bool right = st == rows[i].status && err.status == st && (s == NULL) == (st != LT_OK) &&
                           strstr(err.what, rows[i].what) != NULL &&
                           (st != LT_OK || (s->count == rows[i].frames && info.truncated == rows[i].truncated));
        if (!right)
            print_error("%s: status %d, %zu frames, truncated %d, \"%s\"\n", rows[i].row, (int)st,
                        s != NULL ? s->count : 0, info.truncated, err.what);
        bad += !right;
        lt_signal_free(s);
    }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void numbers_that_are_none_are_refused_with_their_place(void **state)
{
    (void)state;
    static const struct {
        double value;
        bool refused;
        const char *what;
    } rows[] = {
        {(double)NAN, true, "frame 1234 (0.154 s), channel 2 is not a number"},
        {(double)INFINITY, true, "frame 1234 (0.154 s), channel 2 is not a number"},
        {-(double)INFINITY, true, "frame 1234 (0.154 s), channel 2 is not a number"},
        {2147483647.0, true, "channel 2 is a million times full scale"},
        {31.5, false, ""}, /* 30 dB over full scale: what float recorders are for */
    };
    static const int formats[] = {SF_FORMAT_WAV | SF_FORMAT_FLOAT, SF_FORMAT_WAV | SF_FORMAT_DOUBLE,
                                  SF_FORMAT_AIFF | SF_FORMAT_FLOAT};
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    int bad = 0;
    for (size_t f = 0; f < COUNT(formats); f++)
        for (size_t i = 0; i < COUNT(rows); i++) {
            SF_INFO sf = {.samplerate = 8000, .channels = 2, .format = formats[f]};
            static double x[2 * 2000];
            fill_gauss(x, COUNT(x), 0.1, 5);
            x[2 * 1234 + 1] = rows[i].value;
            SNDFILE *file = sf_open(path, SFM_WRITE, &sf);
            assert_non_null(file);
            assert_int_equal(sf_writef_double(file, x, 2000), 2000);
            assert_int_equal(sf_close(file), 0);
            lt_error err = {0};
            lt_signal *s = NULL;
            const lt_status st = lt_audio_load(path, 0, &s, NULL, &err); /* the other channel */
            bad += (st == LT_E_FORMAT) != rows[i].refused || strstr(err.what, rows[i].what) == NULL;
            lt_signal_free(s);
        }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void what_is_no_sound_file_is_refused(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    assert_int_equal(mkfifo(scratch_at(&dir, &names, "pipe.wav"), 0600), 0);
    assert_int_equal(mkdir(scratch_at(&dir, &names, "folder.wav"), 0700), 0);
    assert_true(scratch_write(scratch_at(&dir, &names, "empty.wav"), "", 0));
    assert_true(scratch_write(scratch_at(&dir, &names, "letter.wav"), "Dear customer, your lane is too loud.", 37));
    assert_true(make_file(scratch_at(&dir, &names, "good.wav"), SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, 10));
    assert_int_equal(symlink("loop.wav", scratch_at(&dir, &names, "loop.wav")), 0);
    static const struct {
        const char *file;
        unsigned channel;
        lt_status status;
        const char *what;
    } rows[] = {
        {"pipe.wav", 0, LT_E_IO, "is a device or a pipe"},
        {"folder.wav", 0, LT_E_IO, "is a folder"},
        {"empty.wav", 0, LT_E_FORMAT, "the file is empty"},
        {"letter.wav", 0, LT_E_FORMAT, "not a sound file of a known kind"},
        {"nothing.wav", 0, LT_E_IO, "no such file"},
        {"good.wav/x", 0, LT_E_IO, "no folder"},
        {"loop.wav", 0, LT_E_IO, "in a circle"},
        {"good.wav", 2, LT_E_ARG, "channel 3 was asked for; the file has 2"},
        {"good.wav", 4000000000U, LT_E_ARG, "the file has 2"},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_error err = {0};
        lt_signal *s = NULL;
        const lt_status st = lt_audio_load(scratch_at(&dir, &names, rows[i].file), rows[i].channel, &s, NULL, &err);
        const bool right = st == rows[i].status && strstr(err.what, rows[i].what) != NULL &&
                           strstr(err.what, rows[i].file) != NULL && s == NULL;
        if (!right)
            print_error("%s: %d \"%s\"\n", rows[i].file, (int)st, err.what);
        bad += !right;
    }
    lt_error err = {0};
    lt_signal *s = NULL;
    assert_int_equal(lt_audio_load("/dev/zero", 0, &s, NULL, &err), LT_E_IO);
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

enum { ROUNDS = 3000 };

static void *open_damaged(void *path)
{
    size_t *wrong = calloc(1, sizeof *wrong);
    for (int i = 0; i < ROUNDS && wrong != NULL; i++) {
        lt_audio_reader *r = NULL;
        lt_error err = {0};
        const lt_status st = lt_audio_open(path, &r, &err);
        *wrong += st != LT_E_FORMAT || strstr(err.what, "its header is damaged") == NULL;
        lt_audio_close(r);
    }
    return wrong;
}

/* A file that cannot be opened leaves those of other threads open, and says the same whatever they do. */
static void a_damaged_file_disturbs_no_other_thread(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    static const char half[] = "RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00";
    char *damaged = scratch_at(&dir, &names, "damaged.wav"), *letter = scratch_at(&dir, &names, "letter.wav");
    assert_true(scratch_write(damaged, half, sizeof half - 1));
    assert_true(scratch_write(letter, "Dear customer", 13));
    pthread_t thread;
    void *wrong = NULL;
    size_t lost = 0;
    assert_int_equal(pthread_create(&thread, NULL, open_damaged, damaged), 0);
    for (int i = 0; i < ROUNDS; i++) {
        char text[4];
        lt_audio_reader *r = NULL;
        lt_error err = {0};
        const int fd = open(letter, O_RDONLY | O_CLOEXEC);
        lost += read(fd, text, sizeof text) != (ssize_t)sizeof text;
        lost += lt_audio_open(letter, &r, &err) != LT_E_FORMAT || strstr(err.what, "not a sound file") == NULL;
        lost += lseek(fd, 0, SEEK_CUR) != (off_t)sizeof text;
        lost += close(fd) != 0;
    }
    assert_int_equal(pthread_join(thread, &wrong), 0);
    scratch_remove(&dir);
    assert_non_null(wrong);
    const size_t misread = *(size_t *)wrong;
    free(wrong);
    assert_int_equal(misread, 0);
    assert_int_equal(lost, 0);
}

/* Loading is a small part of a whole command that may take 0.1 s. The bound leaves room for slow test builds. */
static void a_recording_is_loaded_fast(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    assert_true(make_file(path, SF_FORMAT_WAV | SF_FORMAT_PCM_24, 48000, 1, 14 * 48000));
    double best_s = HUGE_VAL;
    for (int i = 0; i < 5; i++) {
        struct timespec a, b;
        lt_error err = {0};
        lt_signal *s = NULL;
        (void)clock_gettime(CLOCK_MONOTONIC, &a);
        assert_int_equal(lt_audio_load(path, 0, &s, NULL, &err), LT_OK);
        (void)clock_gettime(CLOCK_MONOTONIC, &b);
        lt_signal_free(s);
        best_s = fmin(best_s, (double)(b.tv_sec - a.tv_sec) + 1e-9 * (double)(b.tv_nsec - a.tv_nsec));
    }
    scratch_remove(&dir);
    print_message("a 14 s recording is loaded in %.1f ms\n", 1e3 * best_s);
    assert_true(best_s < 0.25);
}

static void loading_survives_every_failed_allocation(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    char *path = scratch_at(&dir, &names, "x.wav");
    assert_true(make_file(path, SF_FORMAT_WAV | SF_FORMAT_PCM_24, 48000, 2, 100));
    assert_survives_faults(load_and_free, path);
    scratch_remove(&dir);
}

SUITE(audio_read)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_is_read),
        cmocka_unit_test(blocks_of_any_size_give_the_same),
        cmocka_unit_test(headers_are_claims),
        cmocka_unit_test(numbers_that_are_none_are_refused_with_their_place),
        cmocka_unit_test(what_is_no_sound_file_is_refused),
        cmocka_unit_test(a_damaged_file_disturbs_no_other_thread),
        cmocka_unit_test(a_recording_is_loaded_fast),
        cmocka_unit_test(loading_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("audio_read", tests, NULL, NULL);
}
