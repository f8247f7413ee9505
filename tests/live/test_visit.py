# SPDX-License-Identifier: MIT
"""A visit from the first calibration to the report, and dialling in, by somebody who knows no more than the
instructions on the terminal. The virtual lanes are those of the demonstration site; what their settings must be is
computed here in numpy from the simulator's impulse responses and noise (the second computation of the whole job,
tests/reference/whole_job.py, with the tables of ANSI S3.5 and IEC 61672-1 and the formulas of ITU-T G.122, G.131)."""

import json
import os
import pathlib
import pty
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import unittest

from rig import PROGRAM, SLOW, TOOL, Rig, Terminal, processes

SOURCE = pathlib.Path(os.environ["LANETUNE_SOURCE"])
sys.path.insert(0, str(SOURCE / "tests" / "e2e"))
sys.path.insert(0, str(SOURCE / "tests" / "reference"))
import numpy as np  # noqa: E402
import whole_job as whole  # noqa: E402
from e2e import validate  # noqa: E402

DEVICE = ("--host", "jack", "--input", "lane")
CAL, LOOPBACK = 118.0, -1.5  # of the demonstration's microphone and interface
NOISE_S = 10  # what a recording's ring holds: faster than real time the disk cannot keep up
STEPS = np.arange(-20, 11)  # the default of site.yaml
CLIP = {1: 1.0, 2: 0.0, 3: 0.0}  # dBFS on the line
CONDITIONS = {1: ("",), 2: ("",), 3: ("", "car")}
APART_M = {1: 0.55, 2: 0.4, 3: 0.16}
SWEPT = ("outbound", "inbound", "lane-coupling", "counter-coupling")
OF_COUNTER = ("inbound", "counter-coupling", "noise-counter")
QUIET = ("noise 1 0.000016", "noise 2 0.000016")  # the recorder, -96 dBFS


def world(lane, path, condition="", out=0.0, inn=0.0, inbound_behind=False):
    """The lane's script while the plugs are where this path wants them. out, inn: what was turned, dB. The outbound knob
    sits before the lane speaker; the inbound one behind the lane microphone, or behind the line's tap."""
    c = condition if condition and path not in OF_COUNTER else "-"
    before, behind = (0.0, inn) if inbound_behind else (inn, 0.0)
    gain = {"outbound": out, "inbound": behind, "lane-coupling": out + before, "counter-coupling": behind,
            "noise-mic": before, "talk-test": before}.get(path, 0.0)
    mic = 1 if path in ("outbound", "inbound", "noise-ear", "noise-counter") else 2
    if path in SWEPT:
        return (f"route 1 {mic} scene {lane - 1} {path} {c} {gain}", *QUIET)
    return (f"sound {mic} scene {lane - 1} {path} {c} {NOISE_S} {gain}", *QUIET)


def between(source, out=0.0):
    """The script where the speaker of lane `source` reaches the microphone of its neighbour, 12 dB down."""
    return (f"route 1 2 scene {source - 1} lane-coupling - {out - 12.0}", *QUIET)


CALIBRATOR = ("tone 1 1000 -24", *QUIET)  # 94 dB
LOOP = (f"route 1 2 straight {LOOPBACK}", *QUIET)


