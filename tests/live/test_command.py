# SPDX-License-Identifier: MIT
"""Faults through the installed command: each ends in time with the one right line, status 1, no process left, and the
earlier recordings as they were. And what two inputs are good for: swapped plugs, the limit on sound level."""

import hashlib
import json
import os
import pathlib
import re
import resource
import subprocess
import sys
import tempfile
import time
import unittest

from rig import LIMIT_S, PROGRAM, SLOW, Rig, processes

sys.path.insert(0, str(pathlib.Path(os.environ["LANETUNE_SOURCE"]) / "tests" / "e2e"))
from e2e import read_wav, validate  # noqa: E402

DEVICE = ("--host", "jack", "--input", "lane", "--yes")
SHORT = ("--seconds", 1, "--sweeps", 1, "--level", -12)
LONG = ("--seconds", 10, "--sweeps", 1, "--level", -12)
NOISE = ("noise 1 0.0003", "noise 2 0.0003")


class Command(unittest.TestCase):
    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.dir = pathlib.Path(keep.name)
        self.place(self.dir / "site")

    def place(self, site):
        self.site = site
        self.visit = site / "visits" / "2024-05-14"

    def new(self, rig):
        self.assertEqual(rig.run([PROGRAM, "new", self.site, "--date", "2024-05-14"]).status, 0)

    def kept(self):
        return {str(p.relative_to(self.site)): hashlib.sha256(p.read_bytes()).hexdigest()
                for p in self.site.rglob("*") if p.is_file()}

    def words(self, *words, path="outbound"):
        return [PROGRAM, "measure", self.site, "--lane", 1, "--path", path, *DEVICE, *words]

    def measure(self, rig, *words, path="outbound"):
        r = rig.run([*self.words(*words, path=path), "--json"])
        self.assertEqual((r.status, r.err), (0, ""), r.out)
        value = json.loads(r.out)
        validate("measure", value)
        return value["result"], {w["code"]: w["message"] for w in value["warnings"]}

    def fails(self, rig, *words, says, path="outbound", after=None, limit=LIMIT_S, changed=False, **kw):
        before, began = self.kept(), time.monotonic()
        r = rig.run(self.words(*words, path=path), after=after, **kw)
        took = time.monotonic() - began - (after[0] if after else 0.0)
        kept = re.search(r"the ([0-9.]+) s recorded until then", r.err)
        took -= float(kept[1]) if kept and not after else 0.0
        self.assertEqual((r.status, r.out), (1, ""), r.err)
        self.assertEqual(len(r.err.splitlines()), 1, r.err)
        self.assertRegex(r.err, f"^lanetune measure: .*{says}")
        if limit is not None:
            self.assertLess(took, limit, r.err)
        after_all = self.kept()
        self.assertEqual({k: after_all.get(k) for k in before}, before)
        if not changed:
            self.assertEqual(after_all, before)
        self.assertEqual(processes("lanetune"), [])
        return set(after_all) - set(before)

    def test_one_fault_after_the_other(self):
        """On one site, with a good recording that outlives them all."""
        good = ("route 1 1 scene 0 outbound", *NOISE)
        with Rig(*good, ports="1 2", freewheel=True) as rig:
            self.new(rig)
            self.measure(rig, *SHORT)
            rig.set(*NOISE, "route 1 2 scene 0 outbound")
            self.fails(rig, *SHORT, says="comes in on input 2 and not on input 1.*swapped", limit=None)
            self.fails(rig, says="bursts come in on input 2 and not on input 1.*swapped", limit=None)
            rig.set(*NOISE)
            self.fails(rig, *SHORT, says="stimulus is not in the recording", limit=None)
            self.fails(rig, says="nothing of the bursts comes back on input 1", limit=None)
            rig.set(*good, "gain 1 40", "clip 1 0.5")
            self.fails(rig, *SHORT, says="clips at", limit=None)
        with Rig(*good, ports="1 2") as rig:
            rig.set("noise 2 0.0003", "route 1 2 scene 0 outbound")
            self.fails(rig, *LONG, says="input 1 delivers nothing but digital silence, input 2 does not.*swapped")
            rig.set(*good, "gain 1 60", "clip 1 1")  # not at the end of ten seconds
            self.fails(rig, *LONG, says="recording clips.*gain")
            rig.set()
            self.fails(rig, *LONG, says="nothing but digital silence")
            rig.set(*good)
            self.fails(rig, *LONG, says="went away", after=(min(1.5 * SLOW, 6.0), rig.kill_server))

    def test_server_at_another_rate(self):
        with Rig("route 1 1 scene 0 outbound", *NOISE, ports="1 2", rate=44100) as rig:
            self.new(rig)
            self.fails(rig, *SHORT, says="does not run at 48000 Hz, but at 44100 Hz")
            r, _ = self.measure(rig, *SHORT, "--rate", 44100)
            self.assertEqual(r["rate_hz"], 44100)

    def test_server_killed_in_a_long_recording(self):
        with Rig("noise 1 0.01") as rig:
            self.new(rig)
            added = self.fails(rig, "--seconds", 60, path="noise-ear", changed=True, after=(8.0, rig.kill_server),
                               says=r"went away.*; the [2-8]\.\d s recorded until then are kept in .*noise-ear\.wav")
            kept, = added
            rate, x = read_wav(self.site / kept)[:2]
            self.assertGreater(len(x) / rate, 2.0)  # the rest is the start

    def full(self, rig, limit_words, **kw):
        """A take, then a long recording, where there is room for neither."""
        self.fails(rig, *SHORT, says=limit_words, limit=None, **kw)
        self.fails(rig, "--seconds", 60, says=limit_words, path="noise-ear", limit=None, **kw)
        self.assertEqual([p.name for p in self.site.rglob(".lanetune-part*")], [])

    def test_full_disk(self):
        if os.geteuid() != 0:
            self.skipTest("a disk of its own needs root; test_file_limit does the same without")
        disk = self.dir / "disk"
        disk.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1100k", "small", str(disk)], check=True)
        try:
            self.place(disk / "site")
            with Rig("route 1 1 scene 0 outbound", *NOISE, ports="1 2") as rig:
                self.new(rig)
                (self.visit / "lane-1" / "old.wav").write_bytes(b"an older recording")
                added = self.fails(rig, "--seconds", 60, path="noise-ear", changed=True,
                                   says=r"the disk is full.*; the [567]\.\d s recorded until then are kept in .*\.wav")
                rate, x = read_wav(self.site / added.pop())[:2]
                self.assertGreater(len(x) / rate, 5.0)
                self.full(rig, "the disk is full")
        finally:
            subprocess.run(["umount", str(disk)], check=True)

    def test_file_limit(self):
        def least():
            resource.setrlimit(resource.RLIMIT_FSIZE, (200000, 200000))

        with Rig("route 1 1 scene 0 outbound", *NOISE, ports="1 2") as rig:
            self.new(rig)
            self.full(rig, "grew over the size that is allowed", preexec_fn=least)

    def test_the_limit_on_sound_level_holds_for_lines_too(self):
        """Input 1 is the calibrated microphone, input 2 the line: -18 - 20 dBFS peak at 139 dB are 115 dB SPL."""
        loud = ("route 1 1 straight -20", "route 1 2 straight -30", *NOISE)
        with Rig(*loud, ports="1 2", freewheel=True) as rig:
            self.new(rig)
            _, codes = self.measure(rig, *SHORT, path="lane-coupling")
            self.assertIn("not calibrated", codes["spl-not-watched"])
            file = self.visit / "visit.yaml"
            file.write_text(file.read_text().replace("mic_cal_db: null", "mic_cal_db: 139 ", 1))
            self.fails(rig, *LONG, path="lane-coupling", says="dB SPL at the measurement microphone, 100 are allowed")
            _, codes = self.measure(rig, *SHORT, "--max-spl", 125, path="lane-coupling")
            self.assertNotIn("spl-not-watched", codes)
            rig.set("route 1 1 straight -60", *loud[1:])
            _, codes = self.measure(rig, *SHORT, path="lane-coupling")
            self.assertNotIn("spl-not-watched", codes)
            rig.set(*loud)  # the line in the microphone's place: nothing is watched, and it says so
            _, codes = self.measure(rig, *SHORT, "--in-channel", 1, path="lane-coupling")
            self.assertIn("no other input", codes["spl-not-watched"])


if __name__ == "__main__":
    unittest.main(verbosity=1)
