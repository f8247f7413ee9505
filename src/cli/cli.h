/* SPDX-License-Identifier: MIT
 * What the commands share: one table a command that drives parsing and help, the way results and failures are printed,
 * and the exit status. */
#ifndef CLI_CLI_H
#define CLI_CLI_H

#include <lanetune/lanetune.h>

#include <stdio.h>

/** Exit status of the command. */
enum { CLI_DONE = 0, CLI_FAILED = 1, CLI_WRONG_USAGE = 2, CLI_LIMIT_MISSED = 3 };

/* ---- the table of a command ---- */

typedef enum {
    CLI_FLAG,   /* no value */
    CLI_NUMBER, /* a finite number in [min, max] */
    CLI_COUNT,  /* a whole number in [min, max] */
    CLI_TEXT,   /* any text: a path, a name, a date */
    CLI_CHOICE  /* one of the words in `choices` */
} cli_kind;

typedef struct {
    const char *name; /* without the dashes */
    cli_kind kind;
    const char *value;    /* what --help calls the value: "HZ"; NULL for a flag */
    const char *help;     /* one sentence, without the default */
    const char *fallback; /* default as --help shows it; NULL = none worth a word */
    double min, max;      /* CLI_NUMBER, CLI_COUNT */
    const char *choices;  /* CLI_CHOICE: "one|two|three"; "four-N" = four-1, four-2, ... */
} cli_option;

enum { CLI_OPTIONS_MAX = 24, CLI_MANY = 1000 };

typedef struct cli_args cli_args;
typedef struct {
    const char *name;
    const char *words;   /* what stands after the name in the usage line: "REC.wav" */
    const char *summary; /* one line of lanetune --help */
    const char *about;   /* what --help explains; paragraphs are separated by a newline */
    const char *example; /* lines as one would type them, each ended by a newline */
    const cli_option *options;
    size_t option_count;
    size_t words_min, words_max;
    int (*run)(cli_args *a);
} cli_command;

extern const cli_command cmd_new, cmd_stimulus, cmd_response, cmd_noise, cmd_speech_level, cmd_sii, cmd_sti, cmd_margin,
    cmd_tune, cmd_compare, cmd_report, cmd_simulate, cmd_demo, cmd_devices;
extern const cli_command cmd_scan;
extern const cli_command cmd_echo;

extern const cli_command cmd_switching;

/** Options that every command has. */
extern const cli_option cli_common_options[];
extern const size_t cli_common_option_count;

/* ---- parsed arguments ---- */

struct cli_args {
    const cli_command *command;
    char *values[CLI_OPTIONS_MAX];   /* by option: the command's own, then the common ones; NULL = not given */
    double numbers[CLI_OPTIONS_MAX]; /* of CLI_NUMBER and CLI_COUNT */
    const char **words;              /* [word_count] what is no option */
    size_t word_count;
    bool json;
    bool help;
    lt_notes notes; /* doubts that the command itself has */
    void *context;  /* the parser's own */
};

/** Parse what stands behind the command's name (argv[0] is that name). CLI_DONE, or CLI_WRONG_USAGE after a line. */
int cli_parse(const cli_command *command, int argc, const char **argv, cli_args *a);
void cli_args_free(cli_args *a);

bool cli_given(const cli_args *a, const char *option);
double cli_number(const cli_args *a, const char *option, double otherwise);
unsigned cli_count(const cli_args *a, const char *option, unsigned otherwise);
const char *cli_text(const cli_args *a, const char *option, const char *otherwise);
bool cli_flag(const cli_args *a, const char *option);

/** The word of `candidates` that is nearest to `word`; NULL if none is near. */
const char *cli_nearest(const char *word, const char *const *candidates, size_t count);

/* ---- output ---- */

/** "lanetune COMMAND: what; see lanetune COMMAND --help" on standard error; CLI_WRONG_USAGE. */
int cli_usage(const cli_command *command, const char *format, ...) LT_PRINTF(2, 3);
/** "lanetune COMMAND: what" on standard error; CLI_FAILED. */
int cli_fail(const cli_args *a, const lt_error *err);
/** Put the file's name in front of a message that does not say which file is meant. */
void cli_name_file(lt_error *err, const char *path);
/** As cli_fail, with a text of our own. */
int cli_fail_with(const cli_args *a, const char *format, ...) LT_PRINTF(2, 3);
/** The command's own notes on standard error (in JSON they stand among the warnings). */
void cli_show_notes(const cli_args *a);
/** A message on standard error: "lanetune COMMAND: text". */
void cli_message(const char *command, const char *text);
/** Write to standard output; false after a line on standard error if it cannot be written. */
bool cli_write(const char *command, const char *text);
/** The usual end: status == LT_OK prints text (taken over), anything else is a failure. */
int cli_finish(cli_args *a, lt_status status, const lt_error *err, char *text);
/** Head of the JSON result: the command, these inputs and the command's own notes. */
lt_json_head cli_json_head(const cli_args *a, const char *const *inputs, size_t count);