class Truth:
    """Figures and settings of a lane from the simulator's own impulse responses and noise."""

    def __init__(self, lane, conditions=("", "car")):
        def scene(path, condition=""):
            done = subprocess.run([TOOL, "scene", "--truth", str(lane - 1), "--path", path, "--condition", condition,
                                   "--seconds", str(NOISE_S)], check=True, capture_output=True)
            return np.frombuffer(done.stdout, "<f4").astype(float)

        ir = sound = scene
        width = whole.WIDTH
        line = whole.NORMAL + width
        line = line - whole.db(whole.power(line).sum()) - 26 + whole.FULL - width
        receive = whole.band_levels(ir("inbound")) + CAL
        counter = whole.fast_l10(sound("noise-counter")) + CAL - width
        self.conditions = []
        for c in conditions:
            talk = sound("talk-test", c)
            mask = whole.active(talk)
            active, pauses = (whole.noise_bands(np.where(m, talk, 0.0)) - whole.db(m.mean()) for m in (mask, ~mask))
            spoken = whole.db(np.maximum(whole.power(active) - whole.power(pauses), 1e-12)) - LOOPBACK - width + receive
            coupling = ir("lane-coupling", c)
            delay_ms = np.argmax(np.abs(coupling)) / whole.RATE * 500
            weight = -40 * np.log10((1 + delay_ms / 10) / (1 + delay_ms / 150)) + 6 * np.exp(-0.3 * delay_ms**2)
            telr = 10 + whole.echo_loss(coupling) + LOOPBACK
            self.conditions.append({
                "ear": line + whole.band_levels(ir("outbound", c)) + CAL,
                "noise": whole.fast_l10(sound("noise-ear", c)) + CAL - width,
                "spoken": spoken, "counter": counter,
                "lane_noise": whole.fast_l10(sound("noise-mic", c)) - LOOPBACK - width + receive,
                "margin": 2 * LOOPBACK + whole.safe_margin(
                    whole.signal.fftconvolve(coupling, ir("counter-coupling")), 50, 18000),
                "telr": telr, "weighted": telr + weight})

    def figures(self, out, inn):
        width, a = whole.WIDTH, whole.A_WEIGHT
        every = self.conditions
        return {"sii_out": min(whole.sii(c["ear"] + out, c["noise"]) for c in every),
                "sii_in": min(whole.sii(c["spoken"] + inn, whole.db(whole.power(c["lane_noise"] + inn) +
                                                                    whole.power(c["counter"]))) for c in every),
                "margin": min(c["margin"] for c in every) - out - inn,
                "ear": max(whole.db(whole.power(c["ear"] + width + a).sum()) for c in every) + out,
                "operator": max(whole.db(whole.power(c["spoken"] + width + a).sum()) for c in every) + inn,
                "telr": min(c["telr"] for c in every) - out - inn,
                "weighted": min(c["weighted"] for c in every) - out - inn}

    def best(self, clip):
        """All pairs of steps, in the order of the contract: limits, then the lower index, then the quietest."""
        side = {s: self.figures(float(s), float(s)) for s in STEPS}
        zero = self.figures(0.0, 0.0)
        rows = []
        for o in STEPS:
            for i in STEPS:
                held = (zero["margin"] - o - i >= 6 and zero["weighted"] - o - i >= 14 and side[o]["ear"] <= 80 and
                        side[i]["operator"] <= 80 and -26 + whole.FULL + 12 + o <= clip)
                if held:
                    rows.append((min(side[o]["sii_out"], side[i]["sii_in"], 0.75), o, i))
        top = max(r[0] for r in rows)
        return min((r for r in rows if r[0] >= top - 0.002), key=lambda r: (r[1] + r[2], r[1]))[1:]


