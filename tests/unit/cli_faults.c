/* SPDX-License-Identifier: MIT
 * The live commands over a sound card in memory, with each allocation failing in turn: status 1, one line, and after
 * each of them every earlier recording with the bytes it had. Leaks are the part of the leak sanitizer. Without
 * LT_FAULTS each command runs twice only. */
#include "fake_device.h"
#include "live.h"
#include "near.h"
#include "scratch.h"

#include "base/alloc.h"

#include <lanetune/site.h>

static char site[1400];

/* A noise that is loud enough for a level, quiet enough for a sweep. */
static const fake_options loop = {.gain = 0.5, .delay_frames = 100, .noise = 1e-4, .pause_us = 20};
static const fake_options calibrator = {.noise = 1e-4, .tone_hz = 1000.0, .tone = 0.05, .pause_us = 20};

/* A command line; what is said where all goes well: nothing, or one line with `ends` in it and status 1. */
typedef struct {
    const cli_command *command;
    const char *words[20];
    const char *ends;
    void (*prepare)(void); /* before each run; may be NULL */
    bool is_long;          /* only some between */
} live_run;

typedef struct {
    int status;
    bool came; /* the allocation that fails */
    size_t lines;
    char said[2000]; /* on standard error */
} outcome;

/* ---- what a site holds ---- */

enum { FILES_MOST = 200 };
typedef struct {
    char path[1400];
    uint64_t content;
} kept_file;
typedef struct {
    kept_file files[FILES_MOST];
    size_t count;
} kept;

/* FNV-1a. */
static uint64_t content_of(const char *path)
{
    unsigned char block[4096];
    uint64_t hash = 14695981039346656037u;
    FILE *f = fopen(path, "rb");
    assert_non_null(f);
    for (size_t n = fread(block, 1, sizeof block, f); n > 0; n = fread(block, 1, sizeof block, f))
        for (size_t i = 0; i < n; i++)
            hash = (hash ^ block[i]) * 1099511628211u;
    (void)fclose(f);
    return hash;
}

static void list_files(const char *folder, kept *k)
{
    DIR *d = opendir(folder);
    assert_non_null(d);
    for (const struct dirent *e = readdir(d); e != NULL; e = readdir(d)) {
        struct stat st;
        assert_true(k->count < FILES_MOST);
        kept_file *f = &k->files[k->count];
        if (strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0)
            continue;
        assert_true((size_t)snprintf(f->path, sizeof f->path, "%s/%s", folder, e->d_name) < sizeof f->path);
        assert_int_equal(lstat(f->path, &st), 0);
        if (S_ISDIR(st.st_mode)) {
            char below[sizeof f->path];
            memcpy(below, f->path, sizeof below);
            list_files(below, k);
        } else {
            f->content = content_of(f->path);
            k->count++;
        }
    }
    (void)closedir(d);
}

static bool is_recording(const char *path)
{
    return strlen(path) > 4 && strcmp(path + strlen(path) - 4, ".wav") == 0;
}

/* A recording stands where it was, or among those that a newer one replaced; every other file is still there. */
static bool is_still_there(const kept_file *f, const kept *now)
{
    for (size_t i = 0; i < now->count; i++) {
        const bool same_place = strcmp(now->files[i].path, f->path) == 0;
        if (is_recording(f->path) ? now->files[i].content == f->content &&
                                        (same_place || strstr(now->files[i].path, "/replaced/") != NULL)
                                  : same_place)
            return true;
    }
    return false;
}

/* Done: a new loopback has taken the old one's place. */
static void assert_all_there(const kept *before, bool done)
{
    static kept now;
    now.count = 0;
    list_files(site, &now);
    for (size_t i = 0; i < before->count; i++)
        if (!is_still_there(&before->files[i], &now) &&
            !(done && strstr(before->files[i].path, "/loopback.wav") != NULL))
            fail_msg("%s is not what it was", before->files[i].path);
    for (size_t i = 0; i < now.count; i++)
        if (strstr(now.files[i].path, "lanetune-part") != NULL)
            fail_msg("%s was left behind", now.files[i].path);
}

/* ---- one run ---- */

static int run(const live_run *r)
{
    const char *argv[32] = {r->command->name};
    int n = 1;
    for (; r->words[n - 1] != NULL; n++)
        argv[n] = strcmp(r->words[n - 1], "SITE") == 0 ? site : r->words[n - 1];
    cli_args a;
    int rc = cli_parse(r->command, n, argv, &a);
    if (rc == CLI_DONE)
        rc = r->command->run(&a);
    cli_args_free(&a);
    return rc;
}

