# SPDX-License-Identifier: MIT
"""The technician's side through the command: calibrate and measure on lanes whose truth is known, and every fault with
its line, its status and the earlier recordings as they were."""

import hashlib
import json
import os
import pathlib
import random
import signal
import sys
import tempfile
import time
import unittest

from rig import LIMIT_S, PROGRAM, Rig, processes

sys.path.insert(0, str(pathlib.Path(os.environ["LANETUNE_SOURCE"]) / "tests" / "e2e"))
from e2e import band_levels, read_wav, validate  # noqa: E402

DEVICE = ("--host", "jack", "--input", "lane", "--yes")
SHORT = ("--seconds", 2, "--sweeps", 1, "--level", -12)


class Measure(unittest.TestCase):
    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.site = pathlib.Path(keep.name) / "site"
        self.lane = self.site / "visits" / "2024-05-14" / "lane-1"

    def new(self, rig):
        self.assertEqual(rig.run([PROGRAM, "new", self.site, "--date", "2024-05-14"]).status, 0)

    def json(self, rig, command, *words):
        r = rig.run([PROGRAM, command, self.site, *DEVICE, *words, "--json"])
        self.assertEqual((r.status, r.err), (0, ""), r.out)
        value = json.loads(r.out)
        validate(command, value)
        return value["result"], [w["code"] for w in value["warnings"]]

    def measure(self, rig, *words, path="outbound"):
        return self.json(rig, "measure", "--lane", 1, "--path", path, "--in-channel", 1, *words)

    def kept(self):
        return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in self.site.rglob("*") if p.is_file()}

    def fails(self, rig, *words, says, after=None, limit=None, command="measure"):
        """One line, status 1, in time, nothing changed, no process left."""
        before, began = self.kept(), time.monotonic()
        if command == "measure":
            words = ("--lane", 1, "--path", "outbound", *words)
        r = rig.run([PROGRAM, command, self.site, *DEVICE, *words], after=after)
        self.assertEqual((r.status, r.out), (1, ""), r.err)
        self.assertEqual(len(r.err.splitlines()), 1, r.err)
        self.assertTrue(r.err.startswith(f"lanetune {command}: "), r.err)
        self.assertIn(says, r.err)
        if limit is not None:
            self.assertLess(time.monotonic() - began - (after[0] if after else 0.0), limit, r.err)
        self.assertEqual(self.kept(), before)
        self.assertEqual(processes("lanetune"), [])

    def test_known_filter(self):
        """Two taps, 3 ms apart: its bands are computed by numpy; the round trip is taken off by the loopback."""
        taps = [0.0] * 400
        taps[48], taps[192] = 0.25, -0.1
        ir = self.site.parent / "ir.f32"
        import numpy as np
        np.array(taps, "<f4").tofile(ir)
        with Rig("route 1 1 straight", "noise 1 0.0001", freewheel=True) as rig:
            self.new(rig)
            r, _ = self.json(rig, "calibrate", "--loopback", "--in-channel", 1)
            self.assertAlmostEqual(r["result_db"], 0.0, delta=0.02)
            self.assertAlmostEqual(r["latency_ms"], 256 / 48.0, delta=0.02)
            rig.set(f"route 1 1 file {ir}", "noise 1 0.0001")
            r, codes = self.measure(rig, path="lane-coupling")
            self.assertIn("latency-removed", codes)
            self.assertAlmostEqual(r["delay_ms"], 1.0, delta=0.05)
            truth = band_levels(np.array(taps), 48000, range(-8, 10))
            for band in r["bands"]:
                if band["hz"] in truth:
                    self.assertAlmostEqual(band["level_db"], truth[band["hz"]], delta=0.2, msg=band)
            self.assertEqual(r["quality"], "good")
            _, played = read_wav(self.site / r["stimulus"])[:2]
            self.assertAlmostEqual(20 * np.log10(np.abs(played).max()), r["level_dbfs"], delta=0.1)

    def test_the_interface_itself_is_taken_off(self):
        """Converters with a known roll-off (first order, 120 Hz and 7 kHz): calibrate records it, measure removes it.
        Truth: the path's taps alone, by numpy."""
        import numpy as np
        from scipy import signal as sig
        x = np.zeros(4800)
        x[0] = 1.0
        for hz, kind in ((120, "highpass"), (7000, "lowpass")):
            x = sig.lfilter(*sig.butter(1, hz, kind, fs=48000), x)
        taps = np.zeros(400)
        taps[48], taps[192] = 0.25, -0.1
        names = {}
        for name, h in (("interface", x), ("path", np.convolve(x, taps))):
            names[name] = self.site.parent / f"{name}.f32"
            h.astype("<f4").tofile(names[name])
        with Rig(f"route 1 1 file {names['interface']}", "noise 1 0.00001", freewheel=True) as rig:
            self.new(rig)
            r, codes = self.json(rig, "calibrate", "--loopback", "--in-channel", 1)
            self.assertIn("interface-response", codes)
            rig.set(f"route 1 1 file {names['path']}", "noise 1 0.00001")
            r, codes = self.measure(rig, path="lane-coupling")
            self.assertIn("interface-removed", codes)
            truth = band_levels(taps, 48000, range(-13, 13))
            one_khz = band_levels(x, 48000, [0])[1000.0]
            seen = 0
            for band in r["bands"]:
                if 63 <= band["hz"] <= 12500 and band["hz"] in truth:
                    self.assertAlmostEqual(band["level_db"] - one_khz, truth[band["hz"]], delta=0.2, msg=band)
                    seen += 1
            self.assertGreaterEqual(seen, 18)
            self.assertAlmostEqual(r["delay_ms"], 1.0, delta=0.05)
            # another device's loopback is none of this one
            visit = self.site / "visits" / "2024-05-14" / "visit.yaml"
            visit.write_text(visit.read_text().replace("JACK Audio Connection Kit: lane", "another one"))
            _, codes = self.measure(rig, path="lane-coupling")
            self.assertNotIn("interface-removed", codes)

    def test_calibrator(self):
        with Rig("tone 1 1001 -25.5", "noise 1 0.0001", freewheel=True) as rig:
            self.new(rig)
            r, _ = self.json(rig, "calibrate", "--mic", "--calibrator", 114)
            self.assertAlmostEqual(r["result_db"], 139.5, delta=0.05)
            self.assertAlmostEqual(r["calibrator_hz"], 1001, delta=0.5)
            text = (self.site / "visits" / "2024-05-14" / "visit.yaml").read_text()
            self.assertRegex(text, r"(?m)^mic_cal_db: 139\.\d+ +# measurement microphone")
            self.assertIn("method: calibrator", text)
            rig.set("tone 1 1040 -25.5")
            self.fails(rig, "--mic", says="1040 Hz instead of 1000 Hz", command="calibrate")
            rig.set("tone 1 1000 -25.5", "noise 1 0.03")
            self.fails(rig, "--mic", says="noise is only", command="calibrate")

    def test_level_finding(self):
        for lines, end, low, high in ((("noise 1 0.0001",), "enough", -45, -15), (("noise 1 0.004",), "highest", -6.1, -5.9),
                                      (("noise 1 0.001", "gain 1 30"), "capture", -40, -10)):
            with self.subTest(end), Rig("route 1 1 scene 0 outbound", *lines, freewheel=True) as rig:
                if not self.site.exists():
                    self.new(rig)
                r, _ = self.measure(rig)
                self.assertEqual(r["level_end"], end, r)
                self.assertTrue(low <= r["level_dbfs"] <= high, r["level_dbfs"])
                if end == "enough":
                    self.assertEqual((r["quality"], r["sweeps"]), ("good", 1))
        self.assertEqual(len(list((self.lane / "replaced").glob("outbound.*.wav"))), 2)

    def test_noise_and_talk_test(self):
        with Rig("sound 1 scene 0 talk-test - 20") as rig:
            self.new(rig)
            r, _ = self.measure(rig, "--seconds", 2, path="noise-mic")
            self.assertEqual((r["seconds"], r["complete"], r["stimulus"]), (2.0, True, None))
            r = rig.run([PROGRAM, "measure", self.site, "--lane", 1, "--path", "talk-test", "--in-channel", 1, *DEVICE,
                         "--seconds", 9, "--json"])
            self.assertEqual(r.status, 0, r.err)
            self.assertEqual(len(r.err.split("\n")) - 1, 2, repr(r.err))  # sentences
            self.assertIsNotNone(json.loads(r.out)["result"]["active_level_dbfs"])

    def test_howl(self):
        with Rig("route 1 1 scene 0 outbound", "howl 1 800 60", "noise 1 0.0001") as rig:
            self.new(rig)
            before = self.kept()
            r = rig.run([PROGRAM, "measure", self.site, "--lane", 1, "--path", "outbound", *DEVICE, *SHORT])
            self.assertEqual(r.status, 1, r.err)
            hz = int(r.err.split("howl at ")[1].split(" Hz")[0])
            self.assertAlmostEqual(hz, 800, delta=20)
            self.assertEqual(self.kept(), before)

    def test_too_loud(self):
        with Rig("route 1 1 straight", "noise 1 0.0001") as rig:
            self.new(rig)
            visit = self.site / "visits" / "2024-05-14" / "visit.yaml"
            visit.write_text(visit.read_text().replace("mic_cal_db: null", "mic_cal_db: 130 "))
            self.fails(rig, *SHORT, says="dB SPL at the measurement microphone", limit=LIMIT_S)

    def test_faults(self):
        noisy = ("route 1 1 scene 0 outbound", "noise 1 0.0003")
        with Rig(*noisy) as rig:
            self.new(rig)
            self.measure(rig, *SHORT)
            self.fails(rig, *SHORT[:-1], -3, "--input", "nosuch", says="nosuch", limit=LIMIT_S)
            long = ("--seconds", 10, "--sweeps", 1, "--level", -12)
            rng = random.Random(7)
            for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP) * 3 + (signal.SIGINT,):
                self.fails(rig, *long, says="stopped", limit=LIMIT_S,
                           after=(rng.uniform(0.3, 2.0), lambda p, n=number: p.send_signal(n)))
            rig.set(*noisy, "gain 1 40", "clip 1 0.5")
            self.fails(rig, *SHORT, says="clips")
            rig.set()
            self.fails(rig, *SHORT, says="digital silence", limit=LIMIT_S)
            rig.set(*noisy)
            self.fails(rig, *long, says="went away", limit=LIMIT_S, after=(1.5, rig.kill_server))

    def test_lost_samples_are_refused(self):
        with Rig("route 1 1 straight", "noise 1 0.0001", "lose 1 100000 37", freewheel=True) as rig:
            self.new(rig)
            r, _ = self.measure(rig, *SHORT)
            self.assertEqual(r["takes"], 2)


if __name__ == "__main__":
    unittest.main(verbosity=1)
