/* SPDX-License-Identifier: MIT
 * Writing WAV and other files: rounding, equal bytes, nothing left behind, an old file stays whole. */
#include <lanetune/audio.h>

#include "fault.h"
#include "near.h"
#include "rng.h"
#include "scratch.h"
#include "suite.h"

#include <errno.h>
#include <signal.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <time.h>

static lt_signal *signal_of(const double *x, size_t count, double rate_hz)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(count, rate_hz, &s, NULL), LT_OK);
    if (count > 0)
        memcpy(s->samples, x, count * sizeof *x);
    return s;
}

static lt_status save_one(const char *path, const lt_signal *s, lt_audio_encoding e, lt_notes *notes, lt_error *err)
{
    const lt_signal *const list[] = {s};
    return lt_audio_save(path, list, 1, e, notes, err);
}

/* The codes are looked up in the file itself (data from byte 44 on, little endian). Rounding half away from zero and
 * saturation at the ends of two's complement: 2^(n-1) steps per unit, codes -2^(n-1) to 2^(n-1) - 1. */
static void pcm_codes_are_right(void **state)
{
    (void)state;
    static const struct {
        double x;
        int32_t code16, code24;
        bool clipped;
    } rows[] = {
        {0.0, 0, 0, false},
        {1.0, 32767, 8388607, false},
        {-1.0, -32768, -8388608, false},
        {1.5, 32767, 8388607, true},
        {-1.5, -32768, -8388608, true},
        {1e30, 32767, 8388607, true},
        {-1e30, -32768, -8388608, true},
        {0.5, 16384, 4194304, false},
        {-0.5, -16384, -4194304, false},
        {0.4 / 32768, 0, 102, false},
        {-0.4 / 32768, 0, -102, false},
        {0.5 / 32768, 1, 128, false},
        {-0.5 / 32768, -1, -128, false},
        {32766.6 / 32768, 32767, 8388250, false},
        {-32766.6 / 32768, -32767, -8388250, false},
    };
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++)
        for (int wide = 0; wide < 2; wide++) {
            lt_notes notes = {0};
            lt_signal *s = signal_of(&rows[i].x, 1, 48000);
            assert_int_equal(save_one(path, s, wide ? LT_AUDIO_PCM24 : LT_AUDIO_PCM16, &notes, NULL), LT_OK);
            lt_signal_free(s);
            uint8_t b[256];
            assert_int_equal(scratch_read(path, b, sizeof b) & ~(size_t)1, wide ? 48 : 46); /* 3 bytes are padded */
            const uint32_t upper = wide ? (uint32_t)b[46] << 24 | (uint32_t)b[45] << 16 | (uint32_t)b[44] << 8
                                        : (uint32_t)b[45] << 24 | (uint32_t)b[44] << 16;
            int32_t code = 0;
            memcpy(&code, &upper, sizeof code);
            code /= wide ? 256 : 65536;
            const bool right = code == (wide ? rows[i].code24 : rows[i].code16) &&
                               lt_notes_has(&notes, "clipped-on-write") == rows[i].clipped;
            if (!right)
                print_error("%.9g, %d bit: code %d\n", rows[i].x, wide ? 24 : 16, (int)code);
            bad += !right;
        }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void what_was_read_is_written_back_unchanged(void **state)
{
    (void)state;
    enum { N = 20000 };
    static double x[3][N];
    static uint8_t first[N * 12 + 200], second[N * 12 + 200];
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    lt_signal *s[3] = {NULL};
    for (unsigned c = 0; c < 3; c++) {
        fill_gauss(x[c], N, 0.3, c + 1);
        x[c][7] = c == 1 ? -1.0 : 1.0;
        s[c] = signal_of(x[c], N, 44100);
    }
    static const double tolerances[] = {0.5 / 32768, 0.5 / 8388608, 1e-7};
    for (int e = LT_AUDIO_PCM16; e <= LT_AUDIO_FLOAT; e++) {
        const lt_signal *const list[] = {s[0], s[1], s[2]};
        lt_error err = {0};
        assert_int_equal(lt_audio_save(path, list, 3, (lt_audio_encoding)e, NULL, &err), LT_OK);
        const size_t bytes = scratch_read(path, first, sizeof first);
        lt_signal *back[3] = {NULL};
        int bad = 0;
        for (unsigned c = 0; c < 3; c++) {
            assert_int_equal(lt_audio_load(path, c, &back[c], NULL, &err), LT_OK);
            assert_int_equal(back[c]->count, N);
            for (size_t i = 0; i < N; i++) {
                const double limit = e == LT_AUDIO_FLOAT ? HUGE_VAL : 1.0 - 2.0 * tolerances[e];
                bad += !(fabs(back[c]->samples[i] - fmax(-1.0 * fmax(limit, 1.0), fmin(limit, x[c][i]))) <=
                         tolerances[e] * 1.0001);
            }
        }
        const lt_signal *const again[] = {back[0], back[1], back[2]};
        assert_int_equal(lt_audio_save(path, again, 3, (lt_audio_encoding)e, NULL, &err), LT_OK);
        assert_int_equal(scratch_read(path, second, sizeof second), bytes);
        assert_memory_equal(first, second, bytes); /* no second rounding */
        for (size_t i = 0; i + 4 < 200; i++)       /* the chunk that would hold the time of day */
            assert_true(memcmp(first + i, "PEAK", 4) != 0);
        for (unsigned c = 0; c < 3; c++)
            lt_signal_free(back[c]);
        assert_int_equal(bad, 0);
    }
    for (unsigned c = 0; c < 3; c++)
        lt_signal_free(s[c]);
    assert_int_equal(scratch_count(dir.path), 1);
    scratch_remove(&dir);
}

