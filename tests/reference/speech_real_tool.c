/* SPDX-License-Identifier: MIT
 * speech_real_tool RATE FILE: talk test on little-endian doubles, one value a line. */
#include <lanetune/speech.h>

#include "doubles.h"

#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    lt_talk_test *t = calloc(1, sizeof *t);
    lt_signal *s = argc == 3 ? load_doubles(strtod(argv[1], NULL), argv[2]) : NULL;
    lt_error err = {0};
    int failed = 1;
    if (s != NULL && t != NULL && lt_talk_test_measure(s, t, &err) == LT_OK) {
        failed = 0;
        printf("active %.6f\nlong %.6f\nactivity %.6f\n", t->level.active_level_db, t->level.long_term_level_db,
               t->level.activity_percent);
        printf("noise %.6f\nthreshold %.9g\n", t->noise_level_db, t->level.threshold);
        for (size_t i = 0; i < t->band_count; i++)
            printf("band %d %.6f %.6f\n", t->bands[i].band.index, t->bands[i].speech_db, t->bands[i].noise_db);
        for (size_t i = 0; i < t->notes.count; i++)
            printf("note %s\n", t->notes.items[i].code);
    } else {
        (void)fprintf(stderr, "%s\n", err.what);
    }
    lt_signal_free(s);
    free(t);
    return failed;
}
