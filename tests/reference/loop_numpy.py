# SPDX-License-Identifier: MIT
"""Eigenvalues, singular values and margins of several lanes against NumPy.  loop_numpy.py TOOL DATA-FOLDER"""
import itertools
import subprocess
import sys

try:
    import numpy as np
except ImportError:
    print("NumPy is not installed: skipped")
    sys.exit(77)

tool = sys.argv[1]
misses = 0
RATE = 8000


def ours(x, *arguments):
    done = subprocess.run([tool, *map(str, arguments)], input=np.ascontiguousarray(x).tobytes(), capture_output=True, check=True)
    return np.frombuffer(done.stdout)


def expect(label, value, lowest, highest):
    global misses
    if not lowest <= value <= highest:
        misses += 1
        print(f"{label}: {value:.6g}, want {lowest:g} to {highest:g}")


def matrices(n, rng):
    """Random ones, and the kinds that are hard: defective, Hermitian, singular, badly scaled, repeated eigenvalues."""
    for _ in range(200):
        yield rng.standard_normal((n, n)) + 1j * rng.standard_normal((n, n))
    for _ in range(50):
        a = rng.standard_normal((n, n)) + 1j * rng.standard_normal((n, n))
        yield a + a.conj().T
        yield np.outer(a[0], a[-1])
        yield a * np.exp(rng.uniform(-12, 12, (n, n)))
        yield np.linalg.qr(a)[0]
        yield np.kron(np.eye(n), [[1]]) * (1 + 2j) + 1e-9 * a
    yield np.zeros((n, n), complex)
    yield np.ones((n, n), complex)
    yield np.roll(np.eye(n), 1, axis=0).astype(complex)  # all on the unit circle: stalls an unshifted QR
    yield np.diag(np.arange(1.0, n + 1)).astype(complex)


def distance(a, b):
    """Largest distance when each value of a is paired with the nearest of b that is left, the far ones first."""
    b = list(b)
    worst = 0.0
    for value in sorted(a, key=abs, reverse=True):
        k = min(range(len(b)), key=lambda i: abs(b[i] - value))
        worst = max(worst, abs(b.pop(k) - value))
    return worst


def check_eigenvalues():
    rng = np.random.default_rng(5)
    for n in range(1, 9):
        list_of = [np.asarray(a, complex) for a in matrices(n, rng)]
        got = ours(np.array(list_of), "eigen", n).reshape(len(list_of), 2 * n + 4)
        for k, a in enumerate(list_of):
            size = max(np.linalg.norm(a), 1e-300)
            values = got[k, :2 * n:2] + 1j * got[k, 1:2 * n:2]
            label = f"{n} x {n}, matrix {k}"
            expect(label + " eigenvalues", distance(values, np.linalg.eigvals(a)) / size, 0, 1e-7 if k >= 200 else 1e-11)
            expect(label + " singular", abs(got[k, 2 * n] - np.linalg.norm(a, 2)) / size, 0, 1e-12)
            expect(label + " Perron", abs(got[k, 2 * n + 1] - max(abs(np.linalg.eigvals(abs(a))))) / size, 0, 1e-10)
            expect(label + " right vector", got[k, 2 * n + 2] / size, 0, 1e-8)
            expect(label + " left vector", got[k, 2 * n + 3] / size, 0, 1e-8)


