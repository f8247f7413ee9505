/* SPDX-License-Identifier: MIT
 * Tool of loop_switching.py: reads rate, count, then sent and returned as doubles from standard input, as often as they
 * come; prints one line of figures each. */
#include <lanetune/loop.h>

#include <stdio.h>
#include <stdlib.h>

static int one(double rate_hz, size_t count)
{
    lt_signal *s[2] = {NULL, NULL};
    lt_error err = {0};
    lt_switching *r = calloc(1, sizeof *r);
    int rc = 1;
    for (int c = 0; c < 2; c++)
        if (lt_signal_create(count, rate_hz, &s[c], &err) != LT_OK ||
            fread(s[c]->samples, sizeof(double), count, stdin) != count)
            goto done;
    if (r == NULL)
        goto done;
    if (lt_switching_measure(s[0], s[1], LT_SWITCHING_AUTO, r, &err) != LT_OK) {
        printf("failed %s\n", err.what);
        rc = 0;
        goto done;
    }
    printf("%s %d %.4f %.4f %d %.4f %s %.4f %.4f %.4f %s %.2f %.2f %u %u %zu %.3f %.3f %u %.2f %.2f %.2f %d",
           lt_switching_direction_name(r->direction), r->switched, r->delay_ms, r->attenuation_db,
           r->attenuation_at_least, r->attack_ms, lt_ramp_shape_name(r->attack_shape), r->reaction_ms, r->hold_ms,
           r->release_ms, lt_ramp_shape_name(r->release_shape), r->threshold_dbfs, r->smoothing_ms, r->attacks,
           r->releases, r->talk_off_count, r->talk_off_count > 0 ? r->talk_offs[0].at_s : -1.0,
           r->talk_off_count > 0 ? r->talk_offs[0].seconds : -1.0, r->clipped, r->clipped_mean_ms, r->clipped_worst_ms,
           r->hold_doubt_ms, r->single_transducer);
    for (size_t i = 0; i < r->notes.count; i++)
        printf(" %s", r->notes.items[i].code);
    printf("\n");
    rc = 0;
done:
    lt_signal_free(s[0]);
    lt_signal_free(s[1]);
    free(r);
    return rc;
}

int main(void)
{
    double head[2];
    while (fread(head, sizeof *head, 2, stdin) == 2) {
        if (one(head[0], (size_t)head[1]) != 0)
            return 1;
    }
    return 0;
}
