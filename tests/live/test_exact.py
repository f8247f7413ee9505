# SPDX-License-Identifier: MIT
"""Level 1 to 3: bit for bit through a straight wire; a known lane in real time, and many times faster than that."""

import unittest

from rig import ALSA, JACK, ROUND_TRIP, Hogs, Rig

LANES = [(0, "lane-coupling", ""), (1, "lane-coupling", ""), (2, "lane-coupling", ""), (0, "outbound", ""),
         (2, "counter-coupling", "")]
STRAIGHT = "route 1 1 straight"


class Exact(unittest.TestCase):
    """One failure here explains all others."""

    def test_mono_and_stereo_come_back_bit_for_bit(self):
        with Rig(STRAIGHT, "route 2 2 straight", ports="2 2") as rig:
            for host in (JACK, ALSA):
                with self.subTest(host=host, channels=1):
                    r, = rig.tool("play", "--seconds", 1, host=host)
                    self.assertEqual(r["shifts"], [ROUND_TRIP[host]], r)
                    self.assertTrue(r["complete"] and not r["all_zero"], r)
                with self.subTest(host=host, channels=2):
                    r, = rig.tool("play", "--seconds", 1, "--channels", 2, "--output", 2, host=host)
                    self.assertEqual(r["shifts"], [-1, ROUND_TRIP[host]], r)
                    self.assertEqual(r["peaks"][0], 0.0)  # the other output stays silent
                    self.assertEqual(r["frames"], 48000 + 24000)

    def test_swapped_channels_come_back_swapped(self):
        with Rig("route 1 2 straight", "route 2 1 straight", ports="2 2", freewheel=True) as rig:
            r, = rig.tool("play", "--channels", 2, "--output", 1)
            self.assertEqual(r["shifts"], [-1, 256], r)

    def test_other_rates(self):
        for rate in (44100, 96000):
            with self.subTest(rate=rate), Rig(STRAIGHT, rate=rate, freewheel=True) as rig:
                r, = rig.tool("play", "--rate", rate)
                self.assertEqual((r["rate_hz"], r["shifts"]), (rate, [256]), r)

    def test_eight_inputs_and_the_last_of_four_outputs(self):
        with Rig("route 4 8 straight", "route 1 1 straight", ports="4 8", freewheel=True) as rig:
            r, = rig.tool("play", "--channels", 8, "--output", 4)
            self.assertEqual(r["shifts"], [-1] * 7 + [256], r)
            r, = rig.tool("play", "--output", 5)
            self.assertIn("4 output channels", r["error"])
            r, = rig.tool("play", "--channels", 1, "--output", 1, "--peak", -1)
            self.assertEqual(r["status"], 1)
            self.assertIn("ceiling", r["error"])

    def test_loud_input_is_not_touched(self):
        with Rig("route 1 1 straight 12", freewheel=True) as rig:
            r, = rig.tool("play", "--peak", -3)
            self.assertAlmostEqual(r["peaks"][0], 10 ** (9 / 20), places=3)

    def test_only_record(self):
        with Rig("noise 1 0.01") as rig:
            for host in (JACK, ALSA):
                r, = rig.tool("play", "--kind", "silence", "--seconds", 0.5, host=host)
                self.assertEqual((r["status"], r["frames"], r["output"]), (0, 24000, ""), r)
                self.assertGreater(r["peaks"][0], 0.02)


class Lane(unittest.TestCase):
    def judge(self, r, host):
        self.assertEqual(r["status"], 0, r)
        self.assertNotIn("response_error", r)
        self.assertGreaterEqual(r["bands"], 25, r)
        self.assertLess(r["worst_db"], 0.2, r)
        if host == JACK:  # the other road's own delay depends on the load
            self.assertLess(abs(r["delay_miss_ms"]), 0.05, r)
        self.assertEqual(r["polarity"], r["true_polarity"], r)

    def sweep(self, rig, lane, path, condition, host=JACK, seconds=5, latency=0, **kw):
        return rig.tool("play", "--kind", "sweep", "--seconds", seconds, "--truth", lane, "--path", path, "--condition",
                        condition, "--round-trip", ROUND_TRIP[host], "--latency", latency, host=host, **kw)

    def test_real_time_once_for_each_host_with_both_cores_loaded(self):
        with Rig("route 1 1 scene 0 lane-coupling", "noise 1 0.0001") as rig, Hogs():
            for host in (JACK, ALSA):
                with self.subTest(host=host):
                    # A short buffer may run dry on ALSA under load; a take that lost samples is another test's matter.
                    for r in self.sweep(rig, 0, "lane-coupling", "", host, 5, latency=0.1):
                        self.judge(r, host)

    def test_twenty_of_twenty_faster_than_real_time(self):
        with Rig(freewheel=True) as rig:
            for i in range(20):
                lane, path, condition = LANES[i % len(LANES)]
                rig.set(f"route 1 1 scene {lane} {path} {condition or '-'}", "noise 1 0.00003", f"seed {i}")
                with self.subTest(lane=lane, path=path, seed=i):
                    for r in self.sweep(rig, lane, path, condition):
                        self.judge(r, JACK)

    def test_another_clock(self):
        with Rig(freewheel=True) as rig:
            for ppm in (100, -50):
                rig.set("route 1 1 scene 0 lane-coupling", "noise 1 0.0001", f"drift 1 {ppm}")
                for r in self.sweep(rig, 0, "lane-coupling", "", seconds=5):
                    self.assertAlmostEqual(r["drift_ppm"], ppm, delta=0.5, msg=r)
                    self.assertLess(r["worst_db"], 0.2, r)


if __name__ == "__main__":
    unittest.main()
