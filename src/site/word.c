/* SPDX-License-Identifier: MIT
 * The word that was probably meant: edit distance with swapped neighbours. */
#include "site/yaml.h"

#include <string.h>

enum { LONGEST = 40 };

static size_t smaller(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Optimal string alignment: insert, delete, replace and swap of neighbours cost 1 each. */
static size_t edit_distance(const char *a, const char *b)
{
    const size_t na = strlen(a), nb = strlen(b);
    size_t row[3][LONGEST + 1];
    if (na > LONGEST || nb > LONGEST)
        return 2 * (size_t)LONGEST;
    for (size_t j = 0; j <= nb; j++)
        row[1][j] = j;
    memcpy(row[2], row[1], sizeof row[1]);
    for (size_t i = 1; i <= na; i++) {
        memcpy(row[0], row[1], sizeof row[0]); /* [0] two back, [1] one back, [2] this one */
        memcpy(row[1], row[2], sizeof row[1]);
        row[2][0] = i;
        for (size_t j = 1; j <= nb; j++) {
            const size_t replace = row[1][j - 1] + (a[i - 1] != b[j - 1]);
            row[2][j] = smaller(replace, smaller(row[1][j], row[2][j - 1]) + 1);
            if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1])
                row[2][j] = smaller(row[2][j], row[0][j - 2] + 1);
        }
    }
    return row[2][nb];
}

const char *ltp_nearest_word(const char *word, const char *const *words, size_t count)
{
    const char *best = NULL;
    /* More than half of the letters wrong is no likeness any more. */
    size_t best_distance = strlen(word) / 2 + 2;
    for (size_t i = 0; i < count; i++) {
        const size_t d = edit_distance(word, words[i]);
        if (d < best_distance) {
            best_distance = d;
            best = words[i];
        }
    }
    return best;
}