class Case(unittest.TestCase):
    def setUp(self):
        keep = tempfile.TemporaryDirectory()
        self.addCleanup(keep.cleanup)
        self.site = pathlib.Path(keep.name) / "site"

    def do(self, rig, *words, status=0):
        for _ in range(3):  # a machine loaded many times over may keep the server waiting for half a second
            r = rig.run([PROGRAM, *words])
            if "stopped answering" not in r.err:
                break
        self.assertEqual(r.status, status, r.err)
        return r

    def json(self, rig, *words):
        value = json.loads(self.do(rig, *words, "--json").out)
        validate(words[0], value)
        return value

    def begin(self, rig, lanes):
        """A new site of the demonstration's lanes, calibrated."""
        self.do(rig, "new", self.site, "--date", "2024-05-14", "--lanes", len(lanes))
        text = "site: \"Juniper Hill\"\ncounters:\n"
        for n in lanes:
            text += f"  - {{counter: {n}, listening: {'handset' if n == 1 else 'loudspeaker'}}}\n"
        text += "lanes:\n"
        for n in lanes:
            text += (f"  - lane: {n}\n    counter: {n}\n    amplifier: {{clip_line_dbfs: {CLIP[n]}}}\n"
                     f"    distances: {{speaker_to_microphone_m: {APART_M[n]}}}\n")
        (self.site / "site.yaml").write_text(text)
        rig.set(*CALIBRATOR)
        r = self.json(rig, "calibrate", self.site, "--mic", "--calibrator", 94, *DEVICE, "--yes")
        self.assertAlmostEqual(r["result"]["result_db"], CAL, delta=0.05)
        rig.set(*LOOP)
        r = self.json(rig, "calibrate", self.site, "--loopback", *DEVICE, "--yes")
        self.assertAlmostEqual(r["result"]["result_db"], LOOPBACK, delta=0.02)


class Visit(Case):
    def test_three_lanes(self):
        with Rig(*QUIET, ports="1 2", freewheel=True) as rig:
            self.begin(rig, (1, 2, 3))
            for lane in (1, 2, 3):
                for condition in CONDITIONS[lane]:
                    for path in (*SWEPT, "noise-ear", "noise-mic", "noise-counter", "talk-test"):
                        if condition and path in OF_COUNTER:
                            continue
                        rig.set(*world(lane, path, condition))
                        words = ["--condition", condition] if condition else []
                        if path not in SWEPT:
                            words += ["--seconds", NOISE_S]
                        r = self.json(rig, "measure", self.site, "--lane", lane, "--path", path, *words, *DEVICE, "--yes")
                        codes = [w["code"] for w in r["warnings"]]
                        self.assertNotIn("dropped", codes)
                        if path in SWEPT:
                            self.assertIn(r["result"]["quality"], ("good", "fair"), (lane, path, condition))
            found = self.json(rig, "tune", self.site)["result"]["lanes"]
            self.do(rig, "report", self.site)
        self.assertGreater((self.site / "report.html").stat().st_size, 50000)
        for lane, clip in CLIP.items():
            t, f = Truth(lane, CONDITIONS[lane]), found[lane - 1]
            out, inn = t.best(clip)
            got = (f["outbound"]["recommended_db"], f["inbound"]["recommended_db"])
            with self.subTest(lane=lane):
                self.assertLessEqual(abs(got[0] - out), 1, (got, (out, inn)))
                self.assertLessEqual(abs(got[1] - inn), 1, (got, (out, inn)))
                want = t.figures(*map(float, got))
                for name, value, expected, tolerance in (
                        ("SII outbound", f["sii"]["outbound"]["after"], want["sii_out"], 0.02),
                        ("SII inbound", f["sii"]["inbound"]["after"], want["sii_in"], 0.03),
                        ("safe margin", f["safe_margin_db"]["after"], want["margin"], 0.3),
                        ("ear", f["ear_dba"]["after"], want["ear"], 0.2),
                        ("operator", f["operator_dba"]["after"], want["operator"], 0.7),
                        ("TELR", f["echo_telr_db"]["after"], want["telr"], 0.2)):
                    self.assertAlmostEqual(value, expected, delta=tolerance, msg=name)


