# SPDX-License-Identifier: MIT
"""Values against what they must be: every miss prints a line, the largest difference of each kind is kept."""


class Tally:
    def __init__(self):
        self.bad = self.count = 0
        self.worst = {}  # kind: (difference, label)

    def near(self, label, kind, got, want, tolerance):
        error = abs(got - want)
        self.count += 1
        if not error <= self.worst.get(kind, (-1.0,))[0]:
            self.worst[kind] = (error, label)
        if not error <= tolerance:
            print(f"{label}: {kind}: got {got:.4f}, want {want:.4f} +- {tolerance}")
            self.bad += 1

    def true(self, label, ok):
        self.count += 1
        if not ok:
            print(f"{label}: not so")
            self.bad += 1

    def status(self, least):
        """Prints the largest differences; the exit status, 1 also where fewer than `least` values were looked at."""
        print(f"{self.count} values, {self.bad} bad; largest differences:")
        for kind, (error, label) in self.worst.items():
            print(f"  {kind}: {error:.2g} ({label})")
        return 1 if self.bad or self.count < least else 0
