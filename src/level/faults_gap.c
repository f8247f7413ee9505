/* SPDX-License-Identifier: MIT
 * Dropouts: sound that breaks off within a moment and comes back as suddenly.
 *
 * Sub-blocks of half a millisecond. A gap begins where a sub-block holds nothing (34 dB below the last 10 ms), while
 * the 10 ms before it were not much weaker than the 40 ms before and above the noise of a converter, or only one and
 * the same value, be it in the faintest noise: a run of equal samples that would not come by chance once in a billion
 * times, by how often equal steps follow each other in the 40 ms on either side. It must end as suddenly as it began:
 * the last and the first millisecond beside it move as the 40 ms do, while speech, rooms and edited silence fade over
 * many milliseconds. Silence at the start does not count; silence up to the end is a channel that died. Tones that stop
 * and start on purpose (beeps, dialling) are told by being tones, and short ones.
 *
 * How grave? Editors, noise gates, voice switches and players leave such gaps too, where sound has fallen or where one
 * sound ends and another begins. A loss may strike anywhere: what no edit explains is a gap of a few packets (they are
 * 10 to 30 ms long) with sound at its usual level on both sides that goes on as it was, or a value that is held. These
 * must be at least half of all gaps; longer ones in loud sound are only likely losses. Levels in dBFS; full scale
 * = 1.0. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/predict.h"

#include <string.h>

enum { BEFORE = 20, LONG_BEFORE = 80, RING_MS = 24, RING_BLOCKS = 48, KEPT = 256 };
static const double block_s = 0.0005;
static const double shortest_s = 0.0015, shortest_held_s = 0.004;
static const double silent_part = 0.02; /* of the RMS of the last 10 ms */
static const double changed_part =
    0.1; /* from sample to sample, re before: something slow that crosses zero changes on */
static const double faded_part = 0.15;        /* 10 ms against 40 ms: less than that, and it had faded */
static const double least_rms = 0.0007;       /* about -60 dBFS */
static const double by_chance = 20.7;         /* ln of a billion */
static const double return_part = 0.1;        /* after the gap, re before */
enum { RETURN_SHORT = 20, RETURN_LONG = 80 }; /* sub-blocks: 10 and 40 ms, as before the gap */
enum { EDGE = 3 };                            /* sub-blocks: the last one may hold the step */
/* Steps from sample to sample in the last and first 1.5 ms, re those of 40 ms: a fade of 10 ms leaves a tenth. */
static const double edge_least = 0.1, edges_least = 0.3; /* each; both, geometric mean */
/* Of a brief hole of equal samples, which nobody fades: between two pulses of a voice, steps are as small as that. */
static const double edge_least_brief = 0.03, edges_least_brief = 0.1;
static const double near_least = 0.4;
static const double held_most = 3.0;  /* a held value, re the RMS before */
static const double jump_part = 0.15; /* by which a held value is left */
/* RMS steps from sample to sample that a held value must have lasted, re the RMS before: the crests of something slow
 * (wind, rumble) stay on one value of a coarse coding for a while, and are left by a jump. */
static const double held_moves = 2.0;
/* One that lasted so long is no crest of anything: it is left for a pause as well, by half of itself. */
static const double held_long = 40.0, held_off = 0.5;
static const double test_rate_hz = 8000.0;
static const double died_s = 1.0;
static const double floor_part = 0.3; /* a dead channel is quieter than all pauses before were */
/* A tone that lasted less before a longer silence is a beep; before a much longer one, any tone is. */
static const double beep_gap_s = 0.025, beep_s = 1.2, beep_pause_s = 0.25;
static const double tonal_strictly = 1e-4;
static const double tonal = 1.6e-3; /* what a prediction leaves: tones in mu-law -33 dB, voices seldom under -28 dB */
/* Surely lost: so short, so loud on both sides, re the level that 5 % of the time exceed, and so much alike. */
static const double brief_s = 0.062, loud_db = -15.0, alike = 1.5;
/* Likely lost: after a while of sound, in loud sound or out of the midst of it; or longer, in the midst of it. */
static const double while_s = 0.25, likely_s = 0.25, rather_loud_db = -20.0, midst_db = -6.0, long_while_s = 1.0,
                    long_midst_db = -8.0;

typedef enum { SOUND, QUIET, RETURNING } state;

