# SPDX-License-Identifier: MIT
"""Comparing visits: virtual lanes in which exactly one thing was changed. The change that is named must be the one that
was planted, with its figure; and nothing may be named where only the noise is another."""

import pathlib
import re
import shutil
import tempfile
import unittest

import numpy as np

from e2e import Case, main, on_terminal, read_wav, run, write_wav

SCENARIO = """site: "Test corner"
date: {date}
sweep_seconds: 2
noise_seconds: 20
talk_seconds: 8
lanes:
  - lane: 1
{changes}    conditions:
      - {{name: ""}}
"""
BEFORE, AFTER = "2024-05-14", "2025-04-02"
SITES = None


def setUpModule():
    global SITES
    SITES = tempfile.TemporaryDirectory()
    make("base", BEFORE, seed=7)
    make("same", AFTER, seed=8)


def tearDownModule():
    SITES.cleanup()


def make(name, date, **changes):
    folder = pathlib.Path(SITES.name)
    lines = "".join(f"    {k}: {v}\n" for k, v in changes.items())
    (folder / f"{name}.yaml").write_text(SCENARIO.format(date=date, changes=lines))
    done = run("simulate", folder / f"{name}.yaml", folder / name)
    assert done.status == 0, done.err
    return visit(name, date)


def visit(name, date):
    return pathlib.Path(SITES.name) / name / "visits" / date


class Planted(Case):
    """One change a case, against the same lane with other noise."""

    def lane(self, name, status, **changes):
        make(name, AFTER, seed=8, **changes)
        value = self.json("compare", visit("base", BEFORE), visit(name, AFTER), "--check", status=status)
        self.assertEqual(value["result"]["worse"], status == 3)
        (lane,) = value["result"]["lanes"]
        return lane

    def first(self, lane, code, change=None, within=0.5):
        f = lane["findings"][0]
        self.assertEqual((f["code"], f["kind"]), (code, "worse"), lane["findings"])
        if change is not None:
            self.assertAlmostEqual(f["change"], change, delta=within)
        for words in ("evidence", "cause", "next_step"):
            self.assertTrue(f[words], words)
        return f

    def codes_of(self, lane, kind="worse"):
        return [f["code"] for f in lane["findings"] if f["kind"] == kind]

    def test_nothing(self):
        value = self.json("compare", visit("base", BEFORE), visit("same", AFTER), "--check")
        (lane,) = value["result"]["lanes"]
        self.assertEqual([f["code"] for f in lane["findings"]], ["nothing-changed"])
        for r in lane["responses"]:
            for b in r["bands"]:
                self.assertFalse(b["changed"], (r["path"], b))
        self.assertIn("0 of 1 lane worse", self.text("compare", visit("base", BEFORE), visit("same", AFTER)))

    def test_speaker_lost_level(self):
        lane = self.lane("quiet", 3, speaker_spl_db=87)
        text = self.text("compare", visit("base", BEFORE), visit("quiet", AFTER))
        self.assertIn("\n    1000", text)  # the bands stand there without being asked for
        f = self.first(lane, "outbound-level", -5.0)
        self.assertEqual(f["sure"], "sure")
        self.assertNotIn("lane-coupling", self.codes_of(lane, "better"))
        outbound = next(r for r in lane["responses"] if r["path"] == "outbound")
        good = [b for b in outbound["bands"] if b["snr_db"]["before"] > 20 and b["snr_db"]["after"] > 20]
        self.assertGreater(len(good), 5)
        for b in good:
            self.assertAlmostEqual(b["difference_db"], -5.0, delta=0.5)

    def test_treble_lost(self):
        lane = self.lane("wet", 3, speaker_high_hz=2500)
        f = self.first(lane, "outbound-treble")
        self.assertLess(f["change"], -5)
        self.assertIn("foam", f["cause"])

    def test_reversed_pair(self):
        lane = self.lane("reversed", 3, inverted="true")
        self.assertEqual(self.first(lane, "polarity")["sure"], "sure")
        self.assertEqual(self.codes_of(lane), ["polarity"])

    def test_hum(self):
        lane = self.lane("hum", 3, hum_line_dbfs=-45)
        self.assertIn("-45.", self.first(lane, "hum")["evidence"])
        self.assertEqual(self.codes_of(lane), ["hum"])

    def test_microphone_lost_level(self):
        lane = self.lane("deaf", 3, microphone_line_db=121)
        self.first(lane, "microphone-level", -7.0)

    def test_leak_in_the_housing(self):
        lane = self.lane("leak", 3, housing_leak_db=4)
        f = self.first(lane, "lane-coupling")
        self.assertGreater(f["change"], 2)
        self.assertIn("gasket", f["cause"] + f["next_step"])

    def test_counter_coupling_and_margin(self):
        lane = self.lane("desk", 3, counter_coupling_db=-4)
        self.first(lane, "counter-coupling", 8.0)
        margin = next(f for f in lane["findings"] if f["code"] == "margin")
        self.assertAlmostEqual(margin["change"], -8.0, delta=1.0)
        self.assertTrue(margin["over_limit"])

    def test_hub(self):
        self.first(self.lane("hub", 3, hub_delay_ms=30), "delay", 30.0, 0.1)

    def test_noise_of_the_lane(self):
        lane = self.lane("road", 3, road_dba=71, pass_dba=77)
        self.first(lane, "noise", 10.5, 2.0)
        self.assertNotIn("microphone-level", [f["code"] for f in lane["findings"]])


