# SPDX-License-Identifier: MIT
"""Level 4: whatever goes wrong with the device ends within three seconds, with one clear sentence, with what was
recorded until then, and with no process left behind."""

import os
import pathlib
import random
import signal
import struct
import subprocess
import tempfile
import time
import unittest

from rig import ALSA, JACK, LIMIT_S, SLOW, TOOL, Rig, processes

NOISY = ("route 1 1 scene 0 lane-coupling", "noise 1 0.0003")
SWEEP = ("play", "--kind", "sweep", "--seconds", 10)


def wav_frames(path):
    """(frames that the header claims, frames that are there) of a 24-bit mono WAV."""
    raw = pathlib.Path(path).read_bytes()
    assert raw[:4] == b"RIFF" and raw[8:12] == b"WAVE", raw[:16]
    at = 12
    while raw[at:at + 4] != b"data":
        at += 8 + struct.unpack("<I", raw[at + 4:at + 8])[0]
    return struct.unpack("<I", raw[at + 4:at + 8])[0] // 3, (len(raw) - at - 8) // 3


class Faults(unittest.TestCase):
    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.dir = pathlib.Path(keep.name)

    def gone(self):
        until = time.monotonic() + 0.5 * SLOW
        while processes("live_tool") and time.monotonic() < until:
            time.sleep(0.01)
        self.assertEqual(processes("live_tool"), [])

    def broken(self, says, lines, words=SWEEP, host=JACK, after=None, rate=48000, limit=LIMIT_S, **kw):
        """One run that must end with LT_E_IO; the limit counts from the fault, or from the start."""
        with Rig(*lines, rate=rate) as rig:
            began = time.monotonic()
            fault = after and (after[0], lambda p: (after[1](rig, p)))
            r, = rig.tool(*words, host=host, after=fault, **kw)
            seconds = time.monotonic() - began - (after[0] if after else 0.0)
            self.gone()
        self.assertEqual(r["status"], 4, r)
        self.assertIn(says, r["error"])
        self.assertLess(seconds, limit, r)
        return r

    def test_server_killed(self):
        for host, says in ((JACK, "went away"), (ALSA, "stopped answering")):
            with self.subTest(host=host):
                r = self.broken(says, NOISY, host=host, after=(1.5, Rig.kill_server))
                self.assertFalse(r["complete"])
                self.assertGreater(r["frames"], 20000)  # what was there is kept
                self.assertGreater(r["peaks"][0], 0.0)

    def test_lane_hangs(self):
        for host in (JACK, ALSA):
            with self.subTest(host=host):
                r = self.broken("stopped answering", NOISY, host=host, after=(1.5, Rig.stop_lane))
                self.assertGreater(r["frames"], 20000)

    def test_server_hangs_before_the_start(self):
        with Rig(*NOISY) as rig:
            os.kill(rig.server, signal.SIGSTOP)
            r, = rig.tool(*SWEEP)
            os.kill(rig.server, signal.SIGCONT)
            self.assertEqual(r["status"], 4)
            self.assertLess(r["wall_s"], LIMIT_S)
            self.gone()

    def test_lane_leaves(self):
        r = self.broken("digital silence", NOISY, after=(1.9, lambda rig, _: os.kill(rig.lane, signal.SIGTERM)))
        self.assertTrue(r["all_zero"])
        self.assertGreater(r["peaks"][0], 0.0)

    def test_silent_input(self):
        self.assertTrue(self.broken("digital silence", [])["all_zero"])
        self.assertTrue(self.broken("digital silence", [], words=("play", "--kind", "silence", "--seconds", 5))["all_zero"])

    def test_microphone_goes_silent(self):
        r = self.broken("digital silence", [*NOISY, "mute 1 72000"], limit=1.5 + LIMIT_S)
        self.assertGreater(r["frames"], 72000)

    def test_other_rate(self):
        for host in (JACK, ALSA):
            r = self.broken("44100 Hz", NOISY, host=host, rate=44100)
            self.assertNotIn("frames", r)

    def test_no_server_and_no_such_device(self):
        with Rig(*NOISY) as rig:
            r, = rig.tool(*SWEEP, host="jack", env={"JACK_DEFAULT_SERVER": "nosuch"})
            self.assertEqual(r["status"], 4)
            self.assertIn("jack", r["error"])
            for words, says in (((JACK, "nosuch"), "called 'nosuch'"), ((ALSA, "a"), "fits 2")):
                r = rig.run([TOOL, "play", "--host", words[0], "--device", words[1]])
                self.assertIn(says, r.out)

    def test_clipped_capture(self):
        with Rig("route 1 1 straight", "clip 1 0.3", freewheel=True) as rig:
            r, = rig.tool("play", "--kind", "sweep", "--seconds", 3)
            self.assertGreater(r["clipped"][0], 10000)
            self.assertAlmostEqual(r["peaks"][0], 0.3, places=6)

    def test_stopping_at_random_moments(self):
        rng = random.Random(4)
        with Rig(*NOISY) as rig:
            for number in (signal.SIGINT, signal.SIGTERM) * 5:
                wait = rng.uniform(0.05, 1.2)
                with self.subTest(signal=number, wait=wait):
                    r, = rig.tool(*SWEEP, after=(wait, lambda p, n=number: p.send_signal(n)))
                    self.assertLess(r["wall_s"], wait + 1.0 * SLOW)
                    if "frames" in r:
                        self.assertEqual((r["status"], r["complete"]), (0, False), r)
                    self.gone()

    def test_sound_fades_when_the_tool_is_killed_or_stopped(self):
        """Seen by a second program that listens to the lane."""
        with Rig("route 1 1 straight") as rig:
            for number, most_s in ((signal.SIGKILL, 0.35), (signal.SIGSTOP, 2.6)):
                with self.subTest(signal=number):
                    p = rig.start([TOOL, "play", "--host", JACK, "--device", "lane", "--kind", "tone", "--seconds", 30])
                    time.sleep(1.0 * SLOW)
                    ear = rig.start([TOOL, "file", "--host", JACK, "--device", "lane", "--path", self.dir / f"{number}.wav",
                                     "--seconds", 0, "--stop-after", 1.0 + most_s])
                    time.sleep(0.9)
                    p.send_signal(number)
                    said = ear.communicate()[0].decode()
                    end, samples = self.last_sound(self.dir / f"{number}.wav")
                    self.assertGreater(end, 0.5, said)
                    self.assertLess(end, samples - 0.05, said)
                    p.kill()
                    p.communicate()
                    self.gone()

    def last_sound(self, path):
        """Seconds of the last sample that is not zero, and of the whole file."""
        raw = pathlib.Path(path).read_bytes()
        data = raw[raw.index(b"data") + 8:]
        last = max((i for i in range(0, len(data) - 2, 3) if any(data[i:i + 3])), default=0)
        return last / 3 / 48000, len(data) / 3 / 48000


