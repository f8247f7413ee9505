# SPDX-License-Identifier: MIT
"""What the end-to-end tests share: running the real command and looking at everything it leaves behind.

Environment: LANETUNE (the program), LANETUNE_SOURCE (the project's folder). Exit status 77: a reference is missing.
"""

import json
import os
import pathlib
import struct
import subprocess
import sys
import tempfile
import unittest

try:
    import jsonschema
    import numpy as np
    import scipy.signal
except ImportError as e:
    print(f"skipped: {e}")
    sys.exit(77)

PROGRAM = os.environ["LANETUNE"]
SOURCE = pathlib.Path(os.environ["LANETUNE_SOURCE"])
COMMANDS = ["demo", "new", "devices", "calibrate", "measure", "stimulus", "response", "noise", "scan", "speech-level", "sii", "sti", "margin", "echo", "tune", "compare", "switching", "report",
            "simulate"]
COLUMNS = 80
TIMEOUT_S = 600  # sanitizers are slow


class Result:
    def __init__(self, done):
        self.status = done.returncode
        self.out = done.stdout.decode("utf-8")
        self.err = done.stderr.decode("utf-8", "backslashreplace")


def run(*args, cwd=None, stdin=b"", env=None):
    """Run lanetune. A crash, a sanitizer's message or output that is no UTF-8 fails at once."""
    full_env = dict(os.environ, **(env or {}))
    words = [PROGRAM, *[a if isinstance(a, bytes) else str(a) for a in args]]
    done = subprocess.run(words, input=stdin, capture_output=True, cwd=cwd, env=full_env, timeout=TIMEOUT_S)
    assert done.returncode >= 0, f"{args}: ended by signal {-done.returncode}\n{done.stderr.decode('utf-8', 'replace')}"
    for word in (b"Sanitizer", b"runtime error:"):
        assert word not in done.stderr, f"{args}: {done.stderr.decode('utf-8', 'replace')}"
    return Result(done)


def on_terminal(*args):
    """(status, standard output, what was drawn) of lanetune with its standard error on a terminal."""
    master, slave = os.openpty()
    child = subprocess.Popen([PROGRAM, *map(str, args)], stdout=subprocess.PIPE, stderr=slave)
    os.close(slave)
    drawn = b""
    while True:
        try:
            block = os.read(master, 1 << 16)
        except OSError:  # Linux says so when the last writer has gone
            block = b""
        if not block:
            break
        drawn += block
    os.close(master)
    out = child.communicate(timeout=TIMEOUT_S)[0]
    return child.returncode, out.decode("utf-8"), drawn.decode("utf-8")


def refuse_constant(name):
    raise ValueError(f"{name} in JSON")


def parse(text):
    return json.loads(text, parse_constant=refuse_constant)


def schema(name):
    return json.loads((SOURCE / "docs" / "schema" / f"{name}.json").read_text())


def validate(name, value):
    jsonschema.Draft7Validator.check_schema(schema(name))
    jsonschema.validate(value, schema(name), cls=jsonschema.Draft7Validator)


def write_wav(path, channels, rate=48000, kind="float", claim_frames=None):
    """WAV without help of libraries: kind is 16, 24 or "float"; channels: one array or a list of them.
    claim_frames: what the header says instead of the truth."""
    channels = [channels] if np.ndim(channels[0] if len(channels) else 0.0) == 0 else channels
    x = np.stack([np.asarray(c, dtype=float) for c in channels], axis=1) if channels else np.zeros((0, 1))
    if kind == "float":
        data, bits, tag = x.astype("<f4").tobytes(), 32, 3
    elif kind == 16:
        data, bits, tag = np.clip(np.round(x * 32768), -32768, 32767).astype("<i2").tobytes(), 16, 1
    else:
        whole = np.clip(np.round(x * 8388608), -8388608, 8388607).astype("<i4")
        data, bits, tag = whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes(), 24, 1
    frame = x.shape[1] * bits // 8
    size = len(data) if claim_frames is None else claim_frames * frame
    head = struct.pack("<HHIIHH", tag, x.shape[1], rate, rate * frame, frame, bits)
    with open(path, "wb") as f:
        f.write(b"RIFF" + struct.pack("<I", min(36 + size, 0xFFFFFFFF)) + b"WAVE")
        f.write(b"fmt " + struct.pack("<I", len(head)) + head + b"data" + struct.pack("<I", min(size, 0xFFFFFFFF)) + data)
    return path


