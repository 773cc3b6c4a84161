"""What a maker writes by hand: the facts, the licence, a script and a note for players."""

from __future__ import annotations

from typing import Final

FACTS: Final = """\
# Slate Choir: what we know so far. Lines that begin with # are for ourselves.

[instrument]
title = "Slate Choir"
version = "1.0.0"
maker = "Quay Room"
summary = "Slabs of slate, struck, brushed and hummed over."
description = \"\"\"
Six slabs from an old roof, hung from cords in a stairwell. Struck with felt at two touches, brushed with wire, and
hummed over so closely that stone and voice become one tone.
\"\"\"
credits = ["Recorded, edited and built by Quay Room"]
tags = ["slate", "tuned percussion", "voice", "quiet"]
licence = "LicenseRef-Slate-Choir"
licence_file = "Licence.txt"

[engine]
name = "Example Engine"
edition = "full"
saved_with = "7.2.1"
minimum = "7.0"  # somebody asked whether it runs on theirs
systems = ["windows", "macos", "linux"]

[contents]
patches = ["Slate Choir.eeng"]
samples = ["Samples/**/*.wav"]
impulses = ["Impulses/*.wav"]
scripts = ["Scripts/*.txt"]
documents = ["Licence.txt", "Reading/*.txt"]

[naming]
pattern = "{layer}_{note}_v{velocity}_rr{take}"
middle_c = "C3"

[[layers]]
name = "struck"
files = ["Samples/Struck/*.wav"]
low_key = 50
high_key = 74
round_robins = 2

[[layers]]
name = "brushed"
files = ["Samples/Brushed/*.wav"]
low_key = 50
high_key = 74
round_robins = 2

[[layers]]
name = "hummed"
files = ["Samples/Hummed/*.wav"]
low_key = 50
high_key = 74
round_robins = 1

# From left to right, as they stand on the panel.
[[controls]]
name = "Body"
low = 0.0
high = 1.0
rest = 0.5
cc = 70
effect = "from dark to bright"

[[controls]]
name = "Air"
kind = "slider"
low = 0.0
high = 1.0
rest = 0.0
cc = 1
effect = "from no voice to a loud hum"

[[controls]]
name = "Brush"
kind = "switch"
cc = 80
effect = "from struck to brushed slate"

[[controls]]
name = "Cave"
low = 0.0
high = 1.0
rest = 0.2
cc = 91
effect = "from dry to wet"

[limits]
voices = 24
"""

MENDED_FACTS: Final = {
    "instrument.contact": "https://quay-room.example/slate-choir",
    "instrument.rights": "Everything was recorded by Quay Room, the picture and the impulse response included.",
    "engine.minimum": "7.2.1",
}
"""What the facts lack or state wrongly, by dotted key, and what they should say."""

LICENCE: Final = """\
Licence of Slate Choir

You may play Slate Choir in any music, for yourself, for friends or for money, without asking and without naming us.
You may not pass on its samples, its patch or its impulse response, alone or inside another instrument.
It comes as it is, without any warranty.

Quay Room
"""

SCRIPT: Final = """\
# Sway: the hum moves slowly from side to side.
depth 0.2    # a décor, no more
period 7.5
room "../../Shared Impulses/Stairwell.wav"
"""

MENDED_SCRIPT: Final = """\
# Sway: the hum moves slowly from side to side.
depth 0.2    # a décor, no more
period 7.5
room "Impulses/Höhle.wav"
"""

READING: Final = """\
How to play Slate Choir

Low keys want a soft touch. Bring in Air with the modulation wheel, and leave Cave alone until the end.
"""
