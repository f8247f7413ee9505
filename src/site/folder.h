/* SPDX-License-Identifier: MIT
 * Making folders, and texts that become YAML. */
#ifndef LTP_SITE_FOLDER_H
#define LTP_SITE_FOLDER_H

#include <lanetune/base.h>

/** Make a folder and those above it that are missing. One that is there is fine. */
LT_NODISCARD lt_status ltp_folder_make(const char *path, lt_error *err);
/** True if the folder is missing or holds nothing. */
bool ltp_folder_is_free(const char *path);

/** A text that grows; failed = memory ran out, and the text is useless. */
typedef struct {
    char *data;
    size_t used, room;
    bool failed;
} ltp_sheet;
void ltp_sheet_add(ltp_sheet *t, const char *format, ...) LT_PRINTF(2, 3);
/** In double quotes with YAML's escapes, so that any text comes back as it was. */
void ltp_sheet_quoted(ltp_sheet *t, const char *s);
/** "12.5", or "null" for NaN. */
void ltp_sheet_number(ltp_sheet *t, double x);
/** lt_file_save of the text; frees it in every case. */
LT_NODISCARD lt_status ltp_sheet_save(ltp_sheet *t, const char *path, lt_error *err);

#endif
