/* SPDX-License-Identifier: MIT
 * Faults in recordings as JSON: all files in one object, or one line a file. */
#include "base/alloc.h"
#include "report/json_build.h"

#include <stdlib.h>
#include <string.h>

static json_t *fault_object(ltp_json *j, const lt_fault *f)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "code", ltp_json_text(lt_fault_code_name(f->code)));
    ltp_json_put(j, o, "severity", ltp_json_text(lt_severity_name(f->severity)));
    ltp_json_put(j, o, "channel", f->channel > 0 ? json_integer((json_int_t)f->channel) : json_null());
    ltp_json_put(j, o, "at_s", ltp_json_number(f->at_s, 3));
    ltp_json_put(j, o, "message", ltp_json_text(f->message));
    return o;
}

static json_t *file_notes(ltp_json *j, const lt_scanned *file)
{
    lt_notes notes = {.count = 0};
    if (file->failure == NULL)
        lt_audio_note(file->path, &file->info, &notes);
    return ltp_json_notes(j, &notes, NULL);
}

static json_t *file_object(ltp_json *j, const lt_scanned *file)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "path", ltp_json_text(file->path));
    ltp_json_put(j, o, "seconds", ltp_json_number(file->seconds, LTP_DECIMALS_S));
    ltp_json_put(j, o, "channels",
                 file->info.channels > 0 ? json_integer((json_int_t)file->info.channels) : json_null());
    json_t *faults = json_array();
    for (size_t i = 0; i < file->faults.count; i++)
        ltp_json_append(j, faults, fault_object(j, &file->faults.items[i]));
    ltp_json_put(j, o, "faults", faults);
    ltp_json_put(j, o, "notes", file_notes(j, file));
    if (file->doubt != NULL)
        ltp_json_put(j, o, "doubt", ltp_json_text(file->doubt));
    if (file->failure != NULL)
        ltp_json_put(j, o, "failure", ltp_json_text(file->failure));
    return o;
}

lt_status lt_json_scan(const lt_json_head *h, const lt_scanned *const *files, size_t count, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    json_t *list = json_array();
    json_t *warnings = ltp_json_notes(&j, h->warnings, NULL);
    for (size_t i = 0; i < count; i++) {
        json_t *notes = file_notes(&j, files[i]);
        if (json_array_extend(warnings, notes) != 0)
            j.failed = true;
        json_decref(notes);
        ltp_json_append(&j, list, file_object(&j, files[i]));
    }
    ltp_json_put(&j, result, "files", list);
    return ltp_json_wrap(&j, h, warnings, result, out, err);
}

lt_status lt_json_scan_line(const lt_scanned *file, char **out, lt_error *err)
{
    ltp_json j = {0};
    char *pretty = NULL;
    *out = NULL;
    const lt_status st = ltp_json_print(&j, file_object(&j, file), &pretty, err);
    if (st != LT_OK)
        return st;
    /* Line breaks and indentation stand between tokens only: inside a string JSON has none. */
    size_t to = 0;
    for (size_t i = 0; pretty[i] != '\0'; i++) {
        if (pretty[i] == '\n') {
            while (pretty[i + 1] == ' ')
                i++;
            continue;
        }
        pretty[to++] = pretty[i];
    }
    pretty[to++] = '\n';
    pretty[to] = '\0';
    *out = pretty;
    return LT_OK;
}
