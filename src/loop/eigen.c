/* SPDX-License-Identifier: MIT
 * Eigenvalues of small complex matrices: Householder reduction to Hessenberg form, shifted QR with deflation.
 * Golub, Van Loan: Matrix Computations, 4th edition, 7.4 and 7.5. */
#include "loop/eigen.h"

#include <float.h>
#include <math.h>
#include <string.h>

enum { STEPS_PER_VALUE = 60, BOUND_STEPS = 3, SQUARINGS = 3, ROOT_STEPS = 40 };
static const double squarable = 1e60; /* of a sum of squares: its eighth power is still a number */

double ltp_complex_abs(lt_complex z)
{
    return hypot(z.re, z.im);
}

lt_complex ltp_complex_divide(lt_complex a, lt_complex b)
{
    const double size = fmax(fabs(b.re), fabs(b.im));
    const lt_complex unit = {b.re / size, b.im / size};
    const double power = ltp_complex_power(unit);
    return ltp_complex_scaled(ltp_complex_product(ltp_complex_scaled(a, 1.0 / size), ltp_complex_conjugate(unit)),
                              1.0 / power);
}

lt_complex ltp_complex_sqrt(lt_complex z)
{
    const double size = ltp_complex_abs(z);
    const double re = sqrt(0.5 * (size + fabs(z.re)));
    if (!(re > 0.0))
        return (lt_complex){0.0, 0.0};
    const double other = 0.5 * z.im / re;
    if (z.re >= 0.0)
        return (lt_complex){re, other};
    return (lt_complex){fabs(other), z.im >= 0.0 ? re : -re};
}

/* ---- Hessenberg form ---- */

/* Column k below the subdiagonal becomes 0: a = (1 - 2 v v*) a (1 - 2 v v*), v in rows k + 1 .. n - 1. */
static void reflect(lt_complex *a, size_t n, size_t k)
{
    lt_complex v[LTP_EIGEN_MAX] = {{0.0, 0.0}};
    double below = 0.0;
    for (size_t i = k + 2; i < n; i++)
        below += ltp_complex_power(a[i * n + k]);
    if (!(below > 0.0))
        return;
    const lt_complex first = a[(k + 1) * n + k];
    const double size = ltp_complex_abs(first);
    const double length = sqrt(below + size * size);
    const lt_complex turn = size > 0.0 ? ltp_complex_scaled(first, 1.0 / size) : (lt_complex){1.0, 0.0};
    for (size_t i = k + 1; i < n; i++)
        v[i] = a[i * n + k];
    v[k + 1] = ltp_complex_add(v[k + 1], ltp_complex_scaled(turn, length));
    const double norm = sqrt(below + ltp_complex_power(v[k + 1]));
    for (size_t i = k + 1; i < n; i++)
        v[i] = ltp_complex_scaled(v[i], 1.0 / norm);
    for (size_t column = 0; column < n; column++) {
        lt_complex sum = {0.0, 0.0};
        for (size_t i = k + 1; i < n; i++)
            sum = ltp_complex_add(sum, ltp_complex_product(ltp_complex_conjugate(v[i]), a[i * n + column]));
        for (size_t i = k + 1; i < n; i++)
            a[i * n + column] =
                ltp_complex_subtract(a[i * n + column], ltp_complex_scaled(ltp_complex_product(v[i], sum), 2.0));
    }
    for (size_t row = 0; row < n; row++) {
        lt_complex sum = {0.0, 0.0};
        for (size_t i = k + 1; i < n; i++)
            sum = ltp_complex_add(sum, ltp_complex_product(a[row * n + i], v[i]));
        for (size_t i = k + 1; i < n; i++)
            a[row * n + i] = ltp_complex_subtract(
                a[row * n + i], ltp_complex_scaled(ltp_complex_product(sum, ltp_complex_conjugate(v[i])), 2.0));
    }
}

/* ---- QR ---- */

