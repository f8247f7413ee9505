/* SPDX-License-Identifier: MIT
 * lanetune compare --isolate: recordings at the points of a chain, given as words in the order of the signal. */
#include "compare.h"

#include "base/alloc.h"

#include <string.h>

typedef struct {
    lt_isolate_point points[LT_ISOLATE_POINTS_MAX];
    size_t count;
    size_t bridge_from, bridge_to;
    bool bypassed; /* some recording was made with the coupler */
} chain;

/* NAME, NAME=FILE or NAME:bypass=FILE. */
typedef struct {
    char name[LT_NAME_MAX];
    bool bypass;
    const char *file; /* NULL: not recorded yet */
} point_word;

static lt_status read_word(const char *text, point_word *w, lt_error *err)
{
    const char *equals = strchr(text, '=');
    size_t length = equals != NULL ? (size_t)(equals - text) : strlen(text);
    static const char mark[] = ":bypass";
    *w = (point_word){.file = equals != NULL ? equals + 1 : NULL};
    if (length > sizeof mark - 1 && strncmp(text + length - (sizeof mark - 1), mark, sizeof mark - 1) == 0) {
        w->bypass = true;
        length -= sizeof mark - 1;
    }
    if (length == 0 || length >= sizeof w->name || (w->file != NULL && w->file[0] == '\0'))
        return ltp_fail(err, LT_E_ARG, "%.100s: write NAME=FILE, or NAME alone for a point that is not recorded yet",
                        text);
    if (w->bypass && w->file == NULL)
        return ltp_fail(err, LT_E_ARG, "%.100s: the recording with the coupler is missing; write NAME:bypass=FILE",
                        text);
    (void)snprintf(w->name, sizeof w->name, "%.*s", (int)length, text);
    return LT_OK;
}

static lt_status point_of(chain *c, const char *name, lt_isolate_point **out, lt_error *err)
{
    for (size_t i = 0; i < c->count; i++)
        if (strcmp(c->points[i].name, name) == 0) {
            *out = &c->points[i];
            return LT_OK;
        }
    if (c->count == LT_ISOLATE_POINTS_MAX)
        return ltp_fail(err, LT_E_ARG, "%s: too many points; at most %d", name, (int)LT_ISOLATE_POINTS_MAX);
    *out = &c->points[c->count++];
    (void)snprintf((*out)->name, sizeof(*out)->name, "%s", name);
    return LT_OK;
}

/* ---- one recording: the stimulus, or talk, or noise ---- */

static lt_status as_noise(const lt_signal *s, const lt_levels **slot, lt_error *err)
{
    lt_levels *l = ltp_alloc(1, sizeof *l);
    lt_status st = l == NULL ? ltp_fail_nomem(err, "levels") : lt_levels_measure(s, 0.0, l, err);
    if (st == LT_OK && *slot == NULL) {
        *slot = l;
        return LT_OK;
    }
    ltp_free(l);
    return st != LT_OK ? st : ltp_fail(err, LT_E_ARG, "a second recording of the noise at this point; give one");
}

static lt_status as_talk(const lt_signal *s, const lt_talk_test **slot, lt_error *err)
{
    lt_talk_test *t = ltp_alloc(1, sizeof *t);
    lt_status st = t == NULL ? ltp_fail_nomem(err, "talk test") : lt_talk_test_measure(s, t, err);
    if (st == LT_OK && *slot == NULL) {
        *slot = t;
        return LT_OK;
    }
    ltp_free(t);
    return st != LT_OK ? st : ltp_fail(err, LT_E_ARG, "a second recording of the talk at this point; give one");
}

static lt_status as_stimulus(const lt_signal *s, const char *file, const lt_signal *stimulus, const lt_response **slot,
                             lt_error *err)
{
    const lt_response_options opt = lt_response_default_options();
    const lt_signal *const recordings[] = {s};
    const char *const names[] = {file};
    lt_response *r = NULL;
    lt_status st = lt_response_measure(recordings, names, 1, stimulus, &opt, &r, err);
    if (st == LT_OK && *slot != NULL)
        st = ltp_fail(err, LT_E_ARG, "a second recording of the stimulus at this point; give one");
    if (st == LT_OK)
        *slot = r;
    else
        lt_response_free(r);
    return st;
}

static lt_status add_recording(cli_args *a, const point_word *w, const lt_signal *stimulus, bool talk,
                               lt_isolate_point *p, lt_error *err)
{
    lt_signal *s = NULL;
    lt_error why = {0};
    lt_status st = cli_load(a, w->file, "channel", &s, err);
    if (st != LT_OK)
        return st;
    if (lt_signal_peak(s) <= 0.0) {
        st = ltp_fail(err, LT_E_SNR, "%s: it is silent; check the tap and the recording level", w->file);
    } else if (stimulus != NULL) {
        st = as_stimulus(s, w->file, stimulus, w->bypass ? &p->bypass_response : &p->response, &why);
        if (st == LT_E_SNR) { /* the stimulus is not in it: a recording of the noise */
            lt_notes_add(&a->notes, "taken-as-noise", "%.150s does not hold the stimulus and is taken as noise",
                         w->file);
            st = as_noise(s, w->bypass ? &p->bypass_noise : &p->noise, err);
        } else if (st != LT_OK) {
            st = ltp_fail(err, st, "%s", why.what);
        }
    } else if (talk) {
        st = as_talk(s, w->bypass ? &p->bypass_talk : &p->talk, err);
    } else {
        st = as_noise(s, w->bypass ? &p->bypass_noise : &p->noise, err);
    }
    cli_name_file(err, w->file);
    lt_signal_free(s);
    return st;
}

