/* SPDX-License-Identifier: MIT
 * Small pieces that every JSON result is built from: rounded numbers, clean text, ordered objects, the common head.
 * A failed allocation is remembered in the builder and reported once, at the end. */
#ifndef LTP_REPORT_JSON_BUILD_H
#define LTP_REPORT_JSON_BUILD_H

#include <lanetune/report.h>

#include <jansson.h>

/** Decimals that each quantity is printed with, fine enough that rounding never shows in a result. */
enum {
    LTP_DECIMALS_DB = 3,
    LTP_DECIMALS_HZ = 2,
    LTP_DECIMALS_MS = 4,
    LTP_DECIMALS_S = 6,
    LTP_DECIMALS_PPM = 2,
    LTP_DECIMALS_PERCENT = 3,
    LTP_DECIMALS_INDEX = 6, /* SII, audibility, importance */
    LTP_DECIMALS_Q = 3,
    LTP_DECIMALS_W = 4
};

typedef struct {
    bool failed;
} ltp_json;

/** x rounded to `decimals`; null for NaN and infinity. */
json_t *ltp_json_number(double x, int decimals);
/** Text with bytes that are no UTF-8 replaced by U+FFFD; NULL gives null. */
json_t *ltp_json_text(const char *text);
/** Both take over `value`; a NULL value (out of memory) or a failed insertion marks the builder. */
void ltp_json_put(ltp_json *j, json_t *object, const char *key, json_t *value);
void ltp_json_append(ltp_json *j, json_t *array, json_t *value);

void ltp_json_put_db(ltp_json *j, json_t *object, const char *key, double db);
void ltp_json_put_hz(ltp_json *j, json_t *object, const char *key, double hz);
/** [{"code", "message"}]; either list may be NULL; what stands in both comes once. */
json_t *ltp_json_notes(ltp_json *j, const lt_notes *first, const lt_notes *second);
/** [{"hz", "q", "cut_db"}] */
json_t *ltp_json_notches(ltp_json *j, const lt_notch *notches, size_t count);

/** Lanes that were dialled in and measured again (json_tune_live.c). */
json_t *ltp_json_dialled(ltp_json *j, const lt_dialled *d);

/** Interference of l, which must have been looked for. */
json_t *ltp_json_interference(ltp_json *j, const lt_levels *l);
/** Print root (taken over) with two spaces of indentation and a final newline. LT_E_NOMEM if anything failed. */
lt_status ltp_json_print(const ltp_json *j, json_t *root, char **out, lt_error *err);
/** Wrap `warnings` and `result` (both taken over) in the head common to all commands. */
lt_status ltp_json_wrap(ltp_json *j, const lt_json_head *h, json_t *warnings, json_t *result, char **out,
                        lt_error *err);
/** Wrap `result` (taken over) in the head common to all commands, with the notes of the result among the warnings. */
lt_status ltp_json_finish(ltp_json *j, const lt_json_head *h, const lt_notes *notes, json_t *result, char **out,
                          lt_error *err);

#endif
