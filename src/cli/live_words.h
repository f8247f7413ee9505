/* SPDX-License-Identifier: MIT
 * What the technician is told: where to put what, what to read out, what to do about a poor result. */
#ifndef CLI_LIVE_WORDS_H
#define CLI_LIVE_WORDS_H

#include <lanetune/site.h>

/** Where plug and microphone go for this path; one or more lines. */
const char *cli_path_instructions(lt_path p);
/** What the sentences of the talk test are; NULL behind the last. */
const char *cli_sentence(size_t i);
extern const char cli_cautions[];
/** In one line, where they were shown in full before. */
extern const char cli_cautions_again[];

#endif
