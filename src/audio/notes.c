/* SPDX-License-Identifier: MIT
 * What a header got wrong, as notes. */
#include <lanetune/audio.h>

#include <string.h>

enum { NAME_BYTES = 96 }; /* so that the sentence behind it fits into a note */

/* The end of a long path tells more than its beginning; never from within a UTF-8 character. */
static const char *end_of(const char *path)
{
    const size_t length = strlen(path);
    if (length <= NAME_BYTES)
        return path;
    path += length - NAME_BYTES;
    while (((unsigned char)*path & 0xC0U) == 0x80U)
        path++;
    return path;
}

void lt_audio_note(const char *path, const lt_audio_info *info, lt_notes *notes)
{
    const char *name = end_of(path);
    const char *cut = name == path ? "" : "...";
    if (info->truncated)
        lt_notes_add(notes, "truncated-file",
                     "%s%s is shorter than its header says: the recorder was interrupted or the copy is incomplete; "
                     "what is there was read",
                     cut, name);
    if (info->sizes_wrong)
        lt_notes_add(notes, "header-sizes",
                     "%s%s: its header does not tell its length (the recorder was stopped, or went on past the 4 GiB "
                     "that a WAV can count); all of the file was read, %.1f s of it",
                     cut, name, (double)info->frames / info->rate_hz);
}
