/* SPDX-License-Identifier: MIT
 * WAV files whose header does not tell their length: recorders that were stopped, and recorders that went on behind the
 * 4 GiB that 32 bits count. They are sparse: silence, but for marks at the beginning and at the very end. Layout of the
 * chunks: EBU Tech 3285. */
#include <lanetune/audio.h>

#include "fault.h"
#include "near.h"
#include "scratch.h"
#include "sound_file.h"
#include "suite.h"

enum { RATE = 48000, MARK = 7, LAST = 5000, HEAD = 128 };
static const uint64_t gib = UINT64_C(1) << 30;

typedef enum { NO_TAIL, LIST_TAIL, JUNK_TAIL } tail;
typedef enum { PCM16, PCM24, FLOAT32, EXTENSIBLE } coding;
typedef struct {
    const char *row;
    coding coding;
    unsigned channels;
    uint64_t data; /* bytes that are there; whole frames */
    uint32_t riff_size, data_size;
    tail tail;
    lt_status status;
    bool wrong; /* the header is not believed */
    const char *what;
    bool rf64;
    uint64_t wide_size; /* of the samples, in the chunk ds64 */
} lying_file;

static unsigned bytes_of(coding c)
{
    return c == PCM16 ? 2 : c == PCM24 ? 3 : 4;
}

static size_t put_format(unsigned char *at, const lying_file *f)
{
    static const char guid[] = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71";
    const unsigned bytes = bytes_of(f->coding), block = bytes * f->channels;
    size_t n = put_text(at, "fmt ", 4);
    n += put(at + n, f->coding == EXTENSIBLE ? 40 : 16, 4);
    n += put(at + n, f->coding == EXTENSIBLE ? 0xfffe : f->coding == FLOAT32 ? 3 : 1, 2);
    n += put(at + n, f->channels, 2);
    n += put(at + n, RATE, 4);
    n += put(at + n, (uint64_t)RATE * block, 4);
    n += put(at + n, block, 2);
    n += put(at + n, (uint64_t)8 * bytes, 2);
    if (f->coding == EXTENSIBLE) {
        n += put(at + n, 22, 2);
        n += put(at + n, 32, 2);
        n += put(at + n, 0, 4);
        n += put(at + n, 3, 2); /* floating point */
        n += put_text(at + n, guid, 14);
    }
    return n;
}

/* One sample of half of full scale, least byte first. */
static void mark(int fd, const lying_file *f, size_t head, uint64_t frame, unsigned channel)
{
    const unsigned bytes = bytes_of(f->coding);
    const float half = 0.5f;
    unsigned char code[4];
    if (bytes < 4)
        put(code, UINT64_C(1) << (8 * bytes - 2), bytes);
    else
        memcpy(code, &half, sizeof half);
    const uint64_t at = head + (frame * f->channels + channel) * bytes;
    assert_int_equal(pwrite(fd, code, bytes, (off_t)at), bytes);
}

static void make_file(const char *path, const lying_file *f)
{
    unsigned char h[HEAD];
    const uint64_t frames = f->data / bytes_of(f->coding) / f->channels;
    const int fd = open(path, O_CREAT | O_WRONLY | O_TRUNC, 0600);
    assert_true(fd >= 0);
    size_t n = put_text(h, f->rf64 ? "RF64" : "RIFF", 4);
    n += put(h + n, f->riff_size, 4);
    n += put_text(h + n, "WAVE", 4);
    if (f->rf64) {
        n += put_text(h + n, "ds64", 4);
        n += put(h + n, 28, 4);
        n += put(h + n, f->wide_size == 0 ? 0 : f->wide_size + 86 + (f->tail == LIST_TAIL ? 14 : 0), 8);
        n += put(h + n, f->wide_size, 8);
        n += put(h + n, 0, 8);
        n += put(h + n, 0, 4);
    }
    n += put_text(h + n, "JUNK\x05\0\0\0.....\0", 14); /* an odd size, padded */
    n += put_format(h + n, f);
    n += put_text(h + n, "data", 4);
    n += put(h + n, f->data_size, 4);
    assert_int_equal(write(fd, h, n), n);
    assert_int_equal(ftruncate(fd, (off_t)(n + f->data)), 0);
    if (frames > 0) {
        mark(fd, f, n, MARK, f->channels - 1);
        mark(fd, f, n, frames - 1, f->channels - 1);
    }
    const char *rest = f->tail == LIST_TAIL ? "LIST\x06\0\0\0INFO..data" : "....there is more here than chunks";
    const size_t rest_bytes = f->tail == NO_TAIL ? 0 : f->tail == LIST_TAIL ? 14 : strlen(rest);
    assert_int_equal(pwrite(fd, rest, rest_bytes, (off_t)(n + f->data)), rest_bytes);
    assert_int_equal(close(fd), 0);
}

