#!/usr/bin/env python3
# SPDX-License-Identifier: MIT
"""Opens a report in headless Chromium and looks for what a reader would complain about.

    browser_check.py make MAKE_REPORT KIND LANES   a report of a fixture
    browser_check.py demo LANETUNE LANES           the report of the demo
    browser_check.py file REPORT.html LANES        any report
    --pictures DIR                                 keep screenshots and PDF files there
    --pages N                                      allow N pages in print

At 360, 768 and 1280 px: nothing wider than the window, no element or chart label sticking out, no console message, no
request to anywhere. Printed on A4 and Letter: at most two pages a lane and one more, and every visible text of the page
is on the paper, inside its edges. Exit 0 good, 1 bad, 77 skipped (Chromium or the PDF tools are missing).
Chromium is driven through its debugging pipe (Chrome DevTools Protocol); Python's standard library is enough."""
import base64
import fcntl
import json
import os
import re
import select
import shutil
import subprocess
import sys
import tempfile
import time
import unicodedata

WIDTHS = (360, 768, 1280)
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
SKIP = 77
PATIENCE_S = 120

# Everything that sticks out, as a list of sentences. A box is compared with the window, a chart's text with its chart.
LOOK = r"""(() => {
  const bad = [], wide = document.documentElement.scrollWidth;
  if (wide > innerWidth) bad.push(`the page is ${wide} px wide in a window of ${innerWidth} px`);
  const name = e => `<${e.tagName.toLowerCase()} class="${e.getAttribute('class') || ''}"> "${(e.textContent || '').trim().slice(0, 40)}"`;
  for (const e of document.body.querySelectorAll('*')) {
    if (!e.checkVisibility()) continue;
    const r = e.getBoundingClientRect(), s = e.closest('svg.chart');
    if (r.width === 0 && r.height === 0) continue;
    if (r.right > innerWidth + 0.5 || r.left < -0.5) bad.push(`${name(e)} reaches from ${r.left} to ${r.right} px`);
    if (s && e.tagName === 'text') {
      const b = s.getBoundingClientRect();
      if (r.left < b.left - 1 || r.right > b.right + 1 || r.top < b.top - 1 || r.bottom > b.bottom + 1)
        bad.push(`chart label ${name(e)} sticks out of its chart`);
    } else if (!s && e.clientWidth > 0 && e.scrollWidth > e.clientWidth + 1) {
      bad.push(`${name(e)} holds ${e.scrollWidth} px in ${e.clientWidth} px`);
    }
  }
  const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
  for (const i of new Set(ids.filter((x, k) => ids.indexOf(x) !== k))) bad.push(`two elements have the id ${i}`);
  return bad;
})()"""

# The texts of all elements that hold nothing but text, closed details apart.
TEXTS = r"""(() => {
  const out = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement, t = walk.currentNode.data.trim();
    if (t && !e.closest('details, title, style') && e.checkVisibility()) out.push(t);
  }
  return out;
})()"""


