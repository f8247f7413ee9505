# SPDX-License-Identifier: MIT
"""lanetune compare --isolate: chains made in NumPy in which one part has a known fault. The part that is named must be
that one, also when only the ends are recorded at first and each next recording is the one that was asked for."""

import sys

import numpy as np
import scipy.signal

from e2e import Case, main, read_wav, run, write_wav

RATE = 16000
POINTS = ["counter", "hub-in", "hub-out", "pole", "lane"]
KINDS = ["loss", "treble", "noise", "delay", "echo", "distortion", "polarity"]


def fault(kind, x, rng):
    """The signal behind the faulty part."""
    if kind == "loss":
        return x * 10 ** (-rng.uniform(5, 12) / 20)
    if kind == "treble":
        return scipy.signal.lfilter(*scipy.signal.butter(2, rng.uniform(1200, 1800) / (RATE / 2)), x)
    if kind == "noise":
        return x + rng.normal(size=len(x)) * np.sqrt(np.mean(x ** 2)) * 10 ** (-rng.uniform(5, 15) / 20)
    if kind == "delay":
        return np.concatenate([np.zeros(int(rng.uniform(0.008, 0.06) * RATE)), x])[:len(x)]
    if kind == "echo":
        d, g = int(rng.uniform(0.012, 0.05) * RATE), 10 ** (-rng.uniform(5, 12) / 20)
        return x + g * np.concatenate([np.zeros(d), x[:-d]])
    if kind == "distortion":
        c = np.max(np.abs(x)) * rng.uniform(0.3, 0.5)
        return c * np.tanh(x / c)
    return -x


