/* SPDX-License-Identifier: MIT
 * Writes the report of a fixture: make_report KIND OUT.html SCRATCH [GNUPLOT]. For the browser check. */
#include "report_fixture.h"

#include <stdio.h>
#include <string.h>

static int write_report(report_fixture_kind kind, const char *path, const lt_report_options *opt)
{
    char *html = NULL;
    lt_error err = {0};
    report_fixture f = report_fixture_make(kind);
    const lt_status status = lt_report_html(f.survey, f.results, opt, &html, &err);
    report_fixture_free(&f);
    if (status != LT_OK) {
        (void)fprintf(stderr, "make_report: %s\n", err.what);
        return 1;
    }
    FILE *file = fopen(path, "wb");
    const size_t length = strlen(html);
    bool written = file != NULL && fwrite(html, 1, length, file) == length;
    written = file != NULL && fclose(file) == 0 && written;
    lt_text_free(html);
    return written ? 0 : 1;
}

enum { LANES = 3, FINDINGS = 6 };

/* Three lanes, each with as many findings as a bad winter brings, in sentences as long as they come. */
static void fill_comparison(lt_visit_comparison *c, lt_compare_lane lanes[LANES])
{
    static const lt_finding_code codes[FINDINGS] = {LT_FINDING_OUTBOUND_LEVEL,   LT_FINDING_LANE_COUPLING,
                                                    LT_FINDING_MICROPHONE_LEVEL, LT_FINDING_HUM,
                                                    LT_FINDING_POLARITY,         LT_FINDING_MARGIN};
    for (unsigned i = 0; i < LANES; i++) {
        lt_compare_lane *l = &lanes[i];
        *l = (lt_compare_lane){.lane = i + 1, .name = "Beside the road", .figures_known = true};
        l->figures_before = (lt_tune_figures){.sii_outbound = 0.61,
                                              .sii_inbound = 0.48,
                                              .safe_margin_db = 9.2,
                                              .ear_dba = 74.3,
                                              .operator_dba = 66.0,
                                              .echo_telr_db = 31.0};
        l->figures_after = l->figures_before;
        l->figures_after.safe_margin_db = 4.1;
        for (; l->finding_count < FINDINGS; l->finding_count++) {
            lt_finding *f = &l->findings[l->finding_count];
            *f = (lt_finding){.code = codes[l->finding_count],
                              .kind = l->finding_count % 3 == 2 ? LT_FINDING_BETTER : LT_FINDING_WORSE,
                              .unit = "dB",
                              .change = -5.1,
                              .probability = 0.7};
            (void)snprintf(f->cause, sizeof f->cause,
                           "More of the lane speaker reaches the lane microphone: a hardened "
                           "or missing gasket, a loose panel, or a surface that is new.");
            (void)snprintf(f->next_step, sizeof f->next_step,
                           "Press on the panel and around both openings while the sweep plays; repeat the recording.");
            (void)snprintf(f->evidence, sizeof f->evidence,
                           "lane-coupling +5.1 dB (doubt 0.5 dB), outbound +0.0 dB: neither end explains it.");
        }
    }
    *c = (lt_visit_comparison){.lanes = lanes, .lane_count = LANES};
    (void)snprintf(c->before.date, sizeof c->before.date, "2024-05-14");
}

int main(int argc, char **argv)
{
    if (argc < 4) {
        (void)fprintf(stderr, "use: make_report KIND OUT.html SCRATCH [GNUPLOT]\n");
        return 2;
    }
    static lt_compare_lane lanes[LANES];
    lt_visit_comparison since;
    lt_report_options opt = {.version = "0.0.0", .gnuplot = argc > 4 ? argv[4] : "gnuplot", .scratch = argv[3]};
    if (strcmp(argv[1], "two-visits") == 0) {
        fill_comparison(&since, lanes);
        opt.since = &since;
        return write_report(REPORT_THREE_LANES, argv[2], &opt);
    }
    for (int kind = 0; kind < REPORT_FIXTURE_COUNT; kind++)
        if (strcmp(argv[1], report_fixture_names[kind]) == 0)
            return write_report((report_fixture_kind)kind, argv[2], &opt);
    (void)fprintf(stderr, "make_report: no fixture %s\n", argv[1]);
    return 2;
}
