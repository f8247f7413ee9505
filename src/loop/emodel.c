/* SPDX-License-Identifier: MIT
 * The E-model, ITU-T G.107: transmission rating R and opinion score. Loudness ratings and losses in dB, delays in ms.
 * Source: the equations of G.107, checked against six public implementations (the default set gives R = 93.2). */
#include <lanetune/loop.h>

#include <math.h>

/* Default values of G.107. Second entry: tests/reference/data/g107_defaults.csv */
lt_emodel lt_emodel_default(void)
{
    return (lt_emodel){.slr_db = 8.0,
                       .rlr_db = 2.0,
                       .stmr_db = 15.0,
                       .lstr_db = 18.0,
                       .ds_db = 3.0,
                       .dr_db = 3.0,
                       .telr_db = 65.0,
                       .one_way_ms = 0.0,
                       .wepl_db = 110.0,
                       .round_trip_ms = 0.0,
                       .absolute_delay_ms = 0.0,
                       .delay_sensitivity = 1.0,
                       .delay_least_ms = 100.0,
                       .qdu = 1.0,
                       .ie = 0.0,
                       .bpl = 4.3,
                       .ppl_percent = 0.0,
                       .burst_ratio = 1.0,
                       .nc_dbm0p = -70.0,
                       .nfor_dbmp = -64.0,
                       .ps_dba = 35.0,
                       .pr_dba = 35.0,
                       .advantage = 0.0};
}

/* Circuit noise, both rooms and the noise floor, referred to the 0 dBr point. */
static double noise_dbm0p(const lt_emodel *m)
{
    const double olr = m->slr_db + m->rlr_db;
    const double sending = m->ps_dba - m->slr_db - m->ds_db - 100.0 + 0.004 * pow(m->ps_dba - olr - m->ds_db - 14.0, 2);
    const double heard = m->pr_dba + 10.0 * log10(1.0 + pow(10.0, (10.0 - m->lstr_db) / 10.0));
    const double receiving = m->rlr_db - 121.0 + heard + 0.008 * pow(heard - 35.0, 2);
    const double all[] = {m->nc_dbm0p, sending, receiving, m->nfor_dbmp + m->rlr_db};
    return lt_db_sum(all, sizeof all / sizeof *all);
}

static double sidetone_impairment(const lt_emodel *m)
{
    const double t = m->one_way_ms;
    const double s = -10.0 * log10(pow(10.0, -m->stmr_db / 10.0) + exp(-t / 4.0) * pow(10.0, -m->telr_db / 10.0));
    return 12.0 * pow(1.0 + pow((s - 13.0) / 6.0, 8), 1.0 / 8.0) -
           28.0 * pow(1.0 + pow((s + 1.0) / 19.4, 35), 1.0 / 35.0) -
           13.0 * pow(1.0 + pow((s - 3.0) / 33.0, 13), 1.0 / 13.0) + 29.0;
}

/* Simultaneous impairments: too loud, sidetone, quantising. */
static double simultaneous(const lt_emodel *m, double no, double ro, double ist)
{
    const double olr = m->slr_db + m->rlr_db;
    const double x = olr + 0.2 * (64.0 + no - m->rlr_db);
    const double loud = 20.0 * (pow(1.0 + pow(x / 8.0, 8), 1.0 / 8.0) - x / 8.0);
    const double q = 37.0 - 15.0 * log10(m->qdu);
    const double g = 1.07 + 0.258 * q + 0.0602 * q * q;
    const double y = (ro - 100.0) / 15.0 + 46.0 / 8.4 - g / 9.0;
    const double z = 46.0 / 30.0 - g / 40.0;
    return loud + ist + 15.0 * log10(1.0 + pow(10.0, y) + pow(10.0, z));
}

static double talker_echo(const lt_emodel *m, double no, double ist)
{
    double weighted = lt_talker_echo_weighted_db(m->telr_db, m->one_way_ms);
    if (m->stmr_db < 9.0)
        weighted += ist / 2.0;
    double impairment = 0.0;
    if (m->one_way_ms >= 1.0) {
        const double re = 80.0 + 2.5 * (weighted - 14.0);
        const double roe = -1.5 * (no - m->rlr_db);
        const double half = (roe - re) / 2.0;
        impairment = (half + sqrt(half * half + 100.0) - 1.0) * (1.0 - exp(-m->one_way_ms));
    }
    return m->stmr_db > 20.0 ? sqrt(impairment * impairment + ist * ist) : impairment;
}

static double listener_echo(const lt_emodel *m, double ro)
{
    const double rle = 10.5 * (m->wepl_db + 7.0) * pow(m->round_trip_ms + 1.0, -0.25);
    const double half = (ro - rle) / 2.0;
    return half + sqrt(half * half + 169.0);
}

static double pure_delay(const lt_emodel *m)
{
    if (!(m->absolute_delay_ms > m->delay_least_ms))
        return 0.0;
    const double x = log2(m->absolute_delay_ms / m->delay_least_ms);
    const double p = 6.0 * m->delay_sensitivity;
    return 25.0 * (pow(1.0 + pow(x, p), 1.0 / p) - 3.0 * pow(1.0 + pow(x / 3.0, p), 1.0 / p) + 2.0);
}

void lt_emodel_compute(const lt_emodel *m, lt_emodel_result *out)
{
    const double no = noise_dbm0p(m);
    const double ist = sidetone_impairment(m);
    out->no_dbm0p = no;
    out->ro = 15.0 - 1.5 * (m->slr_db + no);
    out->is = simultaneous(m, no, out->ro, ist);
    out->idte = talker_echo(m, no, ist);
    out->idle = listener_echo(m, out->ro);
    out->idd = pure_delay(m);
    out->ie_eff = m->ie + (95.0 - m->ie) * m->ppl_percent / (m->ppl_percent / m->burst_ratio + m->bpl);
    out->r = out->ro - out->is - out->idte - out->idle - out->idd - out->ie_eff + m->advantage;
    out->mos = lt_emodel_mos(out->r);
}

double lt_emodel_mos(double r)
{
    if (!(r > 0.0))
        return 1.0;
    if (r >= 100.0)
        return 4.5;
    return fmax(1.0 + 0.035 * r + r * (r - 60.0) * (100.0 - r) * 7e-6, 1.0);
}