class Browser:
    """One Chromium and one page in it."""

    def __init__(self, program):
        self.profile = tempfile.mkdtemp(prefix="lanetune-browser-")
        to_read, self.write_end = os.pipe()
        self.read_end, to_write = os.pipe()
        to_read, to_write = (fcntl.fcntl(f, fcntl.F_DUPFD, 20) for f in (to_read, to_write))

        def place_pipes():
            os.dup2(to_read, 3)
            os.dup2(to_write, 4)

        self.process = subprocess.Popen(
            [program, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync",
             "--disable-dev-shm-usage", "--hide-scrollbars", f"--user-data-dir={self.profile}",
             "--remote-debugging-pipe", "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            preexec_fn=place_pipes, pass_fds=(3, 4))
        os.close(to_read)
        os.close(to_write)
        self.pending, self.events, self.number = b"", [], 0
        self.session = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(domain + ".enable")

    def receive(self):
        deadline = time.monotonic() + PATIENCE_S
        while b"\0" not in self.pending:
            ready, _, _ = select.select([self.read_end], [], [], max(0.0, deadline - time.monotonic()))
            piece = os.read(self.read_end, 1 << 20) if ready else b""
            if not piece:
                raise RuntimeError("Chromium does not answer")
            self.pending += piece
        message, self.pending = self.pending.split(b"\0", 1)
        return json.loads(message)

    def call(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        os.write(self.write_end, json.dumps(message).encode() + b"\0")
        while True:
            answer = self.receive()
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
            self.events.append(answer)

    def open(self, path, width, height):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        self.events.clear()
        self.call("Page.navigate", url="file://" + os.path.abspath(path))
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self.receive())

    def evaluate(self, script):
        result = self.call("Runtime.evaluate", expression=script, returnByValue=True)
        if "exceptionDetails" in result:
            raise RuntimeError(result["exceptionDetails"]["text"])
        return result["result"]["value"]

    def complaints(self):
        """What the console and the network say about the page."""
        found = []
        for event in self.events:
            method, p = event.get("method"), event.get("params", {})
            if method == "Log.entryAdded":
                found.append("console: " + p["entry"]["text"])
            elif method == "Runtime.consoleAPICalled":
                found.append("console: " + str(p["args"]))
            elif method == "Runtime.exceptionThrown":
                found.append("exception: " + p["exceptionDetails"]["text"])
            elif method == "Network.requestWillBeSent" and not p["request"]["url"].startswith(("file:", "data:")):
                found.append("request: " + p["request"]["url"])
        return found

    def close(self):
        try:
            self.session = None
            self.call("Browser.close")
        except (OSError, RuntimeError):
            self.process.kill()
        self.process.wait()
        os.close(self.write_end)
        os.close(self.read_end)
        shutil.rmtree(self.profile, ignore_errors=True)


def squeeze(text):
    """Text without white space, case, ligatures and characters that the fonts of a test machine may lack."""
    text = unicodedata.normalize("NFKC", text).casefold()
    return "".join(c for c in text if not c.isspace() and (c < "\u0180" or "\u2000" <= c < "\u2300") and c.isprintable())


def check_screen(browser, path, pictures):
    bad = []
    for width in WIDTHS:
        browser.open(path, width, 900)
        bad += [f"{width} px: {line}" for line in browser.evaluate(LOOK) + browser.complaints()]
        if pictures:
            height = browser.evaluate("document.documentElement.scrollHeight")
            browser.call("Emulation.setDeviceMetricsOverride", width=width, height=min(height, 16000),
                         deviceScaleFactor=1, mobile=False)
            shot = browser.call("Page.captureScreenshot", format="png")
            with open(os.path.join(pictures, f"screen-{width}.png"), "wb") as f:
                f.write(base64.b64decode(shot["data"]))
    return bad


def words_outside(pdf):
    """Words whose box leaves its page."""
    xml = subprocess.run(["pdftotext", "-bbox", pdf, "-"], check=True, capture_output=True, text=True).stdout
    found, width, height = [], 0.0, 0.0
    for line in xml.splitlines():
        page = re.search(r'<page width="([\d.]+)" height="([\d.]+)"', line)
        if page:
            width, height = float(page[1]), float(page[2])
        word = re.search(r'xMin="(-?[\d.]+)" yMin="(-?[\d.]+)" xMax="(-?[\d.]+)" yMax="(-?[\d.]+)">(.*?)<', line)
        if word:
            x0, y0, x1, y1 = (float(word[i]) for i in range(1, 5))
            if x0 < -1 or y0 < -1 or x1 > width + 1 or y1 > height + 1:
                found.append(word[5])
    return found


def check_paper(browser, path, lanes, most, folder):
    bad = []
    browser.open(path, 1280, 900)
    texts = browser.evaluate(TEXTS)
    if len(texts) < 20:
        bad.append(f"only {len(texts)} texts on the page")
    for paper, (width, height) in PAPERS.items():
        pdf = os.path.join(folder, paper + ".pdf")
        data = browser.call("Page.printToPDF", paperWidth=width, paperHeight=height, printBackground=False,
                            marginTop=0.4, marginBottom=0.4, marginLeft=0.4, marginRight=0.4)["data"]
        with open(pdf, "wb") as f:
            f.write(base64.b64decode(data))
        info = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
        pages = int(re.search(r"^Pages:\s+(\d+)", info, re.M)[1])
        print(f"  {paper}: {pages} pages for {lanes} lanes")
        if pages > most:
            bad.append(f"{paper}: {pages} pages for {lanes} lanes")
        printed = squeeze(subprocess.run(["pdftotext", "-raw", "-nopgbrk", pdf, "-"], check=True, capture_output=True,
                                         text=True, errors="replace").stdout)
        bad += [f"{paper}: not on paper: {t[:70]!r}" for t in texts if squeeze(t) not in printed]
        bad += [f"{paper}: beyond the edge: {w!r}" for w in words_outside(pdf)]
    return bad


def make_page(arguments, folder):
    """The page to look at and its number of lanes, from the words of the command line."""
    how, lanes = arguments[0], int(arguments[-1])
    path = os.path.join(folder, "report.html")
    if how == "make":
        subprocess.run([arguments[1], arguments[2], path, folder], check=True)
    elif how == "demo":
        site = os.path.join(folder, "demo")
        subprocess.run([arguments[1], "demo", site], check=True, stdout=subprocess.DEVNULL)
        path = os.path.join(site, "report.html")
    else:
        path = arguments[1]
    return path, lanes


def main():
    arguments, options = sys.argv[1:], {}
    for option in ("--pictures", "--pages"):
        if option in arguments[:-1]:
            at = arguments.index(option)
            options[option] = arguments[at + 1]
            del arguments[at:at + 2]
    pictures = options.get("--pictures")
    if pictures:
        os.makedirs(pictures, exist_ok=True)
    if len(arguments) not in (3, 4) or arguments[0] not in ("make", "demo", "file"):
        sys.exit(__doc__)
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if not chromium or not shutil.which("pdftotext") or not shutil.which("pdfinfo"):
        print("skipped: chromium, pdftotext or pdfinfo is missing (Debian packages chromium, poppler-utils)")
        return SKIP
    with tempfile.TemporaryDirectory(prefix="lanetune-report-") as folder:
        path, lanes = make_page(arguments, folder)
        most = int(options.get("--pages", 2 * lanes + 1))
        browser = Browser(chromium)
        try:
            bad = check_screen(browser, path, pictures) + check_paper(browser, path, lanes, most, pictures or folder)
        finally:
            browser.close()
    for line in bad[:40]:
        print("BAD " + line)
    print(f"{len(bad)} complaints")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
