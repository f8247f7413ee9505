# SPDX-License-Identifier: MIT
"""lanetune scan: signals with a fault that follows from their making, folders, lines, exit status."""

import json

import numpy as np
import scipy.signal

from e2e import Case, main, read_wav, run, schema, write_wav

import jsonschema

RATE = 16000


def noise(seconds, dbfs, seed=1, rate=RATE):
    """Low-passed noise, as a quiet lane."""
    b, a = scipy.signal.butter(1, 500, fs=rate)
    x = scipy.signal.lfilter(b, a, np.random.default_rng(seed).standard_normal(int(seconds * rate) + rate))[rate:]
    return x * 10 ** (dbfs / 20) / np.sqrt(2) / np.std(x)


class Scan(Case):
    def faults(self, path, *args, status=0):
        value = self.json("scan", path, *args, status=status)
        self.assertEqual(len(value["result"]["files"]), 1)
        return {f["code"]: f for f in value["result"]["files"][0]["faults"]}

    def test_nothing_in_noise(self):
        wav = write_wav(self.dir / "a.wav", noise(8, -30), RATE)
        self.assertEqual(self.faults(wav), {})
        self.assertIn("nothing that needs attention", self.text("scan", wav, "--check"))

    def test_dropout(self):
        x = noise(8, -30)
        x[4 * RATE:4 * RATE + 400] = 0
        found = self.faults(write_wav(self.dir / "a.wav", x, RATE, 16))
        self.assertEqual(list(found), ["dropout"])
        self.assertAlmostEqual(found["dropout"]["at_s"], 4, delta=0.002)
        self.assertEqual(found["dropout"]["severity"], "error")
        self.assertIn("25.0 ms", found["dropout"]["message"])
        self.text("scan", self.dir / "a.wav", "--check", status=3)
        self.text("scan", self.dir / "a.wav")

    def test_dialling_is_no_error(self):
        """ITU-T Q.23's pairs of tones, 50 ms each, through the steps of G.711's mu-law."""
        t, y = np.arange(400) / 8000, np.zeros(8 * 8000)
        for k in range(60):
            row, column = (697, 770, 852, 941)[k * 7 % 4], (1209, 1336, 1477)[k % 3]
            y[4000 + 800 * k:4400 + 800 * k] = 0.1 * (np.sin(2 * np.pi * row * t) + np.sin(2 * np.pi * column * t))
        y = np.round(np.sign(y) * np.log1p(255 * np.abs(y)) / np.log(256) * 127) / 127
        y = np.sign(y) * np.expm1(np.abs(y) * np.log(256)) / 255
        found = self.faults(write_wav(self.dir / "a.wav", y, 8000, 16))
        self.assertNotIn("error", [f["severity"] for f in found.values()])
        self.assertNotIn("dropout", found)

    def test_one_sided_clipping_below_full_scale(self):
        x = noise(8, -20)
        x[3 * RATE:5 * RATE] = np.minimum(x[3 * RATE:5 * RATE], 0.08)
        first = 3 + np.nonzero(x[3 * RATE:5 * RATE] >= 0.08)[0][0] / RATE
        found = self.faults(write_wav(self.dir / "a.wav", x, RATE, 24))
        self.assertAlmostEqual(found["clipping"]["at_s"], first, delta=0.25)
        self.assertIn("positive half only", found["clipping"]["message"])

    def test_mu_law_is_not_clipping(self):
        """ITU-T G.711's steps are coarse near the top: equal samples there are no flat tops."""
        t = np.arange(8 * 8000) / 8000
        x = 0.7 * np.sin(2 * np.pi * 220 * t) * (1 + 0.2 * np.sin(2 * np.pi * 3 * t)) / 1.2
        y = np.round(np.sign(x) * np.log1p(255 * np.abs(x)) / np.log(256) * 127) / 127
        y = np.sign(y) * np.expm1(np.abs(y) * np.log(256)) / 255
        self.assertNotIn("clipping", self.faults(write_wav(self.dir / "a.wav", y, 8000, 16)))

    def test_hum_has_its_exact_frequency_and_start(self):
        x = noise(12, -45)
        t = np.arange(len(x)) / RATE
        x += (t >= 5) * sum(0.02 / h * np.sin(2 * np.pi * 50.03 * h * t) for h in (1, 2, 3, 5))
        found = self.faults(write_wav(self.dir / "a.wav", x, RATE))
        self.assertAlmostEqual(found["mains-hum"]["at_s"], 5, delta=0.25)
        self.assertIn("hum of 50.03 Hz", found["mains-hum"]["message"])

    def test_channels(self):
        """A channel that is silent, one that is the other reversed, one that comes too early."""
        x = noise(6, -30)
        silent = self.json("scan", write_wav(self.dir / "a.wav", [x, 0 * x], RATE))["result"]["files"][0]
        dead = [f for f in silent["faults"] if f["code"] == "dead-channel"]
        self.assertEqual([(f["channel"], f["severity"], f["at_s"]) for f in dead], [(2, "error", None)])
        self.assertIn("polarity", self.faults(write_wav(self.dir / "b.wav", [x, -0.5 * x], RATE)))
        late = np.concatenate([np.zeros(800), x[:-800]])
        swapped = self.faults(write_wav(self.dir / "c.wav", [late, x], RATE))["swapped-channels"]
        self.assertIn("50.0 ms", swapped["message"])
        self.assertNotIn("swapped-channels", self.faults(write_wav(self.dir / "d.wav", [x, late], RATE)))

    def test_stimulus(self):
        """A sweep through a smooth distortion; with clicks while it passes 300 to 400 Hz; reversed; channels swapped."""
        self.text("stimulus", "sweep", self.dir / "s.wav", "--rate", RATE, "--to", 7000, "--seconds", 5)
        rate, s, _ = read_wav(self.dir / "s.wav")
        s = np.concatenate([np.zeros(4000), 0.3 * s[:, 0], np.zeros(8000)])
        rng = np.random.default_rng(2)
        clean = s + 0.05 * s ** 2 + 0.05 * s ** 3 + 1e-4 * rng.standard_normal(len(s))
        hz = np.abs(np.gradient(np.unwrap(np.angle(scipy.signal.hilbert(s))))) * rate / 2 / np.pi
        hz = np.convolve(hz, np.ones(401) / 401, "same")
        part = np.nonzero((hz > 300) & (hz < 400) & (np.abs(scipy.signal.hilbert(s)) > 0.05))[0]
        loose = clean.copy()
        for i in rng.choice(part, 40, replace=False):
            loose[i:i + 40] += 0.02 * rng.standard_normal(40) * np.exp(-np.arange(40) / 10)
        options = ("--stimulus", self.dir / "s.wav")
        self.assertLessEqual(set(self.faults(write_wav(self.dir / "a.wav", clean, RATE), *options)), {"band-limited"})
        found = self.faults(write_wav(self.dir / "b.wav", loose, RATE), *options)
        self.assertAlmostEqual(found["rattle"]["at_s"], part[0] / rate, delta=0.25)
        self.assertIn("polarity", self.faults(write_wav(self.dir / "c.wav", -clean, RATE), *options))
        late = np.concatenate([np.zeros(160), 0.3 * clean[:-160]])
        value = self.json("scan", write_wav(self.dir / "d.wav", [late, clean], RATE), *options)
        swapped = [f for f in value["result"]["files"][0]["faults"]
                   if f["code"] == "swapped-channels" and f["severity"] == "warning"]
        self.assertIn("10.0 ms", swapped[0]["message"])
        file = self.json("scan", write_wav(self.dir / "e.wav", noise(9, -30), RATE), *options)["result"]["files"][0]
        self.assertIn("e.wav", file["doubt"])

    def test_folder_lines_and_unreadable_files(self):
        (self.dir / "sub").mkdir()
        write_wav(self.dir / "a.wav", noise(3, -30), RATE)
        write_wav(self.dir / "sub" / "b.WAV", np.zeros(3 * RATE), RATE)
        (self.dir / "c.wav").write_bytes(b"no sound at all")
        (self.dir / "notes.txt").write_text("not a sound file by its name")
        for jobs in ("1", "3"):
            r = run("scan", self.dir, "--lines", "--jobs", jobs)
            self.assertEqual(r.status, 1, r.err)
            self.assertIn("1 of 3 files", r.err)
            self.assertIn("c.wav: not a sound file", r.err)
            lines = [json.loads(line) for line in r.out.splitlines()]
            one = schema("scan")["properties"]["result"]["properties"]["files"]["items"]
            for line in lines:
                jsonschema.validate(line, one)
            self.assertEqual([line["path"].split("/")[-1] for line in lines], ["a.wav", "c.wav", "b.WAV"])
            self.assertIn("not a sound file", lines[1]["failure"])
            self.assertIsNone(lines[1]["seconds"])
            self.assertEqual(lines[2]["faults"][0]["code"], "dead-channel")
        value = self.json("scan", self.dir, status=1)
        self.assertEqual(value["result"]["files"], lines)
        r = run("scan", self.dir / "none.wav")
        self.assertEqual(r.status, 1, r.err)
        self.assertEqual(len(r.err.splitlines()), 1, r.err)
        self.assertIn("none.wav: cannot read it", r.err)

    def test_headers_of_many_files(self):
        """Of each file what its header got wrong stands with it, however many there are; with --lines as well."""
        (self.dir / "many").mkdir()
        x = noise(0.2, -30)
        for i in range(60):
            write_wav(self.dir / "many" / f"{i:02}.wav", x, RATE, 16, claim_frames=len(x) * 2 if i % 2 else None)
        value = self.json("scan", self.dir / "many")
        codes = [[note["code"] for note in file["notes"]] for file in value["result"]["files"]]
        self.assertEqual(codes, [["truncated-file"] if i % 2 else [] for i in range(60)])
        self.assertIn("59.wav is shorter", value["result"]["files"][59]["notes"][0]["message"])
        self.assertEqual(len(value["warnings"]), 30)
        r = run("scan", self.dir / "many", "--lines")
        self.assertEqual([json.loads(line) for line in r.out.splitlines()], value["result"]["files"])
        self.assertEqual(r.err, "")
        text = self.text("scan", self.dir / "many")
        self.assertEqual(" ".join(text.split()).count("is shorter than its header says"), 30)

    def test_bad_words(self):
        empty = self.dir / "empty"
        empty.mkdir()
        self.fails("scan", empty, says="no sound file in this folder")
        wav = write_wav(self.dir / "a.wav", noise(3, -30), RATE)
        self.fails("scan", wav, "--stimulus", self.dir / "none.wav", says="none.wav")
        self.fails("scan", wav, wav, "--chart", self.dir / "x.svg", status=2, says="--chart")
        self.fails("scan", wav, "--lines", "--json", status=2, says="--lines")

    def test_chart(self):
        x = noise(8, -30)
        x[4 * RATE:4 * RATE + 400] = 0
        self.text("scan", write_wav(self.dir / "a.wav", x, RATE), "--chart", self.dir / "a.svg")
        self.assertIn("dropout", (self.dir / "a.svg").read_text())


if __name__ == "__main__":
    main()
