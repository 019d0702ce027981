"""Every number of the engine that was set by looking at takes: unit, reason and the bench that set it.

What was chosen once is held by ``tests/bench/delay/score_real.py`` and ``score.py``. The weights of the two posteriors
(`micalign.tdoa.posterior`) are fitted; ``tests/bench/delay/fit_weights.py`` writes them, from the first of them on.
"""

from __future__ import annotations

from typing import Final

APART_STEPS: Final = 31
"""Milliseconds: two onsets are not nearer to one another than half of this (a flam is one stroke)."""

BEFORE_STEPS: Final = 30
"""Milliseconds before an onset that it must rise above: a drum's first periods, a room's early reflections."""

LEAST_NOVELTY: Final = 0.7
"""Natural log of power: 3 dB, below which ringing and reflections give more onsets than strokes do."""

LEAST_GAP_DB: Final = 6.0
"""Decibels: a narrower gap of levels parts soft from loud strokes of one source, not two sources."""

FEW_STROKES_DB: Final = 8.0
"""Decibels: one stroke alone must stand out by so much more to be a class of its own, two by half of it."""

OWN_RANGE_DB: Final = -20.0
"""Decibels under the loudest: softer strokes of one's own tell nothing beside bleed."""

MOST_STROKES: Final = 60
"""Count of strokes that are compared; more make it slower and no surer."""

FEWEST_APART: Final = 5
"""Count of strokes that a track has for itself: fewer tell less than all of them do."""

CLOSE_GAP_DB: Final = 10.0
"""Decibels: a track whose own strokes stand out by more is close to one drum and says when that one is struck."""

ONE_DRUM: Final = 0.75
"""Share of a mic's strokes: with more of them in common two mics stand at one drum. These three: real takes,
development half, seeds 20 and 21 (``score_real.py --engine "new group"``): hats right 67 -> 79 %, reliable 29 -> 67."""

LED: Final = (0.75, 0.85)
"""Share of a track's strokes, by loudness, that begin in another track within 10 ms before: no more than the first at
a drum that is struck, no less than the second over the kit and in its room. Of 545 answers to takes of a real kit with
all its mics (development half, seeds 40 to 42 and 50 to 52) 444 are right and 391 reliable, 7 of them wrong, with what
follows from it; 434, 348 and 7 where close mics keep the strokes that others lead; 424, 337 and 11 without it."""

MANY_TRACKS: Final = 5
"""Count of tracks with strokes from which most drums of a take have a mic that leads theirs: with overheads and one,
two or three close mics, or five, of 530, 185, 257 and 337 answers to the same takes 472, 138, 191 and 261 are right
without `LED` and 459, 133, 193 and 269 with it; 403, 111, 166 and 225 are reliable and 386, 118, 185 and 249."""

WORTH_A_LOOK: Final = 0.7
"""Probability of a first look from which a second is worth its time: of 315 first looks of 0.5 to 0.9 at takes of a
real kit (development half, seeds 40 to 47 and 80 to 83) the second makes 166 reliable, 9 of them wrong; of the 201
that are 0.7 and more 161, 8 of them wrong; of those below 0.5 none."""

TWO_LOOKS: Final = (-0.0994, 0.329, 1.62)
"""Offset of log odds, slope by the sum of both looks' own, and what it adds that they agree. Fitted to 162 answers of
0.5 to 0.9 to takes of a real kit (development half, seeds 40 to 45) before close mics kept the strokes that no other
hears first; since then it tells 0.9 and more of 166 of 315 (`WORTH_A_LOOK`), 95 % of them right, where a line fitted
anew tells it of 180, 94 % of them right, and the higher of the two confidences alone of 9."""

BANDS: Final = ((300, 1200, 1e-3), (1200, 5000, 0.5e-3), (5000, 14000, 0.4e-3), (60, 16000, 0.6e-3))
"""Hertz, hertz, seconds: bands in which a wavefront is looked for and how long its rise is watched, about a period.
With another of 60 to 300 Hz 516 of 688 answers to takes of a real kit were right (development half, seeds 40 to 44),
without it 514, and more of them reliable: 472 and 478."""

AGREEING_HZ: Final = ((300, 700), (700, 1500), (1500, 3000), (3000, 6000), (6000, 14000))
"""Hertz: bands of the strokes' correlation that agree at a direct sound. Told by weights that had not seen a quarter of
the styles and seeds (``fit_weights.py ablate``, six seeds), bands and lowest band make 60 of 1,257 answers to takes of
a real kit right and 37 wrong, and 61 and 2 of 564 to simulated ones."""

