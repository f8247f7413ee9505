/* SPDX-License-Identifier: MIT
 * NC rating of a noise spectrum. Octave band levels, dB SPL. */
#include <lanetune/level.h>

#include <math.h>

enum { CURVES = 12, FIRST_CURVE = 15, CURVE_STEP = 5, SIL_FIRST = 4, SIL_BANDS = 4 };

/* NC curves, dB, at 31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000 Hz.
 * Source: ANSI S12.2-2019. Confidence: single source. Second entry: tests/reference/data/nc_curves.csv */
static const double curves_db[CURVES][LT_NC_BANDS] = {
    {61, 47, 36, 28, 22, 18, 14, 12, 11}, /* NC-15 */
    {63, 50, 40, 33, 26, 22, 20, 17, 16}, {65, 54, 44, 37, 31, 27, 24, 22, 22}, {68, 57, 48, 41, 35, 32, 29, 28, 27},
    {71, 60, 52, 45, 40, 36, 34, 33, 32}, {74, 64, 56, 50, 44, 41, 39, 38, 37}, {76, 67, 60, 54, 49, 46, 44, 43, 42},
    {79, 71, 64, 58, 54, 51, 49, 48, 47}, {82, 74, 67, 62, 58, 56, 54, 53, 52}, {85, 77, 71, 66, 63, 60, 59, 58, 57},
    {88, 80, 75, 71, 68, 65, 64, 63, 62}, {90, 84, 79, 75, 72, 71, 70, 68, 68}, /* NC-70 */
};

double lt_nc_curve_db(int curve, size_t band)
{
    const int row = (curve - FIRST_CURVE) / CURVE_STEP;
    if (curve < FIRST_CURVE || (curve - FIRST_CURVE) % CURVE_STEP != 0 || row >= CURVES || band >= LT_NC_BANDS)
        return NAN;
    return curves_db[row][band];
}

/* Number of the curve that this level touches in this band: linear between the curves, and on at their ends. */
static double curve_at(size_t band, double level_db)
{
    size_t row = 0;
    while (row + 2 < CURVES && level_db > curves_db[row + 1][band])
        row++;
    const double below = curves_db[row][band];
    const double above = curves_db[row + 1][band];
    return FIRST_CURVE + CURVE_STEP * ((double)row + (level_db - below) / (above - below));
}

bool lt_nc_rate(const double octave_db[LT_NC_BANDS], lt_nc *out)
{
    *out = (lt_nc){.rating = -INFINITY};
    size_t governing = 0;
    for (size_t i = 0; i < LT_NC_BANDS; i++) {
        if (isnan(octave_db[i]) || octave_db[i] > 1e3)
            return false;
        const double curve = isinf(octave_db[i]) ? -(double)INFINITY : curve_at(i, octave_db[i]);
        if (curve > out->rating) {
            out->rating = curve;
            governing = i;
        }
    }
    for (size_t i = 0; i < SIL_BANDS; i++)
        out->sil_db += octave_db[SIL_FIRST + i] / SIL_BANDS;
    out->governing_hz = lt_octave((int)governing - 5).nominal_hz;
    out->below = out->rating < FIRST_CURVE;
    out->above = out->rating > FIRST_CURVE + CURVE_STEP * (CURVES - 1);
    return true;
}