class Technician:
    """Does what the terminal says, one prompt after the other, and knows nothing else."""

    def __init__(self, rig, site, *words):
        self.rig = rig
        self.terminal = Terminal(rig, [PROGRAM, "tune", site, "--live", *DEVICE, "--seconds", NOISE_S, *words])
        self.read = 0  # of what is shown
        self.steps, self.dialled = [], []
        self.out = self.inn = 0.0
        self.outs = {}  # outbound, by lane

    def text(self):
        """What was left standing on the lines: one that is drawn again ends in a carriage return."""
        return re.sub(r"[^\n]*\r", "", self.terminal.shown.decode("utf-8", "replace").replace("\r\n", "\n"))

    def next_prompt(self, seconds=60):
        """The lines up to the next question; None at the end of the program."""
        until = time.monotonic() + seconds * SLOW
        while time.monotonic() < until:
            new = self.text()[self.read:]
            found = re.search(r"ESC or q leaves[^\n]*\n", new)
            if found:
                self.read += found.end()
                return new[:found.end()]
            if self.terminal.process.poll() is not None:
                return None
            self.terminal.pause(0.02)
        raise AssertionError(f"no question within {seconds} s: {self.text()[-800:]}")

    def work(self, turns=True, inbound_behind=False, skip=(), stop_at=None, hangs=(), dies=(), leave=None):
        """Until the program ends. stop_at: what a step's name must be for stop_with to be called instead of a key. The
        device hangs until it is tried again, or its server dies, in steps of these names. leave: the step at which all
        between lanes is left out."""
        while (said := self.next_prompt()) is not None:
            if "Any key tries again" in said:
                if self.steps[-1] in hangs:
                    os.kill(self.rig.lane, signal.SIGCONT)
                self.terminal.press(b"q" if self.steps[-1] in dies else b" ")
                continue
            if "Enter when all of them stand there" in said:
                self.dialled = [float(x) for x in re.findall(r"from -?[\d.]+ to (-?[\d.]+) dB", said)]
                moves = [re.search(rf"{w}, .*?(?:from (-?[\d.]+) to (-?[\d.]+)|stays at)", said) for w in
                         ("outbound", "inbound")]
                turned = [float(m[2]) - float(m[1]) if m[1] else 0.0 for m in moves]
                self.knobs = [float(m[2]) if m[1] else 0.0 for m in moves]
                if turns:
                    self.out, self.inn = turned
                    self.outs = {int(n): float(b) - float(a) if a else 0.0 for n, a, b in re.findall(
                        r"(?m)^lane (\d)[^\n]*\n(?:(?!lane ).*\n)*?  outbound, operator to customer +"
                        r"(?:from (-?[\d.]+) to (-?[\d.]+)|stays at)", said)}
                if stop_at in ("knobs", "anywhere"):
                    self.terminal.press(b"\x1b")
                    continue
                self.terminal.press(b"\n")
                continue
            found = re.findall(r"(?m)^([a-z0-9-]+), (lane|counter) (\d)(?:, ([a-z]+))?$", said)
            path, kind, lane, condition = found[-1]
            name = path + ("." + condition if condition else "") + (" at a counter" if kind == "counter" else "")
            self.steps.append(name)
            if stop_at == "anywhere":
                self.terminal.press(b"q")
                continue
            if name in skip:
                self.terminal.press(b"s")
                continue
            if name == leave:
                self.terminal.press(b"a")
                continue
            if path.startswith("cross"):
                self.rig.set(*between(int(path[-1]), self.outs[int(path[-1])] if self.outs else 0.0))
            else:
                self.rig.set(*world(int(lane), path, condition, self.outs.get(int(lane), self.out), self.inn,
                                    inbound_behind))
            if name in hangs:
                self.rig.stop_lane()
            if name in dies:
                self.rig.kill_server()
                while processes("jackd"):
                    time.sleep(0.01)
            self.terminal.press(b" ")
            if name == stop_at and self.dialled:
                self.terminal.wait_for("sweep", 20)
                self.terminal.press(b"\x03")
        status, _ = self.terminal.end()
        return status

    def result(self):
        text = self.text()
        return json.loads(text[text.rindex("\n{\n"):])