/* Standard streams go elsewhere meanwhile: nobody answers, and what is said is counted. */
static outcome run_quietly(const live_run *r, long fault_after)
{
    static kept before;
    outcome o = {0};
    int streams[3];
    FILE *err = tmpfile();
    const int null = open("/dev/null", O_RDWR);
    assert_non_null(err);
    if (r->prepare != NULL)
        r->prepare();
    before.count = 0;
    list_files(site, &before);
    (void)fflush(NULL);
    for (int fd = 0; fd < 3; fd++) {
        streams[fd] = dup(fd);
        (void)dup2(fd == 2 ? fileno(err) : null, fd);
    }
    ltp_fault_after(fault_after);
    o.status = run(r);
    o.came = !ltp_fault_pending();
    ltp_fault_after(-1);
    (void)fflush(NULL);
    for (int fd = 0; fd < 3; fd++) {
        (void)dup2(streams[fd], fd);
        (void)close(streams[fd]);
    }
    (void)close(null);
    rewind(err);
    o.said[fread(o.said, 1, sizeof o.said - 1, err)] = '\0';
    (void)fclose(err);
    for (const char *s = o.said; *s != '\0'; s++)
        o.lines += *s == '\n';
    assert_all_there(&before, o.status == CLI_DONE);
    return o;
}

static void assert_good(const live_run *r, const outcome *o)
{
    const bool good = r->ends == NULL ? o->status == CLI_DONE && o->lines == 0
                                      : o->status == CLI_FAILED && o->lines == 1 && strstr(o->said, r->ends) != NULL;
    if (!good)
        fail_msg("%s: status %d, said: %s", r->command->name, o->status, o->said);
}

#ifdef LT_FAULTS
enum { FIRST = 8, LAST = 8, GUESS = 64 };

/* One run with allocation n failing; false: it makes fewer. */
static bool fails(const live_run *r, long n)
{
    char begins[64];
    (void)snprintf(begins, sizeof begins, "lanetune %s: ", r->command->name);
    outcome o = run_quietly(r, n);
    if (strstr(o.said, "stopped answering") != NULL) /* a machine loaded many times over: the child came too late */
        o = run_quietly(r, n);
    if (!o.came) {
        assert_good(r, &o);
        return false;
    }
    if (o.status != CLI_FAILED || o.lines != 1 || strncmp(o.said, begins, strlen(begins)) != 0 ||
        strstr(o.said, "memory") == NULL)
        fail_msg("%s, allocation %ld: status %d, said: %s", r->command->name, n, o.status, o.said);
    return true;
}

/* How many a run makes: by doubling, then by halves. */
static long count_allocations(const live_run *r)
{
    long lower = 0, upper = GUESS;
    while (fails(r, upper)) {
        lower = upper;
        upper *= 2;
    }
    while (upper - lower > 1) {
        const long middle = (lower + upper) / 2;
        if (fails(r, middle))
            lower = middle;
        else
            upper = middle;
    }
    return upper;
}
#endif

/* The first and the last allocations one by one - the command's own -, and some between, which the layers' own tests
 * fail in turn. LT_EVERY_FAULT in the environment: all, which takes minutes. */
static void survives(const live_run *r, const fake_options *device)
{
    if (r->prepare == NULL) { /* an earlier recording, unlike those that follow */
        fake_device = *device;
        fake_device.gain *= 0.9;
        fake_device.tone *= 0.9;
        const outcome first = run_quietly(r, -1);
        assert_good(r, &first);
    }
    fake_device = *device;
#ifdef LT_FAULTS
    const bool every = getenv("LT_EVERY_FAULT") != NULL;
    const long count = count_allocations(r);
    for (long n = 0; n < count; n++)
        if (every || (!r->is_long && (n < FIRST || n >= count - LAST)))
            assert_true(fails(r, n));
#else
    const outcome o = run_quietly(r, -1);
    assert_good(r, &o);
#endif
}

static void measure_a_sweep(void **state)
{
    (void)state;
    static const live_run r = {.command = &cmd_measure,
                               .words = {"SITE", "--lane", "1", "--path", "outbound", "--seconds", "1", "--sweeps", "1",
                                         "--level", "-6", "--rate", "16000", "--yes", NULL}};
    survives(&r, &loop);
}

static void measure_and_find_the_level(void **state)
{
    (void)state;
    static const live_run r = {.command = &cmd_measure,
                               .words = {"SITE", "--lane", "1", "--path", "cross-coupling-from-2", "--in-channel", "1",
                                         "--rate", "16000", "--yes", "--json", NULL}};
    survives(&r, &loop);
}