/* Both eigenvalues of the 2 x 2 block that begins at (i, i). */
static void block_values(const lt_complex *a, size_t n, size_t i, lt_complex *one, lt_complex *two)
{
    const lt_complex p = a[i * n + i];
    const lt_complex s = a[(i + 1) * n + i + 1];
    const lt_complex product = ltp_complex_product(a[i * n + i + 1], a[(i + 1) * n + i]);
    const lt_complex half = ltp_complex_scaled(ltp_complex_subtract(p, s), 0.5);
    const lt_complex root = ltp_complex_sqrt(ltp_complex_add(ltp_complex_product(half, half), product));
    const lt_complex middle = ltp_complex_scaled(ltp_complex_add(p, s), 0.5);
    *one = ltp_complex_add(middle, root);
    *two = ltp_complex_subtract(middle, root);
}

/* The eigenvalue of the last 2 x 2 block that is nearer to its last entry; now and then something else. */
static lt_complex shift_of(const lt_complex *a, size_t n, size_t last, int step)
{
    const lt_complex corner = a[last * n + last];
    if (step % 10 == 9)
        return (lt_complex){fabs(a[last * n + last - 1].re) + fabs(a[last * n + last - 1].im) + corner.re, corner.im};
    lt_complex one;
    lt_complex two;
    block_values(a, n, last - 1, &one, &two);
    const bool first =
        ltp_complex_power(ltp_complex_subtract(one, corner)) < ltp_complex_power(ltp_complex_subtract(two, corner));
    return first ? one : two;
}

/* One QR step on rows and columns first .. last: H - s = QR by Givens rotations, H = RQ + s. */
static void qr_step(lt_complex *a, size_t n, size_t first, size_t last, lt_complex shift)
{
    double cosine[LTP_EIGEN_MAX];
    lt_complex sine[LTP_EIGEN_MAX];
    for (size_t i = first; i <= last; i++)
        a[i * n + i] = ltp_complex_subtract(a[i * n + i], shift);
    for (size_t k = first; k < last; k++) {
        lt_complex *upper = &a[k * n];
        lt_complex *lower = &a[(k + 1) * n];
        const double power = ltp_complex_power(upper[k]);
        const double size = sqrt(power);
        const double length = sqrt(power + ltp_complex_power(lower[k]));
        if (!(length > 0.0)) {
            cosine[k] = 1.0;
            sine[k] = (lt_complex){0.0, 0.0};
            continue;
        }
        const lt_complex turn = size > 0.0 ? ltp_complex_scaled(upper[k], 1.0 / size) : (lt_complex){1.0, 0.0};
        cosine[k] = size / length;
        sine[k] = ltp_complex_scaled(ltp_complex_product(turn, ltp_complex_conjugate(lower[k])), 1.0 / length);
        for (size_t j = k; j <= last; j++) {
            const lt_complex x = upper[j];
            const lt_complex y = lower[j];
            upper[j] = ltp_complex_add(ltp_complex_scaled(x, cosine[k]), ltp_complex_product(sine[k], y));
            lower[j] = ltp_complex_subtract(ltp_complex_scaled(y, cosine[k]),
                                            ltp_complex_product(ltp_complex_conjugate(sine[k]), x));
        }
    }
    for (size_t k = first; k < last; k++)
        for (size_t i = first; i <= k + 1; i++) {
            const lt_complex x = a[i * n + k];
            const lt_complex y = a[i * n + k + 1];
            a[i * n + k] = ltp_complex_add(ltp_complex_scaled(x, cosine[k]),
                                           ltp_complex_product(ltp_complex_conjugate(sine[k]), y));
            a[i * n + k + 1] = ltp_complex_subtract(ltp_complex_scaled(y, cosine[k]), ltp_complex_product(sine[k], x));
        }
    for (size_t i = first; i <= last; i++)
        a[i * n + i] = ltp_complex_add(a[i * n + i], shift);
}