class Accounted(Case):
    """What differs between visits without the lane having changed."""

    def copy(self, name="same", date=AFTER):
        site = self.dir / "site"
        shutil.copytree(pathlib.Path(SITES.name) / name, site)
        return site, site / "visits" / date

    def scale(self, folder, db, *names):
        for name in names:
            rate, x, _ = read_wav(folder / "lane-1" / f"{name}.wav")
            write_wav(folder / "lane-1" / f"{name}.wav", x[:, 0] * 10 ** (db / 20), rate)

    def only_notes(self, value):
        (lane,) = value["result"]["lanes"]
        self.assertEqual({f["kind"] for f in lane["findings"]}, {"note"}, lane["findings"])
        return [f["code"] for f in lane["findings"]]

    def test_settings(self):
        _, folder = self.copy()
        self.scale(folder, 4, "outbound", "lane-coupling")
        text = (folder / "visit.yaml").read_text()
        (folder / "visit.yaml").write_text(text.replace("settings:", "old_settings:") if "\nsettings:" in text else text)
        with open(folder / "visit.yaml", "a") as f:
            f.write("\nsettings:\n  - {lane: 1, outbound_db: 4, inbound_db: 0}\n")
        self.assertIn("settings", self.only_notes(self.json("compare", visit("base", BEFORE), folder, "--check")))

    def test_calibration(self):
        _, folder = self.copy()
        self.scale(folder, -6, "outbound", "noise-ear")
        text = (folder / "visit.yaml").read_text()
        self.assertIn("mic_cal_db: 118", text)
        (folder / "visit.yaml").write_text(text.replace("mic_cal_db: 118", "mic_cal_db: 124"))
        for name in ("inbound", "noise-counter"):  # they too stand for the other calibration
            for place in list(folder.rglob(f"{name}.wav")):
                rate, x, _ = read_wav(place)
                write_wav(place, x[:, 0] * 10 ** (-6 / 20), rate)
        self.assertIn("calibration", self.only_notes(self.json("compare", visit("base", BEFORE), folder, "--check")))

    def test_another_stimulus(self):
        """A shorter, narrower, quieter sweep through the same lane is no change of the lane."""
        other = pathlib.Path(SITES.name) / "short"
        if not other.exists():
            (pathlib.Path(SITES.name) / "short.yaml").write_text(
                SCENARIO.format(date=AFTER, changes="    seed: 8\n").replace("sweep_seconds: 2", "sweep_seconds: 4"))
            self.assertEqual(run("simulate", f"{SITES.name}/short.yaml", other).status, 0)
        self.only_notes(self.json("compare", visit("base", BEFORE), other / "visits" / AFTER, "--check"))

    def test_missing_and_useless_recordings(self):
        _, folder = self.copy()
        (folder / "lane-1" / "outbound.wav").unlink()
        rate, x, _ = read_wav(folder / "lane-1" / "lane-coupling.wav")
        write_wav(folder / "lane-1" / "lane-coupling.wav", np.zeros(len(x)), rate)
        value = self.json("compare", visit("base", BEFORE), folder)
        (lane,) = value["result"]["lanes"]
        self.assertIsNone(lane["figures"])
        codes = [n["code"] for n in lane["notes"]]
        self.assertIn("one-visit-only", codes)
        self.assertIn("recording-unusable", codes)
        self.assertNotIn("outbound", [r["path"] for r in lane["responses"]])


