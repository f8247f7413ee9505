/* SPDX-License-Identifier: MIT
 * What the sizes of a WAV header can mean, and a header in which they are right.
 * Source: RIFF WAVE as in EBU Tech 3285 (chunks: four letters, 32-bit size, content, padded to even length); EBU Tech
 * 3306 (RF64 with the chunk ds64) for more than 4 GiB. */
#include "audio/wav_sizes.h"
#include "base/alloc.h"

#include <inttypes.h>
#include <string.h>
#include <unistd.h>

enum { CHUNKS_MAX = 64, FORMAT_MIN = 16, FORMAT_MAX = 64, HEAD_MAX = 160, CHUNK_HEAD = 8 };
static const uint64_t four_gib = UINT64_C(1) << 32;

struct ltp_wav_view {
    int fd;
    unsigned char head[HEAD_MAX];
    uint64_t head_bytes;
    uint64_t data_at, data_bytes; /* in the file */
    uint64_t at;                  /* of the view */
    bool was_wrong, rf64;
};

/* What the header says. */
typedef struct {
    unsigned char format[FORMAT_MAX];
    size_t format_bytes; /* 0: no format chunk before the samples */
    uint64_t data_at, data_bytes;
    bool wide;      /* data_bytes has 64 bits: it does not wrap */
    bool rf64, odd; /* odd: a chunk before the samples has an odd size and is padded */
} header;

static bool read_at(int fd, uint64_t at, void *to, size_t bytes)
{
    return pread(fd, to, bytes, (off_t)at) == (ssize_t)bytes;
}

static uint64_t number(const unsigned char *p, size_t bytes)
{
    uint64_t value = 0;
    for (size_t i = bytes; i > 0; i--)
        value = value << 8 | p[i - 1];
    return value;
}

static bool is_named(const unsigned char *p, const char *name)
{
    return memcmp(p, name, 4) == 0;
}

/* Chunks up to the one with the samples. False: no WAV, or not one that makes sense. */
static bool read_header(int fd, header *h)
{
    unsigned char head[12];
    uint64_t at = sizeof head, large = 0;
    *h = (header){.format_bytes = 0};
    if (!read_at(fd, 0, head, sizeof head) || !(is_named(head, "RIFF") || is_named(head, "RF64")) ||
        !is_named(head + 8, "WAVE"))
        return false;
    h->rf64 = is_named(head, "RF64");
    for (int i = 0; i < CHUNKS_MAX && read_at(fd, at, head, CHUNK_HEAD); i++) {
        const uint64_t size = number(head + 4, 4);
        const bool data = is_named(head, "data"), ds64 = is_named(head, "ds64"), format = is_named(head, "fmt ");
        at += CHUNK_HEAD;
        if (data) {
            h->data_at = at;
            h->wide = h->wide && size == UINT32_MAX;
            h->data_bytes = !h->wide ? size : large == UINT64_MAX ? 0 : large;
            return h->format_bytes > 0;
        }
        if (ds64 && size >= 16 && read_at(fd, at + 8, head, 8)) {
            large = number(head, 8);
            h->wide = true;
        }
        if (format && size >= FORMAT_MIN && size <= FORMAT_MAX && read_at(fd, at, h->format, (size_t)size))
            h->format_bytes = (size_t)size;
        h->odd = h->odd || (size & 1U) != 0;
        at += size + (size & 1U);
    }
    return false;
}

static bool is_letter(unsigned char c)
{
    return c >= 0x20 && c < 0x7f;
}

/* Whether the file goes on with whole chunks, or with nothing, from `at` to its end. */
static bool is_tail(int fd, uint64_t at, uint64_t bytes)
{
    unsigned char head[CHUNK_HEAD];
    for (int i = 0; i < CHUNKS_MAX && at + CHUNK_HEAD <= bytes; i++) {
        if (!read_at(fd, at, head, sizeof head))
            return false;
        for (size_t k = 0; k < 4; k++)
            if (!is_letter(head[k]))
                return false;
        const uint64_t size = number(head + 4, 4);
        at += CHUNK_HEAD + size + (size & 1U);
    }
    return at >= bytes ? at <= bytes + 1 : bytes - at < 2; /* the last padding is often left out */
}

/* Sizes that were never filled in: 0, or about the largest number that 32 or 31 bits hold. */
static bool is_unset(uint64_t size)
{
    static const uint64_t around = 65536;
    return size == 0 || (size <= UINT32_MAX && size > UINT32_MAX - around) ||
           (size <= UINT64_C(0x80000000) && size > UINT64_C(0x80000000) - around);
}

typedef enum { AS_WRITTEN, REBUILT, UNCLEAR } meaning;

/* *data_bytes: what the size means. */
static meaning judge(int fd, uint64_t bytes, const header *h, uint64_t *data_bytes)
{
    const uint64_t have = bytes - h->data_at, said = h->data_bytes;
    *data_bytes = said;
    if (said >= have || is_tail(fd, h->data_at + said + (said & 1U), bytes))
        return AS_WRITTEN; /* a file that is cut off is libsndfile's to tell */
    for (uint64_t size = said + four_gib; !h->wide && size <= have; size += four_gib)
        if (is_tail(fd, h->data_at + size + (size & 1U), bytes) || size == have) {
            *data_bytes = size;
            return REBUILT;
        }
    if (is_unset(said)) {
        *data_bytes = have;
        return REBUILT;
    }
    return have > four_gib && !h->wide ? UNCLEAR : AS_WRITTEN;
}