static void what_cannot_be_written_is_refused(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    const double good[] = {0.1, 0.2}, broken[] = {0.1, (double)NAN};
    lt_signal *a = signal_of(good, 2, 48000), *b = signal_of(good, 1, 48000), *c = signal_of(good, 2, 44100);
    lt_signal *n = signal_of(broken, 2, 48000), *f = signal_of(good, 2, 47999.5);
    const struct {
        const lt_signal *const list[2];
        unsigned channels;
        const char *what;
    } rows[] = {
        {{a, b}, 2, "differ in rate or length"},
        {{a, c}, 2, "differ in rate or length"},
        {{a, a}, 0, "0 channels"},
        {{a, a}, 1025, "1025 channels"},
        {{a, n}, 2, "frame 1 of channel 2"},
        {{f, NULL}, 1, "47999.5 Hz cannot be written"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_error err = {0};
        assert_int_equal(lt_audio_save(path, rows[i].list, rows[i].channels, LT_AUDIO_PCM24, NULL, &err), LT_E_ARG);
        if (strstr(err.what, rows[i].what) == NULL)
            fail_msg("row %zu: %s", i, err.what);
    }
    assert_int_equal(scratch_count(dir.path), 0);
    /* 0 frames are a valid, empty file. */
    lt_signal *empty = signal_of(NULL, 0, 48000), *s = NULL;
    lt_error err = {0};
    assert_int_equal(save_one(path, empty, LT_AUDIO_FLOAT, NULL, &err), LT_OK);
    assert_int_equal(lt_audio_load(path, 0, &s, NULL, &err), LT_E_ARG);
    lt_signal *const all[] = {a, b, c, n, f, empty};
    for (size_t i = 0; i < COUNT(all); i++)
        lt_signal_free(all[i]);
    scratch_remove(&dir);
}

static void places_that_take_no_file_are_refused(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    assert_int_equal(mkdir(scratch_at(&dir, &names, "folder"), 0700), 0);
    assert_int_equal(mkfifo(scratch_at(&dir, &names, "pipe"), 0600), 0);
    char long_name[400];
    memset(long_name, 'n', sizeof long_name);
    long_name[sizeof long_name - 1] = '\0';
    const struct {
        const char *path;
        lt_status status;
        const char *what;
    } rows[] = {
        {scratch_at(&dir, &names, "folder"), LT_E_ARG, "is a folder"},
        {scratch_at(&dir, &names, "new/"), LT_E_ARG, "names a folder"},
        {scratch_at(&dir, &names, "pipe"), LT_E_ARG, "is a device or a pipe"},
        {scratch_at(&dir, &names, "nowhere/x.wav"), LT_E_IO, "no such file or folder"},
        {scratch_at(&dir, &names, long_name), LT_E_IO, "the name is too long"},
        {"/dev/full", LT_E_ARG, "is a device or a pipe"},
        {"/proc/lanetune.wav", LT_E_IO, "cannot write it"},
        {"", LT_E_ARG, "a file name"},
    };
    const double x[] = {0.0};
    lt_signal *s = signal_of(x, 1, 48000);
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_error e1 = {0}, e2 = {0};
        assert_int_equal(save_one(rows[i].path, s, LT_AUDIO_PCM16, NULL, &e1), rows[i].status);
        assert_int_equal(lt_file_save(rows[i].path, "x", 1, &e2), rows[i].status);
        if (strstr(e1.what, rows[i].what) == NULL || strstr(e2.what, rows[i].what) == NULL)
            fail_msg("row %zu: %s | %s", i, e1.what, e2.what);
    }
    if (geteuid() != 0) { /* root may write anywhere */
        lt_error err = {0};
        assert_int_equal(chmod(scratch_at(&dir, &names, "folder"), 0500), 0);
        assert_int_equal(lt_file_save(scratch_at(&dir, &names, "folder/x"), "x", 1, &err), LT_E_IO);
        assert_non_null(strstr(err.what, "access is denied"));
    }
    lt_signal_free(s);
    assert_int_equal(scratch_count(dir.path), 2);
    assert_int_equal(scratch_count(scratch_at(&dir, &names, "folder")), 0);
    scratch_remove(&dir);
}

