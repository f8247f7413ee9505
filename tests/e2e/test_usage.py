# SPDX-License-Identifier: MIT
"""Help, versions, wrong usage and standard streams of every command."""

import os
import re
import subprocess

from e2e import COMMANDS, PROGRAM, SOURCE, Case, main, on_terminal, parse, run, write_wav

import numpy as np

WRONG = [
    # words, what the line says
    ([], "which command"),
    (["nonsense"], "unknown command 'nonsense'"),
    (["tunee", "x"], "perhaps tune"),
    (["stimulas"], "perhaps stimulus"),
    (["speechlevel"], "perhaps speech-level"),
    (["--nonsense"], "unknown option"),
    (["--json"], "unknown option"),
    (["new"], "DIR"),
    (["new", "a", "b"], "too many"),
    (["new", "a", "--lanes", "0"], "range"),
    (["new", "a", "--lanes", "two"], "'two'"),
    (["new", "a", "--lanes", "1.5"], "whole"),
    (["new", "a", "--date", "yesterday"], "2024-05-14"),
    (["new", "a", "--date", "2023-02-29"], "2023-02-29"),
    (["new", "a", "--date", "2024-13-01"], "2024-13-01"),
    (["stimulus"], "KIND OUT.wav"),
    (["stimulus", "sweep"], "KIND OUT.wav"),
    (["stimulus", "chirp", "x.wav"], "'chirp'"),
    (["stimulus", "sweep", "x.wav", "--rate"], "value"),
    (["stimulus", "sweep", "x.wav", "--rate", "fast"], "'fast'"),
    (["stimulus", "sweep", "x.wav", "--rate", "48k"], "'48k'"),
    (["stimulus", "sweep", "x.wav", "--rate", "nan"], "'nan'"),
    (["stimulus", "sweep", "x.wav", "--rate", "inf"], "'inf'"),
    (["stimulus", "sweep", "x.wav", "--rate", "0x10"], "'0x10'"),
    (["stimulus", "sweep", "x.wav", "--rate", "1e999"], "1e999"),
    (["stimulus", "sweep", "x.wav", "--rate", "7999"], "range"),
    (["stimulus", "sweep", "x.wav", "--from", "900", "--to", "800"], "900"),
    (["stimulus", "sweep", "x.wav", "--rate", "8000", "--to", "4000"], "4000"),
    (["stimulus", "sweep", "x.wav", "--bits", "12"], "'12'"),
    (["stimulus", "sweep", "x.wav", "--bits", "1"], "'1'"),
    (["stimulus", "sweep", "x.wav", "--peek", "-6"], "perhaps --peak"),
    (["stimulus", "sweep", "x.wav", "--hz", "50"], "--hz"),
    (["stimulus", "pink", "x.wav", "--peak", "-6"], "--peak"),
    (["stimulus", "tone", "x.wav", "--force=yes"], "no value"),
    (["response"], "REC.wav"),
    (["response", "x.wav"], "--stimulus"),
    (["response", "x.wav", "--stimulus", "y.wav", "--channel", "0"], "range"),
    (["noise"], "REC.wav"),
    (["noise", "a.wav", "b.wav"], "too many"),
    (["noise", "a.wav", "--cal-db", "loud"], "'loud'"),
    (["noise", "a.wav", "--cal-db", ""], "''"),
    (["noise", ""], "empty"),
    (["speech-level"], "REC.wav"),
    (["sii", "x.csv", "--method", "third"], "'third'"),
    (["sii", "x.csv", "--method", "octave|critical"], "octave|critical"),
    (["sii", "x.csv", "--importance", "music"], "'music'"),
    (["sii", "x.csv", "--speech", "whisper"], "'whisper'"),
    (["sii", "x.csv", "y.csv"], "too many"),
    (["sti"], "--ir"),
    (["sti", "x.wav"], "too many"),
    (["sti", "--ir", "x.wav", "--stipa", "y.wav"], "one of"),
    (["sti", "--ir", "x.wav", "--snr-db", "3", "--levels", "y.csv"], "one of"),
    (["sti", "--ir", "x.wav", "--cal-db", "94"], "--levels"),
    (["sti", "--stipa", "x.wav", "--cal-db", "94", "--snr-db", "3"], "leave"),
    (["sti", "--ir", "x.wav", "--voice", "child"], "'child'"),
    (["stimulus", "stipa", "x.wav", "--rate", "16000"], "22050"),
    (["stimulus", "stipa", "x.wav", "--hz", "50"], "--hz"),
    (["margin"], "LOOP.wav"),
    (["margin", "l.wav", "--lane-ir", "a.wav"], "either"),
    (["margin", "--lane-ir", "a.wav"], "--counter-ir"),
    (["margin", "--counter-ir", "a.wav"], "--lane-ir"),
    (["margin", "l.wav", "--outbound-db", "+-3"], "'+-3'"),
    (["margin", "l.wav", "--site", "s"], "without LOOP.wav"),
    (["margin", "--site", "s", "--inbound-db", "3"], "without --inbound-db"),
    (["margin", "l.wav", "--lanes", "1"], "needs --site"),
    (["echo"], "FILE.wav"),
    (["echo", "a.wav", "--sent", "b.wav"], "either"),
    (["echo", "--sent", "a.wav"], "--returned"),
    (["echo", "--returned", "a.wav"], "--sent"),
    (["echo", "a.wav", "--distance-m", "0"], "range"),
    (["calibrate"], "SITE"),
    (["calibrate", "site"], "--mic"),
    (["calibrate", "site", "--mic", "--loopback"], "one of"),
    (["calibrate", "site", "--mic", "--calibrator", "100"], "'100'"),
    (["calibrate", "site", "--loopback", "--calibrator", "94"], "--calibrator"),
    (["calibrate", "site", "--reading", "20"], "range"),
    (["measure"], "SITE"),
    (["measure", "site", "--path", "outbound"], "--lane"),
    (["measure", "site", "--lane", "1"], "--path"),
    (["measure", "site", "--lane", "1", "--path", "outbund"], "'outbund'"),
    (["measure", "site", "--lane", "1", "--path", "noise-ear", "--level", "-20"], "--level"),
    (["measure", "site", "--lane", "1", "--path", "outbound", "--level", "0"], "range"),
    (["measure", "site", "--lane", "1", "--path", "outbound", "--seconds", "121"], "--seconds"),
    (["measure", "site", "--lane", "1", "--path", "loop", "--in-channel", "9"], "range"),
    (["tune"], "SITE"),
    (["tune", "site", "--lane", "one"], "'one'"),
    (["tune", "site", "--lane", "-1"], "range"),
    (["report"], "SITE"),
    (["report", "site", "--lane", "1"], "unknown option --lane"),
    (["simulate", "x.yaml"], "SCENARIO.yaml DIR"),
    (["demo", "a", "b"], "too many"),
    (["demo", "-x"], "unknown option -x"),
]


