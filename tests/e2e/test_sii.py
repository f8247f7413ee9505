# SPDX-License-Identifier: MIT
"""lanetune sii: worked examples of ANSI S3.5-1997, and tables as programs and people write them."""

import csv
import re

import numpy as np

from e2e import SOURCE, Case, main, run, write_wav

DATA = SOURCE / "tests" / "reference" / "data"
METHODS = {"third_octave": "third-octave", "octave": "octave", "critical_band": "critical",
           "equal_critical_band": "equal-critical"}
FILES = {"third-octave": "sii_third_octave.csv", "octave": "sii_octave.csv", "critical": "sii_critical_band.csv",
         "equal-critical": "sii_equal_critical_band.csv"}


def rows(name):
    with open(DATA / name, newline="") as f:
        return list(csv.DictReader(line for line in f if not line.startswith("#")))


def centres(method):
    return [float(r["center_hz"]) for r in rows(FILES[method])]


def table(method, speech, noise, threshold=None, order=("hz", "speech_db", "noise_db", "threshold_db")):
    columns = {"hz": centres(method), "speech_db": speech, "noise_db": noise, "threshold_db": threshold}
    names = [n for n in order if columns[n] is not None]
    lines = [",".join(names)]
    for i in range(len(columns["hz"])):
        lines.append(",".join(f"{columns[n][i]:g}" for n in names))
    return "\n".join(lines) + "\n"