class Site:
    """Random lanes and counters, some couplings measured, some flat, some missing; NumPy's own loop matrix."""

    def __init__(self, seed, lanes, counters, switched=False):
        rng = np.random.default_rng(seed)
        self.lanes, self.counters, self.taps = lanes, counters, 200
        self.counter_of = rng.integers(0, counters, lanes)
        self.out_db, self.in_db = rng.uniform(-6, 6, lanes), rng.uniform(-6, 6, lanes)
        self.switching = np.where(rng.random(lanes) < 0.5, rng.choice([12.0, np.inf], lanes), 0.0) if switched else np.zeros(lanes)

        def coupling(level, kinds):
            kind = rng.choice(kinds)
            if kind == "none":
                return (None, -np.inf, 0.0)
            if kind == "flat":
                return (None, level, rng.uniform(0, 0.01))
            h = rng.standard_normal(self.taps) * np.exp(-np.arange(self.taps) / 30)
            h[:5] = 0
            return (h, level, rng.choice([0.0, 0.004]))
        self.lane = [[coupling(-10 if i == j else -18, ["measured"] if i == j else ["measured", "flat", "none"])
                      for j in range(lanes)] for i in range(lanes)]
        self.loop = [coupling(-16, ["measured"]) if rng.random() < 0.3 else (None, -np.inf, 0.0) for _ in range(lanes)]
        self.counter = [[coupling(-6 if c == d else -14, ["measured", "flat"] if c == d else ["flat", "none"])
                         for d in range(counters)] for c in range(counters)]

    def input(self):
        out = []

        def put(c):
            h, level, delay = c
            out.extend([0.0 if h is None else 1.0, level, delay])
            out.extend([] if h is None else h)
        for i in range(self.lanes):
            out.extend([self.counter_of[i], self.out_db[i], self.in_db[i], self.switching[i]])
            for j in range(self.lanes):
                put(self.lane[i][j])
            put(self.loop[i])
        for row in self.counter:
            for c in row:
                put(c)
        return np.array(out, float)

    def value(self, c, hz):
        h, level, delay = c
        z = np.ones(len(hz), complex)
        if h is not None:
            z = np.exp(-2j * np.pi * np.outer(hz, np.arange(len(h))) / RATE) @ h
        return z * np.exp(-2j * np.pi * hz * delay) * 10 ** (level / 20)

    def evaluate(self, hz):
        n, k = self.lanes, self.counters
        self.a = np.array([[self.value(self.lane[i][j], hz) for j in range(n)] for i in range(n)])
        self.whole = [self.value(c, hz) for c in self.loop]
        self.c = np.array([[self.value(self.counter[c][d], hz) for d in range(k)] for c in range(k)])

    def ways(self, open_lanes, talking, switched):
        """[outbound line, microphone, speaker, frequency], straight from the definition."""
        n = len(open_lanes)
        out = np.zeros((n, n, n, self.a.shape[2]), complex)
        for r, to in enumerate(open_lanes):
            for i, mic in enumerate(open_lanes):
                for j, speaker in enumerate(open_lanes):
                    gain = 10 ** ((self.out_db[speaker] + self.in_db[mic]) / 20)
                    if switched and speaker not in talking:
                        gain *= 10 ** (-self.switching[speaker] / 20)
                    if switched and mic in talking:
                        gain *= 10 ** (-self.switching[mic] / 20)
                    if mic == speaker and self.counter_of[to] == self.counter_of[speaker] and self.loop[speaker][0] is not None:
                        out[r, i, j] = gain * self.whole[speaker]
                    else:
                        out[r, i, j] = gain * self.a[mic, speaker] * self.c[self.counter_of[to], self.counter_of[mic]]
        return out


def crossing_level(matrices_on_grid):
    """Largest real positive eigenvalue between grid points, by the change of sign of the imaginary part."""
    values = np.linalg.eigvals(matrices_on_grid)
    best = 0.0
    for a, b in zip(values, values[1:]):
        if max(abs(a).max(), abs(b).max()) < best:
            continue
        order = min(itertools.permutations(range(len(a))), key=lambda p: sum(abs(a[list(p)] - b))) if len(a) <= 3 else None
        a = a[list(order)]
        for x, y in zip(a, b):
            if (x.imag >= 0) != (y.imag >= 0):
                t = x.imag / (x.imag - y.imag)
                best = max(best, x.real + t * (y.real - x.real))
    for end in (values[0], values[-1]):
        for x in end:
            if abs(x.imag) < 1e-9 * abs(x):
                best = max(best, x.real)
    return best


