# SPDX-License-Identifier: MIT
"""Recorded human speech of the Debian packages pocketsphinx-testdata and asterisk-core-sounds-en-wav."""
import glob
import os

BOOK = sorted(glob.glob("/usr/share/pocketsphinx/test/data/librivox/*.wav"))
CARDS = sorted(glob.glob("/usr/share/pocketsphinx/test/data/cards/*.wav"))
PHONE = [f"/usr/share/asterisk/sounds/en_US_f_Allison/{name}.wav" for name in ("demo-congrats", "demo-echotest", "priv-callee-options")]


def are_there():
    return bool(BOOK and CARDS) and all(os.path.exists(p) for p in PHONE)
