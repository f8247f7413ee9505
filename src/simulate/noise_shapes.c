/* SPDX-License-Identifier: MIT
 * Spectra of the noises. Band levels are one-third-octave, dB, up to a constant; interpolated along lg f. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

typedef struct {
    double hz, level_db;
} point;
typedef struct {
    const point *points;
    size_t count;
    bool a_weighted;
} shape;

/* Normalised traffic noise spectrum, EN 1793-3, A-weighted, 100 Hz to 5 kHz (memory); outside it ours. */
static const point road_points[] = {{20, -60},   {31.5, -42},  {50, -30},    {63, -26},    {80, -22},   {100, -20},
                                    {125, -20},  {160, -18},   {200, -16},   {250, -15},   {315, -14},  {400, -13},
                                    {500, -12},  {630, -11},   {800, -9},    {1000, -8},   {1250, -9},  {1600, -10},
                                    {2000, -11}, {2500, -13},  {3150, -15},  {4000, -16},  {5000, -18}, {6300, -20},
                                    {8000, -23}, {10000, -26}, {12500, -30}, {16000, -35}, {20000, -40}};
/* A car at town speed: tyres, with their peak near 1 kHz; little engine. A-weighted, ours. */
static const point car_points[] = {{20, -62},   {50, -36},   {100, -26},   {200, -20},  {400, -14},
                                   {800, -7},   {1000, -6},  {1250, -7},   {1600, -9},  {2500, -13},
                                   {4000, -18}, {8000, -27}, {12500, -34}, {20000, -44}};
/* A heavy vehicle: engine and exhaust as well. A-weighted, ours. */
static const point truck_points[] = {{20, -46}, {50, -24},   {80, -17},   {125, -15},  {250, -13},  {500, -10},
                                     {800, -9}, {1250, -10}, {2000, -12}, {4000, -18}, {8000, -27}, {20000, -45}};
/* Wind on a microphone under foam: turbulence below 200 Hz. Unweighted, ours. */
static const point wind_points[] = {{10, 0},    {31.5, 0},  {63, -4},    {100, -9},    {200, -21},
                                    {400, -36}, {800, -51}, {1600, -66}, {20000, -120}};
/* What is not tonal of an idling engine: combustion, fan, valves. A-weighted, ours. */
static const point engine_points[] = {{20, -50},   {50, -30},   {100, -22},  {200, -16},   {400, -12},  {800, -10},
                                      {1600, -11}, {3150, -15}, {6300, -22}, {12500, -33}, {20000, -45}};
/* An office or a pharmacy's counter: ventilation and people, falling 4 to 6 dB an octave. Unweighted, ours. */
static const point office_points[] = {{20, 0},     {50, 0},     {125, -3},   {250, -6},   {500, -9},
                                      {1000, -13}, {2000, -18}, {4000, -24}, {8000, -31}, {20000, -42}};

#define SHAPE(name, weighted)                                                                                          \
    {                                                                                                                  \
        name##_points, LTP_COUNT(name##_points), weighted                                                              \
    }

static double band_level_db(const shape *s, double hz)
{
    const point *p = s->points;
    if (hz <= p[0].hz)
        return p[0].level_db;
    for (size_t i = 1; i < s->count; i++)
        if (hz <= p[i].hz) {
            const double part = log(hz / p[i - 1].hz) / log(p[i].hz / p[i - 1].hz);
            return p[i - 1].level_db + part * (p[i].level_db - p[i - 1].level_db);
        }
    return p[s->count - 1].level_db;
}

static const double lowest_hz = 20.0;
static const double highest_hz = 20000.0;

/* A band one third of an octave wide has a width in proportion to its frequency: density = band - 10 lg f, up to a
 * constant. Below the tables the density falls by 12 dB an octave. */
double ltp_noise_shape_db(ltp_noise_kind kind, double hz)
{
    static const shape shapes[LTP_NOISE_KINDS] = {
        [LTP_NOISE_ROAD] = SHAPE(road, true),     [LTP_NOISE_CAR] = SHAPE(car, true),
        [LTP_NOISE_TRUCK] = SHAPE(truck, true),   [LTP_NOISE_WIND] = SHAPE(wind, false),
        [LTP_NOISE_ENGINE] = SHAPE(engine, true), [LTP_NOISE_OFFICE] = SHAPE(office, false)};
    const shape *s = &shapes[kind];
    const double f = fmax(hz, lowest_hz);
    const double below = hz < lowest_hz ? 40.0 * log10(fmax(hz, 0.1) / lowest_hz) : 0.0;
    return band_level_db(s, f) - (s->a_weighted ? lt_weight_a_db(f) : 0.0) - 10.0 * log10(f) + below;
}

double ltp_noise_shape_dba(ltp_noise_kind kind)
{
    enum { STEPS = 600 }; /* along lg f; the shapes are smooth */
    const double ratio = pow(highest_hz / lowest_hz, 1.0 / STEPS);
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double from_hz = lowest_hz * pow(ratio, i);
        const double mid_hz = from_hz * sqrt(ratio);
        sum += lt_power_from_db(ltp_noise_shape_db(kind, mid_hz) + lt_weight_a_db(mid_hz)) * from_hz * (ratio - 1.0);
    }
    return lt_db_from_power(sum);
}

/* Firing orders fall by 0.9 dB each, the odd ones 4 dB below the even ones (a four-cylinder engine); ours. */
void ltp_engine_orders_db(double level_db[LTP_ENGINE_ORDERS])
{
    double sum = 0.0;
    for (int k = 0; k < LTP_ENGINE_ORDERS; k++) {
        level_db[k] = -0.9 * k - (k % 2 == 1 ? 4.0 : 0.0);
        sum += lt_power_from_db(level_db[k] + lt_weight_a_db(LTP_ENGINE_FIRING_HZ * (k + 1)));
    }
    const double shift_db = lt_db_from_power(LTP_ENGINE_TONAL_SHARE / sum);
    for (int k = 0; k < LTP_ENGINE_ORDERS; k++)
        level_db[k] += shift_db;
}