int cli_help(const cli_command *command);
int cli_help_all(const cli_command *const *commands, size_t count);

/* ---- progress and interruption ---- */

/** lt_progress that draws a bar on a terminal; context: cli_progress_state. */
typedef struct {
    bool on_terminal;
    size_t shown;    /* columns drawn */
    bool stop_here;  /* a held-back Ctrl-C may take effect between two steps */
    double from, to; /* the part of the bar that the job at hand fills */
    double done;     /* where the bar stands; it never runs back */
} cli_progress_state;
cli_progress_state cli_progress_start(void);
/** One bar for several jobs: the next one fills `share` of what is left of it. */
void cli_progress_next(cli_progress_state *p, double share);
void cli_progress(void *context, const char *what, double fraction);
void cli_progress_end(cli_progress_state *p);

/** Hold Ctrl-C and its like back while a file is written, so that none stays behind half written. */
void cli_hold_signals(void);
void cli_release_signals(void);

/* ---- files ---- */

/** One channel of a sound file; --channel (or `channel_option`) chooses it, else the first with a note. */
LT_NODISCARD lt_status cli_load(cli_args *a, const char *path, const char *channel_option, lt_signal **out,
                                lt_error *err);
/** Channel (0-based) that an option chooses in a file of `channels`; a note where none was chosen. */
unsigned cli_channel(cli_args *a, const char *path, const char *channel_option, unsigned channels);
/** LT_E_ARG if something would be lost at path: a file with content, unless --force is given. */
LT_NODISCARD lt_status cli_may_write(const cli_args *a, const char *path, lt_error *err);
/** True if both paths are the same existing file. */
bool cli_same_file(const char *a, const char *b);
LT_NODISCARD lt_status cli_save_wav(cli_args *a, const char *path, const lt_signal *s, lt_audio_encoding encoding,
                                    lt_error *err);
LT_NODISCARD lt_status cli_save_text(const char *path, const char *text, lt_error *err);
/** Draws one chart from `what`: one of the lt_figure functions behind a cast-free wrapper. */
typedef lt_status (*cli_draw)(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                              size_t *bytes, lt_error *err);
/** Option of every command that can draw its result; see cli_save_figure(). */
#define CLI_CHART_OPTION                                                                                               \
    {                                                                                                                  \
        "chart", CLI_TEXT, "FILE", "draw the result into FILE.svg or FILE.png", NULL, 0, 0, NULL                       \
    }
/** Whether the name after --chart, if the command has that option, can be one: looked at before any command runs. */
LT_NODISCARD lt_status cli_check_figure(const cli_args *a, lt_error *err);
/** Write the chart that --chart asks for; nothing without that option. An older chart there is replaced. */
LT_NODISCARD lt_status cli_save_figure(const cli_args *a, cli_draw draw, const void *what, lt_error *err);
/** A folder for passing files, removed with all it holds by cli_remove_scratch(). Between both, signals are held. */
LT_NODISCARD lt_status cli_make_scratch(char *path, size_t bytes, lt_error *err);
void cli_remove_scratch(const char *path);
/** dir and name joined by one slash; LT_E_ARG if longer than `bytes`. */
LT_NODISCARD lt_status cli_join(char *out, size_t bytes, const char *dir, const char *name, lt_error *err);

/* ---- a site: measure, tune, keep the results ---- */

typedef struct {
    lt_survey *survey;
    lt_tune_result *results; /* [count] */
    size_t count;
    size_t surveyed; /* lanes in the survey, those without a recording at its end included */
    bool one_lane;   /* of several: asked for with --lane */
} cli_site;
/** Measure a visit and choose settings. lane 0 = all. visit NULL = the latest. */
LT_NODISCARD lt_status cli_site_run(const char *dir, const char *visit, unsigned lane, cli_site *out, lt_error *err);
/** *out = lane, or 0 where it shares a knob with others, which must then be looked at together. */
LT_NODISCARD lt_status cli_lane_to_measure(const char *dir, unsigned lane, unsigned *out, lt_error *err);
/** Write visits/DATE/results.json, unless one lane of several was asked for. */
LT_NODISCARD lt_status cli_site_save_results(const char *dir, const cli_site *s, lt_error *err);
/** Measure a visit, choose settings, and write results.json and DIR/report.html; what is left of the bar is its own. */
LT_NODISCARD lt_status cli_site_report(const char *dir, const char *visit, cli_progress_state *bar, cli_site *out,
                                       lt_error *err);
void cli_site_free(cli_site *s);
/** Record a scenario into DIR and write its truth beside it. */
LT_NODISCARD lt_status cli_scenario_run(const lt_scenario *scenario, const char *dir, cli_progress_state *bar,
                                        lt_error *err);

#endif
