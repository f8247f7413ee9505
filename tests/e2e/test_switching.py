# SPDX-License-Identifier: MIT
"""lanetune switching: a voice switch made of bursts in NumPy; times on real speech are in tests/reference."""

import numpy as np

from e2e import Case, main, write_wav

RATE = 8000


def record(attack=0.01, hold=0.15, release=0.08, attenuation=18.0, seconds=10, opposite=False, seed=1):
    """(sent, returned): bursts of 0.5 s every 1.2 s, gain straight in dB."""
    rng = np.random.default_rng(seed)
    n = seconds * RATE
    t = np.arange(n) / RATE
    on = (t % 1.2 > 0.6) & (t % 1.2 < 1.1)
    x = np.where(on, 0.1, 0.001) * rng.normal(size=n)
    gain, db, off = np.empty(n), -attenuation, 1e9
    for i in range(n):
        off = 0.0 if on[i] else off + 1 / RATE
        step = attenuation / (attack * RATE) if off < hold else -attenuation / (release * RATE)
        db = min(0.0, max(-attenuation, db + step))
        gain[i] = db
    if opposite:
        return x, 0.01 * rng.normal(size=n) * 10 ** ((-attenuation - gain) / 20)
    return x, np.concatenate([np.zeros(40), 0.5 * x * 10 ** (gain / 20)])[:n] + 1e-6 * rng.normal(size=n)


class Switching(Case):
    def check(self, r, direction):
        self.assertEqual((r["direction"], r["switched"]), (direction, True))
        self.assertAlmostEqual(r["attenuation_db"], 18.0, delta=0.5)
        self.assertAlmostEqual(r["attack"]["ms"], 10, delta=3)
        self.assertAlmostEqual(r["hold_ms"], 150, delta=4)
        self.assertAlmostEqual(r["release"]["ms"], 80, delta=4)

    def test_two_channels_and_two_files(self):
        x, y = record()
        both = write_wav(self.dir / "both.wav", [x, y], RATE)
        sent, returned = write_wav(self.dir / "s.wav", x, RATE), write_wav(self.dir / "r.wav", y, RATE)
        one = self.json("switching", both)
        self.check(one["result"], "same")
        self.assertAlmostEqual(one["result"]["delay_ms"], 5.0, delta=0.2)
        self.assertEqual(self.json("switching", "--sent", sent, "--returned", returned)["result"], one["result"])
        turned = write_wav(self.dir / "turned.wav", [y, x], RATE)
        self.assertEqual(
            self.json("switching", turned, "--sent-channel", "2", "--returned-channel", "1")["result"], one["result"])
        self.assertRegex(self.text("switching", both), r"^switches by 18\.\d dB: attack \d+ ms, hold 1\d\d ms, release")

    def test_opposite_direction(self):
        x, y = record(opposite=True)
        self.check(self.json("switching", write_wav(self.dir / "o.wav", [x, y], RATE))["result"], "opposite")

    def test_chart(self):
        wav = write_wav(self.dir / "both.wav", record(), RATE)
        self.text("switching", wav, "--chart", self.dir / "c.png")
        self.assertTrue((self.dir / "c.png").read_bytes().startswith(b"\x89PNG"))
        self.text("switching", wav, "--chart", self.dir / "c.svg")
        drawn = (self.dir / "c.svg").read_text()
        for words in ("attack: ", "release: ", "straight in dB"):
            self.assertIn(words, drawn)
        self.fails("switching", wav, "--chart", self.dir / "c.jpg", says=[".svg"])

    def test_nothing_switches(self):
        x, _ = record()
        r = self.json("switching", write_wav(self.dir / "n.wav", [x, 0.3 * x], RATE))
        self.assertFalse(r["result"]["switched"])
        self.assertIn("no-switching", self.codes(r))
        self.assertTrue(self.text("switching", self.dir / "n.wav").startswith("no voice switching found"))

    def test_bad_input(self):
        x, y = record()
        mono = write_wav(self.dir / "mono.wav", x, RATE)
        self.fails("switching", status=2, says="REC.wav")
        self.fails("switching", "--sent", mono, status=2, says="--returned")
        self.fails("switching", mono, "--sent", mono, status=2, says="either")
        self.fails("switching", mono, says=["mono.wav", "channel"])
        self.fails("switching", self.dir / "none.wav", says="none.wav")
        short = write_wav(self.dir / "short.wav", [x[:8000], y[:8000]], RATE)
        self.fails("switching", short, says=["short.wav", "too short"])
        silent = write_wav(self.dir / "silent.wav", [x, 0 * x], RATE)
        self.fails("switching", silent, says=["returned", "silent"])
        self.fails("switching", mono, "--direction", "both", status=2, says="both")


if __name__ == "__main__":
    main()
