/* SPDX-License-Identifier: MIT
 * Single values of a YAML file: numbers, counts, words and texts with their ranges. */
#include "base/alloc.h"
#include "site/yaml.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const cyaml_schema_value_t ltp_yaml_leaf = {CYAML_VALUE_STRING(CYAML_FLAG_POINTER, char *, 0, CYAML_UNLIMITED)};

bool ltp_yaml_is_null(const char *leaf)
{
    static const char *const nulls[] = {"", "~", "null", "Null", "NULL"};
    for (size_t i = 0; leaf != NULL && i < LTP_COUNT(nulls); i++)
        if (strcmp(leaf, nulls[i]) == 0)
            return true;
    return false;
}

static bool wanted(const ltp_yaml *y, const char *leaf)
{
    return y->status == LT_OK && leaf != NULL;
}

static const char *skip_digits(const char *p, unsigned long long *mantissa, int *kept, int *dropped)
{
    for (; *p >= '0' && *p <= '9'; p++) {
        if (*kept < 18) {
            *mantissa = 10 * *mantissa + (unsigned long long)(*p - '0');
            *kept += *mantissa > 0;
        } else {
            ++*dropped;
        }
    }
    return p;
}

/* "e-3" and the like; what does not fit stays where it was, and the caller finds it. */
static const char *read_exponent(const char *p, int *exponent)
{
    if (*p != 'e' && *p != 'E')
        return p;
    const char *q = p + 1;
    const bool negative = *q == '-';
    q += *q == '-' || *q == '+';
    if (*q < '0' || *q > '9')
        return p;
    int e = 0;
    for (; *q >= '0' && *q <= '9'; q++)
        e = e < 10000 ? 10 * e + (*q - '0') : e;
    *exponent = negative ? -e : e;
    return q;
}

/* mantissa 10^exponent. What a person writes has at most 15 digits and a small power of ten: both are exact in double,
 * and one operation rounds once, on every machine. */
static double scale(unsigned long long mantissa, int exponent)
{
    static const double exact_powers[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8,  1e9,  1e10, 1e11,
                                          1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};
    const int places = exponent < 0 ? -exponent : exponent;
    if (mantissa <= 1ULL << 53 && places < (int)LTP_COUNT(exact_powers))
        return exponent < 0 ? (double)mantissa / exact_powers[places] : (double)mantissa * exact_powers[places];
    const long double power = powl(10.0L, (long double)places);
    return (double)(exponent < 0 ? (long double)mantissa / power : (long double)mantissa * power);
}

/* Decimal numbers as a person writes them. The C library's own function would follow the decimal comma of a locale. */
static bool parse_number(const char *s, double *value)
{
    unsigned long long mantissa = 0;
    int kept = 0, dropped = 0, point_dropped = 0, exponent = 0;
    const bool negative = *s == '-';
    const char *p = s + (*s == '-' || *s == '+');
    const char *whole = p;
    p = skip_digits(p, &mantissa, &kept, &dropped);
    long digits = p - whole;
    exponent = dropped;
    if (*p == '.') {
        const char *fraction = ++p;
        p = skip_digits(p, &mantissa, &kept, &point_dropped);
        digits += p - fraction;
        exponent -= (int)(p - fraction) - point_dropped;
    }
    int e = 0;
    p = read_exponent(p, &e);
    if (digits == 0 || *p != '\0' || digits > 1000)
        return false;
    const double x = scale(mantissa, exponent + e);
    *value = negative ? -x : x;
    return isfinite(x) != 0;
}

static void fail_range(ltp_yaml *y, const char *leaf, double lowest, double highest, bool null_too)
{
    const bool comma = strchr(leaf, ',') != NULL && strspn(leaf, "+-0123456789,") == strlen(leaf);
    (void)ltp_yaml_fail(y, leaf, "", "'%.60s' is not allowed; a number from %g to %g%s is needed%s", leaf, lowest,
                        highest, null_too ? " or null" : "", comma ? " (with a decimal point)" : "");
}

void ltp_yaml_number(ltp_yaml *y, const char *leaf, double lowest, double highest, double *value)
{
    double x = 0.0;
    if (!wanted(y, leaf))
        return;
    if (!parse_number(leaf, &x) || !(x >= lowest && x <= highest))
        fail_range(y, leaf, lowest, highest, false);
    else
        *value = x;
}

void ltp_yaml_number_or_null(ltp_yaml *y, const char *leaf, double lowest, double highest, double null_value,
                             double *value)
{
    double x = 0.0;
    if (!wanted(y, leaf))
        return;
    if (ltp_yaml_is_null(leaf))
        *value = null_value;
    else if (!parse_number(leaf, &x) || !(x >= lowest && x <= highest))
        fail_range(y, leaf, lowest, highest, true);
    else
        *value = x;
}

void ltp_yaml_count(ltp_yaml *y, const char *leaf, unsigned lowest, unsigned highest, unsigned *value)
{
    double x = 0.0;
    if (!wanted(y, leaf))
        return;
    if (!parse_number(leaf, &x) || !(x >= lowest && x <= highest) || x - floor(x) > 0.0)
        (void)ltp_yaml_fail(y, leaf, "", "'%.60s' is not allowed; a whole number from %u to %u is needed", leaf, lowest,
                            highest);
    else
        *value = (unsigned)x;
}

void ltp_yaml_flag(ltp_yaml *y, const char *leaf, bool *value)
{
    static const char *const words[] = {"false", "true"};
    unsigned i = *value ? 1 : 0;
    ltp_yaml_choice(y, leaf, words, 2, &i);
    *value = i == 1;
}

void ltp_yaml_text(ltp_yaml *y, const char *leaf, char *value, size_t size)
{
    if (!wanted(y, leaf))
        return;
    const size_t n = ltp_yaml_is_null(leaf) ? 0 : strlen(leaf);
    if (n >= size) {
        (void)ltp_yaml_fail(y, leaf, "", "the text has %zu bytes; at most %zu are kept, shorten it", n, size - 1);
        return;
    }
    memcpy(value, leaf, n);
    value[n] = '\0';
}

void ltp_yaml_choice(ltp_yaml *y, const char *leaf, const char *const *words, size_t count, unsigned *value)
{
    char list[256] = "";
    size_t used = 0;
    if (!wanted(y, leaf))
        return;
    for (size_t i = 0; i < count; i++) {
        if (strcmp(leaf, words[i]) == 0) {
            *value = (unsigned)i;
            return;
        }
        const int n = snprintf(list + used, sizeof list - used, "%s%s", i == 0 ? "" : ", ", words[i]);
        used += n > 0 && (size_t)n < sizeof list - used ? (size_t)n : 0;
    }
    (void)ltp_yaml_fail(y, leaf, "", "'%.60s' is not one of %s", leaf, list);
}
