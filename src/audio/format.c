/* SPDX-License-Identifier: MIT
 * Names of file formats and sample encodings, after the format numbers of libsndfile. */
#include "audio/format.h"
#include "base/alloc.h"

#include <sndfile.h>
#include <stdio.h>

typedef struct {
    int id;
    const char *name;
} named;

static const named containers[] = {
    {SF_FORMAT_WAV, "WAV"},   {SF_FORMAT_WAVEX, "WAV"}, {SF_FORMAT_RF64, "RF64"}, {SF_FORMAT_W64, "W64"},
    {SF_FORMAT_AIFF, "AIFF"}, {SF_FORMAT_AU, "AU"},     {SF_FORMAT_CAF, "CAF"},   {SF_FORMAT_FLAC, "FLAC"},
    {SF_FORMAT_OGG, "OGG"},   {SF_FORMAT_MPEG, "MPEG"}, {SF_FORMAT_SVX, "IFF"},   {SF_FORMAT_NIST, "NIST"},
    {SF_FORMAT_VOC, "VOC"},
};

static const named encodings[] = {
    {SF_FORMAT_PCM_S8, "8 bit PCM"},    {SF_FORMAT_PCM_U8, "8 bit PCM"},  {SF_FORMAT_PCM_16, "16 bit PCM"},
    {SF_FORMAT_PCM_24, "24 bit PCM"},   {SF_FORMAT_PCM_32, "32 bit PCM"}, {SF_FORMAT_FLOAT, "32 bit float"},
    {SF_FORMAT_DOUBLE, "64 bit float"}, {SF_FORMAT_ULAW, "mu-law"},       {SF_FORMAT_ALAW, "A-law"},
    {SF_FORMAT_IMA_ADPCM, "IMA ADPCM"}, {SF_FORMAT_MS_ADPCM, "MS ADPCM"}, {SF_FORMAT_GSM610, "GSM 06.10"},
    {SF_FORMAT_VORBIS, "Vorbis"},       {SF_FORMAT_OPUS, "Opus"},         {SF_FORMAT_MPEG_LAYER_III, "layer 3"},
};

static const char *find(const named *list, size_t count, int id, const char *otherwise)
{
    for (size_t i = 0; i < count; i++)
        if (list[i].id == id)
            return list[i].name;
    return otherwise;
}

void ltp_format_text(int format, char *text, size_t size)
{
    (void)snprintf(text, size, "%s, %s",
                   find(containers, LTP_COUNT(containers), format & SF_FORMAT_TYPEMASK, "other container"),
                   find(encodings, LTP_COUNT(encodings), format & SF_FORMAT_SUBMASK, "other coding"));
}

unsigned ltp_format_bits(int format)
{
    switch (format & SF_FORMAT_SUBMASK) {
    case SF_FORMAT_PCM_S8:
    case SF_FORMAT_PCM_U8:
        return 8;
    case SF_FORMAT_PCM_16:
        return 16;
    case SF_FORMAT_PCM_24:
        return 24;
    case SF_FORMAT_PCM_32:
        return 32;
    default:
        return 0;
    }
}
