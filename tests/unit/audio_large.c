/* SPDX-License-Identifier: MIT
 * Sound files over 4 GiB: RF64 (EBU Tech 3306) and W64, whose sizes are 64 bit. They are sparse: all silence but for
 * marks at the beginning, behind the 4 GiB, and at the end. */
#include <lanetune/audio.h>

#include "near.h"
#include "scratch.h"
#include "sound_file.h"
#include "suite.h"

enum { CHANNELS = 256, RATE = 48000, BLOCK = 16384, LAST = 20000 };
static const uint64_t frames = (UINT64_C(9) << 29) / (CHANNELS * sizeof(double)); /* 4.5 GiB of samples */

/* The 16 bytes of a format chunk: 64-bit floats. */
static size_t put_format(unsigned char *at)
{
    size_t n = put(at, 3, 2);
    n += put(at + n, CHANNELS, 2);
    n += put(at + n, RATE, 4);
    n += put(at + n, (uint64_t)RATE * CHANNELS * 8, 4);
    n += put(at + n, CHANNELS * 8, 2);
    return n + put(at + n, 64, 2);
}

static size_t rf64_header(unsigned char *h, uint64_t data)
{
    size_t n = put_text(h, "RF64\xff\xff\xff\xffWAVEds64", 16);
    n += put(h + n, 28, 4);
    n += put(h + n, data + 72, 8); /* all but the first 8 bytes */
    n += put(h + n, data, 8);
    n += put(h + n, frames, 8);
    n += put(h + n, 0, 4);
    n += put_text(h + n, "fmt ", 4);
    n += put(h + n, 16, 4);
    n += put_format(h + n);
    return n + put_text(h + n, "data\xff\xff\xff\xff", 8);
}

static size_t w64_header(unsigned char *h, uint64_t data)
{
    static const char riff[] = "riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00";
    static const char tail[] = "\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a";
    size_t n = put_text(h, riff, 16);
    n += put(h + n, data + 104, 8); /* the whole file */
    n += put_text(h + n, "wave", 4);
    n += put_text(h + n, tail, 12);
    n += put_text(h + n, "fmt ", 4);
    n += put_text(h + n, tail, 12);
    n += put(h + n, 40, 8);
    n += put_format(h + n);
    n += put_text(h + n, "data", 4);
    n += put_text(h + n, tail, 12);
    return n + put(h + n, data + 24, 8);
}

static double mark_of(uint64_t frame)
{
    return frame == 7 ? 0.25 : frame == frames - 10000 ? -0.5 : frame == frames - 1 ? 0.75 : 0.0;
}

static void make_file(const char *path, size_t (*header)(unsigned char *, uint64_t))
{
    unsigned char h[256];
    const uint64_t marked[] = {7, frames - 10000, frames - 1};
    const uint64_t data = frames * CHANNELS * sizeof(double);
    const size_t n = header(h, data);
    const int fd = open(path, O_CREAT | O_WRONLY | O_TRUNC, 0600);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, h, n), n);
    assert_int_equal(ftruncate(fd, (off_t)(n + data)), 0);
    for (size_t i = 0; i < COUNT(marked); i++) {
        const double x = mark_of(marked[i]);
        const uint64_t at = n + (marked[i] * CHANNELS + CHANNELS - 1) * sizeof x;
        assert_int_equal(pwrite(fd, &x, sizeof x, (off_t)at), sizeof x);
    }
    assert_int_equal(close(fd), 0);
}

static void over_four_gib_nothing_is_lost(void **state)
{
    (void)state;
    static size_t (*const headers[])(unsigned char *, uint64_t) = {rf64_header, w64_header};
    scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    double *x = calloc(BLOCK, sizeof *x);
    for (size_t k = 0; k < COUNT(headers); k++) {
        const char *path = scratch_at(&dir, &names, k == 0 ? "large.wav" : "large.w64");
        lt_audio_reader *r = NULL;
        lt_error err = {0};
        uint64_t at = 0;
        size_t got = BLOCK, marks = 0, wrong = 0;
        make_file(path, headers[k]);
        if (lt_audio_open(path, &r, &err) != LT_OK)
            fail_msg("%s", err.what);
        const lt_audio_info *info = lt_audio_reader_info(r);
        assert_true(info->frames == frames);
        assert_int_equal(info->channels, CHANNELS);
        assert_false(info->truncated);
        while (got == BLOCK) {
            if (lt_audio_read(r, CHANNELS - 1, x, BLOCK, &got, &err) != LT_OK)
                fail_msg("%s", err.what);
            for (size_t i = 0; i < got; i++) {
                const double want = mark_of(at + i);
                wrong += x[i] < want || x[i] > want;
                marks += fabs(want) > 0.0;
            }
            at += got;
            if (at == BLOCK) { /* the silence up to behind the 4 GiB takes long to read */
                assert_int_equal(lt_audio_skip(r, frames - LAST - BLOCK, &err), LT_OK);
                at = frames - LAST;
            }
        }
        assert_int_equal(lt_audio_skip(r, 1, &(lt_error){0}), LT_E_ARG);
        assert_true(at == frames);
        assert_int_equal(marks, 3);
        assert_int_equal(wrong, 0);
        lt_audio_close(r);
        assert_int_equal(unlink(path), 0);
    }
    free(x);
    scratch_remove(&dir);
}

SUITE(audio_large)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(over_four_gib_nothing_is_lost)};
    return cmocka_run_group_tests_name("audio_large", tests, NULL, NULL);
}