def db(x):
    return -20 * np.log10(x) if x > 0 else np.nan


def close(label, got, want, tolerance):
    if np.isnan(got) and np.isnan(want):
        return
    expect(label, abs(got - want), 0, tolerance)


def check_margins():
    for seed, lanes, counters, switched in ((1, 2, 1, False), (2, 3, 1, False), (3, 3, 2, False), (4, 3, 3, False),
                                            (5, 2, 2, True), (6, 3, 2, True), (7, 3, 1, True)):
        site = Site(seed, lanes, counters, switched)
        some_hz = [0.0, 123.456, 1000.0, 2511.9, 3999.9]
        got = ours(site.input(), "matrix", lanes, counters, site.taps, *some_hz)
        site.evaluate(np.array(some_hz))
        want = site.ways(range(lanes), [], False).sum(axis=1)
        l = got[:2 * lanes**2 * len(some_hz)].reshape(len(some_hz), lanes, lanes, 2)
        l = l[..., 0] + 1j * l[..., 1]
        expect(f"site {seed}: L", np.abs(l - np.moveaxis(want, 2, 0)).max(), 0, 1e-5)
        rows = got[2 * lanes**2 * len(some_hz):].reshape(-1, 7)
        site.evaluate(np.linspace(0, RATE / 2, 10001))
        for mask in range(1, 1 << lanes):
            lanes_open = [i for i in range(lanes) if mask >> i & 1]
            switches = [i for i in lanes_open if site.switching[i] > 0]
            level = sigma = any_phase = 0.0
            for count in range(len(switches) + 1):
                for talking in itertools.combinations(switches, count):
                    ways = site.ways(lanes_open, talking, True)
                    matrix = np.moveaxis(ways.sum(axis=1), 2, 0)
                    level = max(level, crossing_level(matrix))
                    sigma = max(sigma, np.linalg.norm(matrix, 2, axis=(1, 2)).max())
                    magnitude = np.moveaxis(np.abs(ways).sum(axis=1), 2, 0)
                    any_phase = max(any_phase, np.abs(np.linalg.eigvals(magnitude)).max())
            row = rows[mask - 1]
            label = f"site {seed}, lanes {lanes_open}"
            close(label + " margin", row[0], db(level), 0.02)
            close(label + " safe margin", row[2], db(sigma), 0.01)
            close(label + " any phase", row[3], db(any_phase), 0.01)
            if not np.isnan(row[0]):
                check_path(site, lanes_open, row, label)


def check_path(site, lanes_open, row, label):
    """The path that rings: the one whose change by 0.01 dB moves the level most (no switches: one state)."""
    if site.switching.any():
        return
    site_hz = np.array([row[1]])
    keep = site.a, site.whole, site.c
    site.evaluate(site_hz)
    ways = site.ways(lanes_open, [], False)[..., 0]
    site.a, site.whole, site.c = keep
    step = 10 ** (0.01 / 20)

    def level(w):
        values = np.linalg.eigvals(w.sum(axis=1))
        return values[np.argmin(abs(values - 10 ** (-row[0] / 20)))].real
    shares = {}
    for i, mic in enumerate(lanes_open):
        for j, speaker in enumerate(lanes_open):
            more = ways.copy()
            more[:, i, j] *= step
            shares[speaker, mic] = 20 * np.log10(level(more) / level(ways)) / 0.01
    best = max(shares, key=shares.get)
    if shares[best] - sorted(shares.values())[-2 if len(shares) > 1 else -1] > 0.01 or len(shares) == 1:
        expect(label + f" path {row[4:6]} not {best}", abs(row[4] - best[0]) + abs(row[5] - best[1]), 0, 0)
    expect(label + " share", abs(row[6] - shares[best]), 0, 0.01)


check_eigenvalues()
check_margins()
sys.exit(1 if misses else 0)
