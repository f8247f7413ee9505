/* SPDX-License-Identifier: MIT
 * Playing and recording for the commands: the terminal, what stops a take, and what is shown meanwhile.
 *
 * Signals are held back while a device runs, and looked for every few milliseconds: so each of them fades the sound
 * out, leaves the folder in order and ends with one line. */
#include "live.h"
#include "terminal.h"

#include "base/alloc.h"

#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { BAR = 24, BAR_LEAST = 6, WHAT = 24, SAID_BYTES = 2048, FAST_BLOCK = 4096 };
#define FAST_S 0.125 /* time constant "Fast", IEC 61672-1 */
#define DRAW_EVERY_S 0.1
#define SAY_EVERY_S 10.0 /* on a terminal that cannot draw a line again */
#define FULL_PEAK 0.999

/* ---- begin and end ---- */

int cli_live_begin(cli_live *l, cli_args *a)
{
    l->args = a;
    l->keys = isatty(STDIN_FILENO) == 1;
    l->shows = isatty(STDERR_FILENO) == 1;
    l->redraws = cli_redraws();
    l->without_asking = cli_flag(a, "yes");
    l->opt = lt_live_default_options();
    l->opt.host = cli_text(a, "host", NULL);
    l->opt.input = cli_text(a, "input", NULL);
    l->opt.output_host = cli_text(a, "output-host", NULL);
    l->opt.output = cli_text(a, "output", l->opt.output_host == NULL ? l->opt.input : NULL);
    l->opt.rate_hz = cli_number(a, "rate", 48000.0);
    l->opt.output_channel = cli_count(a, "out-channel", 1);
    l->opt.input_channels = cli_count(a, "in-channel", 1);
    l->channel = l->opt.input_channels - 1;
    l->cal_db = l->spl_cal_db = (double)NAN;
    if (!l->keys && !l->without_asking)
        return cli_usage(a->command, "nobody can answer here before the first sound; say --yes if headsets are off, "
                                     "ears near the lane speaker protected and the lane is free");
    cli_hold_signals();
    if (l->keys && tcgetattr(STDIN_FILENO, &l->terminal) == 0) {
        struct termios t = l->terminal;
        t.c_lflag &= ~(tcflag_t)(ICANON | ECHO); /* ISIG stays: Ctrl-C is a signal */
        t.c_cc[VMIN] = 0;
        t.c_cc[VTIME] = 0;
        l->terminal_changed = tcsetattr(STDIN_FILENO, TCSANOW, &t) == 0;
    }
    return CLI_DONE;
}

static void swallow_signals(void)
{
    sigset_t set;
    const struct timespec now = {0};
    (void)sigemptyset(&set);
    (void)sigaddset(&set, SIGINT);
    (void)sigaddset(&set, SIGTERM);
    (void)sigaddset(&set, SIGHUP);
    (void)sigaddset(&set, SIGQUIT);
    while (sigtimedwait(&set, NULL, &now) > 0)
        ;
}

static void clear_line(cli_live *l)
{
    const size_t room = cli_columns() - 1; /* the terminal may have become narrower */
    if (l->shown > 0)
        (void)fprintf(stderr, "\r%*s\r", (int)(l->shown < room ? l->shown : room), "");
    l->shown = 0;
}

void cli_live_clear(cli_live *l)
{
    clear_line(l);
}

void cli_live_computes(cli_live *l)
{
    clear_line(l);
    if (!l->redraws)
        return;
    const int n = fprintf(stderr, "computing ...");
    l->shown = n > 0 ? (size_t)n : 0;
    (void)fflush(stderr);
}

void cli_live_restore(cli_live *l)
{
    clear_line(l);
    if (l->terminal_changed)
        (void)tcsetattr(STDIN_FILENO, TCSANOW, &l->terminal);
    l->terminal_changed = false;
}

void cli_live_resume(cli_live *l, cli_live_said why)
{
    (void)snprintf(why, sizeof(cli_live_said), "%s", l->stopped);
    if (l->stopped[0] != '\0')
        swallow_signals();
    l->stopped[0] = '\0';
}

void cli_live_end(cli_live *l)
{
    cli_live_restore(l);
    swallow_signals(); /* they have had their effect, or come too late for one: all is in place */
    cli_release_signals();
}

/* ---- keys and signals ---- */

static void stop(cli_live *l, const char *format, ...) LT_PRINTF(2, 3);
static void stop(cli_live *l, const char *format, ...)
{
    if (l->stopped[0] != '\0')
        return;
    va_list args;
    va_start(args, format);
    (void)vsnprintf(l->stopped, sizeof l->stopped, format, args);
    va_end(args);
}