/* ---- what the coupler bridges ---- */

static size_t index_of(const chain *c, const char *name, size_t length)
{
    size_t i = 0;
    while (i < c->count && (strlen(c->points[i].name) != length || strncmp(c->points[i].name, name, length) != 0))
        i++;
    return i;
}

/* --bypass FROM,TO; without it the points with "hub" in their names: between two of them, or up to a single one. */
static lt_status find_bridge(const cli_args *a, chain *c, lt_error *err)
{
    const char *given = cli_text(a, "bypass", NULL);
    size_t hubs[2] = {0, 0}, count = 0;
    if (given != NULL) {
        const char *comma = strchr(given, ',');
        c->bridge_from = index_of(c, given, comma != NULL ? (size_t)(comma - given) : 0);
        c->bridge_to = comma != NULL ? index_of(c, comma + 1, strlen(comma + 1)) : c->count;
        if (comma == NULL || c->bridge_from >= c->bridge_to || c->bridge_to >= c->count)
            return ltp_fail(err, LT_E_ARG,
                            "--bypass %.60s: write FROM,TO with two of the points, the earlier one first", given);
        return LT_OK;
    }
    for (size_t i = 0; i < c->count; i++)
        if (strstr(c->points[i].name, "hub") != NULL && count < 2)
            hubs[count++] = i;
    if (c->bypassed && count > 0 && (count == 2 || hubs[0] > 0)) {
        c->bridge_from = count == 2 ? hubs[0] : hubs[0] - 1;
        c->bridge_to = count == 2 ? hubs[1] : hubs[0];
        return LT_OK;
    }
    return c->bypassed ? ltp_fail(err, LT_E_ARG, "which points does the coupler bridge? Give --bypass FROM,TO") : LT_OK;
}

/* ---- all ---- */

static void chain_free(chain *c)
{
    for (size_t i = 0; i < c->count; i++) {
        lt_isolate_point *p = &c->points[i];
        const void *plain[] = {p->noise, p->talk, p->bypass_noise, p->bypass_talk};
        lt_response *swept[2];
        memcpy(&swept[0], &p->response, sizeof swept[0]); /* owned here, borrowed as const there */
        memcpy(&swept[1], &p->bypass_response, sizeof swept[1]);
        lt_response_free(swept[0]);
        lt_response_free(swept[1]);
        for (size_t k = 0; k < LTP_COUNT(plain); k++) {
            void *owned;
            memcpy(&owned, &plain[k], sizeof owned);
            ltp_free(owned);
        }
    }
    ltp_free(c);
}

static lt_status build(cli_args *a, chain *c, lt_error *err)
{
    lt_signal *stimulus = NULL;
    const char *path = cli_text(a, "stimulus", NULL);
    lt_status st = path != NULL ? cli_load(a, path, "stimulus-channel", &stimulus, err) : LT_OK;
    for (size_t i = 0; i < a->word_count && st == LT_OK; i++) {
        point_word w;
        lt_isolate_point *p = NULL;
        st = read_word(a->words[i], &w, err);
        if (st == LT_OK)
            st = point_of(c, w.name, &p, err);
        if (st == LT_OK && w.file != NULL)
            st = add_recording(a, &w, stimulus, cli_flag(a, "talk"), p, err);
        c->bypassed |= st == LT_OK && w.bypass;
    }
    lt_signal_free(stimulus);
    return st == LT_OK ? find_bridge(a, c, err) : st;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_isolate(what, opt, format, out, bytes, err);
}

int cli_compare_points(cli_args *a)
{
    lt_error err = {0};
    char *text = NULL;
    chain *c = ltp_alloc(1, sizeof *c);
    lt_isolation *r = ltp_alloc(1, sizeof *r);
    lt_status st = c == NULL || r == NULL ? ltp_fail_nomem(&err, "an isolation test") : build(a, c, &err);
    if (st == LT_OK)
        st = lt_isolate(c->points, c->count, c->bridge_from, c->bridge_to, r, &err);
    if (st == LT_OK)
        st = cli_save_figure(a, draw, &(lt_isolate_figure){c->points, c->count, r}, &err);
    if (st == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, a->word_count);
        st = lt_json_isolate(&head, c->points, c->count, r, &text, &err);
    } else if (st == LT_OK) {
        st = lt_text_isolate(c->points, c->count, r, &text, &err);
    }
    const bool found = st == LT_OK && r->fault_count > 0;
    if (c != NULL)
        chain_free(c);
    ltp_free(r);
    const int rc = cli_finish(a, st, &err, text);
    return rc == CLI_DONE && found && cli_flag(a, "check") ? CLI_LIMIT_MISSED : rc;
}
