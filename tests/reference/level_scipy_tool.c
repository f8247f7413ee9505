/* SPDX-License-Identifier: MIT
 * level_scipy_tool RATE FILE: measures little-endian doubles, in blocks of odd sizes, and prints one value a line. */
#include <lanetune/level.h>

#include <stdio.h>
#include <stdlib.h>

static int run(double rate_hz, FILE *in, lt_levels *l)
{
    static const size_t blocks[] = {1, 777, 4096, 31, 20000};
    static double x[20000];
    lt_level_meter *m = NULL;
    lt_error err = {0};
    lt_status status = lt_level_meter_create(rate_hz, 0.0, &m, &err);
    size_t k = 0;
    for (size_t got = 1; status == LT_OK && got > 0; k++) {
        got = fread(x, sizeof *x, blocks[k % 5], in);
        lt_level_meter_push(m, x, got);
    }
    if (status == LT_OK)
        status = lt_level_meter_finish(m, l, &err);
    lt_level_meter_free(m);
    if (status != LT_OK)
        (void)fprintf(stderr, "%s\n", err.what);
    return status == LT_OK ? 0 : 1;
}

int main(int argc, char **argv)
{
    FILE *in = argc == 3 ? fopen(argv[2], "rb") : NULL;
    lt_levels *l = calloc(1, sizeof *l);
    int failed = 1;
    if (in != NULL && l != NULL)
        failed = run(strtod(argv[1], NULL), in, l);
    if (in != NULL)
        (void)fclose(in);
    if (!failed) {
        printf("laeq %.6f\nlceq %.6f\nlafmax %.6f\n", l->laeq_db, l->lceq_db, l->lafmax_db);
        printf("la10 %.6f\nla50 %.6f\nla90 %.6f\n", l->la10_db, l->la50_db, l->la90_db);
        for (size_t i = 0; i < l->band_count; i++)
            printf("band %d %.6f %.6f %.6f %.6f\n", l->bands[i].band.index, l->bands[i].leq_db, l->bands[i].l10_db,
                   l->bands[i].l50_db, l->bands[i].l90_db);
    }
    free(l);
    return failed;
}