def chain(stimulus, kind, part, seed, skip=()):
    """{point: recording}; part i lies between points i and i + 1. Each part is a line with a mild roll-off of its own."""
    rng = np.random.default_rng(seed)
    x = np.concatenate([stimulus, np.zeros(RATE // 4)])
    out = {POINTS[0]: x}
    for i in range(len(POINTS) - 1):
        b, a = scipy.signal.butter(1, [60 / (RATE / 2), 0.9], "band")
        if i not in skip:
            x = scipy.signal.lfilter(b, a, x) * 10 ** (rng.uniform(-0.7, 0.7) / 20)
        if i == part and i not in skip:
            x = fault(kind, x, rng)
        out[POINTS[i + 1]] = x
    return {name: y + rng.normal(size=len(y)) * 3e-5 for name, y in out.items()}


class Isolate(Case):
    def setUp(self):
        super().setUp()
        self.assertEqual(run("stimulus", "sweep", self.dir / "s.wav", "--seconds", "1", "--rate", RATE, "--from", 80, "--to",
                             7000, "--lead", "0.4", "--tail", "0.4", "--peak", "-12").status, 0)
        self.stimulus = read_wav(self.dir / "s.wav")[1][:, 0]

    def isolate(self, recordings, names, *more, status=0, bypass=None):
        words = []
        for point in POINTS:
            if point in names:
                words.append(f"{point}={write_wav(self.dir / (point + '.wav'), recordings[point], RATE)}")
            else:
                words.append(point)
        for point, x in (bypass or {}).items():
            words.append(f"{point}:bypass={write_wav(self.dir / (point + '-bypass.wav'), x, RATE)}")
        return self.json("compare", "--isolate", "--stimulus", self.dir / "s.wav", *words, *more, status=status)["result"]

    def follow(self, kind, part, seed):
        """Only the ends first, then whatever is asked for. Returns the fault that is left, and the recordings made."""
        recordings = chain(self.stimulus, kind, part, seed)
        names = {POINTS[0], POINTS[-1]}
        while True:
            result = self.isolate(recordings, names)
            self.assertTrue(result["faults"], (kind, part, seed))
            first = result["faults"][0]
            if result["next"] is None:
                return first, len(names)
            self.assertNotIn(result["next"]["point"], names)
            names.add(result["next"]["point"])

    def test_each_kind_is_found_by_halving(self):
        for n, kind in enumerate(KINDS):
            with self.subTest(kind):
                part = n % 4
                f, recordings = self.follow(kind, part, n)
                self.assertEqual((f["kind"], f["from"], f["to"], f["parts"]), (kind, POINTS[part], POINTS[part + 1], 1))
                self.assertLessEqual(recordings, 4)  # two ends, then half of four parts twice
                self.assertIn(f["sure"], ("sure", "likely"))

    def test_nothing_is_wrong(self):
        recordings = chain(self.stimulus, None, None, 5)
        result = self.isolate(recordings, set(POINTS), "--check")
        self.assertEqual((result["faults"], result["next"]), ([], None))
        text = self.text("compare", "--isolate", "--stimulus", self.dir / "s.wav",
                         *[f"{p}={self.dir / (p + '.wav')}" for p in POINTS])
        self.assertTrue(text.startswith("no fault found between the points"))

    def test_bypass_tells_hub_from_line(self):
        for part, inside in ((1, True), (3, False)):
            whole = chain(self.stimulus, "noise", part, 9)
            around = chain(self.stimulus, "noise", part, 9, skip=(1,))
            result = self.isolate(whole, {"counter", "lane"}, "--check", bypass={"lane": around["lane"]}, status=3)
            f = result["faults"][0]
            self.assertTrue(f["bypass_tells"])
            if inside:
                self.assertEqual((f["from"], f["to"], f["parts"]), ("hub-in", "hub-out", 1))
                self.text("compare", "--isolate", "--stimulus", self.dir / "s.wav",
                          *[f"{p}={self.dir / (p + '.wav')}" for p in ("counter", "hub-in", "hub-out", "lane")
                            if (self.dir / (p + ".wav")).exists()], "--chart", self.dir / "r.svg")
                drawn = (self.dir / "r.svg").read_text()
                for words in ("Response at each point", "noise: arises before lane", "counter"):
                    self.assertIn(words, drawn)
            else:
                self.assertIn("stays", f["evidence"])

    def test_noise_and_hum_without_a_stimulus(self):
        rng, t = np.random.default_rng(3), np.arange(8 * RATE) / RATE
        hum = sum(0.004 / k * np.sin(2 * np.pi * 60 * k * t + k) for k in (1, 2, 3, 5))
        quiet = {p: 2e-4 * rng.normal(size=len(t)) for p in POINTS}
        words = []
        for i, p in enumerate(POINTS):
            words.append(f"{p}={write_wav(self.dir / (p + '.wav'), quiet[p] + (hum if i >= 3 else 0), RATE)}")
        faults = self.json("compare", "--isolate", *words)["result"]["faults"]
        found = [(f["from"], f["to"]) for f in faults if f["kind"] == "hum"]
        self.assertEqual(found, [("hub-out", "pole")])
        self.text("compare", "--isolate", *words, "--chart", self.dir / "n.svg")
        self.assertIn("Noise at each point", (self.dir / "n.svg").read_text())

    def test_wrong_words(self):
        wav = write_wav(self.dir / "a.wav", chain(self.stimulus, None, None, 1)["lane"], RATE)
        self.fails("compare", "--isolate", status=2, says="NAME=FILE")
        self.fails("compare", "--isolate", "a", "b", says="no point has a recording")
        self.fails("compare", "--isolate", "a=", "b", says="NAME=FILE")
        self.fails("compare", "--isolate", f"a={wav}", f"b={self.dir / 'none.wav'}", says="none.wav")
        self.fails("compare", "--isolate", f"a={wav}", f"b:bypass={wav}", says="--bypass")
        self.fails("compare", "--isolate", f"a={wav}", "b", "--bypass", "b,a", says="FROM,TO")
        self.fails("compare", "--isolate", f"a={wav}", "b", "--site", "x", status=2, says="--site")
        self.fails("compare", "x", "y", "--talk", status=2, says="--talk")
        self.fails("compare", "x", "y", "z", status=2, says="too many")
        silent = write_wav(self.dir / "silent.wav", np.zeros(RATE), RATE)
        self.fails("compare", "--isolate", f"a={silent}", "b", says=["silent.wav", "silent"])


def statistics(count):
    """By hand: test_isolate.py --random N. Random faults in random parts, found by halving."""
    class Random(Isolate):
        def runTest(self):
            hits = 0
            for seed in range(100, 100 + count):
                rng = np.random.default_rng(seed)
                kind, part = KINDS[rng.integers(len(KINDS))], int(rng.integers(4))
                try:
                    f, _ = self.follow(kind, part, seed)
                    good = (f["kind"], f["from"], f["to"]) == (kind, POINTS[part], POINTS[part + 1])
                except AssertionError as e:
                    f, good = str(e)[:80], False
                hits += good
                if not good:
                    print(f"seed {seed}: {kind} in part {part} gives {f}")
            print(f"{hits} of {count} random faults named rightly")
    case = Random()
    case.setUp()
    case.runTest()


if __name__ == "__main__":
    if len(sys.argv) > 2 and sys.argv[1] == "--random":
        statistics(int(sys.argv[2]))
    else:
        main()
