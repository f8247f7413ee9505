# SPDX-License-Identifier: MIT
"""Two devices with two clocks through the command: one stream records, another plays, and nothing ties them together.
The lane resamples between them. Truth of the response: its taps, by numpy; of the drift: what the lane was told."""

import contextlib
import json
import os
import pathlib
import sys
import tempfile
import unittest

import numpy as np

from rig import GUARD, LIMIT_S, PROGRAM, Pulse, Rig, Tap, Terminal, processes

sys.path.insert(0, str(pathlib.Path(os.environ["LANETUNE_SOURCE"]) / "tests" / "e2e"))
from e2e import band_levels, validate  # noqa: E402

LONG = ("--seconds", 10, "--sweeps", 1, "--level", -12)


def add_devices(rig):
    """mike only records, horn only plays."""
    conf = pathlib.Path(rig.env["ALSA_CONFIG_PATH"])
    conf.write_text(conf.read_text() + "pcm.mike { type jack\n capture_ports { 0 lane:mic_1 } }\n"
                    "pcm.horn { type jack\n playback_ports { 0 lane:speaker_1 } }\n")


class TwoClocks(unittest.TestCase):
    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.site = pathlib.Path(keep.name) / "site"

    def words(self, *words, devices=("--input", "mike", "--output", "horn"), command="measure"):
        place = ("--lane", 1, "--path", "lane-coupling") if command == "measure" else ()
        return [PROGRAM, command, self.site, *place, "--in-channel", 1, "--yes", *devices, *words]

    def new(self, rig):
        self.assertEqual(rig.run([PROGRAM, "new", self.site, "--date", "2024-05-14"]).status, 0)

    def json(self, rig, *words, **kw):
        r = rig.run([*self.words(*words, **kw), "--json"])
        self.assertEqual((r.status, r.err), (0, ""), r.out)
        value = json.loads(r.out)
        validate(value["command"], value)
        return value["result"], [w["code"] for w in value["warnings"]]

    def pairs_across(self, rig):
        """What --output-host allows is listed: the clocks of both systems are two, whatever the devices are called."""
        r = rig.run([PROGRAM, "devices", "--json"])
        value = json.loads(r.out)
        validate("devices", value)
        self.assertIn({"host": "ALSA", "input": "mike", "output_host": "JACK Audio Connection Kit", "output": "lane",
                       "rates_hz": [48000]}, value["result"]["pairs_across"])
        self.assertNotIn("horn", [p["input"] for p in value["result"]["pairs_across"]])  # it only plays
        told = rig.run([PROGRAM, "devices"]).out
        self.assertIn(f"{len(value['result']['pairs_across'])} more with input and output of two sound systems", told)
        self.assertIn("--output-host   'JACK Audio Connection Kit'", told)

    def test_drift_and_a_lost_block(self):
        """In through ALSA, out through JACK: a take that lost two blocks is refused, the next one is right."""
        taps = np.zeros(400)
        taps[48], taps[192] = 0.25, -0.1
        ir = self.site.parent / "ir.f32"
        taps.astype("<f4").tofile(ir)
        truth = band_levels(taps, 48000, range(-8, 10))
        with Rig(f"route 1 1 file {ir}", "noise 1 0.0001", "drift 1 120", "lose 1 100000 512") as rig:
            add_devices(rig)
            self.pairs_across(rig)
            self.new(rig)
            r, codes = self.json(rig, "--seconds", 1.5, "--sweeps", 1, "--level", -12,
                                 devices=("--input", "mike", "--output-host", "jack"))
            self.assertEqual(r["device"], {"host": "ALSA", "input": "mike", "output": "lane",
                                           "output_host": "JACK Audio Connection Kit"})
            self.assertEqual(r["takes"], 2)
            self.assertAlmostEqual(r["drift_ppm"], 120, delta=1)
            # no common start, so no delay of the lane: neither here nor for those who read the file
            self.assertIn("delay-unknown", codes)
            self.assertEqual((r["delay_ms"], r["removed_ms"]), (None, 0))
            told = rig.run([PROGRAM, "response", self.site / r["file"], "--stimulus", self.site / r["stimulus"], "--json"])
            self.assertGreater(json.loads(told.out)["result"]["delay_ms"], 400)
            seen = [b for b in r["bands"] if b["hz"] in truth]
            self.assertGreaterEqual(len(seen), 17)
            for band in seen:
                self.assertAlmostEqual(band["level_db"], truth[band["hz"]], delta=0.2, msg=band)

    def test_one_of_their_servers_goes_away(self):
        """Two sound servers of different kinds: whichever has gone, and whichever side it served, it is named."""
        jack, pulse_in, pulse_out = ("jack", "lane"), ("alsa", "mike"), ("alsa", "horn")
        ways = ((jack, pulse_out, pulse_out), (pulse_in, jack, pulse_in), (jack, pulse_out, jack), (pulse_in, jack, jack))
        rig = None
        with contextlib.ExitStack() as all_of_it:
            for records, plays, gone in ways:
                if rig is None:
                    rig = all_of_it.enter_context(Rig("noise 1 0.001"))
                    if not self.site.exists():
                        self.new(rig)
                        kept = self.site / "visits" / "2024-05-14" / "lane-1" / "lane-coupling.wav"
                        kept.parent.mkdir(exist_ok=True)
                        kept.write_bytes(b"an earlier recording")
                        before = {p: p.read_bytes() for p in self.site.rglob("*") if p.is_file()}
                with self.subTest(records=records, plays=plays, gone=gone), Pulse(rig) as pulse:
                    devices = ("--host", records[0], "--input", records[1], "--output-host", plays[0], "--output", plays[1])
                    t = Terminal(rig, self.words(*LONG, devices=devices))
                    t.wait_for("0:01")
                    t.wait_for("lane-coupling")
                    (rig.kill_server if gone is jack else pulse.kill)()
                    status, took = t.end()
                    self.assertLess(took, LIMIT_S)
                    self.assertEqual(status, 1, t.shown)
                    self.assertTrue(t.lines[-2].startswith(f"lanetune measure: {gone[1]}: the device or its sound server "
                                                           "went away"), t.lines)
                    self.assertEqual(processes("lanetune"), [])
                    self.assertEqual({p: p.read_bytes() for p in self.site.rglob("*") if p.is_file()}, before)
                rig = None if gone is jack else rig

    def test_a_key_fades_what_plays(self):
        """Through ALSA, which has buffers that a stream's end could cut off: by two devices, and by one."""
        tap, lane = self.site.parent / "tap", ("route 1 1 straight", "noise 1 0.0001")
        with Rig(*lane) as rig:
            add_devices(rig)
            self.new(rig)
            for devices in (("--input", "mike", "--output", "horn"), ("--host", "alsa", "--input", "lane")):
                rig.set(*lane, f"tap {tap} 60")
                t = Terminal(rig, self.words(*LONG, devices=devices))
                t.wait_for("0:03")  # the sweep sounds; before it are a marker and a second of silence
                asked = t.press(b"\x03")
                status, took = t.end()
                self.assertEqual(status, 1, t.shown)
                self.assertEqual(t.lines[-2:], ["lanetune measure: stopped by Ctrl-C", ""])
                self.assertLess(took, LIMIT_S)
                rig.set(*lane)
                heard = Tap(tap)
                after = heard.last_sound_s() - asked
                self.assertGreater(after, 0.0, "it did not sound when the key came")
                self.assertLess(after, 0.15 * GUARD)
                # faded, not cut: the last sound is quieter than what was before
                last = (np.abs(heard.speaker) > 0).nonzero()[0][-1]
                self.assertLess(np.abs(heard.speaker[last - 9:last + 1]).max(), 0.02)


if __name__ == "__main__":
    unittest.main(verbosity=1)
