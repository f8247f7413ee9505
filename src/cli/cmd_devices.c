/* SPDX-License-Identifier: MIT
 * lanetune devices: audio devices, and which of them can play and record at once. */
#include "cli.h"

#include "base/alloc.h"

static bool any_across(const lt_devices *d)
{
    bool at[LT_RATES_COUNT];
    for (size_t i = 0; i < d->device_count; i++)
        for (size_t k = 0; k < d->device_count; k++)
            if (lt_devices_across(d, i, k, at))
                return true;
    return false;
}

static int run(cli_args *a)
{
    lt_error err = {0};
    char *text = NULL;
    lt_devices *d = ltp_alloc(1, sizeof *d);
    lt_status status = d != NULL ? lt_devices_list(d, &err) : ltp_fail_nomem(&err, "the list of devices");
    if (status == LT_OK && d->device_count == 0)
        status = ltp_fail(&err, LT_E_IO,
                          "there is no audio device; plug an interface in, or start the sound server, "
                          "and look whether you may use it (group 'audio')");
    if (status == LT_OK && d->pair_count == 0 && !any_across(d))
        lt_notes_add(&a->notes, "no-duplex",
                     "nothing here can play and record at once; measuring needs a device that can, or two");
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, NULL, 0);
        status = lt_json_devices(&head, d, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_devices(d, &text, &err);
    }
    ltp_free(d);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_devices = {
    .name = "devices",
    .words = "",
    .summary = "audio devices, and which can play and record at once",
    .about = "Lists the devices of every sound system on this machine with channels, latencies and sample rates, after "
             "trying which of them open, and the pairs that can play and record at once. Input and output of two sound "
             "systems (--output-host) run on two clocks: the delay of the lane stays unknown then.\n"
             "Other commands take a name as it stands here, or a part of it that fits one device only.",
    .example = "lanetune devices\n",
    .options = NULL,
    .option_count = 0,
    .words_min = 0,
    .words_max = 0,
    .run = run,
};