def read_wav(path):
    """(rate, array [frames x channels]) of a file that lanetune wrote; checks the header against the length."""
    raw = pathlib.Path(path).read_bytes()
    assert raw[:4] == b"RIFF" and raw[8:12] == b"WAVE", path
    assert struct.unpack("<I", raw[4:8])[0] + 8 == len(raw), "RIFF size"
    at, fmt, data = 12, None, None
    while at + 8 <= len(raw):
        name, size = raw[at:at + 4], struct.unpack("<I", raw[at + 4:at + 8])[0]
        body = raw[at + 8:at + 8 + size]
        fmt = body if name == b"fmt " else fmt
        data = body if name == b"data" else data
        at += 8 + size + (size & 1)
    tag, channels, rate, _, _, bits = struct.unpack("<HHIIHH", fmt[:16])
    if tag == 0xFFFE:  # extensible: the real tag begins the sub-format
        tag = struct.unpack("<H", fmt[24:26])[0]
    if (tag, bits) == (3, 32):
        x = np.frombuffer(data, "<f4").astype(float)
    elif (tag, bits) == (1, 16):
        x = np.frombuffer(data, "<i2") / 32768.0
    else:
        assert (tag, bits) == (1, 24), (tag, bits)
        b = np.frombuffer(data, np.uint8).reshape(-1, 3).astype(np.int32)
        x = ((b[:, 0] | b[:, 1] << 8 | b[:, 2] << 16) << 8 >> 8) / 8388608.0
    return rate, x.reshape(-1, channels), bits


def third_octave(index):
    """(nominal, lower, upper), IEC 61260-1 base 10; index 0 is 1 kHz."""
    nominal = [50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000,
               5000, 6300, 8000, 10000, 12500, 16000]
    exact = 1000 * 10 ** (0.1 * index)
    return nominal[index + 13], exact * 10 ** -0.05, exact * 10 ** 0.05


def band_levels(h, rate, indices, n=1 << 17):
    """10 lg of the mean of |H|^2 over each band, linear frequency axis, of an impulse response h."""
    power = np.abs(np.fft.rfft(h, n)) ** 2
    hz = np.arange(len(power)) * rate / n
    levels = {}
    for i in indices:
        name, low, high = third_octave(i)
        levels[name] = 10 * np.log10(np.mean(power[(hz >= low) & (hz < high)]))
    return levels


class Case(unittest.TestCase):
    """A test with a folder of its own and the checks that hold for every run."""

    maxDiff = None

    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.dir = pathlib.Path(keep.name)

    def text(self, *args, status=0, **kw):
        """Run in text mode: plain ASCII, 80 columns, no NaN. Returns standard output."""
        r = run(*args, **kw)
        self.assertEqual(r.status, status, f"{args}\n{r.out}\n{r.err}")
        for line in r.out.splitlines():
            self.assertLessEqual(len(line), COLUMNS, line)
            self.assertTrue(line.isascii() and line.isprintable(), repr(line))
        self.assertNotRegex(r.out, r"(?i)\b(nan|inf|infinity)\b")
        self.assertTrue(r.out.endswith("\n"))
        return r.out

    def json(self, *args, status=0, **kw):
        """Run with --json: one object that the command's schema allows, and nothing else. Returns it."""
        r = run(*args, "--json", **kw)
        self.assertEqual(r.status, status, f"{args}\n{r.out}\n{r.err}")
        value = parse(r.out)
        self.assertEqual(value["command"], args[0])
        validate(args[0], value)
        return value

    def codes(self, value):
        return [w["code"] for w in value["warnings"]]

    def fails(self, *args, status=1, says=(), **kw):
        """One line on standard error that begins with the command and says these words; nothing on standard output."""
        r = run(*args, **kw)
        self.assertEqual(r.status, status, f"{args}\n{r.out}\n{r.err}")
        self.assertEqual(r.out, "", args)
        lines = r.err.splitlines()
        self.assertEqual(len(lines), 1, f"{args}\n{r.err}")
        command = f"lanetune {args[0]}:" if args and args[0] in COMMANDS else "lanetune:"
        self.assertTrue(lines[0].startswith(command), r.err)
        for word in (says,) if isinstance(says, str) else says:
            self.assertIn(word, r.err)
        self.assertNotRegex(r.err, r"(?i)\b(nan|inf)\b(?!')")
        self.no_leftovers()
        return r.err

    def no_leftovers(self):
        self.assertEqual([str(p) for p in self.dir.rglob(".lanetune-part*")], [])


def main():
    unittest.main(module="__main__", verbosity=1)
