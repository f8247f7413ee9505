/* SPDX-License-Identifier: MIT
 * Tables of IEC 60268-16:2020 (edition 5). Weights, threshold, masking, modulation frequencies: checked against several
 * public implementations; edition 5 dropped the female voice, whose weights are those of edition 4 (2011).
 * Qualification bands: one public source. */
#include "speech/sti_tables.h"

const ltp_sti_row ltp_sti_rows[LT_STI_BANDS] = {
    {125.0, {0.085, 0.0}, {0.085, 0.0}, -2.5, 46.0, {1.6, 8.0}},
    {250.0, {0.127, 0.117}, {0.078, 0.099}, 0.5, 27.0, {1.0, 5.0}},
    {500.0, {0.230, 0.223}, {0.065, 0.066}, 0.0, 12.0, {0.63, 3.15}},
    {1000.0, {0.233, 0.216}, {0.011, 0.062}, -6.0, 6.5, {2.0, 10.0}},
    {2000.0, {0.309, 0.328}, {0.047, 0.025}, -12.0, 7.5, {1.25, 6.25}},
    {4000.0, {0.224, 0.250}, {0.095, 0.076}, -18.0, 8.0, {0.8, 4.0}},
    {8000.0, {0.173, 0.194}, {0.0, 0.0}, -24.0, 12.0, {2.5, 12.5}},
};

const double ltp_sti_modulation_hz[LT_STI_MODULATIONS] = {0.63, 0.8, 1.0, 1.25, 1.6, 2.0,  2.5,
                                                          3.15, 4.0, 5.0, 6.3,  8.0, 10.0, 12.5};

const ltp_sti_masking ltp_sti_maskings[LTP_STI_MASKING] = {
    {63.0, 0.5, -65.0},
    {67.0, 1.8, -146.9},
    {100.0, 0.5, -59.8},
    {1e9, 0.0, -10.0},
};

const ltp_sti_word ltp_sti_categories[LTP_STI_CATEGORIES] = {
    {0.76, "A+"}, {0.72, "A"}, {0.68, "B"}, {0.64, "C"}, {0.60, "D"}, {0.56, "E"},
    {0.52, "F"},  {0.48, "G"}, {0.44, "H"}, {0.40, "I"}, {0.36, "J"}, {0.0, "U"},
};

const ltp_sti_word ltp_sti_labels[LTP_STI_LABELS] = {
    {0.75, "excellent"}, {0.60, "good"}, {0.45, "fair"}, {0.30, "poor"}, {0.0, "bad"},
};