static void put(ltp_wav_view *v, uint64_t value, size_t bytes)
{
    for (size_t i = 0; i < bytes; i++)
        v->head[v->head_bytes++] = (unsigned char)(value >> (8 * i) & 0xff);
}

static void put_bytes(ltp_wav_view *v, const void *from, size_t bytes)
{
    memcpy(v->head + v->head_bytes, from, bytes);
    v->head_bytes += bytes;
}

/* The shortest header with the right sizes: RF64 where 32 bits do not hold them. */
static void write_head(ltp_wav_view *v, const header *h)
{
    const bool large = v->data_bytes >= four_gib - HEAD_MAX;
    const uint64_t format = (uint64_t)CHUNK_HEAD + h->format_bytes + (h->format_bytes & 1U);
    const uint64_t ds64 = large ? CHUNK_HEAD + 28 : 0;
    const uint64_t rest = 4 + ds64 + format + CHUNK_HEAD + v->data_bytes; /* behind the first 8 bytes */
    put_bytes(v, large ? "RF64" : "RIFF", 4);
    put(v, large ? UINT32_MAX : rest, 4);
    put_bytes(v, "WAVE", 4);
    if (large) {
        put_bytes(v, "ds64", 4);
        put(v, 28, 4);
        put(v, rest, 8);
        put(v, v->data_bytes, 8);
        put(v, 0, 8); /* frames: not needed */
        put(v, 0, 4);
    }
    put_bytes(v, "fmt ", 4);
    put(v, h->format_bytes, 4);
    put_bytes(v, h->format, h->format_bytes);
    put(v, 0, h->format_bytes & 1U);
    put_bytes(v, "data", 4);
    put(v, large ? UINT32_MAX : v->data_bytes, 4);
}

lt_status ltp_wav_look(const char *path, int fd, uint64_t bytes, ltp_wav_view **out, lt_error *err)
{
    header h;
    uint64_t data_bytes = 0;
    *out = NULL;
    if (!read_header(fd, &h) || h.data_at > bytes)
        return LT_OK;
    const meaning m = judge(fd, bytes, &h, &data_bytes);
    if (m == AS_WRITTEN && !(h.rf64 && h.odd && data_bytes <= bytes - h.data_at))
        return LT_OK;
    if (m == UNCLEAR)
        return ltp_fail(err, LT_E_FORMAT,
                        "%s: its header counts %" PRIu64 " bytes of sound, and %" PRIu64
                        " follow, more than a WAV can count; export it as RF64 or W64, or in parts under 4 GiB",
                        path, h.data_bytes, bytes - h.data_at);
    ltp_wav_view *v = ltp_alloc(1, sizeof *v);
    if (v == NULL)
        return ltp_fail_nomem(err, path);
    v->fd = fd;
    v->data_at = h.data_at;
    v->data_bytes = data_bytes;
    v->was_wrong = m != AS_WRITTEN;
    v->rf64 = h.rf64;
    write_head(v, &h);
    *out = v;
    return LT_OK;
}

bool ltp_wav_view_was_wrong(const ltp_wav_view *v)
{
    return v->was_wrong;
}

int ltp_wav_view_container(const ltp_wav_view *v)
{
    return v->rf64 ? SF_FORMAT_RF64 : SF_FORMAT_WAV;
}

void ltp_wav_view_free(ltp_wav_view *v)
{
    ltp_free(v);
}

/* ---- what libsndfile calls ---- */

static sf_count_t view_length(void *user)
{
    const ltp_wav_view *v = user;
    return (sf_count_t)(v->head_bytes + v->data_bytes);
}

static sf_count_t view_seek(sf_count_t offset, int whence, void *user)
{
    ltp_wav_view *v = user;
    const sf_count_t from = whence == SEEK_CUR ? (sf_count_t)v->at : whence == SEEK_END ? view_length(v) : 0;
    if (from + offset < 0)
        return -1;
    v->at = (uint64_t)(from + offset);
    return from + offset;
}

static sf_count_t view_read(void *to, sf_count_t count, void *user)
{
    ltp_wav_view *v = user;
    unsigned char *p = to;
    sf_count_t done = 0;
    while (done < count && v->at < v->head_bytes) {
        p[done++] = v->head[v->at++];
    }
    while (done < count) {
        const uint64_t passed = v->at - v->head_bytes;
        if (passed >= v->data_bytes)
            break;
        const uint64_t left = v->data_bytes - passed;
        const size_t wanted = left < (uint64_t)(count - done) ? (size_t)left : (size_t)(count - done);
        const ssize_t n = pread(v->fd, p + done, wanted, (off_t)(v->data_at + passed));
        if (n <= 0)
            break;
        v->at += (uint64_t)n;
        done += n;
    }
    return done;
}

static sf_count_t view_write(const void *from, sf_count_t count, void *user)
{
    (void)from;
    (void)count;
    (void)user;
    return 0;
}

static sf_count_t view_tell(void *user)
{
    const ltp_wav_view *v = user;
    return (sf_count_t)v->at;
}

SNDFILE *ltp_wav_view_open(ltp_wav_view *v, SF_INFO *info)
{
    SF_VIRTUAL_IO io = {view_length, view_seek, view_read, view_write, view_tell};
    return sf_open_virtual(&io, SFM_READ, info, v);
}
