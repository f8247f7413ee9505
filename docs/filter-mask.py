# SPDX-License-Identifier: MIT
"""Draws docs/filter-mask.svg: every filter of the bank inside the class 1 limits of IEC 61260-1:2014.

    filter-mask.py TOOL LIMITS.csv OUT.svg      TOOL: tests/reference/dsp_mask_tool.c, built
Standard library only; the same input gives the same bytes. cmake --build BUILD --target filter_mask"""
import csv
import math
import subprocess
import sys

tool, limits_path, out_path = sys.argv[1:]
RATES = (44100, 48000, 96000, 192000)
WIDTH, HEIGHT, LEFT, TOP = 430, 290, 60, 46
X = (math.log10(0.1), 1.0)
parts = []


def curves(rate):
    """{kind: {band: [(ratio, attenuation in dB)]}}"""
    found = {"third_octave": {}, "octave": {}}
    for line in subprocess.run([tool, str(rate)], capture_output=True, text=True, check=True).stdout.splitlines():
        kind, band, ratio, db = line.split()
        found[kind].setdefault(float(band), []).append((float(ratio), float(db)))
    return found


def limits(kind):
    """[(ratio >= 1, least, largest attenuation)], the limit of infinity as written."""
    with open(limits_path, encoding="utf-8") as f:
        return [(float(r["omega_high"]), float(r["class1_min_db"]), float(r["class1_max_db"]))
                for r in csv.DictReader(f) if r["bandwidth"] == kind]


class Panel:
    def __init__(self, column, row, title, y_range, x_range):
        self.x0, self.y0 = LEFT + column * (WIDTH + 80), TOP + row * (HEIGHT + 80)
        self.y_range, self.x_range, self.title = y_range, x_range, title

    def at(self, ratio, db):
        x = (math.log10(ratio) - self.x_range[0]) / (self.x_range[1] - self.x_range[0])
        y = (db - self.y_range[0]) / (self.y_range[1] - self.y_range[0])
        return self.x0 + WIDTH * min(max(x, 0), 1), self.y0 + HEIGHT * min(max(y, 0), 1)

    def path(self, points, style):
        points = [p for i, p in enumerate(points)  # nothing between two on the lower border is seen
                  if not (0 < i < len(points) - 1 and points[i - 1][1] == p[1] == points[i + 1][1])]
        text = " ".join(f"{'L' if i else 'M'}{x:.1f} {y:.1f}" for i, (x, y) in enumerate(points))
        parts.append(f'<path d="{text}" {style}/>')

    def frame(self, ratios, levels):
        parts.append(f'<text x="{self.x0}" y="{self.y0 - 10}" font-weight="bold">{self.title}</text>')
        for ratio in ratios:
            x, _ = self.at(ratio, 0)
            self.path([(x, self.y0), (x, self.y0 + HEIGHT)], 'stroke="#ddd" fill="none"')
            parts.append(f'<text x="{x:.1f}" y="{self.y0 + HEIGHT + 16}" text-anchor="middle">{ratio:g}</text>')
        for db in levels:
            _, y = self.at(1, db)
            self.path([(self.x0, y), (self.x0 + WIDTH, y)], 'stroke="#ddd" fill="none"')
            parts.append(f'<text x="{self.x0 - 6}" y="{y + 4:.1f}" text-anchor="end">{db:g}</text>')
        parts.append(f'<rect x="{self.x0}" y="{self.y0}" width="{WIDTH}" height="{HEIGHT}" fill="none" stroke="#555"/>')
        parts.append(f'<text x="{self.x0 + WIDTH / 2}" y="{self.y0 + HEIGHT + 34}" text-anchor="middle">'
                     'frequency / mid-band frequency</text>')
        parts.append(f'<text transform="translate({self.x0 - 38} {self.y0 + HEIGHT / 2}) rotate(-90)" '
                     'text-anchor="middle">attenuation, dB</text>')

    def forbid(self, rows):
        """Where the curves must not be: less attenuation than the least, more than the largest."""
        both = [(1 / r, lo, hi) for r, lo, hi in reversed(rows)] + rows
        ends = [(10 ** self.x_range[0], both[0][1], both[0][2])] + both + [(10 ** self.x_range[1], both[-1][1], both[-1][2])]
        least = [self.at(r, lo) for r, lo, _ in ends if lo < math.inf]
        x1, x2 = self.x0, self.x0 + WIDTH
        style = 'fill="#c33" fill-opacity="0.18" stroke="#c33"'
        self.path([(x1, self.y0)] + least + [(x2, self.y0)], style)
        largest = [self.at(r, hi) for r, _, hi in both if hi < math.inf]
        bottom = self.y0 + HEIGHT
        self.path([(largest[0][0], bottom)] + largest + [(largest[-1][0], bottom)], style)


def draw(column, kind, title):
    rows = limits(kind)
    wide = Panel(column, 0, title, (-2, 85), X)
    edge = math.log10(rows[4][0]) * 1.15
    near = Panel(column, 1, "pass band", (-0.6, 6), (-edge, edge))
    wide.frame((0.1, 0.2, 0.5, 1, 2, 5, 10), range(0, 81, 10))
    near.frame([round(1 / rows[4][0], 2), 1, round(rows[4][0], 2)], range(0, 7))
    for panel in (wide, near):
        panel.forbid(rows)
    for rate, colour in zip(RATES, ("#1b7837", "#2166ac", "#b35806", "#542788")):
        for points in curves(rate)[kind].values():
            for panel in (wide, near):
                inside = [panel.at(r, db) for r, db in points if panel.x_range[0] <= math.log10(r) <= panel.x_range[1]]
                panel.path(inside, f'fill="none" stroke="{colour}" stroke-width="0.7" stroke-opacity="0.6"')


draw(0, "third_octave", "one-third octaves, 25 Hz to 16 kHz")
draw(1, "octave", "octaves, 31.5 Hz to 16 kHz")
size = (LEFT + 2 * (WIDTH + 80) - 40, TOP + 2 * (HEIGHT + 80) + 10)
legend = ", ".join(f"{r / 1000:g}" for r in RATES)
parts.append(f'<text x="{LEFT}" y="20">All filters at {legend} kHz; red: outside class 1 of IEC 61260-1:2014</text>')
with open(out_path, "w", encoding="utf-8") as f:
    f.write(f'<svg xmlns="http://www.w3.org/2000/svg" width="{size[0]}" height="{size[1]}" '
            f'viewBox="0 0 {size[0]} {size[1]}" font-family="sans-serif" font-size="12">\n'
            f'<rect width="100%" height="100%" fill="white"/>\n' + "\n".join(parts) + "\n</svg>\n")