class Sii(Case):
    def file(self, text, name="bands.csv"):
        path = self.dir / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    def test_worked_examples(self):
        """All cases of sii_worked_examples.csv whose importance the command offers; sources in its last column."""
        names = {"nns": "nonsense", "nu6": "nu-6", "cid_w22": "cid-w22", "cid": "cid-w22", "short_passages": "short-passages"}
        tried = 0
        for row in rows("sii_worked_examples.csv"):
            method = METHODS[row["procedure"]]
            material = names.get(row["importance"], row["importance"])
            values = [[float(v) for v in row[k].split()] for k in ("speech_db", "noise_db", "threshold_db")]
            if material in ("custom", "") or row["importance_vector"]:
                continue
            with self.subTest(row["id"]):
                text = table(method, *[v * (len(centres(method)) if len(v) == 1 else 1) for v in values])
                result = self.json("sii", self.file(text), "--method", method, "--importance", material)["result"]
                self.assertAlmostEqual(result["sii"], float(row["sii_expected"]), delta=float(row["tolerance"]) + 0.0005)
                self.assertEqual(result["method"], method)
                total = sum(b["audibility"] * b["importance"] for b in result["bands"])
                self.assertAlmostEqual(total, result["sii"], delta=2e-5)
                tried += 1
        self.assertGreaterEqual(tried, 20)

    def test_standard_speech(self):
        """Speech columns of the standard's tables in quiet: the replaced column is the table's own."""
        for method in FILES:
            noise = [-50.0] * len(centres(method))
            for effort in ("normal", "raised", "loud", "shout"):
                own = [float(r[f"speech_{effort}_db"]) for r in rows(FILES[method])]
                given = self.json("sii", self.file(table(method, own, noise)), "--method", method)["result"]
                named = self.json("sii", self.file(table(method, None, noise)), "--method", method, "--speech", effort)
                self.assertEqual(given, named["result"])

    def test_every_choice_is_accepted(self):
        for option in ("method", "importance", "speech"):
            refusal = run("sii", f"--{option}", "?").err
            choices = re.search(r"is not one of ([a-z0-9|-]+);", refusal).group(1).split("|")
            self.assertGreaterEqual(len(choices), 4)
            for choice in choices:
                method = choice if option == "method" else "third-octave"
                text = table(method, [40.0] * len(centres(method)), [20.0] * len(centres(method)))
                self.assertIn(run("sii", self.file(text), f"--{option}", choice).status, (0,), choice)

    def test_ways_to_write_a_table(self):
        speech = [float(r["speech_normal_db"]) for r in rows(FILES["third-octave"])]
        noise = [20.0 + i for i in range(18)]
        plain = table("third-octave", speech, noise)
        want = self.json("sii", self.file(plain))["result"]
        head, *body = plain.splitlines()
        exact = [line.replace(line.split(",")[0], f"{1000 * 10 ** (0.1 * (i - 8)):.2f}", 1) for i, line in enumerate(body)]
        ways = {
            "CRLF": plain.replace("\n", "\r\n"),
            "CR alone": plain.replace("\n", "\r"),
            "byte order mark": b"\xef\xbb\xbf" + plain.encode(),
            "no last newline": plain.rstrip("\n"),
            "blank lines": plain.replace("\n", "\n\n  \n"),
            "comments": "# made by hand\n" + plain + "# end\n",
            "quotes": "\n".join(",".join(f'"{f}"' for f in line.split(",")) for line in plain.splitlines()),
            "blanks": plain.replace(",", " , "),
            "semicolons": plain.replace(",", ";"),
            "tabs": plain.replace(",", "\t"),
            "capitals": plain.replace(head, head.upper()),
            "any order of bands": "\n".join([head] + body[::-1]),
            "any order of columns": table("third-octave", speech, noise, order=("noise_db", "hz", "speech_db")),
            "thresholds of 0": table("third-octave", speech, noise, [0.0] * 18),
            "exact mid-bands": "\n".join([head] + exact),
        }
        for name, text in ways.items():
            with self.subTest(name):
                self.assertEqual(self.json("sii", self.file(text))["result"], want)
        for words in ([], ["-"]):
            self.assertEqual(self.json("sii", *words, stdin=plain.encode())["result"], want)
        noted = self.json("sii", self.file(plain.replace(head, head + ",remark").replace("\n", ",x\n").replace(",remark,x", ",remark")))
        self.assertEqual((noted["result"], self.codes(noted)), (want, ["unknown-column"]))

    def test_tables_that_are_refused(self):
        good = table("third-octave", [40.0] * 18, [20.0] * 18)
        lines = good.splitlines()
        cases = {
            "nothing": ("", "empty"),
            "comments only": ("# nothing\n\n", "nothing"),
            "header only": (lines[0], "missing"),
            "no column": (good.replace("noise_db", "noise"), "noise_db"),
            "a column twice": (good.replace("noise_db", "hz"), "twice"),
            "a word": (good.replace("1000,40", "1000,loud"), "line 10, column speech_db: 'loud'"),
            "an empty field": (good.replace("1000,40", "1000,"), "line 10, column speech_db: ''"),
            "NaN": (good.replace("1000,40", "1000,nan"), "line 10, column speech_db"),
            "infinity": (good.replace("1000,40", "1000,-inf"), "line 10, column speech_db"),
            "too large": (good.replace("1000,40", "1000,1e999"), "line 10, column speech_db"),
            "hexadecimal": (good.replace("1000,40", "1000,0x28"), "line 10, column speech_db"),
            "decimal comma": (good.replace(",", ";").replace("1000;40", "1000;40,5"), "line 10, column speech_db: '40,5'"),
            "a band twice": (good + "1000,40,20\n", "line 20, column hz"),
            "a band missing": (good.replace("1000,40,20\n", ""), "1000 Hz is missing"),
            "no such band": (good.replace("1000,", "1100,"), "line 10, column hz: 1100"),
            "band of 0 Hz": (good.replace("1000,", "0,"), "line 10, column hz"),
            "a field too few": (good.replace("1000,40,20", "1000,40"), "line 10"),
            "a field too many": (good.replace("1000,40,20", "1000,40,20,1"), "line 10"),
            "an open quote": (good.replace("1000,40", '1000,"40'), "line 10"),
            "zero bytes": (good.encode() + b"\0", "zero bytes"),
            "a sound file": (b"RIFF\x24\0\0\0WAVEfmt ", "bands.csv"),
            "a long line": ("hz" + ",x" * 5000, "fields"),
            "octave bands": (table("octave", [40.0] * 6, [20.0] * 6), "missing"),
        }
        for name, (text, says) in cases.items():
            with self.subTest(name):
                self.fails("sii", self.file(text), says=("bands.csv", says))
                if says not in ("empty",):
                    piped = text if isinstance(text, bytes) else text.encode()
                    self.fails("sii", stdin=piped, says="standard input")
        self.fails("sii", self.file(good.replace("hz,speech_db", "hz,speech")), says="speech_db")
        self.fails("sii", self.dir / "none.csv", says="none.csv")
        self.fails("sii", self.dir, says=str(self.dir))
        self.fails("sii", stdin=b"x" * (3 << 20), says="standard input")

    def test_importance_that_the_standard_does_not_give_is_wrong_usage(self):
        refused = []
        for method in FILES:
            text = table(method, [40.0] * len(centres(method)), [20.0] * len(centres(method)))
            for material in ("nonsense", "cid-w22", "nu-6", "drt", "short-passages", "spin"):
                r = run("sii", self.file(text), "--method", method, "--importance", material)
                self.assertIn(r.status, (0, 2))
                if r.status == 2:
                    refused.append((method, material))
                    self.assertIn(material, r.err)
        self.assertEqual({m for m, _ in refused} - {"equal-critical"}, set())

    def test_other_ways_in(self):
        """Options that say what the table's levels are, against the same table worked out by hand."""
        speech = [float(r["speech_normal_db"]) for r in rows(FILES["third-octave"])]
        width = [float(r["bandwidth_db_re_1hz"]) for r in rows(FILES["third-octave"])]
        eardrum = [float(r["freefield_to_eardrum_db"]) for r in rows(FILES["third-octave"])]
        noise = [25.0 - i for i in range(18)]
        plain = self.json("sii", self.file(table("third-octave", speech, noise)))["result"]["sii"]

        def same(text, *words, want=plain):
            self.assertAlmostEqual(self.json("sii", self.file(text), *words)["result"]["sii"], want, delta=1e-4)

        same(table("third-octave", [s + w for s, w in zip(speech, width)], [n + w for n, w in zip(noise, width)]), "--band-levels")
        same(table("third-octave", [s + e for s, e in zip(speech, eardrum)], [n + e for n, e in zip(noise, eardrum)]), "--eardrum")
        head = "hz,speech_db,noise_db,gain_db,path_gain_db\n"
        same(head + "".join(f"{f},{s - 7},{n - 5},5,2\n" for f, s, n in zip(centres("third-octave"), speech, noise)))
        far = self.json("sii", self.file(table("third-octave", [s - 6.0206 for s in speech], noise)))["result"]["sii"]
        same(table("third-octave", None, noise), "--speech", "normal", "--distance", "2", want=far)
        same(table("third-octave", speech, noise), "--from-thirds")
        octave = self.json("sii", self.file(table("third-octave", speech, noise)), "--from-thirds", "--method", "octave")
        self.assertEqual((len(octave["result"]["bands"]), octave["result"]["method"]), (6, "octave"))
        self.assertAlmostEqual(octave["result"]["sii"], plain, delta=0.06)
        m = "hz,combined_db,m\n" + "".join(f"{f},50,0.5\n" for f in centres("third-octave"))
        level = 50 - 3.0103  # m = 0.5: as much speech as noise
        same(m, "--mtf", want=self.json("sii", self.file(table("third-octave", [level] * 18, [level] * 18)))["result"]["sii"])
        self.fails("sii", self.file(m.replace("0.5", "1.5")), "--mtf", says="1.5")
        self.fails("sii", self.file(m), "--distance", "2", status=2, says="--speech")

    def test_privacy(self):
        """ASTM E1130: AI = sum of weight x (S + 12 - N) within 0 to 30 dB; PI = 100 (1 - AI). Classes: memory."""
        noise = [30.0] * 18
        for excess, ai, word in ((-12, 0, "confidential"), (-9, 0.0996, "normal"), (-3, 0.2988, "marginal"), (3, 0.498, "none"), (30, 0.996, "none")):
            got = self.json("sii", self.file(table("third-octave", [30.0 + excess] * 18, noise)), "--privacy")["result"]["privacy"]
            self.assertAlmostEqual(got["articulation_index"], ai, delta=1e-6)  # the weights sum to 0.0332 per dB
            self.assertAlmostEqual(got["privacy_index_percent"], 100 * (1 - ai), delta=1e-3)
            self.assertEqual(got["class"], word)
        near = self.file(table("third-octave", [50.0] * 18, noise))
        moved = self.json("sii", near, "--privacy", "--at", "1", "--distance", "10")["result"]["privacy"]
        same = self.json("sii", self.file(table("third-octave", [30.0] * 18, noise), "far.csv"), "--privacy")["result"]["privacy"]
        self.assertEqual(moved, same)
        self.assertIn("handset", self.text("sii", near, "--privacy"))
        self.fails("sii", near, "--at", "2", status=2, says="--distance")
        self.fails("sii", near, "--privacy", "--method", "octave", status=2, says="third-octave")

    # ---- from recordings ----

    def recordings(self, rate=48000):
        """White noise in place of sentences, with pauses and a little noise, and more noise alone on another recorder.
        Returns both files, and the spectrum levels that they were made of: 34 and 22 dB re 1 Hz."""
        rng = np.random.default_rng(11)
        t = np.arange(24 * rate) / rate
        talking = (t % 3.0) < 2.0
        cal, noise_cal, speech_db, noise_db = 110.0, 96.0, 34.0, 22.0
        rms = lambda db, c: 10 ** ((db + 10 * np.log10(rate / 2) - c - 3.0103) / 20)  # 0 dBFS: RMS of a sine
        talk = rms(speech_db, cal) * rng.standard_normal(len(t)) * talking + rms(4.0, cal) * rng.standard_normal(len(t))
        noise = rms(noise_db, noise_cal) * rng.standard_normal(20 * 32000) * np.sqrt(32000 / rate)
        return (write_wav(self.dir / "talk.wav", talk, rate), write_wav(self.dir / "noise.wav", [0 * noise, noise], 32000),
                speech_db, noise_db)

    def by_hand(self, talk, noise, key="leq_db", extra=None):
        """A table of band levels from `speech-level` and `noise`."""
        levels = self.json("speech-level", talk, "--cal-db", 110)["result"]["bands"]
        speech, pauses = ({b["hz"]: b[name] for b in levels} for name in ("speech_db", "noise_db"))
        if noise is not None:
            levels = self.json("noise", noise, "--cal-db", 96, "--channel", 2)["result"]["bands"]
            pauses = {b["hz"]: b[key] for b in levels}
        lines = [f"{f},{speech[f]},{pauses[f]},{extra or 0}\n" for f in centres("third-octave")]
        return self.file("hz,speech_db,noise_db,threshold_db\n" + "".join(lines), f"hand-{key}-{extra}-{noise is None}.csv")

    def test_recordings(self):
        """The same as `speech-level`, `noise` and `sii` one after the other, and as the levels they were made of."""
        talk, noise, speech_db, noise_db = self.recordings()
        both = ["--speech-rec", talk, "--noise-rec", noise, "--cal-db", 110, "--noise-cal-db", 96, "--noise-channel", 2]

        def same(words, *hand):
            got, want = self.json("sii", *words)["result"], self.json("sii", *hand)["result"]
            self.assertAlmostEqual(got["sii"], want["sii"], delta=1e-4)
            if "privacy" in want:
                self.assertAlmostEqual(got["privacy"]["articulation_index"], want["privacy"]["articulation_index"], delta=1e-4)
                self.assertEqual(got["privacy"]["class"], want["privacy"]["class"])
            self.assertEqual(len(got["bands"]), len(want["bands"]))
            return got

        hand = self.by_hand(talk, noise)
        got = same(both, hand, "--band-levels")
        active = got["recorded"]["activity_percent"] / 100  # with the 0.2 s after each sentence that P.56 counts as active
        self.assertAlmostEqual(active, 2.2 / 3, delta=0.04)
        spoken_db = speech_db + 10 * np.log10(2 / 3 / active)
        made = self.file(table("third-octave", [spoken_db] * 18, [noise_db] * 18), "made.csv")
        self.assertAlmostEqual(got["sii"], self.json("sii", made)["result"]["sii"], delta=0.003)
        self.assertEqual(got["recorded"]["noise"], "leq")
        same([*both, "--noise", "l10"], self.by_hand(talk, noise, "l10_db"), "--band-levels")
        same([*both, "--method", "octave"], hand, "--band-levels", "--from-thirds", "--method", "octave")
        same([*both, "--privacy", "--at", 1, "--distance", 4], hand, "--band-levels", "--privacy", "--at", 1, "--distance", 4)
        same([*both, "--eardrum"], hand, "--band-levels", "--eardrum")
        loss = self.file("hz,threshold_db\n" + "".join(f"{f},35\n" for f in centres("third-octave")), "loss.csv")
        same([loss, *both], self.by_hand(talk, noise, extra=35), "--band-levels")
        same(["--speech", "raised", *both[2:]], hand, "--band-levels", "--speech", "raised")
        pauses = same(["--speech-rec", talk, "--cal-db", 110], self.by_hand(talk, None), "--band-levels")
        self.assertEqual(pauses["recorded"]["noise"], "pauses")
        value = self.json("sii", *both)
        self.assertEqual(value["inputs"], [str(talk), str(noise)])
        self.assertIn("pauses of the talk test", self.text("sii", "--speech-rec", talk, "--cal-db", 110))

    def test_recordings_of_any_kind(self):
        """A telephone's rate, silence, speech without a pause, options that do not belong together."""
        talk, noise, _, _ = self.recordings(8000)
        low = self.json("sii", "--speech-rec", talk, "--cal-db", 110)
        self.assertTrue({"speech-band-limited", "noise-band-assumed"} <= set(self.codes(low)))
        self.assertIsNone(low["result"]["bands"][-1]["speech_db"])
        t = np.arange(12 * 48000) / 48000
        hasty = np.random.default_rng(5).standard_normal(len(t)) * np.where(t % 1.0 < 0.65, 0.05, 0.0005)
        short = self.json("sii", "--speech-rec", write_wav(self.dir / "hasty.wav", hasty), "--cal-db", 110)
        self.assertIn("noise-band-assumed", self.codes(short))  # the pauses are over before a low band's filter settles
        noise_db = [b["noise_db"] for b in short["result"]["bands"]]
        self.assertEqual(noise_db[0], noise_db[1])
        self.assertAlmostEqual(noise_db[0], 110 + 3.01 + 20 * np.log10(0.0005) - 10 * np.log10(24000), delta=3)
        steady = write_wav(self.dir / "steady.wav", 0.05 * np.random.default_rng(3).standard_normal(10 * 48000))
        self.fails("sii", "--speech-rec", steady, "--cal-db", 110, says=["steady.wav", "--noise-rec"])
        silent = write_wav(self.dir / "silent.wav", np.zeros(5 * 48000))
        self.fails("sii", "--speech-rec", silent, "--cal-db", 110, says=["silent.wav", "silence"])
        quiet = self.json("sii", "--speech-rec", talk, "--noise-rec", silent, "--cal-db", 110, "--privacy")["result"]
        self.assertIsNone(quiet["bands"][3]["noise_db"])
        self.assertIsNone(quiet["recorded"]["noise_dba"])
        self.fails("sii", "--speech-rec", self.dir / "none.wav", "--cal-db", 110, says="none.wav")
        self.fails("sii", "--speech-rec", talk, "--noise-rec", noise, "--cal-db", 110, "--noise-channel", 3, says="noise.wav")
        for words, says in ((("--speech-rec", talk), "--cal-db"), (("--cal-db", 110), "--speech-rec"),
                            (("--speech-rec", talk, "--cal-db", 110, "--speech", "raised"), "--speech"),
                            (("--speech-rec", talk, "--cal-db", 110, "--noise", "l10"), "--noise-rec"),
                            (("--noise-rec", noise, "--cal-db", 110, "--channel", 2), "--speech-rec"),
                            (("--noise-rec", noise, "--cal-db", 110, "--mtf"), "--mtf")):
            self.fails("sii", *words, status=2, says=says)

    def test_text(self):
        good = [float(r["speech_raised_db"]) for r in rows(FILES["third-octave"])]
        self.assertTrue(self.text("sii", self.file(table("third-octave", good, [-50.0] * 18))).startswith("SII 0.9"))
        self.assertIn("poor", self.text("sii", self.file(table("third-octave", good, [60.0] * 18))).splitlines()[0])


if __name__ == "__main__":
    main()