/* The next key; '\0' for none. Of the bytes of an arrow or function key only ESC followed by nothing is ESC. */
static char read_key(cli_live *l)
{
    char bytes[16];
    struct pollfd p = {.fd = STDIN_FILENO, .events = POLLIN};
    if (!l->keys || poll(&p, 1, 0) <= 0)
        return '\0';
    const ssize_t n = read(STDIN_FILENO, bytes, sizeof bytes);
    if (n <= 0)
        l->keys = false; /* the terminal has gone; SIGHUP comes too */
    if (n <= 0 || (bytes[0] == '\033' && n > 1))
        return '\0';
    return bytes[0] != '\0' ? bytes[0] : ' ';
}

static bool is_pending(const sigset_t *set, int number)
{
    return sigismember(set, number) == 1;
}

static void look(cli_live *l)
{
    sigset_t set;
    if (sigpending(&set) == 0) {
        if (is_pending(&set, SIGINT))
            stop(l, "stopped by Ctrl-C");
        else if (is_pending(&set, SIGQUIT))
            stop(l, "stopped by Ctrl-\\");
        else if (is_pending(&set, SIGTERM))
            stop(l, "stopped from outside (SIGTERM)");
        else if (is_pending(&set, SIGHUP))
            stop(l, "stopped, for the terminal was closed");
    }
    const char key = read_key(l);
    if (key == '\033' || key == 'q' || key == 'Q')
        stop(l, "stopped by %s", key == '\033' ? "ESC" : "the key q");
    else if (key != '\0')
        l->pressed = key;
}

bool cli_live_asked_to_stop(cli_live *l)
{
    look(l);
    return l->stopped[0] != '\0';
}

bool cli_live_key(cli_live *l)
{
    look(l);
    if (l->pressed == '\0' || l->stopped[0] != '\0')
        return false;
    l->key = l->pressed;
    l->pressed = '\0';
    return true;
}

lt_status cli_live_choose_channel(cli_live *l, const cli_args *a, unsigned usual, const char *field, lt_error *err)
{
    const unsigned channel = cli_count(a, "in-channel", usual);
    if (channel < 1 || channel > LT_LIVE_CHANNELS_MAX)
        return ltp_fail(err, LT_E_ARG, "visit.yaml: %s is %u; at most %d inputs are recorded", field, channel,
                        (int)LT_LIVE_CHANNELS_MAX);
    l->opt.input_channels = channel;
    l->channel = channel - 1;
    return LT_OK;
}

bool cli_live_wait_key(cli_live *l, const char *prompt)
{
    if (l->without_asking)
        return !cli_live_asked_to_stop(l);
    cli_live_say(l, "%s", prompt);
    l->pressed = '\0'; /* before the question: no answer */
    while (l->keys && l->stopped[0] == '\0') {
        const struct timespec nap = {.tv_nsec = 20000000L};
        if (cli_live_key(l))
            return true;
        (void)nanosleep(&nap, NULL);
    }
    stop(l, "stopped, for the terminal was closed");
    return false;
}

void cli_live_say(cli_live *l, const char *format, ...)
{
    char text[SAID_BYTES];
    va_list args;
    clear_line(l);
    if (l->without_asking && !l->shows)
        return;
    va_start(args, format);
    (void)vsnprintf(text, sizeof text, format, args);
    va_end(args);
    cli_print_wrapped(text);
}

/* ---- a take is watched ---- */

typedef struct {
    cli_live *live;
    const char *what;
    const lt_signal *stimulus;
    lt_howl *howl;
    double mean_square, mean_square_mic; /* Fast; of the channel that is kept and of the one that is watched */
    double peak, drawn_s;
    uint64_t full; /* samples at the converter's end; a float path goes beyond unharmed */
    cli_live_step step;
    void *context;
    bool ended; /* by step */
} watcher;

/* Of the stimulus, at this frame of the recording. */
static double played_at(const watcher *w, uint64_t frame, uint64_t lead)
{
    return w->stimulus != NULL && frame >= lead && frame - lead < w->stimulus->count
               ? w->stimulus->samples[frame - lead]
               : 0.0;
}