static double size1(lt_complex z)
{
    return fabs(z.re) + fabs(z.im);
}

/* First row of the block that ends at `last` and has no negligible subdiagonal entry. */
static size_t block_start(const lt_complex *a, size_t n, size_t last, double whole)
{
    size_t i = last;
    for (; i > 0; i--) {
        const double beside = size1(a[i * n + i]) + size1(a[(i - 1) * n + i - 1]);
        if (size1(a[i * n + i - 1]) <= DBL_EPSILON * (beside > 0.0 ? beside : whole))
            break;
    }
    return i;
}

void ltp_eigenvalues(lt_complex *a, size_t n, lt_complex *values)
{
    double whole = 0.0;
    for (size_t i = 0; i < n * n; i++)
        whole = fmax(whole, size1(a[i]));
    if (!(whole > 0.0)) {
        memset(values, 0, n * sizeof *values);
        return;
    }
    for (size_t i = 0; i < n * n; i++) /* so that no square runs out of range */
        a[i] = ltp_complex_scaled(a[i], 1.0 / whole);
    for (size_t k = 0; k + 2 < n; k++)
        reflect(a, n, k);
    size_t left = n;
    int step = 0;
    while (left > 0) {
        const size_t last = left - 1;
        const size_t first = block_start(a, n, last, 1.0);
        if (first == last || step >= STEPS_PER_VALUE * (int)n) {
            values[--left] = a[last * n + last];
            step = first == last ? 0 : step;
        } else if (first + 1 == last) {
            block_values(a, n, first, &values[first], &values[last]);
            left -= 2;
            step = 0;
        } else {
            qr_step(a, n, first, last, shift_of(a, n, last, step));
            step++;
        }
    }
    for (size_t i = 0; i < n; i++)
        values[i] = ltp_complex_scaled(values[i], whole);
}

/* ---- eigenvectors ---- */

/* Solve m x = b by elimination with row exchange; a pivot of 0 is replaced by something tiny. m, b overwritten. */
static void solve(lt_complex *m, size_t n, lt_complex *b, double tiny)
{
    for (size_t k = 0; k < n; k++) {
        size_t pivot = k;
        for (size_t i = k + 1; i < n; i++)
            if (size1(m[i * n + k]) > size1(m[pivot * n + k]))
                pivot = i;
        for (size_t j = 0; j < n && pivot != k; j++) {
            const lt_complex kept = m[k * n + j];
            m[k * n + j] = m[pivot * n + j];
            m[pivot * n + j] = kept;
        }
        const lt_complex kept = b[k];
        b[k] = b[pivot];
        b[pivot] = kept;
        if (!(size1(m[k * n + k]) > tiny))
            m[k * n + k] = (lt_complex){tiny, 0.0};
        for (size_t i = k + 1; i < n; i++) {
            const lt_complex factor = ltp_complex_divide(m[i * n + k], m[k * n + k]);
            for (size_t j = k; j < n; j++)
                m[i * n + j] = ltp_complex_subtract(m[i * n + j], ltp_complex_product(factor, m[k * n + j]));
            b[i] = ltp_complex_subtract(b[i], ltp_complex_product(factor, b[k]));
        }
    }
    for (size_t k = n; k-- > 0;) {
        for (size_t j = k + 1; j < n; j++)
            b[k] = ltp_complex_subtract(b[k], ltp_complex_product(m[k * n + j], b[j]));
        b[k] = ltp_complex_divide(b[k], m[k * n + k]);
    }
}