/* A limit on the size of files acts like a disk that fills up in the middle of a write. */
static void a_full_disk_leaves_the_old_file(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.wav");
    assert_true(scratch_write(path, "the old one", 11));
    static double x[100000];
    lt_signal *s = signal_of(x, COUNT(x), 48000);
    struct rlimit old;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &old), 0);
    static const rlim_t limits[] = {0, 20, 60000, 299000};
    void (*handler)(int) = signal(SIGXFSZ, SIG_IGN);
    for (size_t i = 0; i < COUNT(limits); i++) {
        const struct rlimit small = {limits[i], old.rlim_max};
        lt_error e1 = {0}, e2 = {0};
        assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
        const lt_status st1 = save_one(path, s, LT_AUDIO_PCM24, NULL, &e1);
        const lt_status st2 = lt_file_save(path, x, sizeof x, &e2);
        assert_int_equal(setrlimit(RLIMIT_FSIZE, &old), 0);
        assert_int_equal(st1, LT_E_IO);
        assert_int_equal(st2, LT_E_IO);
        assert_non_null(strstr(e1.what, "x.wav: cannot write it"));
        assert_non_null(strstr(e2.what, "the file grew over the size"));
        char back[64] = "";
        assert_int_equal(scratch_read(path, back, sizeof back), 11);
        assert_string_equal(back, "the old one");
        assert_int_equal(scratch_count(dir.path), 1);
    }
    (void)signal(SIGXFSZ, handler);
    lt_signal_free(s);
    scratch_remove(&dir);
}