def options_of(help_text):
    return set(re.findall(r"^  --([a-z-]+)", help_text, re.M))


class Usage(Case):
    def test_help_of_all(self):
        text = self.text("--help")
        for command in COMMANDS:
            self.assertRegex(text, rf"(?m)^  {command} ")
        self.assertEqual(text, self.text("-h"))

    def test_help_of_each_command(self):
        for command in COMMANDS:
            with self.subTest(command):
                text = self.text(command, "--help")
                self.assertTrue(text.startswith(f"Usage: lanetune {command}"))
                self.assertRegex(text, rf"\nExample:\n  lanetune {command}")
                self.assertLessEqual({"json", "help"}, options_of(text))

    def test_help_wins_over_missing_words(self):
        self.assertIn("Usage:", self.text("stimulus", "--rate", "44100", "--help"))

    def test_examples_of_help_are_right_usage(self):
        """Each word of an example is accepted: it may fail for want of its files, never as wrong usage."""
        for command in COMMANDS:
            if command == "demo":
                continue  # has no words; a test of its own runs it
            example = self.text(command, "--help").split("Example:\n  ")[1].splitlines()[0].split(" && ")[0]
            with self.subTest(example):
                words = [w.strip('"') for w in re.findall(r'"[^"]*"|\S+', example)][1:]
                self.assertIn(run(*words, cwd=self.dir).status, (0, 1))

    def test_version(self):
        version = re.search(r"project\(lanetune VERSION ([0-9.]+)", (SOURCE / "CMakeLists.txt").read_text()).group(1)
        self.assertEqual(self.text("--version"), f"lanetune {version}\n")

    def test_wrong_usage(self):
        for words, says in WRONG:
            with self.subTest(words):
                err = self.fails(*words, status=2, says=says, cwd=self.dir)
                self.assertIn("--help", err)
        self.assertEqual(list(self.dir.iterdir()), [])

    def test_a_chart_of_no_known_kind_is_refused_before_anything_is_read(self):
        drawing = [c for c in COMMANDS if "--chart" in self.text(c, "--help")]
        self.assertGreaterEqual(len(drawing), 8)
        for command in drawing:
            for name in ("c.pdf", "svg", ".png"):
                words = [] if command == "sti" else ["none.wav"]
                self.fails(command, *words, "--chart", name, says=f"{name}: a chart is an .svg or a .png file")

    def test_options_may_stand_anywhere(self):
        write_wav(self.dir / "a.wav", 0.1 * np.sin(np.arange(48000) * 0.1))
        first = self.json("noise", "--cal-db", "100", self.dir / "a.wav")
        self.assertEqual(first, self.json("noise", self.dir / "a.wav", "--cal-db=100"))
        again = run("noise", "--cal-db", "3", "--json", "--cal-db", "100", "--", self.dir / "a.wav")
        self.assertEqual(first, parse(again.out))
        self.assertEqual(self.json("noise", self.dir / "a.wav", "--cal-db", "-3")["result"]["laeq_db"],
                         round(first["result"]["laeq_db"] - 103, 3))