class Words(Case):
    def site(self):
        site = self.dir / "site"
        small = pathlib.Path(SITES.name) / "small"
        if not small.exists():
            make("small", BEFORE, seed=7)
            for path in small.rglob("*.wav"):  # what the visits are called is tried here: one path is enough
                if path.name not in ("outbound.wav", "stimulus.wav"):
                    path.unlink()
        shutil.copytree(small, site)
        shutil.copytree(site / "visits" / BEFORE, site / "visits" / AFTER)
        return site

    def test_ways_to_name_visits(self):
        site = self.site()
        a, b = site / "visits" / BEFORE, site / "visits" / AFTER
        for words in ([a, b], [f"{a}/", f"{b}/visit.yaml"], [BEFORE, AFTER, "--site", site], ["--site", site], [site],
                      [BEFORE, "--site", site]):
            result = self.json("compare", *words, "--lane", "1")["result"]
            self.assertEqual((result["before"]["date"], result["after"]["date"]), (BEFORE, AFTER), words)
        value = self.json("compare", b, a)
        self.assertEqual(value["result"]["before"]["date"], BEFORE)
        self.assertIn("visits-swapped", self.codes(value))
        relative = self.json("compare", f"visits/{BEFORE}", f"visits/{AFTER}", cwd=site)["result"]
        self.assertEqual(relative["before"]["site"], ".")

    def test_wrong_words(self):
        site = self.site()
        self.fails("compare", status=2, says="give two visits")
        self.fails("compare", site / "visits" / BEFORE, site / "visits" / BEFORE, says="twice")
        self.fails("compare", site / "visits" / BEFORE, site / "visits" / "2020-01-01", says=["2020-01-01", BEFORE])
        self.fails("compare", site / "visits" / BEFORE, self.dir / "nowhere", says=["nowhere", "no visit"])
        self.fails("compare", BEFORE, AFTER, says="--site")
        self.fails("compare", pathlib.Path(SITES.name) / "base", says="1 visit")
        self.fails("compare", "--site", site, "--lane", "7", says="no lane 7")
        self.fails("compare", "--site", site, "--worse-db", "0", status=2)
        self.fails("compare", "", "", status=2, says="empty")

    def test_chart(self):
        site = self.site()
        for name, head in (("c.svg", b"<"), ("c.png", b"\x89PNG")):
            self.text("compare", "--site", site, "--chart", self.dir / name)
            self.assertTrue((self.dir / name).read_bytes().startswith(head))

    def test_text(self):
        text = self.text("compare", "--site", self.site())
        self.assertIn("Nothing changed by more than the two measurements can tell.", text)
        self.assertNotIn("band Hz", text)
        self.assertNotIn("at the same settings", text)
        full = self.text("compare", "--site", self.dir / "site", "--bands")
        self.assertIn("\n    1000", full)
        self.assertIn("outbound", full)
        self.assertIn("SII to the customer", full)
        self.assertIn("--bands", text)
        self.assertEqual(text, self.text("compare", "--site", self.dir / "site"))


class Report(Case):
    """The report's section about the visit before: the same findings and figures as `compare`, in other words."""

    def section(self, site, *words):
        self.text("report", site, *words)
        return self.written(site)

    def written(self, site):
        html = (site / "report.html").read_text(encoding="utf-8")
        found = re.search(r'<section[^>]*id="since">.*?</section>', html, re.S)
        return found.group(0) if found else None

    def test_since_the_last_visit(self):
        make("later", AFTER, seed=8, speaker_spl_db=87, hum_line_dbfs=-45)
        site = self.dir / "site"
        shutil.copytree(pathlib.Path(SITES.name) / "base", site)
        self.assertIsNone(self.section(site))  # the only visit
        shutil.copytree(visit("later", AFTER), site / "visits" / AFTER)
        status, _, drawn = on_terminal("report", site)
        self.assertEqual(status, 0)
        percents = [int(p) for p in re.findall(r"(\d+) %", drawn)]
        self.assertEqual(percents, sorted(percents))  # one bar for both visits: it never runs back, and reaches its end
        self.assertLess(percents[0], 50)
        self.assertEqual(percents[-1], 100)
        self.assertGreaterEqual(sum(50 < p < 100 for p in percents), 3)
        told = self.written(site)
        (lane,) = self.json("compare", "--site", site)["result"]["lanes"]
        self.assertIn(f"<bdi>{BEFORE}</bdi>", told)
        loss = re.search(r"Worse:</strong> Customers hear the operator more quietly, by ([0-9.]+)\xa0dB", told)
        self.assertAlmostEqual(float(loss.group(1)), 5.0, delta=0.5)  # as planted: 92 dB before, 87 dB now
        self.assertRegex(told, "Worse:</strong> The hum is louder on the line from the lane.*-45")
        self.assertIn("Better:</strong> The intercom is further from howling", told)
        figures = lane["figures"]
        for name, want, decimals in (("Safe distance from howling", figures["safe_margin_db"], 1),
                                     ("How well the customer understands, 0 to 1", figures["sii"]["outbound"], 2),
                                     ("Distance of the echo below speech", figures["echo_telr_db"], 1)):
            row = re.search(rf">{name}</th><td>([0-9.]+)[^<]*</td><td>([0-9.]+)", told)
            for at, when in ((1, "before"), (2, "after")):
                self.assertAlmostEqual(float(row.group(at)), want[when], delta=0.51 * 10 ** -decimals)
        self.assertIsNone(self.section(site, "--visit", BEFORE))

    def test_a_visit_that_cannot_be_compared(self):
        site = self.dir / "site"
        shutil.copytree(pathlib.Path(SITES.name) / "base", site)
        (site / "visits" / "2020-01-01").mkdir()
        self.assertIn("could not be compared", self.section(site))


if __name__ == "__main__":
    main()
