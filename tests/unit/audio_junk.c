/* SPDX-License-Identifier: MIT
 * Damaged sound files: bits turned over and ends cut off, from fixed seeds. Every one is read or refused in one line.
 */
#include <lanetune/audio.h>

#include "near.h"
#include "scratch.h"
#include "suite.h"

#include <sndfile.h>
#include <string.h>

/* libsndfile loses the comment block of an Ogg file whose header it refuses: not our memory. */
__attribute__((visibility("default"))) const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void)
{
    return "leak:vorbis_info_init\n";
}

enum { VARIANTS = 700, ROOM = 20000 };

static size_t make_seed_file(const char *path, int format, uint8_t *bytes)
{
    SF_INFO sf = {.samplerate = 16000, .channels = 2, .format = format};
    SNDFILE *f = sf_open(path, SFM_WRITE, &sf);
    assert_non_null(f);
    for (int i = 0; i < 600; i++) {
        const double x[2] = {0.3 * sin(0.1 * i), 0.2 * cos(0.03 * i)};
        assert_int_equal(sf_writef_double(f, x, 1), 1);
    }
    assert_int_equal(sf_close(f), 0);
    return scratch_read(path, bytes, ROOM);
}

/* Most damage goes to the first 200 bytes, where the headers are; some files are cut, some get both. */
static size_t damage(uint8_t *b, size_t bytes, lt_rng *r)
{
    const unsigned kind = (unsigned)(lt_rng_next(r) % 4);
    const unsigned flips = kind == 1 ? 0 : 1 + (unsigned)(lt_rng_next(r) % 6);
    for (unsigned i = 0; i < flips; i++) {
        const size_t reach = lt_rng_next(r) % 4 != 0 && bytes > 200 ? 200 : bytes;
        b[lt_rng_next(r) % reach] ^= (uint8_t)(1U << lt_rng_next(r) % 8);
    }
    if (kind == 3) /* a field of four bytes at an extreme */
        memset(b + lt_rng_next(r) % (bytes < 64 ? bytes - 4 : 60), lt_rng_next(r) % 2 == 0 ? 0xff : 0, 4);
    return kind == 1 || kind == 2 ? (size_t)(lt_rng_next(r) % bytes) : bytes;
}

static bool is_one_line(const char *text)
{
    return text[0] != '\0' && strchr(text, '\n') == NULL && strchr(text, '%') == NULL;
}

static void damaged_files_are_read_or_refused(void **state)
{
    (void)state;
    static const int formats[] = {
        SF_FORMAT_WAV | SF_FORMAT_PCM_16,    SF_FORMAT_WAV | SF_FORMAT_FLOAT,    SF_FORMAT_WAVEX | SF_FORMAT_PCM_24,
        SF_FORMAT_WAV | SF_FORMAT_IMA_ADPCM, SF_FORMAT_WAV | SF_FORMAT_MS_ADPCM, SF_FORMAT_AIFF | SF_FORMAT_PCM_16,
        SF_FORMAT_FLAC | SF_FORMAT_PCM_16,   SF_FORMAT_OGG | SF_FORMAT_VORBIS,   SF_FORMAT_W64 | SF_FORMAT_PCM_16,
        SF_FORMAT_RF64 | SF_FORMAT_PCM_16,   SF_FORMAT_CAF | SF_FORMAT_PCM_16,   SF_FORMAT_AU | SF_FORMAT_PCM_16,
    };
    static uint8_t seed[ROOM], b[ROOM];
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    lt_rng r = {20240514};
    size_t read = 0, refused = 0, bytes = 0;
    for (size_t v = 0; v < VARIANTS; v++) {
        const size_t per_format = VARIANTS / COUNT(formats) + 1;
        if (v % per_format == 0)
            bytes = make_seed_file(path, formats[v / per_format], seed);
        memcpy(b, seed, bytes);
        assert_true(scratch_write(path, b, damage(b, bytes, &r)));
        lt_error err = {0};
        lt_signal *s = NULL;
        lt_audio_info info = {0};
        if (lt_audio_load(path, (unsigned)(v % 2), &s, &info, &err) == LT_OK) {
            read++;
            /* Not more than the file can hold: nothing was made up from what a header claims. */
            assert_true(s->count > 0 && s->count <= 100 * ROOM);
            for (size_t i = 0; i < s->count; i++)
                assert_true(isfinite(s->samples[i]));
        } else {
            refused++;
            if (!is_one_line(err.what) || strstr(err.what, "x.wav") == NULL)
                fail_msg("variant %zu: \"%s\"", v, err.what);
        }
        lt_signal_free(s);
    }
    scratch_remove(&dir);
    print_message("%zu damaged files read, %zu refused\n", read, refused);
    assert_true(read > 50 && refused > 50);
}

SUITE(audio_junk)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(damaged_files_are_read_or_refused)};
    return cmocka_run_group_tests_name("audio_junk", tests, NULL, NULL);
}