class Between(Case):
    """tune --live on a visit of two lanes where nothing is missing but how loud they are in each other."""

    def test_between_lanes(self):
        scenario = self.site.parent / "two.yaml"
        scenario.write_text("site: Two\nsweep_seconds: 2\nnoise_seconds: 10\ntalk_seconds: 10\n"
                            "lanes: [{lane: 1, listening: handset}, {lane: 2}]\n")
        subprocess.run([PROGRAM, "simulate", scenario, self.site], check=True, capture_output=True)
        self.visit, = (p.name for p in (self.site / "visits").iterdir())
        for p in self.site.rglob("*.car.wav"):
            p.unlink()
        with Rig(*QUIET, ports="1 2", freewheel=True) as rig:
            self.device_comes_and_goes(rig)
        with Rig(*QUIET, ports="1 2", freewheel=True) as rig:
            self.goes_on_between_lanes(rig)

    def device_comes_and_goes(self, rig):
        """The device hangs and comes back: the step is tried again. It goes for good: one line, and all is kept."""
        t = Technician(rig, self.site, "--into", self.visit)
        status = t.work(hangs=("cross-coupling-from-2",), dies=("cross-coupling-from-1",))
        self.assertEqual((status, t.steps), (1, ["cross-coupling-from-2", "cross-coupling-from-1"]), t.text())
        self.assertIn("stopped answering", t.text())
        lines = [x for x in t.terminal.lines if x.startswith("lanetune tune: ")]
        self.assertEqual(len(lines), 1, t.text())
        self.assertRegex(lines[0], "^lanetune tune: .*; stopped by the key q; visits/.* is valid and keeps what was "
                                   r"recorded \(1 recording\); run it again to go on$")
        self.assertEqual(processes("lanetune"), [])
        self.neighbour(rig, self.visit, 0.0)

    def neighbour(self, rig, visit, out):
        """cross-coupling-from-2 of lane 1 against the simulator's own impulse response."""
        place = self.site / "visits" / visit / "lane-1"
        r = json.loads(rig.run([PROGRAM, "response", place / "cross-coupling-from-2.wav", "--stimulus",
                                place / "stimulus.cross-coupling-from-2.wav", "--json"]).out)
        done = subprocess.run([TOOL, "scene", "--truth", "1", "--path", "lane-coupling", "--condition", "", "--seconds",
                               "1"], check=True, capture_output=True)
        truth = whole.band_levels(np.frombuffer(done.stdout, "<f4").astype(float)) - 12 + out
        got = {b["hz"]: b["level_db"] for b in r["result"]["bands"]}
        for hz, want in zip((160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300,
                             8000), truth):
            self.assertAlmostEqual(got[hz], want, delta=0.2, msg=hz)

    def goes_on_between_lanes(self, rig):
        """Where it was; then the knobs, and of what they change only the way between the lanes (s leaves out the rest,
        but for outbound, which cannot be left out)."""
        t = Technician(rig, self.site, "--into", self.visit, "--json")
        rest = (*SWEPT[1:], "noise-mic", "talk-test")
        status = t.work(skip=rest, leave="cross-coupling-from-2 at a counter")
        again = [s for s in t.steps[2:] if s.startswith(("outbound", "cross"))]
        self.assertEqual(t.steps[:2], ["cross-coupling-from-1", "cross-coupling-from-2 at a counter"], t.steps)
        self.assertEqual(again, ["outbound", "outbound", "cross-coupling-from-2", "cross-coupling-from-1"], t.steps)
        self.assertEqual(status, 0, t.text())
        value = t.result()
        validate("tune", value)
        self.neighbour(rig, self.visit + "-02", t.outs[2])
        said = [a["code"] for a in self.json(rig, "margin", "--site", self.site, "--visit", self.visit)["result"]["assumptions"]]
        self.assertNotIn("lane-to-lane-assumed", said)
        self.assertIn("counter-to-counter-assumed", said)


