/* SPDX-License-Identifier: MIT
 * Makes each allocation of a call fail in turn. Only test builds (LT_FAULTS) can; others skip.
 *
 *     static lt_status make(void *context, lt_error *err) { ... create, check that out is NULL on failure, free ... }
 *     assert_survives_faults(make, &context); */
#ifndef LT_TESTS_FAULT_H
#define LT_TESTS_FAULT_H

#include "base/alloc.h"
#include "near.h"

/** Calls make with allocation 0, 1, 2 ... failing until it succeeds. Fails the test if the error is not LT_E_NOMEM with
 * a text, or if no allocation was made at all. Leaks are the part of the leak sanitizer. */
static inline void assert_survives_faults(lt_status (*make)(void *context, lt_error *err), void *context)
{
#ifndef LT_FAULTS
    (void)make;
    (void)context;
    skip();
#else
    for (long n = 0; n < 10000; n++) {
        lt_error err = {0};
        ltp_fault_after(n);
        const lt_status st = make(context, &err);
        ltp_fault_after(-1);
        if (st == LT_OK) {
            assert_true(n > 0);
            return;
        }
        assert_int_equal(st, LT_E_NOMEM);
        assert_int_equal(err.status, LT_E_NOMEM);
        assert_true(err.what[0] != '\0');
    }
    fail_msg("it never succeeded");
#endif
}

#endif
