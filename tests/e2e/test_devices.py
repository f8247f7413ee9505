# SPDX-License-Identifier: MIT
"""lanetune devices where there is no sound server: a machine without a sound card, a sound library that dies."""

import glob

from e2e import Case, main, run

NO_SERVER = {"JACK_DEFAULT_SERVER": "nosuch", "JACK_NO_START_SERVER": "1"}


class Devices(Case):
    def test_no_device_or_a_valid_list(self):
        for json in ((), ("--json",)):
            r = run("devices", *json, env=NO_SERVER)
            if r.status == 0:
                self.assertTrue(glob.glob("/proc/asound/card*"), r.out)
            else:
                self.fails("devices", *json, says=("no audio device", "plug an interface in"), env=NO_SERVER)
        if r.status == 0:
            self.json("devices", env=NO_SERVER)
            self.text("devices", env=NO_SERVER)

    def test_a_library_that_dies_takes_only_its_own_process_with_it(self):
        self.fails("devices", says="crashed", env=dict(NO_SERVER, ALSA_CONFIG_PATH="/dev/null"))

    def test_the_null_device_alone(self):
        config = self.dir / "asound.conf"
        config.write_text("pcm.!default { type null }\npcm.second { type null }\n")
        env = dict(NO_SERVER, ALSA_CONFIG_PATH=str(config))
        devices = self.json("devices", env=env)["result"]
        names = [d["name"] for d in devices["devices"]]
        self.assertEqual(sorted(names), ["default", "second"])
        self.assertIn({"host": "ALSA", "input": "default", "output": "second", "rates_hz": [44100, 48000, 96000]},
                      devices["pairs"])
        self.assertEqual(devices["pairs_across"], [])
        text = self.text("devices", env=env)
        self.assertTrue(text.startswith("4 ways to play and record at once\n"))
        self.assertEqual(text.count(", two clocks\n"), 2)
        self.assertIn("With two clocks the delay of the lane stays unknown", text)
        self.assertNotIn("two sound systems", text)


if __name__ == "__main__":
    main()