class Live(Case):
    LANE = 3

    def complete(self, rig):
        """Nothing is recorded but one condition: tune --live measures the rest, dials in, measures again."""
        self.begin(rig, (self.LANE,))
        rig.set(*world(self.LANE, "lane-coupling", "car"))
        self.json(rig, "measure", self.site, "--lane", self.LANE, "--path", "lane-coupling", "--condition", "car",
                  *DEVICE, "--yes")
        t = Technician(rig, self.site, "--into", "2024-05-14", "--json")
        self.assertEqual(t.work(skip=("lane-coupling.car",)), 0, t.text())
        return t

    def test_dial_in(self):
        with Rig(*QUIET, ports="1 2", freewheel=True) as rig:
            t = self.complete(rig)
            value = t.result()
            said = " ".join(t.text().split())
            self.assertRegex(said, r" noise-ear: 10 s, LAeq [4-9]\d\.\d dB\(A\), kept as ")
            self.assertRegex(said, r" talk-test: 10 s, speech at -[1-5]\d\.\d dBFS, kept as ")
            self.assertIn("Lane 3 lacks 8 recordings: outbound, noise-ear, inbound, noise-counter, counter-coupling, "
                          "lane-coupling, noise-mic, talk-test.", said)
            validate("tune", value)
            (lane,) = value["result"]["live"]["lanes"]
            self.assertEqual(t.steps, [
                "outbound", "noise-ear", "inbound", "noise-counter", "counter-coupling", "lane-coupling", "noise-mic",
                "talk-test",  # what was missing; then what the knobs spoilt
                "outbound", "inbound", "counter-coupling", "lane-coupling", "noise-mic", "talk-test",
                "lane-coupling.car"])
            self.check_lane(t, lane)
            self.check_folder(t, value["result"]["live"])
            # The next look starts where the knobs stand, and finds nothing much better.
            later = self.json(rig, "tune", self.site)["result"]["lanes"][0]
            for way, knob in (("outbound", t.knobs[0]), ("inbound", t.knobs[1])):
                self.assertLessEqual(abs(later[way]["recommended_db"] - knob), 1)
            second = self.site / "visits" / "2024-05-14-02"
            shutil.rmtree(second)
            for fault in (self.nothing_turned, self.stopped_at_the_knobs, self.stopped_in_a_sweep, self.line_is_untouched,
                          self.refused):
                with self.subTest(fault.__name__):
                    shutil.rmtree(second, ignore_errors=True)
                    fault(rig, second)

    def check_lane(self, t, lane):
        """The simulator's truth at the settings that were dialled in; the prediction is as good as the measurement."""
        truth = Truth(self.LANE, ("",))
        want = truth.figures(t.out, t.inn)
        self.assertEqual((lane["outbound"]["to_db"], lane["inbound"]["to_db"]), (t.out, t.inn))
        for figure, expected, tolerance in (
                (lane["sii"]["outbound"], want["sii_out"], 0.02), (lane["sii"]["inbound"], want["sii_in"], 0.03),
                (lane["safe_margin_db"], want["margin"], 0.3), (lane["ear_dba"], want["ear"], 0.2),
                (lane["operator_dba"], want["operator"], 0.7), (lane["echo_telr_db"], want["telr"], 0.2)):
            self.assertAlmostEqual(figure["measured"], expected, delta=tolerance)
            self.assertAlmostEqual(figure["predicted"], figure["measured"], delta=tolerance)
        moved = lane["moved"]
        self.assertAlmostEqual(moved["outbound_db"], t.out, delta=0.1)
        self.assertAlmostEqual(moved["inbound_db"], 0.0, delta=0.1)
        self.assertAlmostEqual(moved["loop_db"], t.out + t.inn, delta=0.1)
        self.assertEqual((lane["conditions"], lane["not_measured_again"]), ([""], ["lane-coupling.car"]))
        self.assertEqual((lane["stable"], lane["unmet"], lane["notes"]), (True, [], []))

    def check_folder(self, t, live):
        self.assertEqual((live["visit_before"], live["visit_after"]), ("2024-05-14", "2024-05-14-02"))
        first, second = (self.site / "visits" / live[k] for k in ("visit_before", "visit_after"))
        text = (second / "visit.yaml").read_text()
        self.assertIn(f"{{lane: {self.LANE}, outbound_db: {t.out:g}, inbound_db: {t.inn:g}}}", text)
        for line in (first / "visit.yaml").read_text().splitlines():
            if line.startswith("  - {date: "):
                self.assertIn(line, text)  # the calibrations
        same = lambda name: (first / name).read_bytes() == (second / name).read_bytes()  # noqa: E731
        self.assertTrue(same(f"lane-{self.LANE}/noise-ear.wav"))
        self.assertTrue(same(f"counter-{self.LANE}/noise-counter.wav"))
        self.assertFalse(same(f"lane-{self.LANE}/outbound.wav"))
        self.assertTrue((second / "results.json").exists())

    # ---- what goes wrong; all begin with the first visit complete ----

    def settings(self, second):
        return re.findall(r"outbound_db: (-?[\d.]+), inbound_db: (-?[\d.]+)", (second / "visit.yaml").read_text())

    def again(self, rig, *words, **how):
        t = Technician(rig, self.site, "--into", "2024-05-14", *words)
        return t, t.work(skip=("lane-coupling.car",), **how)

    def nothing_turned(self, rig, second):
        t, status = self.again(rig, turns=False)
        self.assertEqual(status, 1, t.text())
        self.assertIn("nothing moved", t.text())
        self.assertEqual(self.settings(second), [("0", "0")])

    def stopped_at_the_knobs(self, rig, second):
        t, status = self.again(rig, stop_at="knobs")
        self.assertEqual(status, 1)
        self.assertIn("put the knobs back", t.text())
        self.assertFalse(second.exists())

    def stopped_in_a_sweep(self, rig, second):
        t, status = self.again(rig, stop_at="counter-coupling")
        self.assertEqual(status, 1)
        self.assertIn("stopped by Ctrl-C; visits/2024-05-14-02 is valid", t.text())
        self.assertEqual(processes("lanetune"), [])
        self.assertEqual(self.settings(second), [(f"{t.out:g}", f"{t.inn:g}")])
        kept = sorted(p.name for p in (second / f"lane-{self.LANE}").iterdir())
        self.assertEqual(kept, ["inbound.wav", "noise-ear.wav", "outbound.wav", "stimulus.inbound.wav",
                                "stimulus.outbound.wav"])
        # and goes on where it was
        later = Technician(rig, self.site, "--into", "2024-05-14")
        self.assertEqual((later.work(stop_at="anywhere"), later.steps), (1, ["counter-coupling"]))
        self.assertIn("stopped by the key q", later.text())

    def line_is_untouched(self, rig, second):
        """The inbound knob sits behind the tap: nobody has to read out again."""
        t, status = self.again(rig, "--json", inbound_behind=True)
        self.assertEqual(status, 0, t.text())
        self.assertEqual(t.steps, ["outbound", "inbound", "counter-coupling", "lane-coupling", "lane-coupling.car"])
        lane = t.result()["result"]["live"]["lanes"][0]
        self.assertAlmostEqual(lane["moved"]["inbound_db"], t.inn, delta=0.1)
        self.assertAlmostEqual(lane["sii"]["inbound"]["measured"], lane["sii"]["inbound"]["predicted"], delta=0.01)
        self.assertTrue((second / f"lane-{self.LANE}" / "talk-test.wav").exists())

    def refused(self, rig, second):
        """Only settings that howl are offered: nothing is dialled in, nothing is played."""
        site = self.site / "site.yaml"
        text = site.read_text()
        knob = "{now_db: 0, min_db: 10, max_db: 12}"
        site.write_text(text.replace(f"    counter: {self.LANE}\n    amp",
                                     f"    counter: {self.LANE}\n    outbound: {knob}\n    inbound: {knob}\n    amp"))
        t, status = self.again(rig)
        self.assertEqual((status, t.steps), (1, []), t.text())
        self.assertIn("unstable at every setting", t.text())
        self.assertFalse(second.exists())
        site.write_text(text)


if __name__ == "__main__":
    unittest.main(verbosity=1)
