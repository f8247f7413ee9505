/* SPDX-License-Identifier: MIT
 * Reading the lane's script; the words are described in tests/live/README.md. */
#include "lane_plan.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LINE_MAX_CHARS = 1024, WORDS_MAX = 8, FIRST_FRAME = HISTORY };

typedef struct {
    plan *p;
    char *words[WORDS_MAX];
    size_t count;
} line;

static double number(const line *l, size_t i, double otherwise)
{
    return i < l->count ? strtod(l->words[i], NULL) : otherwise;
}

static const char *word(const line *l, size_t i)
{
    return i < l->count ? l->words[i] : "";
}

static microphone *mic_of(const line *l, size_t i)
{
    const double n = number(l, i, 0.0);
    return n >= 1.0 && n <= (double)l->p->microphones ? &l->p->mics[(size_t)n - 1] : NULL;
}

/* "LANE CONDITION": a lane of the demonstration site, from 0, at the rate of the server. */
static bool scene_of(const line *l, size_t i, lt_scene_lane *scene, size_t *condition)
{
    const double lane = number(l, i, -1.0);
    if (lane < 0.0 || lane >= (double)lt_scene_demo_count())
        return false;
    *scene = lt_scene_demo_lane((size_t)lane);
    scene->rate_hz = l->p->rate_hz;
    const char *name = word(l, i + 2);
    *condition = 0;
    for (size_t c = 0; c < scene->condition_count; c++)
        if (strcmp(scene->conditions[c].name, strcmp(name, "-") == 0 ? "" : name) == 0) {
            *condition = c;
            return true;
        }
    return name[0] == '\0';
}

static bool path_of(const char *name, lt_scene_path *path)
{
    for (int i = 0; i < LT_SCENE_PATH_COUNT; i++)
        if (strcmp(lt_scene_path_name((lt_scene_path)i), name) == 0) {
            *path = (lt_scene_path)i;
            return true;
        }
    return false;
}

static size_t without_tail(const double *x, size_t count)
{
    double peak = 0.0;
    for (size_t i = 0; i < count; i++)
        peak = fmax(peak, fabs(x[i]));
    while (count > 1 && fabs(x[count - 1]) < 1e-7 * peak)
        count--;
    return count;
}

static bool route_scene(const line *l, route *r)
{
    lt_scene_lane scene;
    lt_scene_path path;
    size_t condition = 0;
    lt_ir *ir = NULL;
    lt_signal *s = NULL;
    lt_error err = {0};
    if (!scene_of(l, 4, &scene, &condition) || !path_of(word(l, 5), &path))
        return false;
    scene.drift_ppm = 0.0;
    if (lt_scene_ir(&scene, condition, path, &ir, &err) == LT_OK && lt_ir_to_signal(ir, &s, &err) == LT_OK)
        r->filter = convolver_new(s->samples, without_tail(s->samples, s->count), l->p->block);
    else
        fprintf(stderr, "lane: %s\n", err.what);
    lt_ir_free(ir);
    lt_signal_free(s);
    return r->filter != NULL;
}

static bool route_file(const line *l, route *r)
{
    enum { ROOM = 1 << 17 };
    FILE *f = fopen(word(l, 4), "rb");
    float *x = malloc(ROOM * sizeof *x);
    double *ir = malloc(ROOM * sizeof *ir);
    const size_t n = f != NULL && x != NULL && ir != NULL ? fread(x, sizeof *x, ROOM, f) : 0;
    for (size_t i = 0; i < n; i++)
        ir[i] = (double)x[i];
    r->filter = n > 0 ? convolver_new(ir, n, l->p->block) : NULL;
    free(x);
    free(ir);
    if (f != NULL)
        fclose(f);
    return r->filter != NULL;
}

static bool route_delay(const line *l, route *r)
{
    const double frames = number(l, 4, -1.0);
    if (!(frames >= 0.0 && frames < 1e6))
        return false;
    double *ir = calloc((size_t)frames + 1, sizeof *ir);
    if (ir == NULL)
        return false;
    ir[(size_t)frames] = 1.0;
    r->filter = convolver_new(ir, (size_t)frames + 1, l->p->block);
    free(ir);
    return r->filter != NULL;
}

