/* SPDX-License-Identifier: MIT
 * Level history as CSV: one line an interval. Levels that are not known, and silence, are left empty. */
#include "report/textbuf.h"

#include <lanetune/report.h>

#include <math.h>

static void cell(ltp_textbuf *b, double value, int decimals)
{
    ltp_text_add(b, ",");
    if (lt_is_known(value))
        ltp_text_number(b, value, decimals);
}

lt_status lt_csv_level_row(const lt_level_row *row, bool head, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    if (head) {
        ltp_text_add(&b, "start_s,seconds,laeq_db,lceq_db,lzeq_db,lafmax_db,lafmin_db,lcpeak_db");
        for (size_t i = 0; i < row->band_count; i++) {
            const double hz = row->bands[i].nominal_hz;
            ltp_text_add(&b, ",leq_");
            ltp_text_number(&b, hz, fabs(hz - round(hz)) > 0.05 ? 1 : 0);
            ltp_text_add(&b, "_hz_db");
        }
        ltp_text_add(&b, "\n");
    }
    ltp_text_number(&b, row->start_s, 3);
    cell(&b, row->seconds, 3);
    const double levels[] = {row->laeq_db, row->lceq_db, row->lzeq_db, row->lafmax_db, row->lafmin_db, row->lcpeak_db};
    for (size_t i = 0; i < sizeof levels / sizeof levels[0]; i++)
        cell(&b, levels[i], 2);
    for (size_t i = 0; i < row->band_count; i++)
        cell(&b, row->band_leq_db[i], 2);
    ltp_text_add(&b, "\n");
    return ltp_text_take(&b, out, err);
}
