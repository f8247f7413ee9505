# SPDX-License-Identifier: MIT
"""The rig for tests in Python: a private sound server with a virtual lane, started and ended here.

    with Rig("route 1 1 scene 0 lane-coupling", "noise 1 0.0003") as rig:
        done = rig.run([PROGRAM, "measure", ...])

Environment: RIG_LANE (the lane client), LIVE_TOOL, LANETUNE (the command), LANETUNE_SOURCE. The test itself runs under
`with-rig.sh --no-server --`, so that all processes and all shared memory are its own. See README.md.
"""

import json
import os
import pathlib
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import unittest

HERE = pathlib.Path(__file__).resolve().parent
WITH_RIG = HERE / "with-rig.sh"
TOOL = os.environ.get("LIVE_TOOL", "")
PROGRAM = os.environ.get("LANETUNE", "")
# Factor on time limits: sanitizers (RIG_SLOW), and processes that wait for a processor when the test begins.
LOAD = max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
BUILD = float(os.environ.get("RIG_SLOW", "1"))
SLOW = BUILD * min(LOAD, 8.0)
# ... where a limit guards people's ears: on a loaded machine too the sound ends soon.
GUARD = BUILD * min(LOAD, 2.0)
# Within this time every fault ends on an idle machine: the deadlines of src/audio/live_run.c add up to less. The one
# formula of all limits here: what it is on an idle machine, times SLOW or GUARD.
LIMIT_S = 3.0 * SLOW
NOT_THERE = 1 if os.environ.get("CI") else 99
JACK, ALSA = "jack", "alsa"
ROUND_TRIP = {JACK: 256, ALSA: 1536}  # frames


class Result:
    def __init__(self, status, out, err, seconds):
        self.status, self.out, self.err, self.seconds = status, out, err, seconds


class Rig:
    """lines: the lane's script. rate, ports "SPEAKERS MICROPHONES", freewheel: faster than real time."""

    def __init__(self, *lines, rate=48000, ports="1 1", freewheel=False):
        self.words = ["--rate", str(rate), "--ports", ports, *(["--freewheel"] if freewheel else [])]
        for line in lines:
            self.words += ["--set", line]
        self.serial = 0

    def __enter__(self):
        hold = "env -0 > \"$1\".part && mv \"$1\".part \"$1\" && cat > /dev/null"
        self.folder = tempfile.TemporaryDirectory()
        told = pathlib.Path(self.folder.name) / "env"
        self.log = tempfile.TemporaryFile()
        self.process = subprocess.Popen([WITH_RIG, *self.words, "--", "sh", "-c", hold, "sh", str(told)],
                                        stdin=subprocess.PIPE, stderr=self.log)
        until = time.monotonic() + 30 * SLOW
        while not told.exists():
            if self.process.poll() is not None or time.monotonic() > until:
                self.process.kill()
                self.log.seek(0)
                sys.stderr.write(self.log.read().decode("utf-8", "replace"))
                sys.stderr.write("the rig did not come up\n")
                sys.stderr.flush()
                os._exit(NOT_THERE)
            time.sleep(0.01)
        self.env = dict(e.split("=", 1) for e in told.read_bytes().decode().split("\0") if "=" in e)
        self.server, self.lane = int(self.env["RIG_SERVER_PID"]), int(self.env["RIG_LANE_PID"])
        return self

    def __exit__(self, *_):
        self.process.stdin.close()
        self.process.wait(30 * SLOW)
        self.folder.cleanup()
        self.log.close()

    def set(self, *lines):
        """Another script for the running lane; returns when it is in force."""
        self.serial += 1
        script = pathlib.Path(self.env["RIG_SCRIPT"])
        part = script.with_suffix(".new")
        part.write_text("\n".join([f"serial {self.serial}", *lines]) + "\n")
        part.rename(script)
        ready = pathlib.Path(f"{script}.ready")
        until = time.monotonic() + 60 * SLOW
        while time.monotonic() < until:
            if ready.exists() and (said := ready.read_text().strip()) in (str(self.serial), "bad"):
                if said == "bad":
                    raise ValueError(pathlib.Path(self.env["RIG_LOG"]).read_text())
                return
            time.sleep(0.005)
        raise TimeoutError("the lane did not take its script")

    def start(self, words, **kw):
        """The running process."""
        env = dict(self.env, **kw.pop("env", {}))
        return subprocess.Popen([str(w) for w in words], env=env, stdin=kw.pop("stdin", subprocess.DEVNULL),
                                stdout=subprocess.PIPE, stderr=subprocess.PIPE, **kw)

    def run(self, words, after=None, timeout=120, **kw):
        """Run to the end. after: (seconds, function of the process) to be called meanwhile."""
        began = time.monotonic()
        p = self.start(words, **kw)
        if after is not None:
            time.sleep(after[0])
            after[1](p)
        try:
            out, err = p.communicate(timeout=timeout * SLOW)
        except subprocess.TimeoutExpired:
            p.kill()
            out, err = p.communicate()
            raise AssertionError(f"hangs: {words}\n{out.decode()}\n{err.decode()}") from None
        return Result(p.returncode, out.decode(), err.decode("utf-8", "replace"), time.monotonic() - began)

    def tool(self, *words, host=JACK, **kw):
        """live_tool's objects, one a run."""
        r = self.run([TOOL, words[0], "--host", host, "--device", "lane", *words[1:]], **kw)
        if r.status != 0 or r.err:
            raise AssertionError(f"{words}: {r.status}\n{r.out}\n{r.err}")
        return [json.loads(line) for line in r.out.splitlines()]

    def kill_server(self, *_):
        os.kill(self.server, signal.SIGTERM)

    def stop_lane(self, *_):
        os.kill(self.lane, signal.SIGSTOP)


