/* SPDX-License-Identifier: MIT
 * Stopping while nothing is played and a result is computed: a thread looks at keys and signals, and leaves for all. */
#include "live.h"

#include <time.h>
#include <unistd.h>

#define LOOK_EVERY_NS 20000000L

static int look_out(void *context)
{
    cli_live *l = context;
    const struct timespec nap = {.tv_nsec = LOOK_EVERY_NS};
    while (!atomic_load(&l->guard_over)) {
        if (cli_live_asked_to_stop(l)) {
            cli_live_said said;
            (void)snprintf(said, sizeof said, "%s", l->stopped);
            if (l->on_stop != NULL)
                l->on_stop(l->on_stop_context, said);
            cli_live_restore(l);
            cli_message(l->args->command->name, said);
            _exit(CLI_FAILED); /* the other thread computes on; nothing of it is half written */
        }
        (void)thrd_sleep(&nap, NULL);
    }
    return 0;
}

void cli_live_guard(cli_live *l, void (*on_stop)(void *context, cli_live_said said), void *context)
{
    l->on_stop = on_stop;
    l->on_stop_context = context;
    atomic_store(&l->guard_over, false);
    cli_live_computes(l);
    l->guarded = thrd_create(&l->guard, look_out, l) == thrd_success; /* without one, stopping waits for the result */
}

void cli_live_unguard(cli_live *l)
{
    if (l->guarded) {
        atomic_store(&l->guard_over, true);
        (void)thrd_join(l->guard, NULL);
    }
    l->guarded = false;
    cli_live_clear(l);
}
