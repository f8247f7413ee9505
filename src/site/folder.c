/* SPDX-License-Identifier: MIT
 * Making folders, and texts that become YAML. */
#include "site/folder.h"

#include "base/alloc.h"
#include "site/words.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

static lt_status fail_make(const char *path, int cause, lt_error *err)
{
    const char *why = cause == EACCES || cause == EPERM ? "access is denied; check the permissions"
                      : cause == ENOSPC                 ? "the disk is full; make room"
                      : cause == EROFS                  ? "the disk is write-protected; choose another place"
                      : cause == ENAMETOOLONG           ? "the name is too long; choose a shorter one"
                                                        : "check the path";
    return ltp_fail(err, LT_E_IO, "%s: the folder cannot be made: %s", path, why);
}

lt_status ltp_folder_make(const char *path, lt_error *err)
{
    char part[LTP_SITE_PATH_MAX];
    struct stat st;
    const size_t n = strlen(path);
    if (n == 0 || n >= sizeof part)
        return ltp_fail(err, LT_E_ARG, "%.100s: a folder name of 1 to %zu characters is needed", path, sizeof part - 1);
    memcpy(part, path, n + 1);
    for (size_t i = 1; i <= n; i++) {
        if (part[i] != '/' && part[i] != '\0')
            continue;
        const char kept = part[i];
        part[i] = '\0';
        if (mkdir(part, 0777) != 0 && errno != EEXIST)
            return fail_make(part, errno, err);
        part[i] = kept;
    }
    if (stat(path, &st) != 0 || !S_ISDIR(st.st_mode))
        return ltp_fail(err, LT_E_IO, "%s: a file of this name is in the way; choose another name", path);
    return LT_OK;
}

bool ltp_folder_is_free(const char *path)
{
    DIR *d = opendir(path);
    if (d == NULL)
        return errno == ENOENT;
    bool is_free = true;
    for (const struct dirent *e = readdir(d); e != NULL; e = readdir(d))
        is_free &= strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0;
    (void)closedir(d);
    return is_free;
}

void ltp_sheet_add(ltp_sheet *t, const char *format, ...)
{
    if (t->failed)
        return;
    for (int attempt = 0; attempt < 2; attempt++) {
        va_list args;
        va_start(args, format);
        const int n = vsnprintf(t->data == NULL ? NULL : t->data + t->used, t->room - t->used, format, args);
        va_end(args);
        if (n >= 0 && (size_t)n < t->room - t->used) {
            t->used += (size_t)n;
            return;
        }
        const size_t room = t->used + (size_t)(n < 0 ? 0 : n) + 4096;
        char *grown = n < 0 ? NULL : ltp_realloc(t->data, room, 1);
        if (grown == NULL)
            break;
        t->data = grown;
        t->room = room;
    }
    t->failed = true;
}

void ltp_sheet_quoted(ltp_sheet *t, const char *s)
{
    ltp_sheet_add(t, "\"");
    for (; *s != '\0'; s++) {
        const unsigned char c = (unsigned char)*s;
        if (c == '"' || c == '\\')
            ltp_sheet_add(t, "\\%c", c);
        else if (c < 0x20 || c == 0x7f)
            ltp_sheet_add(t, "\\x%02x", c);
        else
            ltp_sheet_add(t, "%c", c);
    }
    ltp_sheet_add(t, "\"");
}

/* Written without the C library's decimal point, which follows the locale: whole thousandths, exact for what a person
 * writes and fine enough for levels. */
void ltp_sheet_number(ltp_sheet *t, double x)
{
    if (!lt_is_known(x) || fabs(x) > 1e9) {
        ltp_sheet_add(t, "null");
        return;
    }
    const long long thousandths = llround(fabs(x) * 1000.0);
    ltp_sheet_add(t, "%s%lld", x < 0.0 && thousandths > 0 ? "-" : "", thousandths / 1000);
    if (thousandths % 1000 != 0) {
        char digits[8];
        (void)snprintf(digits, sizeof digits, "%03d", (int)(thousandths % 1000));
        for (size_t n = strlen(digits); n > 0 && digits[n - 1] == '0'; n--)
            digits[n - 1] = '\0';
        ltp_sheet_add(t, ".%s", digits);
    }
}

lt_status ltp_sheet_save(ltp_sheet *t, const char *path, lt_error *err)
{
    const lt_status st = t->failed ? ltp_fail_nomem(err, path) : lt_file_save(path, t->data, t->used, err);
    ltp_free(t->data);
    *t = (ltp_sheet){0};
    return st;
}
