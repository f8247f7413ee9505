/* SPDX-License-Identifier: MIT
 * Arrivals between a point on the panel and a point before it, by image sources (Allen and Berkley, J. Acoust. Soc. Am.
 * 65 (1979) 943), for two pairs of planes: panel and car side (or wall), ground and canopy. Metres, seconds.
 * The panel is hard and large: a source in it radiates into a half-space, a pressure at it is doubled. */
#include "simulate/model.h"

#include <math.h>

static const double longest_way_m = 20.0;   /* air absorption, left out, stays below 2 dB at 8 kHz (ISO 9613-1) */
static const double faintest = 1e-4;        /* re the direct arrival */
static const double edge_softness_m = 0.15; /* diffraction at the car's upper edge, as a smooth step */
enum { CAR_BOUNCES_MAX = 40, CANOPY_ORDER_MAX = 2 };

ltp_point ltp_speaker_point(const lt_scene_lane *lane)
{
    return (ltp_point){0.0, 0.0, lane->speaker_height_m};
}

/* The height difference is part of the distance; the rest of it lies sideways. */
ltp_point ltp_microphone_point(const lt_scene_lane *lane)
{
    const double dz = lane->microphone_height_m - lane->speaker_height_m;
    const double d = lane->speaker_to_microphone_m;
    return (ltp_point){0.0, sqrt(fmax(d * d - dz * dz, 0.0)), lane->microphone_height_m};
}

ltp_point ltp_ear_point(const lt_scene_lane *lane)
{
    return (ltp_point){lane->ear_distance_m, 0.0, lane->ear_height_m};
}

ltp_point ltp_mouth_point(const lt_scene_lane *lane)
{
    return (ltp_point){lane->ear_distance_m, 0.0, lane->ear_height_m - LTP_MOUTH_BELOW_EAR_M};
}

/* A reflection mixes a * (p(t - T) + p(t + T)) into (1 - 2a) p(t): a short symmetric smear, rough surfaces being larger
 * than the wavelength only at high frequencies. -1 dB at 8 kHz, -3.5 dB at 16 kHz: ours, of the size of painted metal
 * and asphalt. */
double ltp_bounce_gain(double hz, unsigned bounces)
{
    static const double smear_s = 20e-6;
    static const double share = 0.117;
    const double one = 1.0 - 2.0 * share * (1.0 - cos(2.0 * LT_PI * hz * smear_s));
    return pow(one, (double)bounces);
}

/* One side opposite the panel: the car's, or the wall behind when there is no car. */
typedef struct {
    double distance_m, height_m, reflection; /* distance 0 = none; height INFINITY = unlimited */
    double canopy_m;                         /* 0 = none */
} opposite;

static opposite opposite_of(const lt_scene_lane *lane, const lt_scene_condition *c)
{
    opposite o = {.height_m = INFINITY, .canopy_m = lane->canopy_height_m};
    if (c->car_distance_m > 0.0) {
        o.distance_m = c->car_distance_m;
        o.height_m = c->car_height_m;
        o.reflection = c->car_reflection;
    } else if (lane->wall_distance_m > 0.0) {
        o.distance_m = lane->wall_distance_m;
        o.reflection = lane->wall_reflection;
    }
    return o;
}

/* Height at which an unfolded path really passes. */
static double fold_height(double z, double canopy_m)
{
    if (canopy_m <= 0.0)
        return fabs(z);
    const double period = 2.0 * canopy_m;
    const double inside = fabs(z) - period * floor(fabs(z) / period);
    return inside > canopy_m ? period - inside : inside;
}

/* Share of the side at height z: 1 well below its upper edge, 0 above. */
static double side_at(const opposite *o, double z)
{
    return isinf(o->height_m) ? 1.0 : 0.5 * (1.0 - tanh((z - o->height_m) / edge_softness_m));
}

/* An unfolded way from the panel: x_m along the axis, from height z0 (an image) to z1, with `bounces` at the side, and
 * through its plane at the end if `through` (the car's open window). */
typedef struct {
    double x_m, z0_m, z1_m;
    unsigned bounces;
    bool through;
} unfolded;