typedef struct {
    double at_s, length_s, sound_s; /* sound lasted so long before it */
    double before_db, after_db;     /* 10 ms on either side, dBFS */
    double unlike;                  /* ltp_unlikeness() of 24 ms on either side */
    bool held;
} hole;

/* One sub-block, or the sum of several. */
typedef struct {
    double square, change; /* mean square; sum of the squared steps from sample to sample */
    uint64_t equal, pairs; /* steps of nothing, and those that follow another */
} piece;

struct ltp_gap {
    double rate_hz;
    size_t block, in_block;
    double low, high;
    piece here, ring[LONG_BEFORE];
    double last_x;
    bool last_equal;
    double extreme; /* largest |sample| so far */
    size_t blocks;  /* since the sound began */
    uint64_t frames;
    double *last, *newest; /* [RING_MS] audio before the gap, and since it began; rings */
    size_t last_count, last_at, newest_at;
    double *straight; /* [RING_MS] scratch */

    state now;
    double before_rms, before_step; /* before_step: RMS difference from sample to sample */
    bool exact, faint;              /* one value all the time; nothing, or as good as nothing, after sound */
    bool held;                      /* held: a value that is not nothing */
    piece around, back;
    uint64_t gap_start, gap_end;
    double sound_s; /* sound lasted so long before the gap */
    uint64_t sound_start;
    double back_edge, back_nearest, back_short, entry;
    double unlike;
    double held_value;
    double quiet_energy; /* in the gap */
    size_t quiet_blocks;
    double floor_rms; /* the quietest 40 ms so far, once something was heard */
    bool heard;
    size_t back_blocks;

    hole kept[KEPT]; /* the first ones */
    size_t count, held_count;
    double longest_s, total_s, shortest_seen_s;
};

void ltp_gap_free(ltp_gap *d)
{
    if (d == NULL)
        return;
    ltp_free(d->last);
    ltp_free(d->newest);
    ltp_free(d->straight);
    ltp_free(d);
}

lt_status ltp_gap_create(double rate_hz, ltp_gap **out, lt_error *err)
{
    *out = NULL;
    ltp_gap *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for dropouts");
    d->rate_hz = rate_hz;
    d->block = (size_t)fmax(2.0, round(block_s * rate_hz));
    d->last_count = (size_t)round(RING_MS * 1e-3 * rate_hz);
    d->last = ltp_alloc(d->last_count, sizeof *d->last);
    d->newest = ltp_alloc(d->last_count, sizeof *d->newest);
    d->straight = ltp_alloc(d->last_count, sizeof *d->straight);
    d->low = d->floor_rms = INFINITY;
    d->high = -INFINITY;
    if (d->last == NULL || d->newest == NULL || d->straight == NULL) {
        ltp_gap_free(d);
        return ltp_fail_nomem(err, "the search for dropouts");
    }
    *out = d;
    return LT_OK;
}

static double rms_of_last(const ltp_gap *d, size_t count)
{
    const size_t n = d->blocks < count ? d->blocks : count;
    double sum = 0.0;
    for (size_t i = 1; i <= n; i++)
        sum += d->ring[(d->blocks - i) % LONG_BEFORE].square;
    return n > 0 ? sqrt(sum / (double)n) : 0.0;
}

static void add_piece(piece *sum, const piece *p)
{
    sum->square += p->square;
    sum->change += p->change;
    sum->equal += p->equal;
    sum->pairs += p->pairs;
}

static piece sum_of_last(const ltp_gap *d, size_t count)
{
    const size_t n = d->blocks < count ? d->blocks : count;
    piece sum = {0};
    for (size_t i = 1; i <= n; i++)
        add_piece(&sum, &d->ring[(d->blocks - i) % LONG_BEFORE]);
    return sum;
}

/* Of a ring, without `skip` samples at its beginning and end. */
static void products_of(const ltp_gap *d, const double *ring, size_t at, size_t skip_first, size_t skip_last,
                        ltp_products *p)
{
    const size_t stride = (size_t)fmax(1.0, d->rate_hz / test_rate_hz); /* aliases of a tone are tones */
    memcpy(d->straight, ring + at, (d->last_count - at) * sizeof *ring);
    memcpy(d->straight + d->last_count - at, ring, at * sizeof *ring);
    ltp_products_of(d->straight + skip_first, d->last_count - skip_first - skip_last, stride, p);
}

