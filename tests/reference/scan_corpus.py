# SPDX-License-Identifier: MIT
"""Planted faults are found at their time; clean recordings have no fault of severity error (fault_corpus.py).

    scan_corpus.py LANETUNE [FAULTY-FROM FAULTY-TO CLEAN-FROM CLEAN-TO]     seeds; prints every miss and the tally
"""
import json
import subprocess
import sys
import tempfile
from collections import Counter

try:
    import fault_corpus
except ImportError as e:
    print(f"skipped: {e}")
    sys.exit(77)

WITHIN_S = 0.25
# Faults are planted down to where they are just heard, and there chance decides: of 24 one may be missed, two more may be
# told at another moment. A clean recording never has an error.
FOUND_PART, IN_TIME_PART = 0.95, 0.85


def judge(faults, code, at):
    """(found, in time, what stands there)"""
    same = [f for f in faults if f["code"] == code]
    if not same:
        return False, False, ", ".join(f"{f['code']} {f['at_s']}" for f in faults)
    times = [f["at_s"] for f in same]
    if at is None:
        return True, None in times, times
    first, last = at if isinstance(at, tuple) else (at, at)
    return True, any(t is not None and first - WITHIN_S <= t <= last + WITHIN_S for t in times), times


def main():
    tool = sys.argv[1]
    missing = fault_corpus.available()
    if missing:
        print(f"skipped: {', '.join(missing)} not installed")
        return 77
    ranges = [int(v) for v in sys.argv[2:6]] or [1000, 1024, 1000, 1032]
    other, tally = Counter(), Counter()
    with tempfile.TemporaryDirectory() as folder:
        truth = fault_corpus.make_folder(folder, range(*ranges[:2]), range(*ranges[2:]))
        run = subprocess.run([tool, "scan", folder, "--lines"], capture_output=True, text=True, check=True)
        lines = [json.loads(line) for line in run.stdout.splitlines()]
    if sorted(line["path"] for line in lines) != sorted(truth):
        print("not every file has its line")
        return 1
    for line in lines:
        planted, name = truth[line["path"]], line["path"].split("/")[-1]
        if planted is None:
            wrong = [f for f in line["faults"] if f["severity"] == "error"]
            other.update(f"clean {f['severity']} {f['code']}" for f in line["faults"])
            tally["clean"] += 1
            tally["clean without error"] += not wrong
            for f in wrong:
                print(f"{name}: {f['code']} at {f['at_s']}: {f['message']}")
            continue
        for code, at in planted:
            found, timely, there = judge(line["faults"], code, at)
            tally["planted"] += 1
            tally["found"] += found
            tally["found in time"] += timely
            if not timely:
                print(f"{name}: {code} at {at}, found {there}")
            other.update(f"beside {code}: {f['severity']} {f['code']}" for f in line["faults"] if f["code"] != code)
    print(", ".join(f"{k} {v}" for k, v in tally.items()))
    if len(sys.argv) > 2:
        print("\n".join(f"  {k}: {v}" for k, v in sorted(other.items())))
    good = (tally["clean without error"] == tally["clean"] and tally["found"] >= FOUND_PART * tally["planted"] and
            tally["found in time"] >= IN_TIME_PART * tally["planted"])
    return 0 if good else 1


sys.exit(main())