static double side_gain(const opposite *o, const unfolded *u)
{
    double gain = 1.0;
    for (unsigned j = 0; j < u->bounces + (u->through ? 1U : 0U); j++) {
        const double along = (2.0 * j + 1.0) * o->distance_m / u->x_m;
        const double z = fold_height(u->z0_m + (u->z1_m - u->z0_m) * along, o->canopy_m);
        gain *= side_at(o, z) * (j < u->bounces ? o->reflection : 1.0);
    }
    return gain;
}

typedef struct {
    const lt_scene_lane *lane;
    opposite side;
    ltp_point panel, other;
    double sound_m_s;
    ltp_arrivals *out;
} tracer;

static void add_way(tracer *t, const unfolded *u, double vertical_gain, unsigned vertical_bounces)
{
    const double dy = t->other.y - t->panel.y;
    const double dz = u->z1_m - u->z0_m;
    const double r = sqrt(u->x_m * u->x_m + dy * dy + dz * dz);
    const bool direct = u->bounces == 0 && vertical_bounces == 0; /* through the open window: nothing in the way */
    const double gain = vertical_gain * (direct ? 1.0 : side_gain(&t->side, u)) / r;
    ltp_arrivals *a = t->out;
    if (a->count == LTP_ARRIVALS_MAX)
        return;
    if (!direct && (r > longest_way_m || fabs(gain) < faintest * fabs(a->items[0].gain)))
        return;
    const unsigned bounces = u->bounces + vertical_bounces;
    a->items[a->count++] = (ltp_arrival){
        .delay_s = r / t->sound_m_s, .gain = gain, .bounces = bounces < LTP_BOUNCES_MAX ? bounces : LTP_BOUNCES_MAX};
}

/* All images of the panel's point in ground and canopy for one way along x. Order (q, m): height (1 - 2q) z + 2 m H,
 * with |m - q| reflections at the ground and |m| at the canopy. */
static void add_vertical_images(tracer *t, double x_m, unsigned bounces, bool through)
{
    const double h = t->lane->canopy_height_m;
    const int order = h > 0.0 ? CANOPY_ORDER_MAX : 0;
    for (int i = 0; i <= 2 * order; i++) {
        const int m = i % 2 == 0 ? i / 2 : -(i + 1) / 2; /* 0, -1, 1, -2, 2: the direct one comes first */
        for (int q = 0; q <= 1; q++) {
            const unsigned ground = (unsigned)(m > q ? m - q : q - m);
            const unsigned canopy = (unsigned)(m > 0 ? m : -m);
            const double gain =
                pow(t->lane->ground_reflection, (double)ground) * pow(t->lane->canopy_reflection, (double)canopy);
            const unfolded u = {.x_m = x_m,
                                .z0_m = (1 - 2 * q) * t->panel.z + 2.0 * m * h,
                                .z1_m = t->other.z,
                                .bounces = bounces,
                                .through = through};
            add_way(t, &u, gain, ground + canopy);
        }
    }
}

/* Ways along x between the panel and a point at x: x + 2 k D, and, turned back at the side, 2 k D - x. A point behind
 * the side's plane (a head inside the window) hears only what travels outwards. */
void ltp_arrivals_between(const lt_scene_lane *lane, const lt_scene_condition *c, ltp_point on_panel, ltp_point other,
                          ltp_arrivals *out)
{
    tracer t = {.lane = lane,
                .side = opposite_of(lane, c),
                .panel = on_panel,
                .other = other,
                .sound_m_s = lt_speed_of_sound_m_s(lane->temperature_c),
                .out = out};
    out->count = 0;
    const double d = t.side.distance_m;
    const double x = other.x;
    const bool behind = d > 0.0 && x >= d;
    add_vertical_images(&t, x, 0, behind);
    if (d <= 0.0)
        return;
    for (unsigned k = 1; k <= CAR_BOUNCES_MAX && 2.0 * k * d - x < longest_way_m; k++) {
        if (!behind && x > 0.0)
            add_vertical_images(&t, 2.0 * k * d - x, k, false);
        add_vertical_images(&t, 2.0 * k * d + x, k, behind);
    }
}