/* route SPEAKER MICROPHONE straight [DB] | scene LANE PATH [CONDITION [DB]] | file IR.f32 | delay FRAMES */
static bool read_route(const line *l)
{
    plan *p = l->p;
    const double s = number(l, 1, 0.0), m = number(l, 2, 0.0);
    if (p->route_count == ROUTES_MAX || s < 1 || s > p->speakers || m < 1 || m > p->microphones)
        return false;
    route *r = &p->routes[p->route_count];
    *r = (route){.speaker = (unsigned)s - 1, .microphone = (unsigned)m - 1, .gain = 1.0};
    const char *kind = word(l, 3);
    bool good = false;
    if (strcmp(kind, "straight") == 0) {
        r->gain = lt_amplitude_from_db(number(l, 4, 0.0));
        good = true;
    } else if (strcmp(kind, "scene") == 0) {
        r->gain = lt_amplitude_from_db(number(l, 7, 0.0));
        good = route_scene(l, r);
    } else if (strcmp(kind, "file") == 0) {
        good = route_file(l, r);
    } else if (strcmp(kind, "delay") == 0) {
        good = route_delay(l, r);
    }
    p->route_count += good;
    return good;
}

/* sound MICROPHONE scene LANE PATH CONDITION SECONDS [DB]: its noise, or its talk test, round and round */
static bool read_sound(const line *l)
{
    microphone *m = mic_of(l, 1);
    lt_scene_lane scene;
    lt_scene_path path;
    size_t condition = 0;
    lt_signal *talker = NULL, *s = NULL;
    lt_error err = {0};
    const double seconds = number(l, 6, 10.0), gain = lt_amplitude_from_db(number(l, 7, 0.0));
    if (m == NULL || m->sound != NULL || !scene_of(l, 3, &scene, &condition) || !path_of(word(l, 4), &path))
        return false;
    scene.drift_ppm = 0.0;
    scene.start_s = 0.0;
    lt_status st = LT_OK;
    if (path == LT_SCENE_TALK_TEST)
        st = lt_scene_talker(scene.rate_hz, seconds, scene.seed, &talker, &err);
    if (st == LT_OK)
        st = lt_scene_record(&scene, condition, path, talker, seconds, (double)NAN, &s, &err);
    if (st == LT_OK)
        m->sound = malloc(s->count * sizeof *m->sound);
    if (m->sound != NULL) {
        m->sound_count = s->count;
        for (size_t i = 0; i < s->count; i++)
            m->sound[i] = (float)(gain * s->samples[i]);
    } else {
        fprintf(stderr, "lane: %s\n", err.what);
    }
    lt_signal_free(talker);
    lt_signal_free(s);
    return m->sound != NULL;
}

/* howl MICROPHONE HZ DB_PER_S: a loop of about 10 ms around the loudspeaker that grows at this rate */
static bool read_howl(const line *l)
{
    microphone *m = mic_of(l, 1);
    const double hz = number(l, 2, 0.0), db_per_s = number(l, 3, 0.0);
    if (m == NULL || !(hz >= 50.0 && hz < 0.4 * l->p->rate_hz))
        return false;
    /* A whole number of turns fits into the loop, so that it howls at hz. */
    const double turns = fmax(1.0, round(hz * 0.010));
    m->feedback_frames = (size_t)llround(turns / hz * l->p->rate_hz);
    m->feedback = lt_amplitude_from_db(db_per_s * (double)m->feedback_frames / l->p->rate_hz);
    const double real_hz = turns * l->p->rate_hz / (double)m->feedback_frames, q = 8.0;
    /* Constant-peak band pass (Bristow-Johnson): a difference of two of the layer's filters would not be simpler. */
    const double w = 2.0 * LT_PI * real_hz / l->p->rate_hz, alpha = sin(w) / (2.0 * q), a0 = 1.0 + alpha;
    m->feedback_filter =
        (lt_biquad){.b0 = alpha / a0, .b1 = 0.0, .b2 = -alpha / a0, .a1 = -2.0 * cos(w) / a0, .a2 = (1.0 - alpha) / a0};
    return true;
}

/* Words of the form NAME MICROPHONE VALUE [VALUE]. */
static bool read_simple(const line *l)
{
    microphone *m = mic_of(l, 1);
    const char *name = word(l, 0);
    if (m == NULL || l->count < 3)
        return false;
    const double value = number(l, 2, 0.0);
    if (strcmp(name, "gain") == 0)
        m->gain = lt_amplitude_from_db(value);
    else if (strcmp(name, "noise") == 0)
        m->noise_rms = value;
    else if (strcmp(name, "clip") == 0)
        m->clip = value;
    else if (strcmp(name, "mute") == 0)
        m->mute_from = (int64_t)value;
    else if (strcmp(name, "drift") == 0)
        m->drift = value * 1e-6;
    else if (strcmp(name, "lose") == 0 || strcmp(name, "repeat") == 0) {
        m->shift_at = (int64_t)value;
        m->shift_frames = (long)number(l, 3, 0.0) * (name[0] == 'l' ? 1 : -1);
    } else if (strcmp(name, "tone") == 0) {
        m->tone_hz = value;
        m->tone_peak = lt_amplitude_from_db(number(l, 3, -20.0));
    } else {
        return false;
    }
    return true;
}

