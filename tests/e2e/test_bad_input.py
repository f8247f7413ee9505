# SPDX-License-Identifier: MIT
"""Files that no recorder should write, given to every command that reads sound: one clear line and status 1."""

import os
import struct

import numpy as np

from e2e import Case, main, run, write_wav

RATE = 48000


def make_bad_files(folder):
    """{name: path}"""
    good = 0.3 * np.sin(np.arange(2 * RATE) * 0.13)
    bad = {"missing": folder / "missing.wav", "folder": folder / "folder.wav", "pipe": folder / "pipe.wav",
           "device": "/dev/null"}
    bad["folder"].mkdir()
    os.mkfifo(bad["pipe"])

    def put(name, data):
        bad[name] = folder / f"{name}.wav"
        bad[name].write_bytes(data)
    whole = write_wav(folder / "whole.wav", good, kind=16).read_bytes()
    put("empty", b"")
    put("text", b"The lane was busy today, no recording was made.\n" * 40)
    put("picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    put("header only", whole[:44])
    put("half a header", whole[:30])
    put("four bytes", whole[:4])
    put("no data chunk", whole[:36] + b"LIST\x04\0\0\0abcd")
    put("no channel", whole[:22] + b"\0\0" + whole[24:])
    put("rate of 0", whole[:24] + b"\0\0\0\0" + whole[28:])
    put("absurd rate", whole[:24] + b"\xff\xff\xff\x7f" + whole[28:])
    put("absurd format", whole[:20] + b"\x77\x77" + whole[22:])
    put("other bytes behind the name", b"OggS" + os.urandom(0) + bytes(4000))
    write_wav(folder / "no frame.wav", np.zeros(0))
    bad["no frame"] = folder / "no frame.wav"
    for name, value in (("not a number", np.nan), ("infinity", np.inf)):
        x = good.copy()
        x[RATE] = value
        bad[name] = write_wav(folder / f"{name}.wav", x)
    return bad


class BadInput(Case):
    def setUp(self):
        super().setUp()
        self.bad = make_bad_files(self.dir)
        self.stim = self.dir / "stim.wav"
        self.json("stimulus", "sweep", self.stim, "--seconds", "1")

    def uses(self, path):
        good = self.dir / "whole.wav"
        return {"noise": ["noise", path], "speech-level": ["speech-level", path], "margin": ["margin", path],
                "margin pair": ["margin", "--lane-ir", good, "--counter-ir", path],
                "response": ["response", path, "--stimulus", self.stim],
                "response, second": ["response", self.stim, path, "--stimulus", self.stim],
                "stimulus of response": ["response", good, "--stimulus", path]}

    def test_every_reader_refuses_every_bad_file(self):
        for name, path in self.bad.items():
            for use, words in self.uses(path).items():
                with self.subTest(f"{use}: {name}"):
                    self.fails(*words, says=os.path.basename(path))

    def test_one_sample(self):
        path = write_wav(self.dir / "one.wav", [0.5], kind=16)
        for use, words in self.uses(path).items():
            with self.subTest(use):
                r = run(*words, "--json")
                self.assertIn(r.status, (0, 1) if use in ("noise", "speech-level", "margin", "margin pair") else (1,))
                if r.status == 1:
                    self.assertEqual((r.out, r.err.count("\n")), ("", 1))
                else:  # then only with a doubt, or with a figure that is true of one sample
                    self.json(*words)

    def test_a_header_that_claims_too_much(self):
        """The header promises 30 minutes, the file holds 2 s: what is there counts, or it is refused."""
        x = 0.1 * np.sin(2 * np.pi * 1000 / RATE * np.arange(2 * RATE))
        for frames in (30 * 60 * RATE, 0x7FFFFFFF):
            path = write_wav(self.dir / "claim.wav", x, kind=16, claim_frames=frames)
            for words in (["noise", path], ["speech-level", path]):
                r = run(*words, "--json")
                if r.status == 0:
                    self.assertLess(self.json(*words)["result"]["seconds"], 2.1)
                else:
                    self.fails(*words, says="claim.wav")

    def test_cut_off_recording(self):
        whole = (self.dir / "whole.wav").read_bytes()
        (self.dir / "cut.wav").write_bytes(whole[:len(whole) // 2 + 1])
        r = run("noise", self.dir / "cut.wav", "--json")
        if r.status == 0:
            self.assertAlmostEqual(self.json("noise", self.dir / "cut.wav")["result"]["seconds"], 1.0, delta=0.01)
        else:
            self.fails("noise", self.dir / "cut.wav", says="cut.wav")

    def test_many_channels(self):
        path = write_wav(self.dir / "many.wav", [0.1 * np.sin(np.arange(RATE) * 0.01 * (c + 1)) for c in range(32)], kind=16)
        self.assertIn("first-channel", self.codes(self.json("noise", path)))
        self.json("noise", path, "--channel", "32")
        self.fails("noise", path, "--channel", "33", says="32")

    def test_mangled_headers_never_crash(self):
        """Each byte of a small file's header in turn set to extremes."""
        whole = write_wav(self.dir / "small.wav", 0.1 * np.sin(np.arange(4800) * 0.1), kind=16).read_bytes()
        path = self.dir / "mangled.wav"
        for at in range(4, 44):
            for value in (0x00, 0x7F, 0xFF):
                path.write_bytes(whole[:at] + struct.pack("B", value) + whole[at + 1:])
                r = run("noise", path, "--json")
                self.assertIn(r.status, (0, 1), f"byte {at} = {value}: {r.err}")
                self.assertEqual(r.err.count("\n"), r.status, r.err)


if __name__ == "__main__":
    main()