/* The beginning and the end are as they were written, silence else. What lies between is skipped. */
static size_t wrong_samples(lt_audio_reader *r, unsigned channel, uint64_t frames, double *x)
{
    size_t wrong = 0, got = 0;
    lt_error err = {0};
    for (int part = 0; part < 2; part++) {
        const uint64_t from = part == 0 ? 0 : frames - LAST;
        if (part == 1 && lt_audio_skip(r, frames - 2 * (uint64_t)LAST, &err) != LT_OK)
            fail_msg("%s", err.what);
        if (lt_audio_read(r, channel, x, part == 0 ? LAST : LAST + 1, &got, &err) != LT_OK)
            fail_msg("%s", err.what);
        wrong += got != LAST;
        for (size_t i = 0; i < got; i++) {
            const double want = from + i == MARK || from + i == frames - 1 ? 0.5 : 0.0;
            wrong += fabs(x[i] - want) > 0.0;
        }
    }
    return wrong;
}

static size_t wrong_about(const char *path, const lying_file *f, double *x)
{
    const uint64_t frames = f->data / bytes_of(f->coding) / f->channels;
    lt_audio_reader *r = NULL;
    lt_error err = {0};
    make_file(path, f);
    const lt_status st = lt_audio_open(path, &r, &err);
    size_t wrong = st != f->status || strstr(err.what, f->what) == NULL;
    if (r != NULL) {
        const lt_audio_info *info = lt_audio_reader_info(r);
        wrong += info->frames != frames || info->sizes_wrong != f->wrong || info->truncated;
        wrong +=
            strncmp(info->format, f->rf64 ? "RF64, " : "WAV, ", f->rf64 ? 6 : 5) != 0 || info->channels != f->channels;
        wrong += frames < LAST ? 0 : wrong_samples(r, f->channels - 1, frames, x);
    }
    if (wrong > 0)
        print_error("%s: %zu wrong, status %d \"%s\"\n", f->row, wrong, (int)st, err.what);
    lt_audio_close(r);
    assert_int_equal(unlink(path), 0);
    return wrong;
}

static void nothing_is_lost_when_the_header_lies(void **state)
{
    (void)state;
    const uint64_t n = 4 * gib + 960000, many = 9 * gib + 960000, little = 480000;
    const lying_file rows[] = {
        {"wrapped", PCM16, 1, n, (uint32_t)(n + 50), (uint32_t)n, NO_TAIL, LT_OK, true, "", false, 0},
        {"wrapped, chunk behind", PCM24, 2, n, (uint32_t)(n + 64), (uint32_t)n, LIST_TAIL, LT_OK, true, "", false, 0},
        {"wrapped twice", FLOAT32, 4, many, (uint32_t)(many + 50), (uint32_t)many, NO_TAIL, LT_OK, true, "", false, 0},
        {"wrapped, extensible", EXTENSIBLE, 2, n, (uint32_t)(n + 74), (uint32_t)n, NO_TAIL, LT_OK, true, "", false, 0},
        {"wrapped to nothing", PCM16, 2, 4 * gib, 50, 0, NO_TAIL, LT_OK, true, "", false, 0},
        {"zero", PCM16, 2, n, 0, 0, NO_TAIL, LT_OK, true, "", false, 0},
        {"all ones", PCM24, 1, n, UINT32_MAX, UINT32_MAX, NO_TAIL, LT_OK, true, "", false, 0},
        {"stays at 4 GiB", PCM16, 1, n, UINT32_MAX, UINT32_MAX - 50, NO_TAIL, LT_OK, true, "", false, 0},
        {"stays at 2 GiB", FLOAT32, 1, 3 * gib, INT32_MAX, INT32_MAX - 50, NO_TAIL, LT_OK, true, "", false, 0},
        {"fits nothing", PCM16, 1, n, 1000, 123456, JUNK_TAIL, LT_E_FORMAT, false, "export it as RF64", false, 0},
        {"short and zero", PCM16, 2, little, 0, 0, NO_TAIL, LT_OK, true, "", false, 0},
        {"short, data zero", EXTENSIBLE, 2, little, (uint32_t)little + 74, 0, NO_TAIL, LT_OK, true, "", false, 0},
        {"right", PCM24, 1, little, (uint32_t)little + 50, (uint32_t)little, NO_TAIL, LT_OK, false, "", false, 0},
        {"right, chunk behind", PCM24, 1, little, (uint32_t)little + 64, (uint32_t)little, LIST_TAIL, LT_OK, false, "",
         false, 0},
        {"right, junk behind", PCM16, 1, little, (uint32_t)little + 50, (uint32_t)little, JUNK_TAIL, LT_OK, false, "",
         false, 0},
        {"nearly 4 GiB", PCM16, 1, 4 * gib - 200, UINT32_MAX - 149, UINT32_MAX - 199, NO_TAIL, LT_OK, false, "", false,
         0},
        {"RF64, zero", PCM16, 1, n, UINT32_MAX, UINT32_MAX, NO_TAIL, LT_OK, true, "", true, 0},
        {"RF64, all ones", PCM24, 1, little, UINT32_MAX, UINT32_MAX, NO_TAIL, LT_OK, true, "", true, UINT64_MAX},
        {"RF64, right, chunk behind", PCM16, 1, n, UINT32_MAX, UINT32_MAX, LIST_TAIL, LT_OK, false, "", true, n},
        {"RF64, right", FLOAT32, 2, little, UINT32_MAX, UINT32_MAX, NO_TAIL, LT_OK, false, "", true, little},
        {"nothing but a chunk behind", PCM16, 1, 0, 64, 0, LIST_TAIL, LT_OK, false, "", false, 0},
    };
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    double *x = calloc(LAST + 1, sizeof *x);
    assert_non_null(x);
    size_t wrong = 0;
    for (size_t i = 0; i < COUNT(rows); i++)
        wrong += wrong_about(scratch_at(&dir, &names, "x.wav"), &rows[i], x);
    free(x);
    scratch_remove(&dir);
    assert_int_equal(wrong, 0);
}

