/* SPDX-License-Identifier: MIT
 * What the technician is told: where to put what, what to read out, what to do about a poor result. */
#ifndef CLI_LIVE_WORDS_H
#define CLI_LIVE_WORDS_H

#include <lanetune/site.h>

enum { CLI_INSTRUCTIONS = 512 };
/** Where plug and microphone go for this recording; one or more lines. */
void cli_path_instructions(const lt_record_place *p, char text[CLI_INSTRUCTIONS]);
/** What the sentences of the talk test are; NULL behind the last. */
const char *cli_sentence(size_t i);
extern const char cli_cautions[];
/** In one line, where they were shown in full before. */
extern const char cli_cautions_again[];

#endif