EARLIER_S: Final = 0.003
"""Seconds: a rise counts only above everything of the 3 ms before it (precedence: a direct sound comes first). Of 754
answers to takes of a real kit with all its mics (development half, seeds 71 to 78) 645 are right and 557 reliable, 8 of
them wrong; with 6 ms 637, 549 and 15."""

STROKE_S: Final = (0.002, 0.018)
"""Seconds before and after a stroke that are correlated: longer lets in the room, shorter a kick's first period
not."""

PICK_S: Final = 7e-5
"""Seconds, one sigma of a pick of a first wavefront about where it is: no pick is more exact (line checks of a real
kit, development half)."""

ROOM_S: Final = 0.02
"""Seconds of lags on either side that are looked at beyond the search, and in a search that is narrower, to know how
high chance alone rises."""

SO_ALIKE: Final = 0.45
"""Share of full agreement from which two tracks are one sound over one path, whatever their strokes say: pairs of a
kit reach 0.41 (95 % of the simulated ones; 0.13 on a real kit), two ears 0.47, a cabinet 0.24 to 0.47, copies
0.57."""

MOVED: Final = 0.1
"""Share of delays that are not where a scene has them: one mic in ten was moved, mistaken or wrongly measured (common
practice, no source); any small share does, since what a scene gains is a factor of hundreds."""

SCENE_LOG_ODDS: Final = (0.53, 1.18)
"""Offset and slope of log odds: fitted to 3,102 delays with a scene's prior (takes of a real kit's development half,
seeds 720 to 725), each told by weights that have not seen its drum, as ``tests/bench/delay/fit_scene.py`` does: of the
reliable ones of other takes 2.4 % are wrong, of (1.3, 0.75) with the same scenes 2.9 %. By the weights that stand now
(1,922 delays, seeds 720 to 723, each told without its drum) 79 % are reliable and 1.3 % of these wrong; a line fitted
anew makes that 90 and 2.0 %."""

RELIABLE: Final = 0.9
"""Probability from which an answer is acted upon."""

HEARD_DB: Final = 6.0
"""Decibels over what sounded just before: less tells nothing of a level; chosen, no source."""

ODD_DB: Final = 5.5
"""Decibels: strokes of one drum stay within 4 of each other on a real kit, those of other drums lie 7 and more off."""

ALIKE_DB: Final = 1.5
"""Decibels: a drum's strokes in a row stay within 2 on a real kit, development half; two drums seldom do."""

LONGER_THAN_A_FILL_S: Final = 1.2
"""Seconds that a run of strokes of one drum lasts: of shorter ones one in 24 held another drum, of longer ones none in
22 (line checks and grooves of a real kit, development half)."""

SCATTER_S: Final = 0.13e-3
"""Seconds: where strokes scatter more, their own differences say less than their sum does."""

ALONE_SURE: Final = (0.91, 0.88, 0.8)
"""Probability of a delay of a source alone: of three hits and more by each stroke and by the sum of all, shares that
were right in line checks of a real kit, development half; of one or two hits, chosen. The first alone is acted
on."""

SAME_PLACE_S: Final = 0.00015
"""Seconds: delays of one place agree within 5 cm of way, and stretches of one clock with its line; chosen, no
source."""

AGREEING: Final = 0.8
"""Share of the tracks asked that must agree on a place; one in five may stray (chosen, no source)."""

RIVAL: Final = 0.85
"""Share of the highest peak: where the next one is higher, another delay fits nearly as well; chosen, no source."""

TASTE: Final = 0.4
"""Share of how far a filter's best sum lies from the delay of all frequencies, part of the sigma: which is meant is
taste."""

WALL: Final = 0.3
"""Share of a path's height: a peak of its own sign beside it that is higher is a wall's and no filter's, which rings
with alternating signs; chosen, no source."""

LEAST_MARGIN: Final = 0.1
"""Share of the highest peak: two copies of either polarity that differ by less are as good as equal; chosen, no
source."""

LEAD_DB: Final = (9.0, 4.0)
"""Decibels by which a source leads all others; the second where the first leaves too few strokes; chosen, no
source."""

STRUCK_DB: Final = 15.0
"""Decibels from ordinary to loud moments: a drum has more, a bass or a voice less; chosen, no source."""

CYMBALS: Final = 1.0
"""Ratio, brightness: hats and rides of a real kit have 1.4, plucked strings and drums less than 0.2."""

HELD_DB: Final = (-20.0, 6.0)
"""Decibels: so loud for itself, and so much louder for itself than any other, a held sound leads; chosen, no
source."""

