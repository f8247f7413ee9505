/* SPDX-License-Identifier: MIT
 * Sound files in and out for the commands: the channel that is meant, and nothing overwritten by accident. */
#include "cli.h"

#include "base/alloc.h"

#include <string.h>
#include <sys/stat.h>

unsigned cli_channel(cli_args *a, const char *path, const char *channel_option, unsigned channels)
{
    if (cli_given(a, channel_option))
        return cli_count(a, channel_option, 1) - 1;
    if (channels > 1)
        lt_notes_add(&a->notes, "first-channel", "%s has %u channels; the first one is used, --%s chooses another",
                     path, channels, channel_option);
    return 0;
}

lt_status cli_load(cli_args *a, const char *path, const char *channel_option, lt_signal **out, lt_error *err)
{
    lt_audio_info info;
    const unsigned channel = cli_given(a, channel_option) ? cli_count(a, channel_option, 1) - 1 : 0;
    const lt_status status = lt_audio_load(path, channel, out, &info, err);
    if (status == LT_OK) {
        (void)cli_channel(a, path, channel_option, info.channels);
        lt_audio_note(path, &info, &a->notes);
    }
    return status;
}

lt_status cli_may_write(const cli_args *a, const char *path, lt_error *err)
{
    struct stat st;
    if (stat(path, &st) != 0 || !S_ISREG(st.st_mode) || st.st_size == 0 || cli_flag(a, "force"))
        return LT_OK; /* whatever else is wrong with the path shows when it is written */
    return ltp_fail(err, LT_E_ARG, "%s: this file is there already; give another name, or --force to replace it", path);
}

bool cli_same_file(const char *a, const char *b)
{
    struct stat sa, sb;
    return stat(a, &sa) == 0 && stat(b, &sb) == 0 && sa.st_dev == sb.st_dev && sa.st_ino == sb.st_ino;
}

lt_status cli_save_wav(cli_args *a, const char *path, const lt_signal *s, lt_audio_encoding encoding, lt_error *err)
{
    cli_hold_signals();
    const lt_status status = lt_audio_save(path, &s, 1, encoding, &a->notes, err);
    cli_release_signals();
    return status;
}

lt_status cli_save_text(const char *path, const char *text, lt_error *err)
{
    cli_hold_signals();
    const lt_status status = lt_file_save(path, text, strlen(text), err);
    cli_release_signals();
    return status;
}

lt_status cli_join(char *out, size_t bytes, const char *dir, const char *name, lt_error *err)
{
    const size_t length = strlen(dir);
    const char *slash = length > 0 && dir[length - 1] == '/' ? "" : "/";
    const int n = snprintf(out, bytes, "%s%s%s", dir, slash, name);
    if (n >= 0 && (size_t)n < bytes)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "%s: the path is too long; choose a shorter one", dir);
}