static void record_noise(void **state)
{
    (void)state;
    static const live_run r = {
        .command = &cmd_measure,
        .words = {"SITE", "--lane", "1", "--path", "noise-ear", "--seconds", "2", "--yes", NULL}};
    survives(&r, &loop);
}

static void calibrate_the_microphone(void **state)
{
    (void)state;
    static const live_run r = {.command = &cmd_calibrate, .words = {"SITE", "--mic", "--yes", NULL}};
    survives(&r, &calibrator);
}

static void calibrate_the_loopback(void **state)
{
    (void)state;
    static const live_run r = {.command = &cmd_calibrate,
                               .words = {"SITE", "--loopback", "--in-channel", "1", "--rate", "16000", "--yes", NULL}};
    survives(&r, &loop);
}

/* ---- tune --live ---- */

static void replace(const char *file, const char *from, const char *to)
{
    static char text[40000], path[1500];
    (void)snprintf(path, sizeof path, "%s/%s", site, file);
    const size_t bytes = scratch_read(path, text, sizeof text - 1);
    assert_true(bytes < sizeof text - 1);
    text[bytes] = '\0';
    const char *at = strstr(text, from);
    assert_non_null(at);
    FILE *f = fopen(path, "wb");
    assert_non_null(f);
    (void)fprintf(f, "%.*s%s%s", (int)(at - text), text, to, at + strlen(from));
    assert_int_equal(fclose(f), 0);
}

static void record(const char *path)
{
    const bool noise = strncmp(path, "noise", 5) == 0;
    const live_run r = {.command = &cmd_measure,
                        .words = {"SITE", "--lane", "1", "--path", path, "--rate", "16000", "--yes", "--seconds", "1",
                                  noise ? NULL : "--sweeps", "1", "--level", "-6", NULL}};
    const outcome o = run_quietly(&r, -1);
    assert_good(&r, &o);
}

/* All is measured but the noise at the microphone; no second visit. */
static void before_dialling(void)
{
    static const char *const made[] = {"visits/2024-05-14-02", "visits/2024-05-14/lane-1/noise-mic.wav"};
    char path[1500];
    for (size_t i = 0; i < COUNT(made); i++) {
        (void)snprintf(path, sizeof path, "%s/%s", site, made[i]);
        scratch_remove_path(path);
    }
}

/* What is missing is measured, a quieter setting is recommended, what it changes is measured again into a second visit
 * - and the sound card in memory has no knobs. */
static void tune_live(void **state)
{
    (void)state;
    static const char *const paths[] = {"outbound", "inbound", "noise-ear", "noise-counter"};
    static const live_run r = {.command = &cmd_tune,
                               .words = {"SITE", "--live", "--into", "2024-05-14", "--seconds", "1", "--rate", "16000",
                                         "--yes", "--json", NULL},
                               .ends = "nothing moved",
                               .prepare = before_dialling,
                               .is_long = true};
    fake_device = loop;
    (void)snprintf(site + strlen(site), 6, "-dial");
    assert_int_equal(lt_site_new(site, "One lane", "2024-05-14", 1, NULL), LT_OK);
    replace("site.yaml", "duplex: full", "duplex: push-to-talk");
    replace("site.yaml", "min_db: -20\n      max_db: 10\n", "min_db: 0\n      max_db: 0\n"); /* of inbound */
    replace("visits/2024-05-14/visit.yaml", "\nmic_cal_db: null", "\nmic_cal_db: 105");
    replace("visits/2024-05-14/visit.yaml", "lane_mic_cal_db: null", "lane_mic_cal_db: 100");
    for (size_t i = 0; i < COUNT(paths); i++)
        record(paths[i]);
    survives(&r, &loop);
}

int main(void)
{
    const scratch dir = scratch_make();
    (void)snprintf(site, sizeof site, "%s/site", dir.path);
    if (lt_site_new(site, "Two lanes", "2024-05-14", 2, NULL) != LT_OK)
        return 2;
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(measure_a_sweep),        cmocka_unit_test(measure_and_find_the_level),
        cmocka_unit_test(record_noise),           cmocka_unit_test(calibrate_the_microphone),
        cmocka_unit_test(calibrate_the_loopback), cmocka_unit_test(tune_live),
    };
    const int failed = cmocka_run_group_tests_name("cli_faults", tests, NULL, NULL);
    scratch_remove(&dir);
    return failed == 0 ? 0 : 1;
}