/* The last but one sub-block before the gap may hold the edge. */
static void products_before(const ltp_gap *d, ltp_products *p)
{
    products_of(d, d->last, d->last_at, 0, 2 * d->block, p);
}

static bool is_tone(const ltp_gap *d, double most)
{
    ltp_products p;
    products_before(d, &p);
    return ltp_unpredicted(&p) < most;
}

static void start_gap(ltp_gap *d, double before, double step)
{
    d->now = QUIET;
    d->before_rms = before;
    d->before_step = step;
    d->gap_start = d->frames - d->block;
    d->gap_end = d->frames;
    d->sound_s = (double)(d->gap_start - d->sound_start) / d->rate_hz;
    d->back = (piece){0};
    d->back_blocks = 0;
    d->held_value = d->high;
    d->quiet_energy = 0.0;
    d->quiet_blocks = 0;
}

static void count_gap(ltp_gap *d)
{
    const double length_s = (double)(d->gap_end - d->gap_start) / d->rate_hz;
    const double at_s = (double)d->gap_start / d->rate_hz;
    if (length_s < (d->held ? shortest_held_s : shortest_s))
        return;
    const bool moves = (double)(d->gap_end - d->gap_start) * d->before_step >= held_moves * d->before_rms;
    if (d->held && (!moves || fabs(d->held_value) >= d->extreme)) /* at its extreme it is an overload */
        return;
    if (length_s < shortest_held_s && d->quiet_energy > 0.0)
        return; /* tones that cancel for a moment */
    if (length_s > beep_gap_s && (d->sound_s < beep_s || length_s > beep_pause_s) && is_tone(d, tonal))
        return;
    if (d->count < KEPT)
        d->kept[d->count] = (hole){.at_s = at_s,
                                   .length_s = length_s,
                                   .sound_s = d->sound_s,
                                   .before_db = lt_dbfs_from_rms(d->before_rms),
                                   .after_db = lt_dbfs_from_rms(d->back_short),
                                   .unlike = d->unlike,
                                   .held = d->held};
    d->count++;
    d->held_count += d->held;
    d->longest_s = fmax(d->longest_s, length_s);
    d->shortest_seen_s = d->count == 1 ? length_s : fmin(d->shortest_seen_s, length_s);
    d->total_s += length_s;
}

static void sound_again(ltp_gap *d)
{
    double *older = d->last;
    d->now = SOUND;
    d->sound_start = d->gap_end;
    d->blocks = 0;
    d->last = d->newest;
    d->last_at = d->newest_at;
    d->newest = older;
}

/* Are so many equal samples more than chance, where equal steps follow each other as in `p`? */
static bool is_no_chance(double samples, const piece *p)
{
    return samples * log(((double)p->equal + 2.0) / ((double)p->pairs + 1.0)) > by_chance;
}

/* Steps of EDGE sub-blocks re those of `count`, or of the nearest 10 ms, of which a fade of 10 ms leaves a sixth: a
 * hole may end in a pause just before the next word. All are sums. */
static double edge_of(double change, double nearest, double all, size_t count)
{
    const double part = sqrt(change / EDGE / (all / (double)count + 1e-30));
    const double near = sqrt(change / EDGE / (nearest / BEFORE + 1e-30));
    return fmin(1.0, fmax(part, near > near_least ? near : 0.0));
}

/* Does a gap begin with this sub-block? */
static void listen(ltp_gap *d, double size, bool constant)
{
    const double before = rms_of_last(d, BEFORE), longer = rms_of_last(d, LONG_BEFORE);
    if (before > least_rms)
        d->heard = true;
    if (d->heard && d->blocks >= LONG_BEFORE)
        d->floor_rms = fmin(d->floor_rms, longer);
    const piece all = sum_of_last(d, LONG_BEFORE);
    const double changes = sum_of_last(d, BEFORE).change / BEFORE;
    const bool sudden = d->blocks >= BEFORE && before > least_rms && before > faded_part * longer;
    const bool nothing = size < silent_part * before;
    const bool faint = sudden && nothing && d->here.change < changed_part * changed_part * changes;
    const bool exact = constant && d->blocks >= BEFORE && size < held_most * before;
    if (!faint && !exact)
        return;
    start_gap(d, before, sqrt(changes / (double)(d->block - 1)));
    d->exact = exact;
    d->faint = faint;
    d->held = !nothing;
    d->around = all;
    d->entry = edge_of(sum_of_last(d, EDGE).change, exact ? changes * BEFORE : (double)INFINITY, all.change,
                       d->blocks < LONG_BEFORE ? d->blocks : LONG_BEFORE);
}

