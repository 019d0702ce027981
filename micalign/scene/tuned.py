"""Every number of a scene that was chosen: unit, reason, and who set it.

A source whose level the scene does not give is as loud as its kind. Sound pressure levels while played, in dB at 1 m,
A-weighting or not set aside: what counts is how they stand to each other. A sung voice lies between loud and shouted
speech (75 and 82 dB at 1 m: ANSI S3.5-1997, from memory); the rest is common practice, no source: a player's touch
makes 10 dB either way, so give ``level_db`` where it matters.
"""

from __future__ import annotations

from typing import Final

# What a scene does not say

KINDS: Final = {
    "snare": 104.0,
    "kick": 102.0,
    "tom": 102.0,
    "hi-hat": 93.0,
    "cymbal": 98.0,
    "guitar cab": 100.0,
    "bass cab": 98.0,
    "voice": 80.0,
    "acoustic guitar": 75.0,
    "double bass": 76.0,
    "piano": 86.0,
    "brass": 95.0,
    "woodwind": 82.0,
    "strings": 78.0,
}
"""Decibels at 1 m of each kind of source."""

LEAST_PRESSURE_DB: Final = 40.0
"""Decibels at 1 m: nothing that is recorded is softer, for the room itself is as loud (common practice, no source);
what is below was given against other sources."""

REJECTION_DB: Final = 20.0
"""Decibels by which a real mic's null lies below its axis: makers' polar plots show 15 to 25 dB (common practice, no
source)."""

# What a scene file may say: beyond it a unit or a decimal point was mistaken

LEAST_SIDE_M: Final = 0.1
"""Metres of a room's side: what is smaller was given in another unit."""

LEAST_DISTANCE_M: Final = 1e-3
"""Metres: no capsule is nearer to what sounds."""

FARTHEST_M: Final = 10_000.0
"""Metres: a longer one was written in another unit."""

LEAST_SIGMA_M: Final = 1e-6
"""Metres: no tape is as sure as this."""

GAIN_DB: Final = (-200.0, 100.0)
"""Decibels of a mic's level in the blend, from and to: silence, and more than any preamp."""

LEVEL_DB: Final = (-100.0, 150.0)
"""Decibels of a source at 1 m, from and to: also against other sources; 150 dB is a gunshot's (from memory)."""

MOST_WEIGHT: Final = 1000.0
"""Ratio to the other terms of a placement at most: more, and they are nothing."""

AIR_C: Final = (-20.0, 50.0)
"""Degrees Celsius, from and to, in which anybody records; 68 were Fahrenheit."""

MOST_CHANNELS: Final = 1024
"""Count of a file's channels at most."""

LONGEST_NAME: Final = 200
"""Count of a name's characters at most, so that a row still shows it."""

LONGEST_LENGTH: Final = 64
"""Count of a length's characters at most: it is short, and a hostile string must not cost time."""

MOST_FAULTS: Final = 20
"""Count of faults that are listed; the last says how many more there are."""