class Pulse:
    """A sound server of another kind beside the rig's: no hardware, one sink to play into (`horn`), one that hums to be
    recorded (`mike`). Both are devices of ALSA for the rig's commands."""

    def __init__(self, rig):
        self.rig = rig

    def __enter__(self):
        if shutil.which("pulseaudio") is None:
            missing = AssertionError if os.environ.get("CI") else unittest.SkipTest
            raise missing("pulseaudio is missing: no second sound server")
        self.folder = tempfile.TemporaryDirectory()
        here = self.folder.name
        env = dict(os.environ, HOME=here, XDG_RUNTIME_DIR=here, PULSE_RUNTIME_PATH=here, PULSE_STATE_PATH=here)
        conf = pathlib.Path(self.rig.env["ALSA_CONFIG_PATH"])
        self.conf = conf, conf.read_text()
        conf.write_text(self.conf[1] + "".join(
            f'pcm.{name} {{ type pulse server "unix:{here}/native" device "{device}" }}\n'
            for name, device in (("horn", "horn"), ("mike", "hum.monitor"))))
        self.log = tempfile.TemporaryFile()
        self.process = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--disable-shm=yes",
             "--log-target=stderr",
             "-L", f"module-native-protocol-unix auth-anonymous=1 auth-cookie-enabled=0 socket={here}/native",
             "-L", "module-null-sink sink_name=horn format=float32le rate=48000 channels=1",
             "-L", "module-null-sink sink_name=hum format=float32le rate=48000 channels=1",
             "-L", "module-sine sink=hum frequency=100"],
            env=env, stderr=self.log)
        until = time.monotonic() + 20 * SLOW
        while not pathlib.Path(here, "native").exists():
            if self.process.poll() is not None or time.monotonic() > until:
                self.log.seek(0)
                raise AssertionError("the second server did not come up: " + self.log.read().decode())
            time.sleep(0.01)
        # a reader in a hurry: without one, a null sink works in blocks of two seconds
        self.reader = subprocess.Popen(["parec", "--latency-msec=10", "--device=hum.monitor"],
                                       env=dict(env, PULSE_SERVER=f"unix:{here}/native"), stdout=subprocess.DEVNULL,
                                       stderr=subprocess.DEVNULL)
        return self

    def kill(self, *_):
        os.kill(self.process.pid, signal.SIGTERM)

    def __exit__(self, *_):
        for p in (self.reader, self.process):
            if p.poll() is None:
                p.kill()
            p.wait()
        self.conf[0].write_text(self.conf[1])
        self.log.close()
        self.folder.cleanup()


