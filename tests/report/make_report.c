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

int main(int argc, char **argv)
{
    if (argc < 4) {
        (void)fprintf(stderr, "use: make_report KIND OUT.html SCRATCH [GNUPLOT]\n");
        return 2;
    }
    const lt_report_options opt = {.version = "0.0.0", .gnuplot = argc > 4 ? argv[4] : "gnuplot", .scratch = argv[3]};
    for (int kind = 0; kind < REPORT_FIXTURE_COUNT; kind++)
        if (strcmp(argv[1], report_fixture_names[kind]) == 0)
            return write_report((report_fixture_kind)kind, argv[2], &opt);
    (void)fprintf(stderr, "make_report: no fixture %s\n", argv[1]);
    return 2;
}
