# SPDX-License-Identifier: MIT
"""Takes that are not what they should be: samples lost, a loaded machine, a loop that howls; a calibrator's tone."""

import unittest

from rig import ALSA, JACK, Hogs, Rig

WHOLE, BROKEN, UNCLEAR = 0, 1, 2
LANE = ("route 1 1 scene 0 lane-coupling", "noise 1 0.0001")
SWEEP = ("play", "--kind", "sweep", "--seconds", 5)


class Takes(unittest.TestCase):
    def test_lost_and_repeated_samples_are_told_with_their_number(self):
        with Rig(freewheel=True) as rig:
            for word, frames in (("lose", 1), ("repeat", 7), ("lose", 64), ("repeat", 256)):
                for at in (30000, 170000, 330000):  # in the first gap, in the sweep, in the last gap
                    with self.subTest(word=word, frames=frames, at=at):
                        rig.set(*LANE, f"{word} 1 {at} {frames}")
                        r, = rig.tool(*SWEEP)
                        self.assertEqual(r["continuity"], BROKEN, r)
                        self.assertEqual(r["lost"], frames if word == "lose" else -frames, r)
                        self.assertLess(r["lost_from_s"], at / 48000 + 0.6, r)
                        self.assertGreater(r["lost_to_s"], at / 48000 + 0.4, r)
            rig.set(*LANE)
            for r in rig.tool(*SWEEP, "--runs", 5):
                self.assertEqual(r["continuity"], WHOLE, r)

    def test_no_take_of_a_loaded_machine_is_wrong(self):
        """Through a short buffer on ALSA samples do get lost: then the take is refused."""
        good = 0
        with Rig(*LANE) as rig, Hogs(4):
            for r in rig.tool("play", "--kind", "sweep", "--seconds", 3, "--truth", 0, "--runs", 2, host=ALSA):
                if r["status"] == 0 and r["continuity"] != BROKEN:
                    good += 1
                    self.assertLess(r["worst_db"], 0.3, r)
            r, = rig.tool("play", "--kind", "sweep", "--seconds", 3, "--truth", 0, host=JACK)
            self.assertEqual((r["status"], r["continuity"]), (0, WHOLE), r)
            self.assertLess(r["worst_db"], 0.3, r)
            self.assertLess(abs(r["delay_miss_ms"]), 0.05, r)

    def test_a_howl_stops_the_sound(self):
        for hz, rise in ((400, 60), (1200, 100), (2600, 200)):
            with self.subTest(hz=hz, rise=rise), Rig("route 1 1 straight -40", "noise 1 0.0001", f"howl 1 {hz} {rise}") as rig:
                r, = rig.tool("play", "--kind", "tone", "--seconds", 6, "--peak", -40, "--howl", 1)
                self.assertEqual((r["status"], r["complete"]), (0, False), r)
                self.assertAlmostEqual(r["howl_hz"], hz, delta=0.01 * hz, msg=r)
                # long before the limiter; 200 dB/s are 10 dB within one step of the search
                self.assertLess(r["howl_dbfs"], -10 if rise <= 100 else -1, r)
                self.assertLess(r["frames"] / 48000 - r["howl_s"], 0.1, r)

    def test_no_howl_in_sweeps_on_all_lanes(self):
        with Rig(freewheel=True) as rig:
            for lane in range(3):
                for path, seconds in (("lane-coupling", 10), ("outbound", 2), ("inbound", 4), ("counter-coupling", 2)):
                    rig.set(f"route 1 1 scene {lane} {path}", "noise 1 0.0002", f"seed {lane}")
                    r, = rig.tool("play", "--kind", "sweep", "--seconds", seconds, "--howl", 1)
                    self.assertTrue(r["complete"], (lane, path, r))

    def test_calibrator(self):
        with Rig("tone 1 1000 -26", "noise 1 0.0001") as rig:
            r, = rig.tool("play", "--kind", "silence", "--seconds", 1)
            self.assertAlmostEqual(r["peaks"][0], 10 ** (-26 / 20), delta=0.001)


if __name__ == "__main__":
    unittest.main()