/* Both notes name the file, and whole: of a long path its end, from the start of a character on. */
static void notes_name_the_file_and_fit(void **state)
{
    (void)state;
    const lt_audio_info info = {.rate_hz = 48000, .frames = 4800000, .truncated = true, .sizes_wrong = true};
    const lt_audio_info right = {.rate_hz = 48000, .frames = 4800000};
    static lt_notes notes, none, lengths[4];
    lt_audio_note("lane-1/a.wav", &info, &notes);
    assert_int_equal(notes.count, 2);
    assert_string_equal(notes.items[0].code, "truncated-file");
    assert_string_equal(notes.items[0].message,
                        "lane-1/a.wav is shorter than its header says: the recorder was interrupted or the copy is "
                        "incomplete; what is there was read");
    assert_string_equal(notes.items[1].code, "header-sizes");
    assert_string_equal(notes.items[1].message,
                        "lane-1/a.wav: its header does not tell its length (the recorder was stopped, or went on past "
                        "the 4 GiB that a WAV can count); all of the file was read, 100.0 s of it");
    lt_audio_note("a.wav", &right, &none);
    lt_audio_note("a.wav", &info, NULL);
    assert_int_equal(none.count, 0);
    for (size_t shift = 0; shift < COUNT(lengths); shift++) {
        char path[400] = "";
        memset(path, 'x', shift);
        for (size_t i = 0; i < 100; i++)
            strcat(path, "\xe2\x82\xac"); /* the euro sign */
        strcat(path, "/a.wav");
        lt_audio_note(path, &info, &lengths[shift]);
        for (size_t i = 0; i < 2; i++) {
            const char *message = lengths[shift].items[i].message;
            assert_memory_equal(message, "...\xe2\x82\xac", 6);
            assert_non_null(strstr(message, "/a.wav"));
            assert_non_null(strstr(message, i == 0 ? "what is there was read" : "100.0 s of it"));
        }
    }
}

/* A file of 12 hours is told off before it fills the memory. */
static void what_does_not_fit_is_refused_at_once(void **state)
{
    (void)state;
    const uint64_t n = 4 * gib + 960000;
    const lying_file f = {"long", PCM16, 1, n, 0, (uint32_t)n, NO_TAIL, LT_OK, true, "", false, 0};
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    lt_signal *s = NULL;
    lt_error err = {0};
    make_file(path, &f);
    assert_int_equal(lt_audio_load(path, 0, &s, NULL, &err), LT_E_ARG);
    assert_null(s);
    assert_non_null(strstr(err.what, "x.wav: longer than 1073741824 frames (6.2 hours)"));
    scratch_remove(&dir);
}

static void rebuilding_survives_every_failed_allocation(void **state)
{
    (void)state;
    const lying_file f = {"zero", PCM24, 2, 6000, 0, 0, NO_TAIL, LT_OK, true, "", false, 0};
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    char *path = scratch_at(&dir, &names, "x.wav");
    make_file(path, &f);
    assert_survives_faults(load_and_free, path);
    scratch_remove(&dir);
}

SUITE(audio_sizes)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_is_lost_when_the_header_lies),
        cmocka_unit_test(notes_name_the_file_and_fit),
        cmocka_unit_test(what_does_not_fit_is_refused_at_once),
        cmocka_unit_test(rebuilding_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("audio_sizes", tests, NULL, NULL);
}
