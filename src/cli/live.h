/* SPDX-License-Identifier: MIT
 * What the commands that play and record share: device options, the terminal, stopping, watching a take. */
#ifndef CLI_LIVE_H
#define CLI_LIVE_H

#include "cli.h"

#include <stdatomic.h>
#include <termios.h>
#include <threads.h>

extern const cli_command cmd_measure, cmd_calibrate;

/** Options that the live commands share; at the end of a command's own. */
#define CLI_YES_OPTION(help)                                                                                           \
    {                                                                                                                  \
        "yes", CLI_FLAG, NULL, help, NULL, 0, 0, NULL                                                                  \
    }
#define CLI_MAX_SPL_OPTION                                                                                             \
    {                                                                                                                  \
        "max-spl", CLI_NUMBER, "DB", "stop above this level at the measurement microphone, once calibrated", "100",    \
            40, 130, NULL                                                                                              \
    }
#define CLI_IN_CHANNEL_OPTION                                                                                          \
    {                                                                                                                  \
        "in-channel", CLI_COUNT, "N", "input that is recorded, counted from 1", "as visit.yaml says", 1, 8, NULL       \
    }
/** Part of the samples that may be clipped; more spoils a sweep. */
#define CLI_CLIPPED_MOST 0.0005
/** Options of the device. */
#define CLI_DEVICE_OPTIONS                                                                                             \
    {"host", CLI_TEXT, "NAME", "sound system, a part of its name is enough", "the usual one", 0, 0, NULL},             \
        {"input", CLI_TEXT, "NAME", "device that records, a part of its name is enough", "the usual one", 0, 0, NULL}, \
        {"output", CLI_TEXT, "NAME", "device that plays", "the one that records", 0, 0, NULL},                         \
        {"output-host", CLI_TEXT, "NAME", "sound system of the device that plays", "that of the other", 0, 0, NULL},   \
        {"out-channel", CLI_COUNT, "N", "output that plays, counted from 1", "1", 1, 64, NULL},                        \
    {                                                                                                                  \
        "rate", CLI_NUMBER, "HZ", "sample rate", "48000", 8000, 192000, NULL                                           \
    }

/** What is said, one line, when a computation is stopped. */
typedef char cli_live_said[512];

typedef struct {
    cli_args *args;
    lt_live_options opt;
    unsigned channel;     /* 0-based: the one that is kept */
    double cal_db;        /* SPL that reads 0 dBFS on that channel; NaN = a line, or not calibrated */
    unsigned spl_channel; /* 0-based: that of the measurement microphone, watched while something plays */
    double spl_cal_db;    /* ... its calibration; NaN = not watched */
    double max_spl_db;    /* while something plays */
    bool keys;            /* standard input is a terminal */
    bool shows;           /* standard error is a terminal */
    bool redraws;         /* ... and can draw a line again */
    bool without_asking;  /* --yes */
    bool terminal_changed;
    bool cautioned; /* the cautions before sound were shown in full */
    bool asked;     /* for a recording, before */
    char key;       /* the last one that went on; '\0' = none yet */
    char pressed;   /* was read while something else was looked for; '\0' = none */
    struct termios terminal;
    size_t shown;            /* columns drawn */
    char stopped[256];       /* why the user or a limit stopped; "" = nothing did */
    bool device_failed;      /* the last take ended for the device */
    bool refuses_clipped;    /* a take that will be refused for it ends at once: LT_E_CLIP */
    bool clipped;            /* it did */
    lt_live_used used;       /* of the last take */
    unsigned heard_channels; /* of the last take */
    thrd_t guard;
    bool guarded;
    _Atomic bool guard_over;
    void (*on_stop)(void *context, cli_live_said said);
    void *on_stop_context;
} cli_live;

/** CLI_DONE, or CLI_WRONG_USAGE after a line: questions cannot be asked and --yes was not given. From here to
 * cli_live_end() signals only ask for an end. */
int cli_live_begin(cli_live *l, cli_args *a);
/** The terminal as it was; signals act again. */
void cli_live_end(cli_live *l);
/** The terminal as it was, and nothing else. */
void cli_live_restore(cli_live *l);
/** Show that something is computed, until something else is shown; take what is drawn away. */
void cli_live_computes(cli_live *l);
void cli_live_clear(cli_live *l);

/** True once Ctrl-C, SIGTERM, SIGHUP, ESC or q came; l->stopped says which. */
bool cli_live_asked_to_stop(cli_live *l);
/** What stopped the last take has been dealt with: what comes now stops anew. `why` takes its words. */
void cli_live_resume(cli_live *l, cli_live_said why);

/** From here to cli_live_unguard() the caller computes (a terminal shows that), prints nothing and leaves files alone.
 * What stops a take then
 * ends the program at once, with status 1 and one line; on_stop (may be NULL) is called before, on a thread of its own,
 * with that line, which it may change. */
void cli_live_guard(cli_live *l, void (*on_stop)(void *context, cli_live_said said), void *context);
void cli_live_unguard(cli_live *l);

/** Wait for a key; false: it was one that stops. With --yes: at once. */
bool cli_live_wait_key(cli_live *l, const char *prompt);
/** Record input --in-channel of the command, else `usual`, which visit.yaml calls `field`. LT_E_ARG: more
 * inputs than can be recorded. */
LT_NODISCARD lt_status cli_live_choose_channel(cli_live *l, const cli_args *a, unsigned usual, const char *field,
                                               lt_error *err);
/** Look for a key without waiting; true for one that goes on. */
bool cli_live_key(cli_live *l);
/** A line on standard error, on a line of its own; nothing where neither questions are asked nor a terminal is there.
 */
void cli_live_say(cli_live *l, const char *format, ...) LT_PRINTF(2, 3);

/** Play (NULL: be silent) and record. LT_E_STATE: stopped, and l->stopped says why. */
LT_NODISCARD lt_status cli_live_take(cli_live *l, const char *what, const lt_signal *stimulus, double seconds,
                                     lt_take **out, lt_error *err);
/** Record the channel alone into a file. Stopped by the user: complete is false, LT_OK. each_step (may be NULL) is
 * called often; false ends the recording in good order. */
typedef bool (*cli_live_step)(void *context, double seconds);
LT_NODISCARD lt_status cli_live_file(cli_live *l, const char *what, const char *path, double seconds,
                                     cli_live_step each_step, void *context, lt_live_recorded *out, lt_error *err);

/** "host: input" of the last take. */
void cli_live_device(const cli_live *l, char *out, size_t bytes);
/** The same, and what played where that is another device: what a loopback is of. */
void cli_live_devices(const cli_live *l, char *out, size_t bytes);

/** Today, like 2024-05-14. False if there is no clock. */
bool cli_today(char date[32]);

#endif
