/* SPDX-License-Identifier: MIT
 * All of liblanetune. */
#ifndef LT_LANETUNE_H
#define LT_LANETUNE_H

#include <lanetune/audio.h>
#include <lanetune/base.h>
#include <lanetune/dsp.h>
#include <lanetune/level.h>
#include <lanetune/loop.h>
#include <lanetune/report.h>
#include <lanetune/response.h>
#include <lanetune/simulate.h>
#include <lanetune/site.h>
#include <lanetune/speech.h>
#include <lanetune/tune.h>

#endif
