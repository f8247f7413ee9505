/* SPDX-License-Identifier: MIT
 * The recordings of a lane as a table of paths: what one condition lacks another lends, and every doubt about a
 * recording goes on to the result. */
#include "tune/tune_internal.h"

#include <stddef.h>
#include <stdio.h>
#include <string.h>

static const double low_snr_db = 10.0; /* below: noise adds more than 0.4 dB to a band */

/* ---- names ---- */

static const char *const path_names[LT_PATH_COUNT] = {"outbound",  "inbound",   "lane-coupling",   "counter-coupling",
                                                      "loop",      "noise-ear", "noise-mic",       "noise-counter",
                                                      "talk-test", "bystander", "noise-bystander", "cross-coupling"};

const char *lt_path_name(lt_path p)
{
    return (unsigned)p < LT_PATH_COUNT ? path_names[p] : "unknown path";
}

bool lt_path_from_name(const char *name, lt_path *out)
{
    for (unsigned i = 0; i < LT_PATH_COUNT; i++)
        if (strcmp(name, path_names[i]) == 0) {
            *out = (lt_path)i;
            return true;
        }
    return false;
}

/* ---- the table ---- */

typedef enum { RESPONSE, LEVELS, TALK_TEST } kind;
typedef struct {
    lt_path path;
    size_t offset; /* of the pointer in lt_tune_recordings */
    kind kind;
} path_row;

static const path_row paths[] = {
    {LT_PATH_OUTBOUND, offsetof(lt_tune_recordings, outbound), RESPONSE},
    {LT_PATH_INBOUND, offsetof(lt_tune_recordings, inbound), RESPONSE},
    {LT_PATH_LANE_COUPLING, offsetof(lt_tune_recordings, lane_coupling), RESPONSE},
    {LT_PATH_COUNTER_COUPLING, offsetof(lt_tune_recordings, counter_coupling), RESPONSE},
    {LT_PATH_LOOP, offsetof(lt_tune_recordings, loop), RESPONSE},
    {LT_PATH_NOISE_EAR, offsetof(lt_tune_recordings, noise_ear), LEVELS},
    {LT_PATH_NOISE_MIC, offsetof(lt_tune_recordings, noise_mic), LEVELS},
    {LT_PATH_NOISE_COUNTER, offsetof(lt_tune_recordings, noise_counter), LEVELS},
    {LT_PATH_TALK_TEST, offsetof(lt_tune_recordings, talk_test), TALK_TEST},
    {LT_PATH_BYSTANDER, offsetof(lt_tune_recordings, bystander), RESPONSE},
    {LT_PATH_NOISE_BYSTANDER, offsetof(lt_tune_recordings, noise_bystander), LEVELS},
};
enum { PATHS = sizeof paths / sizeof paths[0] };

static const void *recording(const lt_tune_recordings *r, const path_row *row)
{
    const void *p = NULL;
    memcpy(&p, (const char *)r + row->offset, sizeof p);
    return p;
}

static const char *condition_name(const char *name)
{
    return name[0] != '\0' ? name : "lane empty";
}

/* ---- what only some conditions have ---- */

static void lend(ltp_evidence *e, const path_row *row, size_t from)
{
    const void *p = recording(&e->rec[from], row);
    for (size_t c = 0; c < e->count; c++) {
        lt_tune_recordings *r = &e->rec[c];
        if (recording(r, row) != NULL)
            continue;
        memcpy((char *)r + row->offset, &p, sizeof p);
        if (row->offset == offsetof(lt_tune_recordings, lane_coupling))
            r->delay_known = e->rec[from].delay_known;
        lt_notes_add(&e->assumptions, "condition-borrowed",
                     "%s was not recorded with condition \"%s\": the recording of \"%s\" serves for it.",
                     lt_path_name(row->path), condition_name(r->name), condition_name(e->rec[from].name));
    }
}

void ltp_recordings_borrow(ltp_evidence *e)
{
    for (size_t k = 0; k < PATHS; k++)
        for (size_t c = 0; c < e->count; c++)
            if (recording(&e->rec[c], &paths[k]) != NULL) {
                lend(e, &paths[k], c);
                break;
            }
}

/* ---- doubts ---- */

/* Settings use no distortion figure, and of the noise only what hides speech bands, which check_snr() says. */
static bool is_of_no_use_here(const char *code)
{
    return strcmp(code, "thd-noise") == 0 || strcmp(code, "low-snr") == 0;
}

static void carry_notes(ltp_evidence *e, const char *label, const lt_notes *notes, kind type)
{
    for (size_t i = 0; i < notes->count; i++)
        if (type != RESPONSE || !is_of_no_use_here(notes->items[i].code))
            lt_notes_add(&e->warnings, notes->items[i].code, "%s: %.170s", label, notes->items[i].message);
}

/* The speech bands must stand out of the noise of their own recording. */
static void check_snr(ltp_evidence *e, const char *label, const lt_response *r)
{
    size_t bad = 0;
    double from_hz = 0.0;
    double to_hz = 0.0;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_response_band *b = &r->bands[i];
        const int band = b->band.index - LT_THIRD_SPEECH_FIRST;
        if (!(b->snr_db < low_snr_db) || band < 0 || band >= LT_SPEECH_BANDS)
            continue;
        from_hz = bad == 0 ? b->band.nominal_hz : from_hz;
        to_hz = b->band.nominal_hz;
        bad++;
    }
    if (bad == 0)
        return;
    char where[48];
    if (bad == 1)
        (void)snprintf(where, sizeof where, "%.0f Hz", from_hz);
    else
        (void)snprintf(where, sizeof where, "%zu bands from %.0f to %.0f Hz", bad, from_hz, to_hz);
    lt_notes_add(&e->warnings, "low-snr",
                 "%s: less than %.0f dB above the noise in %s; play louder or longer, or measure when it is quieter.",
                 label, low_snr_db, where);
}

static void carry_one(ltp_evidence *e, const path_row *row, const char *condition, const void *p)
{
    char label[LT_NAME_MAX + 24];
    (void)snprintf(label, sizeof label, "%s%s%.*s", lt_path_name(row->path), condition[0] != '\0' ? "." : "",
                   LT_NAME_MAX, condition);
    switch (row->kind) {
    case RESPONSE:
        carry_notes(e, label, &((const lt_response *)p)->notes, row->kind);
        check_snr(e, label, p);
        break;
    case LEVELS:
        carry_notes(e, label, &((const lt_levels *)p)->notes, row->kind);
        break;
    case TALK_TEST:
        carry_notes(e, label, &((const lt_talk_test *)p)->notes, row->kind);
        break;
    }
}

void ltp_recordings_doubts(ltp_evidence *e)
{
    for (size_t c = 0; c < e->count; c++)
        for (size_t k = 0; k < PATHS; k++) {
            const void *p = recording(&e->rec[c], &paths[k]);
            if (p != NULL && (c == 0 || p != recording(&e->rec[0], &paths[k])))
                carry_one(e, &paths[k], e->rec[c].name, p);
        }
}