static bool read_line(const line *l)
{
    const char *name = word(l, 0);
    if (strcmp(name, "route") == 0)
        return read_route(l);
    if (strcmp(name, "sound") == 0)
        return read_sound(l);
    if (strcmp(name, "howl") == 0)
        return read_howl(l);
    if (strcmp(name, "tap") == 0) { /* tap FILE SECONDS */
        if (l->count < 3 || l->p->tap != NULL)
            return false;
        l->p->tap = lane_tap_new(word(l, 1), number(l, 2, 10.0), l->p->rate_hz, l->p->block);
        return l->p->tap != NULL;
    }
    if (strcmp(name, "serial") == 0) {
        l->p->serial = (long)number(l, 1, 0.0);
        return true;
    }
    if (strcmp(name, "seed") == 0) {
        l->p->rng.state = (uint64_t)number(l, 1, 1.0);
        return true;
    }
    if (strcmp(name, "amplifier") == 0) {
        const double s = number(l, 1, 0.0);
        if (s < 1 || s > l->p->speakers)
            return false;
        l->p->clip_line_dbfs[(size_t)s - 1] = number(l, 2, (double)NAN);
        return true;
    }
    return read_simple(l);
}

static plan *plan_new(unsigned speakers, unsigned microphones, double rate_hz, size_t block)
{
    plan *p = calloc(1, sizeof *p);
    bool good = p != NULL;
    if (p == NULL)
        return NULL;
    p->speakers = speakers;
    p->microphones = microphones;
    p->rate_hz = rate_hz;
    p->block = block;
    p->rng.state = 1;
    p->frame = FIRST_FRAME; /* so that delays never reach below 0 */
    for (size_t i = 0; i < PORTS_MAX; i++) {
        p->clip_line_dbfs[i] = (double)NAN;
        p->in[i] = calloc(block, sizeof *p->in[i]);
        p->out[i] = calloc(block, sizeof *p->out[i]);
        p->mics[i] = (microphone){.gain = 1.0, .mute_from = -1, .shift_at = -1};
        p->mics[i].history = calloc(HISTORY, sizeof(double));
        p->mics[i].loop = calloc(HISTORY, sizeof(double));
        good = good && p->in[i] && p->out[i] && p->mics[i].history && p->mics[i].loop;
    }
    if (good)
        return p;
    plan_free(p);
    return NULL;
}

void plan_free(plan *p)
{
    if (p == NULL)
        return;
    lane_tap_free(p->tap);
    for (size_t i = 0; i < PORTS_MAX; i++) {
        free(p->in[i]);
        free(p->out[i]);
        free(p->mics[i].history);
        free(p->mics[i].loop);
        free(p->mics[i].sound);
    }
    for (size_t i = 0; i < p->route_count; i++)
        convolver_free(p->routes[i].filter);
    free(p);
}

plan *plan_read(const char *path, unsigned speakers, unsigned microphones, double rate_hz, size_t block)
{
    char text[LINE_MAX_CHARS], shown[LINE_MAX_CHARS];
    FILE *f = fopen(path, "r");
    plan *p = f != NULL ? plan_new(speakers, microphones, rate_hz, block) : NULL;
    bool good = p != NULL;
    while (good && fgets(text, sizeof text, f) != NULL) {
        line l = {.p = p};
        memcpy(shown, text, sizeof text);
        char *rest = NULL;
        for (char *w = strtok_r(text, " \t\n", &rest); w != NULL && l.count < WORDS_MAX;
             w = strtok_r(NULL, " \t\n", &rest))
            l.words[l.count++] = w;
        if (l.count > 0 && l.words[0][0] != '#' && !read_line(&l)) {
            fprintf(stderr, "lane: not understood: %s", shown);
            good = false;
        }
    }
    if (f == NULL)
        perror(path);
    else
        fclose(f);
    if (good)
        return p;
    plan_free(p);
    return NULL;
}
