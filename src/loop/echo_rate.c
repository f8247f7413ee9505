/* SPDX-License-Identifier: MIT
 * What an echo is worth: talker echo against its delay (ITU-T G.131), rating (G.107), double-talk type (P.340). dB. */
#include <lanetune/loop.h>

#include <math.h>

static const double loudness_ratings_db = 10.0; /* sum of sending and receiving loudness rating, the usual one */
static const double telr_most_db = 65.0;        /* range of G.107 */
static const double telr_least_db = 5.0;

double lt_talker_echo_required_db(double weighted_db, double one_way_ms)
{
    return weighted_db - lt_talker_echo_weighted_db(0.0, one_way_ms);
}

const char *lt_echo_finding_name(lt_echo_finding f)
{
    static const char *const names[] = {"none",      "crosstalk", "acoustic-coupling", "reflection", "processing-delay",
                                        "near-howl", "unclear"};
    _Static_assert(sizeof names / sizeof *names == LT_ECHO_FINDING_COUNT, "one name each");
    return (unsigned)f < LT_ECHO_FINDING_COUNT ? names[f] : "unclear";
}

const char *lt_echo_verdict_name(lt_echo_verdict v)
{
    static const char *const names[] = {"unacceptable", "limiting", "acceptable", NULL};
    _Static_assert(sizeof names / sizeof *names == LT_ECHO_VERDICT_COUNT, "one name each");
    return (unsigned)v < LT_ECHO_VERDICT_COUNT ? names[v] : NULL;
}

const char *lt_echo_source_name(lt_echo_source s)
{
    static const char *const names[] = {"speech", "stimulus", "single-recording"};
    return (unsigned)s <= LT_ECHO_BLIND ? names[s] : "speech";
}

void lt_talker_echo_rate(double echo_loss_db, double one_way_ms, lt_talker_echo *out)
{
    *out = (lt_talker_echo){.telr_db = loudness_ratings_db + echo_loss_db, .one_way_ms = one_way_ms};
    lt_emodel m = lt_emodel_default();
    lt_emodel_result r;
    lt_emodel_compute(&m, &r);
    out->r_without = r.r;
    out->mos_without = r.mos;
    out->weighted_db = lt_talker_echo_weighted_db(out->telr_db, one_way_ms);
    out->required_telr_db = lt_talker_echo_required_db(LT_ECHO_ACCEPTABLE_DB, one_way_ms);
    if (!lt_is_known(one_way_ms) || !lt_is_known(out->weighted_db)) {
        out->verdict = LT_ECHO_NOT_JUDGED;
        out->weighted_db = out->required_telr_db = out->r_with = out->mos_with = NAN;
        return;
    }
    out->verdict = out->weighted_db >= LT_ECHO_ACCEPTABLE_DB ? LT_ECHO_ACCEPTABLE
                   : out->weighted_db >= LT_ECHO_LIMITING_DB ? LT_ECHO_LIMITING
                                                             : LT_ECHO_UNACCEPTABLE;
    m.telr_db = fmin(fmax(out->telr_db, telr_least_db), telr_most_db);
    m.one_way_ms = fmax(one_way_ms, 0.0);
    lt_emodel_compute(&m, &r);
    out->r_with = r.r;
    out->mos_with = r.mos;
}

/* Least echo loss of each type, dB. Source: ITU-T P.340; type 1 checked, the others memory.
 * Second entry: tests/reference/data/p340_double_talk.csv */
static const struct {
    const char *type;
    double echo_loss_db;
} double_talk[] = {{"1", 27.0}, {"2a", 23.0}, {"2b", 17.0}, {"2c", 11.0}};

const char *lt_double_talk_type(double coupling_loss_db)
{
    if (!lt_is_known(coupling_loss_db))
        return NULL;
    for (size_t i = 0; i < sizeof double_talk / sizeof *double_talk; i++)
        if (coupling_loss_db >= double_talk[i].echo_loss_db)
            return double_talk[i].type;
    return "3";
}