/* The run of equal samples ends with this sub-block: the end of a gap, or sound all the time? */
static void end_run(ltp_gap *d)
{
    const uint64_t length = d->gap_end - d->gap_start;
    const double jump = fmax(fabs(d->high - d->held_value), fabs(d->low - d->held_value));
    const double moves = (double)length * d->before_step;
    const bool left = !d->held || jump >= jump_part * d->before_rms || /* else the flat top of something slow */
                      (moves >= held_long * d->before_rms && jump >= held_off * fabs(d->held_value));
    d->exact = (double)length >= shortest_s * d->rate_hz && left && is_no_chance((double)length, &d->around);
    if (d->exact) {
        d->now = RETURNING;
    } else if (!d->faint) {
        d->now = SOUND;
        d->here.equal += length;
        d->here.pairs += length;
    }
}

static void wait_for_sound(ltp_gap *d, double size, bool constant)
{
    if (d->exact) {
        if (constant && !(d->high > d->held_value) && !(d->high < d->held_value)) {
            d->gap_end = d->frames;
            d->quiet_energy += d->here.square;
            d->quiet_blocks++;
            return;
        }
        end_run(d);
        if (d->now != QUIET)
            return;
    }
    if (size < silent_part * d->before_rms) {
        d->gap_end = d->frames;
        d->quiet_energy += d->here.square;
        d->quiet_blocks++;
    } else {
        d->now = RETURNING;
    }
}

/* The 40 ms after a gap. */
static void come_back(ltp_gap *d)
{
    add_piece(&d->back, &d->here);
    d->back_blocks++;
    if (d->back_blocks == EDGE)
        d->back_edge = d->back.change;
    if (d->back_blocks == RETURN_SHORT) {
        d->back_short = sqrt(d->back.square / RETURN_SHORT);
        d->back_nearest = d->back.change;
    }
    if (d->back_blocks == RING_BLOCKS) {
        ltp_products before, after;
        products_before(d, &before);
        products_of(d, d->newest, d->newest_at, d->block, 0, &after);
        d->unlike = ltp_unlikeness(&before, &after);
    }
    if (d->back_blocks < RETURN_LONG)
        return;
    const double exit_edge =
        edge_of(d->back_edge, d->exact ? d->back_nearest : (double)INFINITY, d->back.change, RETURN_LONG);
    const bool brief = d->exact && (double)(d->gap_end - d->gap_start) < brief_s * d->rate_hz;
    const bool sudden = fmin(d->entry, exit_edge) > (brief ? edge_least_brief : edge_least) &&
                        sqrt(d->entry * exit_edge) > (brief ? edges_least_brief : edges_least);
    const bool loud = d->back_short > return_part * d->before_rms && d->back_short > least_rms;
    const bool back = (loud && !d->held) || (d->exact && is_no_chance((double)(d->gap_end - d->gap_start), &d->back));
    if (sudden && back)
        count_gap(d);
    sound_again(d);
}

static void end_block(ltp_gap *d)
{
    const double size = fmax(fabs(d->low), fabs(d->high));
    const bool constant = !(d->high > d->low);
    d->here.square /= (double)d->block;
    if (d->now == SOUND)
        listen(d, size, constant);
    else if (d->now == QUIET)
        wait_for_sound(d, size, constant);
    if (d->now == RETURNING)
        come_back(d);
    if (d->now == SOUND)
        d->ring[d->blocks++ % LONG_BEFORE] = d->here;
    d->here = (piece){0};
    d->low = INFINITY;
    d->high = -INFINITY;
    d->in_block = 0;
}

void ltp_gap_push(ltp_gap *d, const double *x, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const double step = x[i] - d->last_x;
        const bool equal = !(step < 0.0) && !(step > 0.0);
        d->here.square += x[i] * x[i];
        if (d->in_block > 0) /* the step into a gap does not count */
            d->here.change += step * step;
        d->here.equal += equal;
        d->here.pairs += equal && d->last_equal;
        d->last_equal = equal;
        d->last_x = x[i];
        d->extreme = fmax(d->extreme, fabs(x[i]));
        d->low = x[i] < d->low ? x[i] : d->low;
        d->high = x[i] > d->high ? x[i] : d->high;
        d->frames++;
        if (d->now == SOUND) {
            d->last[d->last_at] = x[i];
            d->last_at = d->last_at + 1 == d->last_count ? 0 : d->last_at + 1;
        } else {
            d->newest[d->newest_at] = x[i];
            d->newest_at = d->newest_at + 1 == d->last_count ? 0 : d->newest_at + 1;
        }
        if (++d->in_block == d->block)
            end_block(d);
    }
}