static void inverse_iteration(const lt_complex *a, size_t n, lt_complex value, bool left, lt_complex *x)
{
    double whole = 0.0;
    for (size_t i = 0; i < n * n; i++)
        whole = fmax(whole, size1(a[i]));
    const double tiny = whole > 0.0 ? DBL_EPSILON * whole : DBL_MIN;
    for (size_t i = 0; i < n; i++)
        x[i] = (lt_complex){1.0, 0.1 * (double)i}; /* no eigenvector is likely to be orthogonal to this */
    for (int step = 0; step < 4; step++) {
        lt_complex m[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
        for (size_t i = 0; i < n; i++)
            for (size_t j = 0; j < n; j++)
                m[i * n + j] = left ? ltp_complex_conjugate(a[j * n + i]) : a[i * n + j];
        for (size_t i = 0; i < n; i++)
            m[i * n + i] = ltp_complex_subtract(m[i * n + i], left ? ltp_complex_conjugate(value) : value);
        solve(m, n, x, tiny);
        double power = 0.0;
        for (size_t i = 0; i < n; i++)
            power = fmax(power, size1(x[i]));
        double sum = 0.0;
        for (size_t i = 0; i < n; i++) {
            x[i] = ltp_complex_scaled(x[i], 1.0 / power);
            sum += ltp_complex_power(x[i]);
        }
        for (size_t i = 0; i < n; i++)
            x[i] = ltp_complex_scaled(x[i], 1.0 / sqrt(sum));
    }
}

void ltp_eigenvectors(const lt_complex *a, size_t n, lt_complex value, lt_complex *right, lt_complex *left)
{
    inverse_iteration(a, n, value, false, right);
    inverse_iteration(a, n, value, true, left);
}

/* ---- bounds ---- */

/* out = a a of n x n */
static void square(const lt_complex *a, size_t n, lt_complex *out)
{
    for (size_t i = 0; i < n; i++) {
        lt_complex row[LTP_EIGEN_MAX] = {{0.0, 0.0}};
        for (size_t k = 0; k < n; k++) {
            const lt_complex x = a[i * n + k];
            for (size_t j = 0; j < n; j++)
                row[j] = ltp_complex_add(row[j], ltp_complex_product(x, a[k * n + j]));
        }
        memcpy(out + i * n, row, n * sizeof *row);
    }
}

bool ltp_eigenvalues_below(const lt_complex *a, size_t n, double level)
{
    lt_complex power[2][LTP_EIGEN_MAX * LTP_EIGEN_MAX];
    if (!(level > 0.0))
        return false;
    for (size_t i = 0; i < n * n; i++)
        power[0][i] = ltp_complex_scaled(a[i], 1.0 / level);
    for (int step = 0; step <= SQUARINGS; step++) {
        const lt_complex *now = power[step % 2];
        double sum = 0.0;
        lt_complex trace = {0.0, 0.0};
        for (size_t i = 0; i < n * n; i++)
            sum += ltp_complex_power(now[i]);
        if (sum < 1.0)
            return true;
        for (size_t i = 0; i < n; i++)
            trace = ltp_complex_add(trace, now[i * n + i]);
        /* One eigenvalue at least has the mean of them as its size. */
        if (step == SQUARINGS || ltp_complex_power(trace) >= (double)(n * n) || !(sum < squarable))
            return false;
        square(now, n, power[(step + 1) % 2]);
    }
    return false;
}

/* a a*, or a* a where that is smaller, divided by scale^2; its size. */
static size_t gram_of(const lt_complex *a, size_t rows, size_t columns, double scale, lt_complex *gram)
{
    const bool wide = columns >= rows;
    const size_t n = wide ? rows : columns;
    const size_t length = wide ? columns : rows;
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j <= i; j++) {
            lt_complex sum = {0.0, 0.0};
            for (size_t k = 0; k < length; k++) {
                const lt_complex x = ltp_complex_scaled(wide ? a[i * columns + k] : a[k * columns + j], 1.0 / scale);
                const lt_complex y = ltp_complex_scaled(wide ? a[j * columns + k] : a[k * columns + i], 1.0 / scale);
                sum = ltp_complex_add(sum, ltp_complex_product(x, ltp_complex_conjugate(y)));
            }
            gram[i * n + j] = sum;
            gram[j * n + i] = ltp_complex_conjugate(sum);
        }
    return n;
}

