/* SPDX-License-Identifier: MIT
 * Surveys across their own files: finding recordings, measuring one of them. */
#ifndef LTP_SITE_SURVEY_H
#define LTP_SITE_SURVEY_H

#include <lanetune/site.h>

/* ---- survey_find.c ---- */

typedef struct {
    lt_recording *items; /* by path, then by condition; results still empty */
    size_t count;
} ltp_found;

/** Recordings in the folder of a lane or counter by their names. A folder that is missing holds none. Names that mean
 * nothing get a note. of_counter: only the paths of the counter's side belong there. */
LT_NODISCARD lt_status ltp_find_recordings(const char *dir, const char *date, bool of_counter, unsigned number,
                                           ltp_found *out, lt_notes *notes, lt_error *err);
/** File of the stimulus for a recording in FOLDER, relative to the site: stimulus.PATH.CONDITION, stimulus.PATH or
 * stimulus there, or else stimulus in visits/DATE/. word: lt_path_word(). "" = none. */
LT_NODISCARD lt_status ltp_find_stimulus(const char *dir, const char *date, const char *folder, const char *word,
                                         const char *condition, char file[320], lt_error *err);
/** A note for each lane-N or counter-N folder of the visit that site.yaml does not know. */
LT_NODISCARD lt_status ltp_find_strange_folders(const char *dir, const char *date, const lt_site *site, lt_notes *notes,
                                                lt_error *err);

/* ---- survey_measure.c ---- */

/** Stimuli that were loaded, by file: each is read once. */
typedef struct {
    char file[320];
    lt_signal *signal; /* NULL: it could not be read, for this reason */
    lt_error error;
} ltp_stimulus;
/** A recording to be measured. */
typedef struct {
    lt_recording *recording;
    lt_notes *notes; /* of its lane or counter */
    size_t stimulus; /* index; LTP_NO_STIMULUS */
    lt_status status;
    lt_error why; /* it cannot be used */
} ltp_to_measure;
#define LTP_NO_STIMULUS SIZE_MAX
typedef struct {
    const char *dir;
    const lt_visit *visit;
    lt_interface *interface; /* NULL = none */
    ltp_stimulus *stimuli;
    size_t stimulus_count;
    ltp_to_measure *list; /* in the order in which they are told */
    size_t count;
    lt_progress progress;
    void *context;
    lt_error *err;
} ltp_measuring;

/** Puts a recording on the list and reads its stimulus. stimulus: ltp_find_stimulus(). LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_measure_later(ltp_measuring *m, const char *stimulus, lt_recording *r, lt_notes *notes,
                                         lt_error *err);
/** Measures all of the list, on all processors. Only LT_E_NOMEM fails; all else makes a recording unusable, with a
 * note. */
LT_NODISCARD lt_status ltp_measure_all(ltp_measuring *m, lt_error *err);
void ltp_measuring_free(ltp_measuring *m);
void ltp_recordings_free(lt_recording *list, size_t count);

/* ---- survey_lane.c ---- */

/** Fill lane->tune from site.yaml, visit.yaml and the usable recordings. */
void ltp_assemble(const lt_visit *visit, lt_survey_lane *lane);
/** The recorder ran from the moment of playback on, so that the delay of this lane coupling is a delay of the line. */
bool ltp_delay_is_known(const lt_response *r, double recorded_s, double stimulus_s);

#endif