static bool is_surely_lost(const hole *h, double active_db)
{
    if (h->held)
        return h->length_s < likely_s;
    return h->length_s < brief_s && fmin(h->before_db, h->after_db) > active_db + loud_db && h->unlike < alike;
}

static bool is_likely_lost(const hole *h, double active_db)
{
    const double loud = fmin(h->before_db, h->after_db) - active_db;
    if (h->length_s >= likely_s)
        return loud > long_midst_db && h->sound_s > long_while_s;
    return h->sound_s > while_s && (loud > rather_loud_db || h->before_db > active_db + midst_db);
}

/* How grave, and which is the first of that kind? */
static lt_severity judge_holes(const ltp_gap *d, double active_db, double *at_s)
{
    const size_t count = d->count < KEPT ? d->count : KEPT;
    size_t sure = 0, likely = 0;
    double first_sure_s = NAN, first_likely_s = NAN;
    for (size_t i = 0; i < count; i++) {
        const hole *h = &d->kept[i];
        const bool is_sure = is_surely_lost(h, active_db), is_likely = is_sure || is_likely_lost(h, active_db);
        first_sure_s = is_sure && sure == 0 ? h->at_s : first_sure_s;
        first_likely_s = is_likely && likely == 0 ? h->at_s : first_likely_s;
        sure += is_sure;
        likely += is_likely;
    }
    const bool is_error = sure > 0 && 2 * sure >= count, is_warning = is_error || (likely > 0 && 2 * likely >= count);
    *at_s = is_warning ? first_likely_s : sure > 0 ? first_sure_s : d->kept[0].at_s;
    return is_error ? LT_SEVERITY_ERROR : is_warning ? LT_SEVERITY_WARNING : LT_SEVERITY_NOTE;
}

static void finish_gaps(const ltp_gap *d, const ltp_scan_end *end)
{
    double at_s;
    const lt_severity severity = judge_holes(d, end->active_db, &at_s);
    const char *what = 2 * d->held_count > d->count ? "the last value is held" : "nothing is left";
    const char *cause =
        severity == LT_SEVERITY_NOTE ? "as an editor, a noise gate, a voice switch or a player leaves them; lost "
                                       "packets or a loose connector if "
                                       "nothing of that kind is in use"
        : severity == LT_SEVERITY_WARNING
            ? "likely lost packets, a radio or cordless headset out of range, or a loose connector; unless silence was "
              "edited or switched in there"
            : "likely lost packets or a jammed buffer on a digital line, a radio or cordless headset out of range, a "
              "loose connector, or a recorder that lost samples";
    lt_faults_add(end->out, LT_FAULT_DROPOUT, severity, end->channel, at_s,
                  "%zu gap%s of %.1f to %.1f ms, %.0f ms together, in which %s between sudden edges: %s", d->count,
                  d->count == 1 ? "" : "s", 1e3 * d->shortest_seen_s, 1e3 * d->longest_s, 1e3 * d->total_s, what,
                  cause);
}

void ltp_gap_finish(ltp_gap *d, const ltp_scan_end *end)
{
    if (d->count > 0)
        finish_gaps(d, end);
    if (d->now != QUIET || d->held)
        return;
    const double length_s = (double)(d->frames - d->gap_start) / d->rate_hz;
    const double rest = sqrt(d->quiet_energy / (double)(d->quiet_blocks > 0 ? d->quiet_blocks : 1));
    if (length_s < died_s || is_tone(d, d->sound_s < beep_s ? tonal : tonal_strictly) ||
        rest >= floor_part * d->floor_rms)
        return;
    lt_faults_add(end->out, LT_FAULT_DEAD_CHANNEL, LT_SEVERITY_WARNING, end->channel, (double)d->gap_start / d->rate_hz,
                  "sound at %.0f dBFS breaks off within a moment and does not come back for the last %.1f s: likely a "
                  "wire that came off, a supply or a mute that switched, or silence added to the file",
                  lt_dbfs_from_rms(d->before_rms), length_s);
}
