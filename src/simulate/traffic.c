/* SPDX-License-Identifier: MIT
 * How noise comes and goes: power against time, re its long-term mean, one value a hop. */
#include "simulate/model.h"

#include <math.h>

/* A point source that passes at constant speed: p^2 ~ 1 / (d^2 + v^2 t^2), tau = d / v. */
static const double car_tau_s = 0.6; /* 8 m at 50 km/h */
static const double truck_tau_s = 0.9;
static const double truck_share = 0.15;
static const double truck_db = 4.0;  /* re a car's; FHWA TNM has 8 to 14 dB at town speed, slower and farther here */
static const double spread_db = 2.5; /* peaks scatter evenly +- this much */
static const double jitter = 0.3;    /* of the mean interval, either way: traffic in platoons, not quite regular */

void ltp_law_fluctuating(lt_rng *r, double sd_db, double tau_s, double hop_s, double *power, size_t hops)
{
    const double keep = exp(-hop_s / tau_s);
    const double renew = sqrt(1.0 - keep * keep);
    double state = lt_rng_gauss(r);
    double sum = 0.0;
    for (size_t i = 0; i < hops; i++) {
        power[i] = lt_power_from_db(sd_db * state);
        sum += power[i];
        state = keep * state + renew * lt_rng_gauss(r);
    }
    for (size_t i = 0; i < hops; i++)
        power[i] *= (double)hops / sum;
}

ltp_passes ltp_passes_of(const lt_scene_lane *lane, ltp_noise_kind kind)
{
    const bool truck = kind == LTP_NOISE_TRUCK;
    const double a = 0.1 * log(10.0) * spread_db; /* mean of 10^(x/10), x even in +-spread: sinh(a) / a */
    return (ltp_passes){.per_second = lane->passes_per_minute / 60.0 * (truck ? truck_share : 1.0 - truck_share),
                        .peak_mean = sinh(a) / a * (truck ? lt_power_from_db(truck_db) : 1.0),
                        .duration_s = truck ? truck_tau_s : car_tau_s};
}

double ltp_passes_mean(const ltp_passes *p)
{
    return p->per_second * p->peak_mean * LT_PI * p->duration_s; /* integral of 1 / (1 + (t / tau)^2) = pi tau */
}

static void add_pass(double at_s, double tau_s, double peak, double hop_s, double *power, size_t hops)
{
    for (size_t i = 0; i < hops; i++) {
        const double u = ((double)i * hop_s - at_s) / tau_s;
        power[i] += peak / (1.0 + u * u);
    }
}

void ltp_law_passes(lt_rng *r, const lt_scene_lane *lane, double hop_s, double *car, double *truck, size_t hops)
{
    static const double reach_s = 30.0; /* vehicles before and after the recording are heard too */
    if (!(lane->passes_per_minute > 0.0))
        return;
    const ltp_passes cars = ltp_passes_of(lane, LTP_NOISE_CAR);
    const ltp_passes trucks = ltp_passes_of(lane, LTP_NOISE_TRUCK);
    const double interval_s = 60.0 / lane->passes_per_minute;
    const double first_s = -reach_s - interval_s * lt_rng_uniform(r);
    const double end_s = (double)hops * hop_s + reach_s;
    const size_t vehicles = (size_t)ceil((end_s - first_s) / interval_s);
    for (size_t i = 0; i < vehicles; i++) {
        const double at_s = first_s + interval_s * ((double)i + jitter * (2.0 * lt_rng_uniform(r) - 1.0));
        const double peak = lt_power_from_db(spread_db * (2.0 * lt_rng_uniform(r) - 1.0));
        if (lt_rng_uniform(r) < truck_share)
            add_pass(at_s, trucks.duration_s, peak * lt_power_from_db(truck_db) / ltp_passes_mean(&trucks), hop_s,
                     truck, hops);
        else
            add_pass(at_s, cars.duration_s, peak / ltp_passes_mean(&cars), hop_s, car, hops);
    }
}
