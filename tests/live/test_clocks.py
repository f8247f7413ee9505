# SPDX-License-Identifier: MIT
"""Two devices with two clocks through the command: one stream records, another plays, and nothing ties them together.
The lane resamples between them. Truth of the response: its taps, by numpy; of the drift: what the lane was told."""

import json
import os
import pathlib
import signal
import sys
import tempfile
import time
import unittest

import numpy as np

from rig import LIMIT_S, PROGRAM, SLOW, Rig, Tap, processes

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
        self.assertEqual(rig.run([PROGRAM, "new", self.site]).status, 0)

    def json(self, rig, *words, **kw):
        r = rig.run([*self.words(*words, **kw), "--json"])
        self.assertEqual((r.status, r.err), (0, ""), r.out)
        value = json.loads(r.out)
        validate(value["command"], value)
        return value["result"], [w["code"] for w in value["warnings"]]

    def test_drift_and_a_lost_block(self):
        """In through ALSA, out through JACK: a take that lost two blocks is refused, the next one is right."""
        taps = np.zeros(400)
        taps[48], taps[192] = 0.25, -0.1
        ir = self.site.parent / "ir.f32"
        taps.astype("<f4").tofile(ir)
        truth = band_levels(taps, 48000, range(-8, 10))
        with Rig(f"route 1 1 file {ir}", "noise 1 0.0001", "drift 1 120", "lose 1 100000 512") as rig:
            add_devices(rig)
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

    def test_their_server_goes_away(self):
        """One of both that goes alone is the unit test's matter: here they share a server."""
        with Rig("noise 1 0.001") as rig:
            add_devices(rig)
            self.new(rig)
            began = time.monotonic() + 1.5
            r = rig.run(self.words(*LONG), after=(1.5, rig.kill_server))
            self.assertLess(time.monotonic() - began, LIMIT_S, r.err)
            self.assertEqual((r.status, r.out, len(r.err.splitlines())), (1, "", 1), r.err)
            self.assertRegex(r.err, "^lanetune measure: (mike|horn): ")
            self.assertEqual(processes("lanetune"), [])
            self.assertEqual(list(self.site.rglob("*.wav")), [])

    def test_a_signal_fades_the_one_that_plays(self):
        tap = self.site.parent / "tap"
        with Rig("route 1 1 straight", "noise 1 0.0001", f"tap {tap} 8") as rig:
            add_devices(rig)
            self.new(rig)
            asked = []

            def interrupt(p):
                asked.append(time.monotonic())
                p.send_signal(signal.SIGINT)

            r = rig.run(self.words(*LONG), after=(2.0, interrupt))
            self.assertEqual((r.status, r.out), (1, ""), r.err)
            self.assertIn("stopped by Ctrl-C", r.err)
            self.assertLess(time.monotonic() - asked[0], LIMIT_S)
            rig.set()
            heard = Tap(tap)
            loud = np.abs(heard.speaker) > 0
            self.assertGreater(np.abs(heard.speaker).max(), 0.1)
            self.assertLess(heard.last_sound_s() - asked[0], 0.15 * SLOW)
            # faded, not cut: the last sound is quieter than what was before
            last = loud.nonzero()[0][-1]
            self.assertLess(np.abs(heard.speaker[last - 24:last + 1]).max(), 0.05 * np.abs(heard.speaker).max())


if __name__ == "__main__":
    unittest.main(verbosity=1)
