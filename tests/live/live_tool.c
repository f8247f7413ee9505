/* SPDX-License-Identifier: MIT
 * Runs the live functions of the library once and says as one JSON object what came out; the tests around it judge.
 *   live_tool devices
 *   live_tool play   [--host H] [--device D] [--rate HZ] [--channels N] [--output N] [--kind noise|sweep|silence|tone]
 *                    [--seconds S] [--tail S] [--peak DBFS] [--stop-after S] [--runs N]
 *                    [--truth LANE --path PATH --condition C] [--round-trip FRAMES] [--latency S] [--howl 1]
 *   live_tool file   --path FILE [--host H] ... [--seconds S] [--stop-after S]
 *   live_tool scene  --truth LANE --path PATH [--condition C] --seconds S
 *                    writes the true impulse response of a path, or what the lane's `sound` plays, as 32-bit floats */
#include <lanetune/audio.h>
#include <lanetune/level.h>
#include <lanetune/simulate.h>

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

typedef struct {
    lt_live_options live;
    const char *kind, *path, *truth_path, *condition;
    double seconds, tail_s, peak_dbfs, stop_after_s, rate_hz;
    int runs, truth_lane;
    bool howl;
    double round_trip_frames;
} options;

static volatile sig_atomic_t asked;

static void on_signal(int number)
{
    (void)number;
    asked = 1;
}

