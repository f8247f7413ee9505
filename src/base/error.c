/* SPDX-License-Identifier: MIT
 * Status texts, and how the first cause of a failure is kept. */
#include "base/alloc.h"

#include <stdarg.h>
#include <stdio.h>

const char *lt_status_text(lt_status s)
{
    static const char *const texts[] = {
#define X(id, text) [id] = (text),
        LT_STATUS_MAP(X)
#undef X
    };
    const unsigned long i = (unsigned long)s; /* a negative value becomes a large one */
    return i < LTP_COUNT(texts) ? texts[i] : "unknown status";
}

/* One cause is one line, whatever a file name may hold. */
static void keep_on_one_line(char *text)
{
    for (; *text != '\0'; text++)
        if ((unsigned char)*text < 0x20 || *text == 0x7f)
            *text = ' ';
}

lt_status ltp_fail(lt_error *err, lt_status status, const char *format, ...)
{
    if (err == NULL || err->status != LT_OK)
        return status;
    va_list args;
    va_start(args, format);
    const int length = vsnprintf(err->what, sizeof err->what, format, args);
    va_end(args);
    if (length < 0)
        err->what[0] = '\0';
    keep_on_one_line(err->what);
    err->status = status;
    return status;
}

lt_status ltp_fail_nomem(lt_error *err, const char *what)
{
    return ltp_fail(err, LT_E_NOMEM, "out of memory: %s does not fit; close other programs or use a shorter recording",
                    what);
}
