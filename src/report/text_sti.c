/* SPDX-License-Identifier: MIT
 * Text of the Speech Transmission Index for a terminal, the answer in the first line. */
#include "report/text_build.h"

enum { NAME_WIDTH = 60 };

static void bands_table(ltp_textbuf *b, const lt_sti_result *r)
{
    const bool stipa = r->method == LT_STI_STIPA;
    ltp_text_add(b, "\n  band Hz     MTI   m at");
    if (stipa)
        ltp_text_add(b, " its two modulation frequencies\n");
    else
        ltp_text_add(b, " 0.63 Hz   1.25 Hz    2.5 Hz      5 Hz   12.5 Hz\n");
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        static const size_t shown[] = {0, 3, 6, 9, 13};
        ltp_text_column(b, r->bands[k].hz, 0, 9);
        ltp_text_column(b, r->bands[k].mti, 2, 8);
        ltp_text_add(b, "  ");
        for (size_t i = 0; i < (stipa ? LT_STIPA_MODULATIONS : sizeof shown / sizeof *shown); i++) {
            ltp_text_column(b, r->bands[k].mtf[stipa ? i : shown[i]].m, 2, stipa ? 7 : 10);
            if (stipa) {
                ltp_text_add(b, " (");
                ltp_text_number(b, r->bands[k].mtf[i].hz, 2);
                ltp_text_add(b, " Hz)");
            }
        }
        ltp_text_add(b, "\n");
    }
}

lt_status lt_text_sti(const lt_sti_result *r, const char *name, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "STI ");
    ltp_text_number(&b, r->sti, 2);
    ltp_text_format(&b, ": %s, category %s (%s%s)\n\n", r->label, r->category,
                    r->method == LT_STI_STIPA ? "STIPA" : "impulse response",
                    r->voice == LT_STI_FEMALE ? ", female voice of edition 4" : "");
    ltp_text_format(&b, "  %-16s", "file");
    ltp_text_name(&b, name, NAME_WIDTH);
    ltp_text_add(&b, "\n");
    if (r->method == LT_STI_STIPA) {
        ltp_text_row(&b, "evaluated", r->used_s, 1, "s");
        ltp_text_row(&b, "clock drift", r->drift_ppm, 0, "ppm (positive: the recording is the longer one)");
    }
    bands_table(&b, r);
    if (r->notes.count > 0)
        ltp_text_add(&b, "\n");
    ltp_text_notes(&b, "Note: ", &r->notes);
    return ltp_text_take(&b, out, err);
}
