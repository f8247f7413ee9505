# SPDX-License-Identifier: MIT
"""The demo: the whole job in an empty folder, twice with the same bytes."""

import hashlib

from e2e import Case, main, parse, run, validate


def tree(folder):
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file()}


class Demo(Case):
    def test_demo(self):
        text = self.text("demo", cwd=self.dir)
        made = self.dir / "lanetune-demo"
        self.assertTrue(text.startswith("Settings to dial in"))
        for lane in (1, 2, 3):
            self.assertIn(f"\nLane {lane}", text)
        self.assertIn("Open lanetune-demo/report.html", text.splitlines()[-1])
        self.assertIn("</html>", (made / "report.html").read_text())
        (results,) = made.glob("visits/*/results.json")
        kept = parse(results.read_text())
        validate("tune", kept)
        validate("truth", parse((made / "truth.json").read_text()))
        self.no_leftovers()

        lanes = kept["result"]["lanes"]
        self.assertEqual([lane["lane"] for lane in lanes], [1, 2, 3])
        for lane in lanes:
            self.assertEqual(lane["unmet"], [])
            self.assertGreaterEqual(lane["safe_margin_db"]["after"], 6)
            self.assertLessEqual(lane["ear_dba"]["after"], 80.001)
            before, after = ([lane["sii"][way][when] for way in ("outbound", "inbound")] for when in ("before", "after"))
            broken = lane["safe_margin_db"]["before"] < 6 or lane["ear_dba"]["before"] > 80 or \
                lane["echo_weighted_db"]["before"] < 14
            self.assertTrue(broken or min(after) >= min(before) - 0.002, lane["lane"])
        noisy, echo, feedback = ({b["limit"] for b in lane["binding"]} for lane in lanes)
        self.assertIn("talker-echo", echo)
        self.assertIn("safe-margin", feedback)

        before = tree(made)
        self.fails("demo", cwd=self.dir, says="lanetune-demo")
        self.fails("demo", made, says="lanetune-demo")
        self.assertEqual(tree(made), before)

        value = self.json("demo", self.dir / "second")
        self.assertEqual(value["result"]["path"], str(self.dir / "second"))
        self.assertEqual(tree(self.dir / "second"), before)

        for command in ("tune", "report"):
            self.assertEqual(run(command, made).status, 0)
        self.assertEqual(tree(made), before)

    def test_folders_that_cannot_be(self):
        (self.dir / "full").mkdir()
        (self.dir / "full" / "note.txt").write_text("mine")
        self.fails("demo", self.dir / "full", says="full")
        self.fails("demo", self.dir / "full" / "note.txt", says="note.txt")
        self.assertEqual((self.dir / "full" / "note.txt").read_text(), "mine")


if __name__ == "__main__":
    main()