static void hear(watcher *w, const lt_live_view *v)
{
    cli_live *l = w->live;
    double heard[FAST_BLOCK], played[FAST_BLOCK];
    const double decay = exp(-1.0 / (FAST_S * v->rate_hz));
    const uint64_t first = v->frames - v->newest_frames;
    if (l->channel >= v->channels || v->newest == NULL)
        return;
    for (size_t at = 0; at < v->newest_frames;) {
        size_t n = 0;
        for (; n < FAST_BLOCK && at + n < v->newest_frames; n++) {
            const double x = (double)v->newest[(at + n) * v->channels + l->channel];
            heard[n] = x;
            played[n] = played_at(w, first + at + n, v->lead_frames);
            w->mean_square = decay * w->mean_square + (1.0 - decay) * x * x;
            w->full += fabs(x) >= FULL_PEAK && fabs(x) < 2.0 - FULL_PEAK;
            if (l->spl_channel < v->channels) {
                const double y = (double)v->newest[(at + n) * v->channels + l->spl_channel];
                w->mean_square_mic = decay * w->mean_square_mic + (1.0 - decay) * y * y;
            }
        }
        lt_howl_event e;
        if (w->howl != NULL && lt_howl_push(w->howl, heard, played, n, &e))
            stop(l,
                 "stopped: the intercom began to howl at %.0f Hz; turn the outbound or inbound gain down, or measure "
                 "with the loop opened",
                 e.hz);
        at += n;
    }
    l->clipped = l->refuses_clipped && (double)w->full > CLI_CLIPPED_MOST * (double)v->total_frames;
    const double spl_db = lt_dbfs_from_mean_square(w->mean_square_mic) + l->spl_cal_db;
    if (w->stimulus != NULL && first < w->stimulus->count + v->lead_frames &&
        spl_db > l->max_spl_db) /* false for NaN */
        stop(l,
             "stopped: %.0f dB SPL at the measurement microphone, %.0f are allowed (--max-spl); play at a lower level",
             spl_db, l->max_spl_db);
}

/* "0:07/0:12": time that has passed and the whole, where there is one. */
static void put_time(char *out, size_t bytes, double at_s, double total_s)
{
    char total[24] = "";
    const unsigned now = (unsigned)at_s, whole = (unsigned)ceil(total_s);
    if (whole > 0)
        (void)snprintf(total, sizeof total, "/%u:%02u", whole / 60, whole % 60);
    (void)snprintf(out, bytes, "%u:%02u%s", now / 60, now % 60, total);
}

/* The bar takes what the figures and the name leave of the line; a narrow terminal loses first the bar, then the name.
 */
static void put_line(cli_live *l, const lt_live_view *v, const char *figures, const char *what)
{
    char bar[BAR + 2] = "";
    const size_t room = cli_columns() - 1, used = strlen(figures) + 2 + strlen(what);
    size_t width = room > used + 1 ? room - used - 1 : 0;
    width = width > BAR ? BAR : width;
    if (v->total_frames > 0 && width >= BAR_LEAST) {
        const double part = fmin(1.0, (double)v->frames / (double)v->total_frames);
        const size_t filled = (size_t)lround((double)width * part);
        memset(bar, '#', filled);
        memset(bar + filled, '.', width - filled);
        bar[width] = ' ';
        bar[width + 1] = '\0';
    }
    const int left = (int)room - (int)strlen(bar) - (int)strlen(figures) - 2;
    const int n = left > 0 ? fprintf(stderr, "\r%s%s  %-*.*s", bar, figures, WHAT < left ? WHAT : left, left, what)
                           : fprintf(stderr, "\r%.*s", (int)room, figures);
    l->shown = n > 1 ? (size_t)n - 1 : 0;
    (void)fflush(stderr);
}

static void draw(watcher *w, const lt_live_view *v)
{
    cli_live *l = w->live;
    const double at_s = (double)v->frames / v->rate_hz;
    if (!l->shows || at_s - w->drawn_s < (l->redraws ? DRAW_EVERY_S : SAY_EVERY_S))
        return;
    char level[40], elapsed[48], figures[120];
    const double level_db = lt_dbfs_from_mean_square(w->mean_square);
    if (!isfinite(level_db))
        (void)snprintf(level, sizeof level, "     silence");
    else if (lt_is_known(l->cal_db))
        (void)snprintf(level, sizeof level, "%5.1f dB SPL", level_db + l->cal_db);
    else
        (void)snprintf(level, sizeof level, "%7.1f dBFS", level_db);
    put_time(elapsed, sizeof elapsed, at_s, (double)v->total_frames / v->rate_hz);
    (void)snprintf(figures, sizeof figures, "%s %s%s", elapsed, level, w->peak >= FULL_PEAK ? " CLIPS" : "      ");
    if (l->redraws)
        put_line(l, v, figures, w->what);
    else
        cli_live_say(l, "%s  %s", figures, w->what);
    w->drawn_s = at_s;
    w->peak = 0.0;
}