/* The root of the largest eigenvalue of the Gram matrix. */
double ltp_largest_singular_value(const lt_complex *a, size_t rows, size_t columns)
{
    lt_complex gram[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
    lt_complex values[LTP_EIGEN_MAX];
    double whole = 0.0;
    for (size_t i = 0; i < rows * columns; i++)
        whole = fmax(whole, size1(a[i]));
    if (!(whole > 0.0))
        return 0.0;
    const size_t n = gram_of(a, rows, columns, whole, gram);
    ltp_eigenvalues(gram, n, values);
    double best = 0.0;
    for (size_t i = 0; i < n; i++)
        best = fmax(best, values[i].re);
    return whole * sqrt(best);
}

bool ltp_singular_below(const lt_complex *a, size_t rows, size_t columns, double level)
{
    lt_complex gram[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
    double sum = 0.0;
    for (size_t i = 0; i < rows * columns; i++)
        sum += ltp_complex_power(a[i]);
    if (sum < level * level)
        return true;
    if (!(level > 0.0) || sum >= level * level * (double)(rows < columns ? rows : columns))
        return false;
    return ltp_eigenvalues_below(gram, gram_of(a, rows, columns, level, gram), 1.0);
}

/* Collatz: for any positive x the root lies between the least and the largest ratio of (A x)[i] to x[i]. Powers of A
 * bring both together, unless the matrix falls into parts; eigenvalues then. */
double ltp_perron_root(const double *a, size_t n)
{
    double x[LTP_EIGEN_MAX];
    for (size_t i = 0; i < n; i++)
        x[i] = 1.0;
    for (int step = 0; step < ROOT_STEPS; step++) {
        double y[LTP_EIGEN_MAX];
        double least = (double)INFINITY;
        double most = 0.0;
        double top = 0.0;
        for (size_t i = 0; i < n; i++) {
            y[i] = 0.0;
            for (size_t j = 0; j < n; j++)
                y[i] += a[i * n + j] * x[j];
            const double ratio = y[i] / x[i];
            least = ratio < least ? ratio : least;
            most = ratio > most ? ratio : most;
            top = y[i] > top ? y[i] : top;
        }
        if (most - least <= 2e-11 * most)
            return 0.5 * (most + least);
        if (!(least > 1e-6 * most))
            break;
        for (size_t i = 0; i < n; i++)
            x[i] = y[i] / top;
    }
    lt_complex m[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
    lt_complex values[LTP_EIGEN_MAX];
    double best = 0.0;
    for (size_t i = 0; i < n * n; i++)
        m[i] = (lt_complex){a[i], 0.0};
    ltp_eigenvalues(m, n, values);
    for (size_t i = 0; i < n; i++)
        best = fmax(best, ltp_complex_abs(values[i]));
    return best;
}

double ltp_perron_bound(const double *a, size_t n)
{
    double x[LTP_EIGEN_MAX];
    double bound = 0.0;
    for (size_t i = 0; i < n; i++)
        x[i] = 1.0;
    for (int step = 0; step < BOUND_STEPS; step++) {
        double y[LTP_EIGEN_MAX];
        double ratio = 0.0;
        for (size_t i = 0; i < n; i++) {
            y[i] = 0.0;
            for (size_t j = 0; j < n; j++)
                y[i] += a[i * n + j] * x[j];
            ratio = y[i] > ratio * x[i] ? y[i] / x[i] : ratio;
        }
        bound = step == 0 ? ratio : fmin(bound, ratio);
        double top = 0.0;
        for (size_t i = 0; i < n; i++)
            top = y[i] > top ? y[i] : top;
        if (!(top > 0.0))
            return 0.0;
        for (size_t i = 0; i < n; i++)
            x[i] = y[i] / top + 1e-6; /* stays positive, which is all the bound asks for */
    }
    return bound;
}