class Streams(Case):
    def shell(self, line):
        env = dict(os.environ, P=PROGRAM)
        return subprocess.run(["sh", "-c", line], capture_output=True, cwd=self.dir, env=env, timeout=120)

    def test_closed_or_full_output_is_a_failure(self):
        write_wav(self.dir / "a.wav", 0.1 * np.sin(np.arange(48000) * 0.1))
        for words in ("--help", "--version", "noise a.wav --cal-db 90", "noise a.wav --json", "tune --help"):
            for where in (">&-", ">/dev/full"):
                with self.subTest(words + where):
                    done = self.shell(f'"$P" {words} {where}')
                    self.assertEqual(done.returncode, 1)
                    self.assertEqual(done.stderr.count(b"\n"), 1)
                    self.assertIn(b"standard output", done.stderr)

    def test_a_reader_that_leaves_is_a_failure_not_a_crash(self):
        write_wav(self.dir / "a.wav", 0.1 * np.sin(np.arange(48000) * 0.1))
        done = self.shell('{ "$P" noise a.wav; echo "$?" >status; } | :')
        self.assertEqual(done.returncode, 0)
        self.assertIn((self.dir / "status").read_text(), ("1\n", "0\n"))  # 0 if the reader left too late

    def test_closed_streams_do_not_end_up_in_files(self):
        clean = self.shell('"$P" stimulus tone a.wav --seconds 0.5 >/dev/null')
        self.assertEqual(clean.returncode, 0)
        self.shell('"$P" stimulus tone b.wav --seconds 0.5 >&- 2>&- <&-')
        self.assertEqual((self.dir / "a.wav").read_bytes(), (self.dir / "b.wav").read_bytes())

    def test_no_progress_bar_outside_a_terminal(self):
        write_wav(self.dir / "a.wav", 0.1 * np.sin(np.arange(480000) * 0.1))
        self.assertNotIn("\r", run("noise", self.dir / "a.wav").err)

    def test_progress_bar_on_a_terminal_is_wiped(self):
        write_wav(self.dir / "a.wav", 0.1 * np.sin(np.arange(480000) * 0.1))
        status, out, shown = on_terminal("noise", self.dir / "a.wav", "--json")
        self.assertEqual(status, 0)
        parse(out)
        self.assertIn("100 %", shown)
        for line in re.split(r"[\r\n]+", shown):
            self.assertLessEqual(len(line), 80)
        self.assertEqual(shown.rstrip("\r").split("\r")[-1].strip(), "")

    def test_a_strange_locale_changes_no_byte(self):
        write_wav(self.dir / "a.wav", 0.1 * np.sin(np.arange(48000) * 0.1))
        plain = run("noise", self.dir / "a.wav", "--json").out
        for name in ("de_DE.UTF-8", "tr_TR.UTF-8", "C", "nonsense"):
            self.assertEqual(run("noise", self.dir / "a.wav", "--json", env={"LC_ALL": name}).out, plain)


