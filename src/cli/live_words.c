/* SPDX-License-Identifier: MIT
 * Words for the technician. The sentences are ours; together they hold every English vowel and consonant several times,
 * and numbers and dishes as an order does. */
#include "live_words.h"

#include "base/alloc.h"

#include <stdio.h>

const char cli_cautions[] = "Before the first sound:\n"
                            "  - all headsets and handsets off the ears, at the counter too\n"
                            "  - nobody near the lane speaker without hearing protection\n"
                            "  - no traffic in the lane, cones out\n"
                            "ESC, q or Ctrl-C stops the sound at any time.";

const char cli_cautions_again[] = "Headsets off the ears, nobody near the lane speaker, no traffic in the lane?";

/* Between two lanes or two counters: the plugs of both. */
static void between_instructions(const lt_record_place *p, char text[CLI_INSTRUCTIONS])
{
    if (p->counter == 0)
        (void)snprintf(
            text, CLI_INSTRUCTIONS,
            "Output of the interface to the outbound line of lane %u, through an isolated tap: the speaker of "
            "lane %u plays.\n"
            "Input of the interface to the inbound line of lane %u: its microphone listens.\n"
            "Both lanes open, the counter microphones of both muted or unplugged.",
            p->from, p->from, p->lane);
    else
        (void)snprintf(text, CLI_INSTRUCTIONS,
                       "Output of the interface to an inbound line of counter %u, through an isolated tap: its "
                       "loudspeaker plays.\n"
                       "Input of the interface to an outbound line of counter %u: its microphone listens.\n"
                       "The lane microphones of both unplugged; both counters as in service.",
                       p->from, p->counter);
}

void cli_path_instructions(const lt_record_place *p, char text[CLI_INSTRUCTIONS])
{
    static const char *const words[LT_PATH_COUNT] = {
        [LT_PATH_OUTBOUND] =
            "Output of the interface to the outbound line (towards the lane), through an isolated tap.\n"
            "Measurement microphone at the customer's ear: open car window, 1.2 m above ground.",
        [LT_PATH_INBOUND] = "Output of the interface to the inbound line (from the lane), through an isolated tap.\n"
                            "Measurement microphone where the operator's ear is; a headset lies against it.",
        [LT_PATH_LANE_COUPLING] = "Output of the interface to the outbound line, through an isolated tap.\n"
                                  "Input of the interface to the inbound line. Counter microphone muted or unplugged.",
        [LT_PATH_COUNTER_COUPLING] = "Output of the interface to the inbound line, through an isolated tap.\n"
                                     "Input of the interface to the outbound line. Lane microphone unplugged.",
        [LT_PATH_LOOP] = "Open the loop on the outbound line. Output of the interface to the part that goes to the "
                         "lane, input to the part that comes from the counter. Everything else as in service.",
        [LT_PATH_NOISE_EAR] =
            "Measurement microphone at the customer's ear. Intercom silent. Let traffic pass as usual.",
        [LT_PATH_NOISE_MIC] = "Input of the interface to the inbound line. Nobody talks at the lane or the counter.",
        [LT_PATH_NOISE_COUNTER] =
            "Measurement microphone where the operator's ear is. Intercom muted, kitchen as usual.",
        [LT_PATH_TALK_TEST] =
            "Input of the interface to the inbound line. Somebody stands where customers are and reads each sentence "
            "as an order is given, with two seconds of pause before the next.",
        [LT_PATH_BYSTANDER] =
            "Output of the interface to the outbound line (towards the lane), through an isolated tap.\n"
            "Measurement microphone where somebody is who should not understand, at the height of the ear.",
        [LT_PATH_NOISE_BYSTANDER] =
            "Measurement microphone where somebody is who should not understand. Intercom silent, as quiet as it gets "
            "in service.",
    };
    if (p->path == LT_PATH_CROSS_COUPLING)
        between_instructions(p, text);
    else
        (void)snprintf(text, CLI_INSTRUCTIONS, "%s", (unsigned)p->path < LT_PATH_COUNT ? words[p->path] : "");
}

const char *cli_sentence(size_t i)
{
    static const char *const sentences[] = {
        "Could I have two large coffees with milk, please?",
        "She chose the fish sandwich and a small lemon tea.",
        "That will be for five people, in a blue van.",
        "We would like three cheese rolls without onions.",
        "Just a minute, my father is still thinking it over.",
        "Do you have orange juice, or only apple today?",
        "Please put the sauce and the vinegar in a separate bag.",
        "The boys share one big portion of thick cut chips.",
        "No ice in the water, but a slice of lime would be nice.",
        "How much is the vegetable soup with a warm bread roll?",
        "I changed my mind: make it eight wings and a garden salad.",
        "Give us four forks, some napkins and the usual spicy dip.",
        "Is the chocolate cake fresh, or from yesterday?",
        "Thank you very much, we shall pull forward to the window.",
    };
    return i < LTP_COUNT(sentences) ? sentences[i] : NULL;
}