static double now_s(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static bool read_options(int argc, char **argv, options *o)
{
    *o = (options){.live = lt_live_default_options(),
                   .kind = "noise",
                   .condition = "",
                   .seconds = 2.0,
                   .tail_s = 0.5,
                   .peak_dbfs = -6.0,
                   .stop_after_s = -1.0,
                   .runs = 1,
                   .truth_lane = -1,
                   .round_trip_frames = 256.0,
                   .rate_hz = 48000.0};
    for (int i = 2; i + 1 < argc; i += 2) {
        const char *name = argv[i], *value = argv[i + 1];
        const double x = strtod(value, NULL);
        if (strcmp(name, "--host") == 0)
            o->live.host = value;
        else if (strcmp(name, "--device") == 0)
            o->live.input = o->live.output = value;
        else if (strcmp(name, "--rate") == 0)
            o->rate_hz = x;
        else if (strcmp(name, "--channels") == 0)
            o->live.input_channels = (unsigned)x;
        else if (strcmp(name, "--output") == 0)
            o->live.output_channel = (unsigned)x;
        else if (strcmp(name, "--latency") == 0)
            o->live.latency_s = x;
        else if (strcmp(name, "--kind") == 0)
            o->kind = value;
        else if (strcmp(name, "--seconds") == 0)
            o->seconds = x;
        else if (strcmp(name, "--tail") == 0)
            o->tail_s = x;
        else if (strcmp(name, "--peak") == 0)
            o->peak_dbfs = x;
        else if (strcmp(name, "--stop-after") == 0)
            o->stop_after_s = x;
        else if (strcmp(name, "--runs") == 0)
            o->runs = (int)x;
        else if (strcmp(name, "--truth") == 0)
            o->truth_lane = (int)x;
        else if (strcmp(name, "--path") == 0)
            o->path = o->truth_path = value;
        else if (strcmp(name, "--condition") == 0)
            o->condition = value;
        else if (strcmp(name, "--howl") == 0)
            o->howl = x > 0.0;
        else if (strcmp(name, "--round-trip") == 0)
            o->round_trip_frames = x;
        else
            return false;
    }
    return argc % 2 == 0;
}

static lt_status make_stimulus(const options *o, lt_signal **out, lt_error *err)
{
    *out = NULL;
    if (strcmp(o->kind, "silence") == 0)
        return LT_OK;
    if (strcmp(o->kind, "tone") == 0) {
        const lt_tone_options t = {
            .rate_hz = o->rate_hz, .hz = 1000.0, .seconds = o->seconds, .rms_dbfs = o->peak_dbfs};
        return lt_tone_create(&t, out, err);
    }
    if (strcmp(o->kind, "sweep") == 0) {
        lt_sweep_options s = lt_sweep_default_options();
        s.rate_hz = o->rate_hz;
        s.seconds = o->seconds;
        s.peak_dbfs = o->peak_dbfs;
        return lt_sweep_create(&s, out, err);
    }
    /* Noise whose samples are all different and never zero, after a lead as long as the ramp. */
    const lt_status st = lt_signal_create((size_t)(o->seconds * o->rate_hz), o->rate_hz, out, err);
    if (st != LT_OK)
        return st;
    lt_rng rng = {.state = 7};
    const double peak = lt_amplitude_from_db(o->peak_dbfs);
    for (size_t i = (size_t)(o->live.ramp_s * o->rate_hz) + 1; i < (*out)->count; i++) {
        const double x = (double)(float)(peak * (2.0 * lt_rng_uniform(&rng) - 1.0));
        (*out)->samples[i] = fabs(x) > 0.0 ? x : peak;
    }
    return LT_OK;
}

typedef struct {
    double stop_after_s, began_s;
    uint64_t frames;
    double peak;
    const lt_signal *stimulus;
    lt_howl *howl;
    lt_howl_event event;
    bool howled;
} watcher;

/* The return goes through the detector together with what was played meanwhile. */
static void listen(watcher *w, const lt_live_view *view)
{
    enum { BLOCK = 512 };
    double heard[BLOCK], played[BLOCK];
    const uint64_t first = view->frames - view->newest_frames;
    for (size_t i = 0; i < view->newest_frames && !w->howled; i += BLOCK) {
        const size_t n = view->newest_frames - i < BLOCK ? view->newest_frames - i : BLOCK;
        for (size_t k = 0; k < n; k++) {
            const uint64_t at = first + i + k;
            heard[k] = (double)view->newest[(i + k) * view->channels];
            played[k] = at < w->stimulus->count ? w->stimulus->samples[at] : 0.0;
        }
        w->howled = lt_howl_push(w->howl, heard, played, n, &w->event);
    }
}

static bool watch(void *context, const lt_live_view *view)
{
    watcher *w = context;
    w->frames = view->frames;
    for (unsigned c = 0; c < view->channels; c++)
        w->peak = fmax(w->peak, view->peak[c]);
    if (w->howl != NULL)
        listen(w, view);
    return !asked && !w->howled && !(w->stop_after_s >= 0.0 && (double)view->frames / view->rate_hz >= w->stop_after_s);
}

static void print_text(const char *name, const char *text)
{
    printf(", \"%s\": \"", name);
    for (; *text != '\0'; text++) {
        if (*text == '"' || *text == '\\')
            putchar('\\');
        putchar((unsigned char)*text < 0x20 ? ' ' : *text);
    }
    putchar('"');
}

static void print_number(const char *name, double x)
{
    if (isfinite(x))
        printf(", \"%s\": %.9g", name, x);
    else
        printf(", \"%s\": null", name);
}

/* The lag at which every played sample comes back as it was, in every channel that heard anything; -1 = none. */
static long exact_shift(const lt_signal *played, const lt_signal *got)
{
    size_t first_played = 0, first_got = 0;
    while (first_played < played->count && !(fabs(played->samples[first_played]) > 0.0))
        first_played++;
    while (first_got < got->count && !(fabs(got->samples[first_got]) > 0.0))
        first_got++;
    if (first_got < first_played || first_got == got->count)
        return -1;
    const size_t shift = first_got - first_played;
    if (shift + played->count > got->count)
        return -1;
    for (size_t i = 0; i < played->count; i++)
        if (fabs(played->samples[i] - got->samples[i + shift]) > 0.0)
            return -1;
    return (long)shift;
}

static lt_ir *truth_of(const options *o, lt_error *err)
{
    lt_scene_lane lane = lt_scene_demo_lane((size_t)o->truth_lane);
    lane.rate_hz = o->rate_hz;
    lane.drift_ppm = 0.0;
    lt_scene_path path = LT_SCENE_LANE_COUPLING;
    for (int i = 0; i < LT_SCENE_PATH_COUNT; i++)
        if (o->truth_path != NULL && strcmp(lt_scene_path_name((lt_scene_path)i), o->truth_path) == 0)
            path = (lt_scene_path)i;
    size_t condition = 0;
    for (size_t i = 0; i < lane.condition_count; i++)
        if (strcmp(lane.conditions[i].name, o->condition) == 0)
            condition = i;
    lt_ir *ir = NULL;
    return lt_scene_ir(&lane, condition, path, &ir, err) == LT_OK ? ir : NULL;
}

static void print_continuity(const lt_signal *stimulus, const lt_take *t)
{
    lt_continuity c;
    lt_error err = {0};
    uint64_t suspects[LT_XRUNS_MAX];
    const size_t count = t->xrun_count < LT_XRUNS_MAX ? t->xrun_count : LT_XRUNS_MAX;
    for (size_t i = 0; i < count; i++)
        suspects[i] = t->xruns[i].frame;
    if (lt_response_continuity(t->channels[0], stimulus, true, suspects, count, &c, &err) != LT_OK) {
        print_text("continuity_error", err.what);
        return;
    }
    printf(", \"continuity\": %d", (int)c.verdict);
    print_number("lost", c.frames);
    print_number("lost_from_s", c.from_s);
    print_number("lost_to_s", c.to_s);
}

/* Bands and delay of the take against those of the lane itself. */
static void compare_with_truth(const options *o, const lt_signal *stimulus, const lt_signal *got)
{
    lt_error err = {0};
    lt_ir *ir = truth_of(o, &err);
    lt_response *want = NULL, *have = NULL;
    const lt_response_options ropt = lt_response_default_options();
    lt_status st = ir != NULL ? lt_response_from_ir(ir, &want, &err) : LT_E_STATE;
    if (st == LT_OK)
        st = lt_response_measure(&got, NULL, 1, stimulus, &ropt, &have, &err);
    if (st != LT_OK) {
        print_text("response_error", err.what);
    } else {
        double worst_db = 0.0, worst_hz = 0.0;
        for (size_t i = 0; i < have->band_count; i++) {
            double truth_db = 0.0;
            const lt_band *band = &have->bands[i].band;
            if (lt_ir_band_levels(ir, band, 1, &truth_db, &err) != LT_OK)
                truth_db = (double)NAN;
            const double miss = fabs(have->bands[i].level_db - truth_db);
            if (!(miss <= worst_db)) {
                worst_db = miss;
                worst_hz = band->nominal_hz;
            }
        }
        printf(", \"bands\": %zu", have->band_count);
        print_number("worst_db", worst_db);
        print_number("worst_hz", worst_hz);
        print_number("delay_miss_ms", have->delay_ms - want->delay_ms - 1000.0 * o->round_trip_frames / o->rate_hz);
        print_number("drift_ppm", have->drift_ppm);
        print_number("snr_db", have->snr_db);
        printf(", \"polarity\": %d, \"true_polarity\": %d", have->polarity, want->polarity);
    }
    lt_ir_free(ir);
    lt_response_free(want);
    lt_response_free(have);
}

static void print_take(const options *o, const lt_signal *stimulus, const lt_take *t)
{
    printf(", \"complete\": %s, \"all_zero\": %s", t->complete ? "true" : "false", t->all_zero ? "true" : "false");
    printf(", \"frames\": %zu, \"xruns\": %zu", t->channels[0]->count, t->xrun_count);
    print_number("rate_hz", t->rate_hz);
    print_number("start_s", t->start_s);
    print_number("worst_ms", t->callback_worst_ms);
    print_number("share", t->callback_share);
    print_text("host", t->used.host);
    print_text("input", t->used.input);
    print_text("output", t->used.output);
    printf(", \"peaks\": [");
    for (unsigned c = 0; c < t->channel_count; c++)
        printf("%s%.9g", c > 0 ? ", " : "", lt_signal_peak(t->channels[c]));
    printf("], \"clipped\": [");
    for (unsigned c = 0; c < t->channel_count; c++)
        printf("%s%zu", c > 0 ? ", " : "", lt_clipped_samples(t->channels[c]));
    printf("], \"shifts\": [");
    for (unsigned c = 0; c < t->channel_count; c++)
        printf("%s%ld", c > 0 ? ", " : "", stimulus != NULL ? exact_shift(stimulus, t->channels[c]) : -1L);
    printf("]");
    if (strcmp(o->kind, "sweep") == 0 && t->complete)
        print_continuity(stimulus, t);
    if (o->truth_lane >= 0 && stimulus != NULL && t->complete)
        compare_with_truth(o, stimulus, t->channels[0]);
}

static void print_start(lt_status st, const lt_error *err, double seconds, const watcher *w)
{
    printf("{\"status\": %d", (int)st);
    print_text("error", err->what);
    print_number("wall_s", seconds);
    print_number("watched_peak", w->peak);
    printf(", \"watched_frames\": %llu", (unsigned long long)w->frames);
    if (w->howled) {
        print_number("howl_hz", w->event.hz);
        print_number("howl_s", w->event.at_s);
        print_number("howl_dbfs", w->event.level_dbfs);
    }
}

static int play(const options *o)
{
    for (int run = 0; run < o->runs; run++) {
        lt_error err = {0};
        lt_signal *stimulus = NULL;
        lt_take *take = NULL;
        lt_status st = make_stimulus(o, &stimulus, &err);
        watcher w = {.stop_after_s = o->stop_after_s, .stimulus = stimulus};
        if (st == LT_OK && o->howl)
            st = lt_howl_create(o->rate_hz, &w.howl, &err);
        const double from_s = now_s();
        if (st == LT_OK)
            st = lt_live_play_record(&o->live, stimulus, stimulus != NULL ? o->tail_s : o->seconds, watch, &w, &take,
                                     &err);
        print_start(st, &err, now_s() - from_s, &w);
        if (take != NULL)
            print_take(o, stimulus, take);
        printf("}\n");
        fflush(stdout);
        lt_signal_free(stimulus);
        lt_take_free(take);
        lt_howl_free(w.howl);
    }
    return 0;
}

static int record(const options *o)
{
    lt_error err = {0};
    lt_live_recorded r;
    watcher w = {.stop_after_s = o->stop_after_s};
    const double from_s = now_s();
    const lt_status st = lt_live_record_file(&o->live, o->path, o->seconds, watch, &w, &r, &err);
    print_start(st, &err, now_s() - from_s, &w);
    printf(", \"complete\": %s, \"all_zero\": %s", r.complete ? "true" : "false", r.all_zero ? "true" : "false");
    printf(", \"frames\": %llu, \"dropped\": %llu, \"xruns\": %zu}\n", (unsigned long long)r.frames,
           (unsigned long long)r.dropped_frames, r.xrun_count);
    return 0;
}

static int devices(void)
{
    lt_error err = {0};
    static lt_devices d;
    const watcher w = {0};
    const double from_s = now_s();
    const lt_status st = lt_devices_list(&d, &err);
    print_start(st, &err, now_s() - from_s, &w);
    printf(", \"devices\": [");
    for (size_t i = 0; i < d.device_count; i++) {
        const lt_device *x = &d.devices[i];
        printf("%s{\"in\": %u, \"out\": %u, \"at\": [%d, %d, %d]", i > 0 ? ", " : "", x->input_channels,
               x->output_channels, x->input_at[0], x->input_at[1], x->input_at[2]);
        print_text("host", x->host);
        print_text("name", x->name);
        print_number("rate_hz", x->default_rate_hz);
        print_number("input_latency_ms", x->input_latency_ms);
        printf("}");
    }
    printf("], \"pairs\": [");
    for (size_t i = 0; i < d.pair_count; i++)
        printf("%s[%zu, %zu, %d, %d, %d]", i > 0 ? ", " : "", d.pairs[i].input, d.pairs[i].output,
               d.pairs[i].duplex_at[0], d.pairs[i].duplex_at[1], d.pairs[i].duplex_at[2]);
    printf("]}\n");
    return 0;
}

/* The same calls as in lane_plan.c; the tests compute from it what a measurement should find. */
static int scene(const options *o)
{
    lt_error err = {0};
    lt_scene_lane l = lt_scene_demo_lane((size_t)o->truth_lane);
    lt_scene_path path = 0;
    lt_signal *talker = NULL, *s = NULL;
    lt_ir *ir = NULL;
    size_t condition = 0;
    l.rate_hz = o->rate_hz;
    l.drift_ppm = l.start_s = 0.0;
    while (path < LT_SCENE_PATH_COUNT && strcmp(lt_scene_path_name(path), o->path) != 0)
        path++;
    while (condition < l.condition_count && strcmp(l.conditions[condition].name, o->condition) != 0)
        condition++;
    lt_status st = LT_OK;
    if (path == LT_SCENE_TALK_TEST)
        st = lt_scene_talker(l.rate_hz, o->seconds, l.seed, &talker, &err);
    if (st == LT_OK && path < LT_SCENE_NOISE_EAR) {
        st = lt_scene_ir(&l, condition, path, &ir, &err);
        if (st == LT_OK)
            st = lt_ir_to_signal(ir, &s, &err);
    } else if (st == LT_OK) {
        st = lt_scene_record(&l, condition, path, talker, o->seconds, (double)NAN, &s, &err);
    }
    for (size_t i = 0; st == LT_OK && i < s->count; i++) {
        const float x = (float)s->samples[i];
        fwrite(&x, sizeof x, 1, stdout);
    }
    if (st != LT_OK)
        fprintf(stderr, "%s\n", err.what);
    lt_ir_free(ir);
    lt_signal_free(talker);
    lt_signal_free(s);
    return st == LT_OK ? 0 : 1;
}

int main(int argc, char **argv)
{
    options o;
    struct sigaction act = {.sa_handler = on_signal};
    sigaction(SIGINT, &act, NULL);
    sigaction(SIGTERM, &act, NULL);
    if (argc < 2 || !read_options(argc, argv, &o))
        return 2;
    if (strcmp(argv[1], "devices") == 0)
        return devices();
    if (strcmp(argv[1], "scene") == 0 && o.path != NULL && o.truth_lane >= 0)
        return scene(&o);
    if (strcmp(argv[1], "play") == 0)
        return play(&o);
    if (strcmp(argv[1], "file") == 0 && o.path != NULL)
        return record(&o);
    return 2;
}