class Tap:
    """What a lane's `tap FILE SECONDS` kept: speaker and microphone, and the time of every sample, in seconds of
    time.monotonic(). Replace the script first: that writes the file."""

    def __init__(self, path, rate=48000, block=256):
        import numpy as np
        both = np.fromfile(path, "<f4").reshape(-1, 2, block)
        self.speaker, self.microphone = both[:, 0].ravel(), both[:, 1].ravel()
        begin = np.fromfile(f"{path}.ns", "<i8") * 1e-9
        self.at_s = (begin[:, None] + np.arange(block)[None, :] / rate).ravel()

    def last_sound_s(self, least=0.0):
        """Time of the last sample of the speaker above `least`; None if there is none."""
        loud = abs(self.speaker) > least
        return self.at_s[loud.nonzero()[0][-1]] if loud.any() else None


class Terminal:
    """A command in a terminal of its own, as a technician has it: keys, Ctrl-C through the line discipline, hang-up."""

    def __init__(self, rig, words):
        import pty
        import termios
        self.ours, self.theirs = pty.openpty()
        self.modes = termios.tcgetattr(self.theirs)
        self.shown = b""
        self.began = time.monotonic()
        env = dict(rig.env, TERM="xterm", COLUMNS="80")

        def own_terminal():
            import fcntl
            os.setsid()
            fcntl.ioctl(0, termios.TIOCSCTTY, 0)

        self.process = subprocess.Popen([str(w) for w in words], env=env, stdin=self.theirs, stdout=self.theirs,
                                        stderr=self.theirs, preexec_fn=own_terminal, close_fds=True)

    def _read(self, seconds):
        import select
        if select.select([self.ours], [], [], seconds)[0]:
            try:
                self.shown += os.read(self.ours, 65536)
            except OSError:
                return

    def wait_for(self, text, seconds=20):
        until = time.monotonic() + seconds * SLOW
        while text.encode() not in self.shown:
            if time.monotonic() > until or self.process.poll() is not None:
                raise AssertionError(f"{text!r} was not shown: {self.shown.decode('utf-8', 'replace')}")
            self._read(0.02)

    def pause(self, seconds):
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            self._read(0.01)

    def press(self, keys):
        os.write(self.ours, keys)
        return time.monotonic()

    def hang_up(self):
        os.close(self.ours)
        self.ours = -1
        return time.monotonic()

    def end(self, seconds=20):
        """Status and seconds until the end; then self.lines holds what was left standing on the screen."""
        import termios
        began = time.monotonic()
        until = began + seconds * SLOW
        while self.process.poll() is None:
            if time.monotonic() > until:
                self.process.kill()
                self.process.wait()
                raise AssertionError(f"hangs: {self.shown.decode('utf-8', 'replace')}")
            if self.ours >= 0:
                self._read(0.005)
            else:
                time.sleep(0.005)
        took = time.monotonic() - began
        if self.ours >= 0:
            self.same_modes = termios.tcgetattr(self.theirs) == self.modes
            self._read(0.05)
            os.close(self.ours)
        os.close(self.theirs)
        text = self.shown.decode("utf-8", "replace").replace("\r\n", "\n")
        self.lines, self.widest = [], max(len(part) for line in text.split("\n") for part in line.split("\r"))
        for line in (line.rsplit("\r", 1)[-1] for line in text.split("\n")):
            if line.startswith("  ") and self.lines and self.lines[-1].startswith("lanetune "):
                self.lines[-1] += " " + line.strip()  # what was broken to fit
            else:
                self.lines.append(line)
        return self.process.returncode, took


def processes(name):
    """Ids of the processes with this program's name (all that this test can see)."""
    found = []
    for entry in pathlib.Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and (entry / "comm").read_text().strip() == name[:15]:
                if "Z" not in (entry / "stat").read_text().rsplit(")", 1)[1].split()[0]:
                    found.append(int(entry.name))
        except OSError:
            pass
    return found


class Hogs:
    """Keeps the processors busy."""

    def __init__(self, count=2):
        self.count = count

    def __enter__(self):
        self.busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(self.count)]
        return self

    def __exit__(self, *_):
        for p in self.busy:
            p.kill()
            p.wait()
