# SPDX-License-Identifier: MIT
"""Stopping, in a real terminal: every key and signal ends the sound, leaves a valid folder and the terminal as it was;
noise that was recorded until then is kept. How fast the sound ends is read from the lane's own tap."""

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

from rig import GUARD, LIMIT_S, PROGRAM, SLOW, Rig, Tap, Terminal, processes

sys.path.insert(0, str(pathlib.Path(os.environ["LANETUNE_SOURCE"]) / "tests" / "e2e"))
from e2e import read_wav  # noqa: E402

DEVICE = ("--host", "jack", "--input", "lane", "--in-channel", 1)
LONG = ("--seconds", 10, "--sweeps", 1, "--level", -12)
NOISY = ("route 1 1 scene 0 outbound", "noise 1 0.0003")
ESC, CTRL_C, QUIT = b"\x1b", b"\x03", b"\x1c"


class Stop(unittest.TestCase):
    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.dir = pathlib.Path(keep.name)
        self.site = self.dir / "site"
        self.lane = self.site / "visits" / "2024-05-14" / "lane-1"
        self.fades = []

    def new(self, rig):
        self.assertEqual(rig.run([PROGRAM, "new", self.site, "--date", "2024-05-14"]).status, 0)

    def kept(self):
        return {str(p.relative_to(self.site)): hashlib.sha256(p.read_bytes()).hexdigest()
                for p in self.site.rglob("*") if p.is_file()}

    def measure(self, rig, *words, path="outbound"):
        return Terminal(rig, [PROGRAM, "measure", self.site, "--lane", 1, "--path", path, *DEVICE, *words])

    def stopped(self, t, says, status=1):
        """The end of a run that was stopped: in time, one line, nothing changed, the terminal as it was."""
        got, took = t.end()
        self.assertEqual(got, status, t.shown)
        self.assertLess(took, LIMIT_S)
        self.assertTrue(t.same_modes, "the terminal was not restored")
        self.assertIn(says, t.lines[-2])
        self.assertTrue(t.lines[-2].startswith("lanetune measure: "), t.lines)
        self.assertEqual((t.lines[-1], sum("lanetune measure: " in line for line in t.lines)), ("", 1), t.lines)
        self.assertLessEqual(t.widest, 80, t.shown)
        self.assertEqual(processes("lanetune"), [])
        return took

    def test_keys_and_signals_while_a_sweep_plays(self):
        ways = [("ESC", ESC, "ESC"), ("q", b"q", "key q"), ("Ctrl-C", CTRL_C, "Ctrl-C"), ("Ctrl-\\", QUIT, "Ctrl-\\"),
                ("SIGTERM", signal.SIGTERM, "SIGTERM"), ("SIGHUP", signal.SIGHUP, "terminal was closed")]
        with Rig(*NOISY) as rig:
            self.new(rig)
            before = self.kept()
            for name, way, says in ways:
                with self.subTest(name):
                    tap = self.dir / "tap"
                    rig.set(*NOISY, f"tap {tap} 30")
                    t = self.measure(rig, *LONG)
                    t.wait_for("Any key begins")
                    t.press(b" ")
                    t.wait_for("0:02")
                    if isinstance(way, bytes):
                        at = t.press(way)
                    else:
                        t.process.send_signal(way)
                        at = time.monotonic()
                    self.stopped(t, says)
                    rig.set(*NOISY)
                    heard = Tap(tap)
                    end = heard.last_sound_s()
                    self.fades.append((name, 1000.0 * (end - at)))
                    self.assertGreater(end, at - 0.05)
                    self.assertLess(end - at, 0.3 * GUARD, name)
                    self.assertLess(heard.at_s[0], end)  # it did play
                    self.assertEqual(self.kept(), before)
        print("sound ended after (ms):", ", ".join(f"{n} {ms:.0f}" for n, ms in self.fades))

    def stands_out_s(self, heard, hz):
        """When the tone is 21 dB above what lies beside it, in a window of 43 ms, and above -60 dBFS, for 50 ms on."""
        import numpy as np
        n, hop, run = 2048, 256, []
        f = np.fft.rfftfreq(n, 1 / 48000)
        near, beside = abs(f - hz) < 30, (abs(f - hz) > 117) & (abs(f - hz) < 469)
        window = np.hanning(n)
        for i in range(0, len(heard.microphone) - n, hop):
            p = abs(np.fft.rfft(heard.microphone[i:i + n] * window)) ** 2
            top = p[near].max()
            if top > 10 ** 2.1 * p[beside].mean() and top > (10 ** (-60 / 20) * n / 4) ** 2:
                run.append(heard.at_s[i + n - 1])
                if len(run) == 10:
                    return run[0]
            else:
                run = []
        return None

    def test_a_howl_while_a_sweep_plays(self):
        """The loop becomes unstable in the middle of the sweep. The time counts from the moment when the tone stands out
        to the last sample that sounds at the lane; where the sound is over before, there is nothing to measure."""
        took, takes = [], ((400, 60), (900, 120), (2600, 60), (2600, 120))
        with Rig("route 1 1 straight -30", "noise 1 0.0003") as rig:
            self.new(rig)
            before = self.kept()
            for hz, rise in takes:
                tap = self.dir / "tap"
                howling = ("route 1 1 straight -30", "noise 1 0.0003", f"howl 1 {hz} {rise}", f"tap {tap} 20")
                r = rig.run([PROGRAM, "measure", self.site, "--lane", 1, "--path", "outbound", *DEVICE, *LONG, "--yes"],
                            after=(2.5, lambda _: rig.set(*howling)))
                self.assertEqual(r.status, 1, r.err)
                self.assertAlmostEqual(int(r.err.split("howl at ")[1].split(" Hz")[0]), hz, delta=0.02 * hz)
                rig.set("route 1 1 straight -30", "noise 1 0.0003")
                heard = Tap(tap)
                since = self.stands_out_s(heard, hz)
                if since is not None:
                    took.append(heard.last_sound_s() - since)
                    self.assertLess(took[-1], 0.75 * GUARD, (hz, rise))
            self.assertEqual(self.kept(), before)
        self.assertGreaterEqual(len(took), len(takes) // 2, "too few takes in which the howl was heard before it ended")
        print("howl: silence after (ms):", ", ".join(f"{1000 * t:.0f}" for t in took))

    def test_the_terminal_is_closed(self):
        with Rig(*NOISY) as rig:
            self.new(rig)
            before = self.kept()
            t = self.measure(rig, *LONG)
            t.wait_for("Any key begins")
            t.press(b" ")
            t.wait_for("0:02")
            t.hang_up()
            status, took = t.end()
            self.assertEqual(status, 1)
            self.assertLess(took, LIMIT_S)
            self.assertEqual(self.kept(), before)
            self.assertEqual(processes("lanetune"), [])

    def test_before_the_first_sound(self):
        with Rig(*NOISY) as rig:
            self.new(rig)
            before = self.kept()
            for key, says in ((ESC, "ESC"), (b"q", "key q"), (CTRL_C, "Ctrl-C")):
                t = self.measure(rig, *LONG)
                t.wait_for("Any key begins")
                t.press(key)
                self.stopped(t, says)
            t = self.measure(rig, *LONG)
            t.wait_for("Any key begins")
            t.press(b"\x1b[A")  # an arrow key is no ESC: it begins nothing and stops nothing
            t.pause(0.3)
            self.assertIsNone(t.process.poll())
            t.press(b"q")
            self.stopped(t, "key q")
            self.assertEqual(self.kept(), before)

    def test_a_device_that_does_not_open_can_be_left(self):
        with Rig(*NOISY) as rig:
            self.new(rig)
            os.kill(rig.server, signal.SIGSTOP)
            try:
                t = self.measure(rig, *LONG, "--yes")
                t.pause(0.6)
                t.press(CTRL_C)
                self.assertLess(self.stopped(t, "Ctrl-C"), 1.0 * SLOW)
            finally:
                os.kill(rig.server, signal.SIGCONT)

    def test_ten_random_moments(self):
        """From the start of the program to the end of the computation: the run takes about three seconds."""
        rng = random.Random(11)
        with Rig(*NOISY) as rig:
            self.new(rig)
            before = self.kept()
            for i in range(10):
                wait = 0.1 + rng.random() * 2.8
                with self.subTest(wait=wait):
                    t = self.measure(rig, "--seconds", 1, "--sweeps", 1, "--level", -12, "--yes")
                    t.pause(wait * SLOW)
                    t.press(CTRL_C)
                    status, took = t.end()
                    self.assertTrue(t.same_modes)
                    self.assertLess(took, LIMIT_S)
                    self.assertEqual(processes("lanetune"), [])
                    if status == 0:  # it was done before
                        before = self.kept()
                    else:
                        self.assertEqual(status, 1, t.lines)
                        self.assertIn("stopped by Ctrl-C", t.lines[-2])
                        self.assertEqual(self.kept(), before)

    def noise(self, rig, *words):
        return self.measure(rig, "--yes", "--json", *words, path="noise-ear")

    def test_noise_that_was_recorded_until_then_is_kept(self):
        with Rig("noise 1 0.01") as rig:
            self.new(rig)
            before = self.kept()
            t = self.noise(rig, "--seconds", 60)
            t.wait_for("0:02")
            t.press(ESC)
            self.stopped(t, "too short to be kept")
            self.assertEqual(self.kept(), before)
            for key, says in ((b"q", "the key q"), (CTRL_C, "Ctrl-C")):
                t = self.noise(rig, "--seconds", 60)
                t.wait_for("0:06")
                t.press(key)
                status, took = t.end()
                self.assertEqual(status, 0, t.shown)
                self.assertLess(took, LIMIT_S)
                self.assertTrue(t.same_modes)
                value = json.loads("\n".join(t.lines[next(i for i, x in enumerate(t.lines) if x.startswith("{")):]))
                r = value["result"]
                self.assertEqual(r["complete"], False)
                self.assertIn("stopped-early", [w["code"] for w in value["warnings"]])
                self.assertIn(says, str(value["warnings"]))
                rate, x = read_wav(self.site / r["file"])[:2]
                self.assertAlmostEqual(len(x) / rate, r["seconds"], delta=0.001)
                self.assertGreater(r["seconds"], 5.0)
                self.assertEqual(processes("lanetune"), [])
            self.assertEqual(len(list(self.lane.glob("noise-ear.wav"))), 1)

    def test_what_comes_next_is_said(self):
        """Behind each result what this site still lacks, no line wider than the terminal, the verdict within its height."""
        with Rig("tone 1 1000 -24", "noise 1 0.00002", freewheel=True) as rig:
            self.new(rig)

            def ends(t, *says):
                status, _ = t.end()
                text = " ".join(t.shown.decode().split())
                self.assertEqual(status, 0, t.shown)
                self.assertLessEqual(t.widest, 80, t.shown)
                for words in says:
                    self.assertIn(words, text)
                return t.lines

            ends(Terminal(rig, [PROGRAM, "calibrate", self.site, "--mic", "--yes", *DEVICE]),
                 f"Next: lanetune calibrate {self.site} --loopback, so that")
            rig.set("route 1 1 straight", "noise 1 0.00002")
            ends(Terminal(rig, [PROGRAM, "calibrate", self.site, "--loopback", "--yes", *DEVICE]),
                 f"Next: lanetune tune {self.site} --live leads through")
            rig.set(*NOISY)
            lines = ends(self.measure(rig, *LONG, "--yes"),
                         "Lane 1 still lacks: noise-ear, inbound, noise-counter, counter-coupling, lane-coupling, noise-mic, "
                         f"talk-test. Measure them one by one, or let lanetune tune {self.site} --live lead")
            self.assertLessEqual(len(lines) - next(i for i, x in enumerate(lines) if x.startswith("  band Hz")), 24)
            for name in ("noise-ear", "noise-mic", "talk-test", "lane-coupling"):
                (self.lane / f"{name}.wav").touch()
            for name in ("noise-counter", "counter-coupling", "inbound"):
                (self.lane.parent / "counter-1" / f"{name}.wav").touch()
            ends(self.measure(rig, *LONG, "--yes"), f"Next: lanetune tune {self.site}; lane 1 has all that it needs.")

    def test_the_talk_test_says_what_a_key_does(self):
        with Rig("sound 1 scene 0 talk-test - 20") as rig:
            self.new(rig)
            t = self.measure(rig, path="talk-test")
            t.wait_for("Any key begins")
            t.press(b" ")
            t.wait_for("Each key shows the next sentence; after the last one it ends the recording.")
            t.wait_for(" 1  Could I have")
            for i in range(13):
                t.press(b" ")
                t.wait_for(f"{i + 2:2}  ")
            t.press(b" ")
            status, _ = t.end()
            self.assertEqual(status, 0, t.shown)
            self.assertIn("talk-test of lane 1 recorded", t.lines)

    def test_a_partial_recording_does_not_displace_a_longer_one(self):
        with Rig("noise 1 0.01") as rig:
            self.new(rig)
            r = rig.run([PROGRAM, "measure", self.site, "--lane", 1, "--path", "noise-ear", *DEVICE, "--seconds", 8, "--yes"])
            self.assertEqual(r.status, 0, r.err)
            before = self.kept()
            t = self.noise(rig, "--seconds", 60)
            t.wait_for("0:06")
            t.press(b"q")
            self.assertEqual(t.end()[0], 0)
            after = self.kept()
            self.assertEqual({k: after[k] for k in before}, before)
            added, = set(after) - set(before)
            self.assertRegex(added, r"lane-1/replaced/noise-ear\.1\.wav$")


if __name__ == "__main__":
    unittest.main(verbosity=1)