static void links_and_permissions_survive(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    struct stat st;
    char back[64] = "";
    const char *real = scratch_at(&dir, &names, "real.txt"), *link = scratch_at(&dir, &names, "link.txt");
    assert_true(scratch_write(real, "old", 3));
    assert_int_equal(chmod(real, 0640), 0);
    assert_int_equal(symlink("real.txt", link), 0);
    assert_int_equal(lt_file_save(link, "newer", 5, NULL), LT_OK);
    assert_int_equal(lstat(link, &st), 0);
    assert_true(S_ISLNK(st.st_mode));
    assert_int_equal(stat(real, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0640);
    assert_int_equal(scratch_read(real, back, sizeof back), 5);
    assert_string_equal(back, "newer");
    assert_int_equal(scratch_count(dir.path), 2);
    scratch_remove(&dir);
}

/* Killed at any moment, the final name holds the old bytes or the new ones, all of them. */
static void a_killed_writer_leaves_no_half_file(void **state)
{
    (void)state;
    enum { BYTES = 400000 };
    static char data[2][BYTES], back[BYTES + 1];
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x");
    memset(data[0], 'a', BYTES);
    memset(data[1], 'b', BYTES);
    assert_int_equal(lt_file_save(path, data[0], BYTES, NULL), LT_OK);
    for (int round = 0; round < 12; round++) {
        const pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0)
            for (unsigned i = 0;; i++)
                if (lt_file_save(path, data[i % 2], BYTES, NULL) != LT_OK)
                    _exit(1);
        const struct timespec wait = {0, 1000000L + 3700000L * round};
        (void)nanosleep(&wait, NULL);
        (void)kill(child, SIGKILL);
        int how = 0;
        assert_int_equal(waitpid(child, &how, 0), child);
        assert_true(WIFSIGNALED(how));
        assert_int_equal(scratch_read(path, back, sizeof back), BYTES);
        assert_true(memcmp(back, data[0], BYTES) == 0 || memcmp(back, data[1], BYTES) == 0);
    }
    /* What is left carries a name that says what it is. */
    DIR *d = opendir(dir.path);
    for (struct dirent *e = readdir(d); e != NULL; e = readdir(d))
        assert_true(strcmp(e->d_name, "x") == 0 || strncmp(e->d_name, ".lanetune-part-", 15) == 0 ||
                    strspn(e->d_name, ".") == strlen(e->d_name));
    (void)closedir(d);
    scratch_remove(&dir);
}

static void whole_files_are_loaded_up_to_a_limit(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "x.txt");
    static char text[50000];
    memset(text, 't', sizeof text);
    static const size_t sizes[] = {1, 8190, 8191, 8192, 8193, 49999, 50000};
    for (size_t i = 0; i < COUNT(sizes); i++) {
        char *data = NULL;
        size_t bytes = 0;
        lt_error err = {0};
        assert_true(scratch_write(path, text, sizes[i]));
        assert_int_equal(lt_file_load(path, 50000, &data, &bytes, &err), LT_OK);
        assert_int_equal(bytes, sizes[i]);
        assert_int_equal(strlen(data), sizes[i]);
        lt_file_free(data);
        assert_int_equal(lt_file_load(path, sizes[i] - 1, &data, &bytes, &err), LT_E_ARG);
        assert_null(data);
        assert_non_null(strstr(err.what, "too large"));
    }
    lt_file_free(NULL);
    char *data = NULL;
    size_t bytes = 0;
    lt_error err = {0};
    assert_int_equal(lt_file_load(dir.path, 10, &data, &bytes, &err), LT_E_IO);
    assert_non_null(strstr(err.what, "is a folder"));
    scratch_remove(&dir);
}

static lt_status save_again(void *context, lt_error *err)
{
    static const double x[] = {0.1, 0.2, 0.3};
    static double samples[3];
    memcpy(samples, x, sizeof x);
    const lt_signal s = {.samples = samples, .count = 3, .rate_hz = 48000};
    return save_one(context, &s, LT_AUDIO_FLOAT, NULL, err);
}

static void saving_survives_every_failed_allocation(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    char *path = scratch_at(&dir, &names, "x.wav");
    assert_survives_faults(save_again, path);
    scratch_remove(&dir);
}

SUITE(audio_write)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pcm_codes_are_right),
        cmocka_unit_test(what_was_read_is_written_back_unchanged),
        cmocka_unit_test(what_cannot_be_written_is_refused),
        cmocka_unit_test(places_that_take_no_file_are_refused),
        cmocka_unit_test(a_full_disk_leaves_the_old_file),
        cmocka_unit_test(links_and_permissions_survive),
        cmocka_unit_test(a_killed_writer_leaves_no_half_file),
        cmocka_unit_test(whole_files_are_loaded_up_to_a_limit),
        cmocka_unit_test(saving_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("audio_write", tests, NULL, NULL);
}