static bool watch(void *context, const lt_live_view *v)
{
    watcher *w = context;
    if (v->channels == 0) /* the device is not open yet */
        return !cli_live_asked_to_stop(w->live);
    if (w->live->channel < v->channels)
        w->peak = fmax(w->peak, v->peak[w->live->channel]);
    hear(w, v);
    draw(w, v);
    look(w->live);
    if (w->step != NULL && !w->ended && !w->step(w->context, (double)v->frames / v->rate_hz))
        w->ended = true;
    w->live->pressed = '\0'; /* nobody wanted it */
    return w->live->stopped[0] == '\0' && !w->ended && !w->live->clipped;
}

/* The channel is silent and another one is not: its number, counted from 1; 0 = no such thing. */
static unsigned loudest_other(const cli_live *l, const lt_take *t)
{
    unsigned loudest = 0;
    double most = 0.0;
    if (t == NULL || !t->all_zero || l->channel >= t->channel_count || lt_signal_peak(t->channels[l->channel]) > 0.0)
        return 0;
    for (unsigned c = 0; c < t->channel_count; c++) {
        const double peak = lt_signal_peak(t->channels[c]);
        loudest = peak > most ? c + 1 : loudest;
        most = fmax(most, peak);
    }
    return loudest;
}

lt_status cli_live_take(cli_live *l, const char *what, const lt_signal *stimulus, double seconds, lt_take **out,
                        lt_error *err)
{
    watcher w = {.live = l, .what = what, .stimulus = stimulus};
    lt_error why = {0};
    *out = NULL;
    l->clipped = false;
    if (cli_live_asked_to_stop(l))
        return ltp_fail(err, LT_E_STATE, "%s", l->stopped);
    lt_status st = stimulus != NULL ? lt_howl_create(l->opt.rate_hz, &w.howl, err) : LT_OK;
    if (st != LT_OK)
        return st;
    st = lt_live_play_record(&l->opt, stimulus, seconds, watch, &w, out, &why);
    l->device_failed = st == LT_E_IO;
    clear_line(l);
    lt_howl_free(w.howl);
    if (l->stopped[0] != '\0' || (st == LT_OK && !(*out)->complete)) {
        lt_take_free(*out);
        *out = NULL;
        if (l->stopped[0] == '\0' && l->clipped)
            return ltp_fail(err, LT_E_CLIP,
                            "the recording clips; turn the input gain of the interface or --level down and measure "
                            "again");
        return ltp_fail(err, LT_E_STATE, "%s", l->stopped[0] != '\0' ? l->stopped : "stopped before its end");
    }
    if (st != LT_OK) {
        const unsigned other = loudest_other(l, *out);
        lt_take_free(*out);
        *out = NULL;
        if (other > 0)
            return ltp_fail(err, st,
                            "input %u delivers nothing but digital silence, input %u does not; look whether the plugs "
                            "are swapped, or choose with --in-channel",
                            l->channel + 1, other);
        return ltp_fail(err, st, "%s", why.what);
    }
    l->used = (*out)->used;
    l->heard_channels = (*out)->channel_count;
    return LT_OK;
}

lt_status cli_live_file(cli_live *l, const char *what, const char *path, double seconds, cli_live_step each_step,
                        void *context, lt_live_recorded *out, lt_error *err)
{
    watcher w = {.live = l, .what = what, .step = each_step, .context = context};
    if (cli_live_asked_to_stop(l))
        return ltp_fail(err, LT_E_STATE, "%s", l->stopped);
    const lt_status st = lt_live_record_file(&l->opt, path, seconds, watch, &w, out, err);
    l->device_failed = st == LT_E_IO;
    clear_line(l);
    l->used = out->used;
    return st;
}

void cli_live_device(const cli_live *l, char *out, size_t bytes)
{
    (void)snprintf(out, bytes, "%s: %s", l->used.host, l->used.input);
}

void cli_live_devices(const cli_live *l, char *out, size_t bytes)
{
    const lt_live_used *u = &l->used;
    if (strcmp(u->host, u->output_host) == 0 && strcmp(u->input, u->output) == 0)
        cli_live_device(l, out, bytes);
    else
        (void)snprintf(out, bytes, "%s: %.100s, played by %s: %.100s", u->host, u->input, u->output_host, u->output);
}

bool cli_today(char date[32])
{
    const time_t now = time(NULL);
    struct tm local;
    return localtime_r(&now, &local) != NULL && strftime(date, 32, "%Y-%m-%d", &local) > 0;
}