MOSTLY: Final = 0.6
"""Share of a half-second in which a held sound must lead; chosen, no source."""

CLEARLY: Final = 1.15
"""Ratio to the credit of the next source that the best must have for a stroke to be of its place; chosen, no
source."""

AS_PLANNED: Final = (0.8e-3, 6.0)
"""Seconds, and standard deviations of the scene, within which a delay is as the scene says; the larger holds (common
practice, no source)."""

FAINT_DB: Final = -20.0
"""Decibels: below this a delay that is not where the scene has it is a reflection sooner than a mic that moved; common
practice, no source."""

DROWNED_DB: Final = -40.0
"""Decibels: below this, as in the null of a figure-8, the room is what a mic hears of a source; common practice, no
source."""

LEAST_RISE: Final = 4e-4
"""Share of the peak's energy, -34 dB: where the first wavefronts of a real kit stand clear of its preamps."""

MOST_RISE: Final = 0.05
"""Share of the peak's energy, -13 dB: a higher threshold would miss the first wavefront; chosen, no source."""

CLEAR_RISE: Final = 25.0
"""Ratio to the threshold: so high a rise is no noise any more; chosen, no source."""

CLEARLY_RISEN: Final = 1.4
"""Natural log of power, 6 dB over the 30 ms before: a stroke and no ringing; chosen, no source."""

SOFTEST_DB: Final = -36.0
"""Decibels under the loudest stroke of a track: below, a room answers and pedals squeak."""

CLEAR_POLARITY: Final = 0.4
"""Share: a polarity of a smaller margin is in doubt. Of 280 answers to takes of a real kit (development half) and
simulated ones, seeds 44 and 45, reliable or not, 167 reach it; 7 of these are of the wrong sign, none of them
reliable."""

CAPSULE_SIGMA_S: Final = 0.1e-3
"""Seconds, one sigma of an arrival that a scene predicts: a capsule is not a point and a drum is 36 cm wide (common
practice, no source)."""

SOUND_SIGMA_S: Final = 7e-6
"""Seconds, one sigma: no delay is trusted further; a drum is no point, and its sound no single instant (common
practice, no source)."""

CHANGED: Final = 0.12
"""Share of full likeness by which the correlations of early and late strokes must be more alike at one shift than at
any other and than as they are. Chosen by takes of a real kit (development half, seeds 31 and 33) of which 0.1 and more
tells none that stood still; of others (seeds 35 and 44) it tells 112 of 160 mics that were moved by 0.3 to 4 ms and
none of 320 that were not (``tests/bench/alignment/moved_mics.py``)."""

JUMPED: Final = (0.5, 0.3)
"""Share of full likeness: so alike two parts of a take are one sound, shifted or not, and so much more shifted than as
they are for a jump of the clock (``tests/bench/alignment/jumping_clocks.py``): told of 4 in 256 pairs without one."""

EVENT_WEIGHTS: Final[dict[str, float]] = {
    "novelty0 height": 1.66,
    "stack0 share": 1.63,
    "stack1 share": 1.89,
    "stack1 height": -0.895,
    "novelty3 share": -0.201,
    "novelty4 height": 0.837,
    "stretches height": 2.09,
    "stretches alike": -17,
    "other side's novelties": 1.05,
    "other side's stacks": -1.18,
    "too early": -2.75,
    "gap": 1.63,
    "bright middle": -0.744,
    "bright high": 0.878,
    "close mic": -8.19,
    "path earlier": -6.6,
    "path rival": -4.18,
    "one path": 5.6,
}

ONSET_WEIGHTS: Final[dict[str, float]] = {
    "steep picks": -1.1,
    "low picks": 1.47,
    "lows": 1.25,
    "agreement": 1.72,
    "bright steep picks": 2.82,
    "bright low picks": -3.05,
    "bright lows": -0.317,
    "bright agreement": -0.2,
}

LOG_ODDS: Final[dict[str, tuple[float, ...]]] = {
    "related": (-6.68, 4.45),
    "event": (1.19, 1.68, 3.19),
    "beginning": (6.15, 2.95, 1.14),
    "one path": (1.98, 0.652, 0.686),
}
"""Offset and slopes of log odds by `micalign.tdoa.posterior`: `confidence_of`, its `sureness`, `path_confidence`."""

LOG_SIGMA: Final = (-9.01, 0.946, -0.887)
"""Offset and slopes of the log of seconds, by `micalign.tdoa.posterior.exactness`."""