class Names(Case):
    def test_file_names_that_are_no_utf8(self):
        name = os.path.join(os.fsencode(self.dir), b"a\xff\x80b.wav")
        write_wav(name, 0.1 * np.sin(np.arange(48000) * 0.1))
        self.assertIn("a\ufffd\ufffdb.wav", self.json("noise", name)["inputs"][0])

    def test_file_names_with_control_characters_stay_one_line(self):
        err = self.fails("noise", self.dir / "a\n\x1b[31mb.wav", says="b.wav")
        self.assertNotIn("\x1b", err)
        write_wav(self.dir / "x\n\x1b[31my.wav", 0.1 * np.sin(np.arange(48000) * 0.1))
        self.assertIn("y.wav", self.text("noise", self.dir / "x\n\x1b[31my.wav"))

    def test_long_names_keep_80_columns(self):
        deep = self.dir / ("d" * 60) / ("e" * 70)
        deep.mkdir(parents=True)
        write_wav(deep / "a.wav", 0.1 * np.sin(np.arange(48000) * 0.1))
        for words in (["noise", deep / "a.wav"], ["speech-level", deep / "a.wav"], ["margin", deep / "a.wav"],
                      ["stimulus", "tone", deep / "t.wav"], ["new", deep / "site"]):
            self.assertIn("...", self.text(*words))


class Documents(Case):
    def manual(self):
        """Options by section of the manual page; the key of sub-sections is the command."""
        found, section = {}, ""
        for line in (SOURCE / "docs" / "lanetune.1").read_text().replace("\\-", "-").splitlines():
            title = re.match(r'\.S[SH] "?(.*?)"?$', line)
            if title:
                section = title.group(1).split(" ")[0] if line.startswith(".SS") else title.group(1)
                found[section] = set()
            elif re.match(r"\.(B|BI) --", line):
                found[section].add(re.match(r"\.(?:B|BI) --([a-z-]+)", line).group(1))
        return found

    def test_manual_and_help_agree(self):
        manual = self.manual()
        self.assertLessEqual({"EXIT STATUS", "FILES", "EXAMPLES", "SYNOPSIS"}, set(manual))
        self.assertEqual(manual["COMMON OPTIONS"], {"json", "help", "version"})
        for command in COMMANDS:
            with self.subTest(command):
                self.assertIn(command, manual)
                self.assertEqual(manual[command], options_of(self.text(command, "--help")) - {"json", "help"})

    def test_manual_names_the_words_of_each_command(self):
        page = (SOURCE / "docs" / "lanetune.1").read_text().replace("\\-", "-")
        for command in COMMANDS:
            words = re.match(r"Usage: lanetune \S+ ?(.*) \[OPTION\]", self.text(command, "--help")).group(1)
            self.assertIn(f"\n.SS {command} {words}".rstrip() + "\n", page)

    def test_manual_has_the_version(self):
        self.assertIn(self.text("--version").strip(), (SOURCE / "docs" / "lanetune.1").read_text())

    def test_every_command_has_a_schema_and_the_other_way_round(self):
        names = {p.stem for p in (SOURCE / "docs" / "schema").glob("*.json")}
        self.assertEqual(names, set(COMMANDS) | {"truth"})


if __name__ == "__main__":
    main()