class Files(Faults):
    """Recording to a file. (The faults above run once, with this class's base.)"""

    def file(self, rig, name="noise.wav", *words, **kw):
        return rig.tool("file", "--path", self.dir / name, *words, **kw)[0]

    def leftovers(self):
        return sorted(p.name for p in self.dir.rglob(".lanetune-part*"))

    def test_whole_file(self):
        with Rig("noise 1 0.01") as rig:
            r = self.file(rig, "noise.wav", "--seconds", 1.5)
            self.assertEqual((r["status"], r["frames"], r["complete"], r["dropped"]), (0, 72000, True, 0), r)
            self.assertEqual(wav_frames(self.dir / "noise.wav"), (72000, 72000))
            before = (self.dir / "noise.wav").read_bytes()
            r = self.file(rig, "noise.wav", "--seconds", 0.5)  # a recording is never replaced
            self.assertEqual(r["status"], 1)
            self.assertIn("never replaced", r["error"])
            self.assertEqual((self.dir / "noise.wav").read_bytes(), before)
            r = self.file(rig, "until-stopped.wav", "--seconds", 0, host=ALSA,
                          after=(1.0, lambda p: p.send_signal(signal.SIGINT)))
            self.assertEqual((r["status"], r["complete"]), (0, True), r)
            self.assertEqual(wav_frames(self.dir / "until-stopped.wav"), (r["frames"], r["frames"]))
            self.assertEqual(self.leftovers(), [])
            self.gone()

    def test_the_part_file_is_readable_while_it_grows(self):
        with Rig("noise 1 0.01") as rig:
            p = rig.start([TOOL, "file", "--host", JACK, "--device", "lane", "--path", self.dir / "a.wav", "--seconds", 30])
            time.sleep(2.6)
            p.kill()  # no chance to tidy up
            p.communicate()
            part, = self.dir.glob(".lanetune-part*")
            claimed, there = wav_frames(part)
            self.assertGreater(claimed, 48000)
            self.assertGreaterEqual(there, claimed)
            self.gone()

    def test_server_killed_keeps_the_file(self):
        with Rig("noise 1 0.01") as rig:
            r = self.file(rig, "a.wav", "--seconds", 30, after=(1.5, rig.kill_server))
            self.assertEqual(r["status"], 4)
            self.assertRegex(r["error"], r"went away.*are kept in .*a\.wav")
            self.assertEqual(wav_frames(self.dir / "a.wav"), (r["frames"], r["frames"]))
            self.assertEqual(self.leftovers(), [])

    def test_full_disk(self):
        if os.geteuid() != 0:
            self.skipTest("a disk of its own needs root")
        disk = self.dir / "disk"
        disk.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "small", str(disk)], check=True)
        try:
            (disk / "old.wav").write_bytes(b"an older recording")
            with Rig("noise 1 0.01") as rig:
                r = self.file(rig, "disk/a.wav", "--seconds", 30)
                self.assertEqual(r["status"], 4)
                self.assertIn("the disk is full", r["error"])
                self.assertLess(r["wall_s"], 2.1 + LIMIT_S)  # 300 kB last 2.1 s
                self.assertEqual(wav_frames(disk / "a.wav"), (r["frames"], r["frames"]))
                self.assertGreater(r["frames"], 80000)
                self.assertEqual((disk / "old.wav").read_bytes(), b"an older recording")
                self.assertEqual(self.leftovers(), [])
                self.gone()
        finally:
            subprocess.run(["umount", str(disk)], check=True)

    def test_faster_than_the_disk(self):
        """Faster than real time the ring runs over: what is lost is counted, and times stay true."""
        with Rig("noise 1 0.01", freewheel=True) as rig:
            r = self.file(rig, "a.wav", "--seconds", 600)
            self.assertEqual((r["status"], r["frames"]), (0, 600 * 48000), r)
            self.assertGreater(r["dropped"], 0)
            self.assertGreater(r["xruns"], 0)


def load_tests(loader, _, __):
    """The base class's cases once only."""
    suite = unittest.TestSuite(loader.loadTestsFromTestCase(Faults))
    for name in loader.getTestCaseNames(Files):
        if name not in vars(Faults):
            suite.addTest(Files(name))
    return suite


if __name__ == "__main__":
    unittest.main()
