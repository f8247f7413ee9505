/* SPDX-License-Identifier: MIT
 * Faults in recordings for a terminal: the tally first, then each file with what it has. */
#include "report/text_build.h"

#include <math.h>

enum { NAME_WIDTH = 66 };

static void add_fault(ltp_textbuf *b, const lt_fault *f, unsigned channels)
{
    ltp_text_format(b, "  %-7s  %-16s ", lt_severity_name(f->severity), lt_fault_code_name(f->code));
    if (lt_is_known(f->at_s)) {
        ltp_text_add(b, "from ");
        ltp_text_number(b, f->at_s, 2);
        ltp_text_add(b, " s");
    } else {
        ltp_text_add(b, "all of it");
    }
    if (channels > 1 && f->channel > 0)
        ltp_text_format(b, ", channel %u", f->channel);
    ltp_text_add(b, "\n");
    ltp_text_wrap(b, "           ", f->message);
}

static void add_file(ltp_textbuf *b, const lt_scanned *file)
{
    lt_notes notes = {.count = 0};
    ltp_text_add(b, "\n");
    ltp_text_name(b, file->path, NAME_WIDTH);
    if (file->failure != NULL) {
        ltp_text_add(b, "\n");
        ltp_text_wrap(b, "  not read  ", file->failure);
        return;
    }
    ltp_text_add(b, "  ");
    ltp_text_number(b, file->seconds, 1);
    ltp_text_add(b, " s\n");
    if (file->faults.count == 0)
        ltp_text_add(b, "  no fault found\n");
    lt_audio_note(file->path, &file->info, &notes);
    ltp_text_notes(b, "  note     ", &notes);
    if (file->doubt != NULL)
        ltp_text_wrap(b, "  doubt    ", file->doubt);
    for (size_t i = 0; i < file->faults.count; i++)
        add_fault(b, &file->faults.items[i], file->info.channels);
}

lt_status lt_text_scan(const lt_scanned *const *files, size_t count, char **out, lt_error *err)
{
    ltp_textbuf b;
    size_t errors = 0, warnings = 0, unread = 0, wrong = 0;
    for (size_t i = 0; i < count; i++) {
        const lt_severity worst = lt_faults_worst(&files[i]->faults);
        errors += worst == LT_SEVERITY_ERROR;
        warnings += worst == LT_SEVERITY_WARNING;
        unread += files[i]->failure != NULL;
        wrong += files[i]->failure == NULL && (files[i]->info.truncated || files[i]->info.sizes_wrong);
    }
    ltp_text_init(&b, 0);
    ltp_text_format(&b, "%zu recording%s: ", count, count == 1 ? "" : "s");
    if (errors + warnings + unread == 0) {
        ltp_text_add(&b, "nothing that needs attention");
    } else {
        ltp_text_format(&b, "%zu with errors, %zu with warnings only", errors, warnings);
        if (unread > 0)
            ltp_text_format(&b, ", %zu not readable", unread);
    }
    if (wrong > 0)
        ltp_text_format(&b, ", %zu with a wrong header", wrong);
    ltp_text_add(&b, "\n");
    for (size_t i = 0; i < count; i++)
        add_file(&b, files[i]);
    return ltp_text_take(&b, out, err);
}
