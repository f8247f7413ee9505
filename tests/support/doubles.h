/* SPDX-License-Identifier: MIT
 * A signal from a file of little-endian doubles, as NumPy's tofile() writes it. */
#ifndef LT_TESTS_DOUBLES_H
#define LT_TESTS_DOUBLES_H

#include <lanetune/base.h>

#include <stdio.h>

/** NULL: no such file, nothing in it, or it cannot be read. */
static inline lt_signal *load_doubles(double rate_hz, const char *path)
{
    lt_signal *s = NULL;
    FILE *in = fopen(path, "rb");
    if (in == NULL)
        return NULL;
    if (fseek(in, 0, SEEK_END) == 0 && ftell(in) > 0) {
        const size_t count = (size_t)ftell(in) / sizeof(double);
        rewind(in);
        if (lt_signal_create(count, rate_hz, &s, NULL) == LT_OK &&
            fread(s->samples, sizeof(double), count, in) != count) {
            lt_signal_free(s);
            s = NULL;
        }
    }
    (void)fclose(in);
    return s;
}

#endif
