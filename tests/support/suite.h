/* SPDX-License-Identifier: MIT
 * main() of a test binary that is made of several files. In tests/unit/<layer>.c:
 *
 *     #define SUITES(X) X(dsp_fft) X(dsp_bank)
 *     #include "suite.h"
 *
 * Each name stands for a file of that name, which includes this header (without SUITES) and ends in
 *
 *     SUITE(dsp_fft)
 *     {
 *         const struct CMUnitTest tests[] = {...};
 *         return cmocka_run_group_tests_name("dsp_fft", tests, NULL, NULL);
 *     } */
#ifndef LT_TESTS_SUITE_H
#define LT_TESTS_SUITE_H

/* The declaration comes first, as -Wmissing-prototypes wants it. */
#define SUITE(name)                                                                                                    \
    int name##_tests(void);                                                                                            \
    int name##_tests(void)

#ifdef SUITES
#define X(name) int name##_tests(void);
SUITES(X)
#undef X

int main(void)
{
    int failures = 0;
#define X(name) failures += name##_tests();
    SUITES(X)
#undef X
    return failures == 0 ? 0 : 1;
}
#endif

#endif
