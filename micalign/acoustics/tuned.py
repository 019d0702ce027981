"""Every number of this package that was chosen: unit, reason, and who or what set it.

What a standard, a handbook or a definition gives stands where it is used. Where it is common practice without a source,
or arithmetic's own need, the words say so; what else has no reason beside it was set by hand.
"""

from __future__ import annotations

import math
from typing import Final

# What the rules of `micalign.findings` warn of, which placement charges likewise

WORKS_HZ: Final = (50.0, 10_000.0)
"""Hertz, from and to: where a source matters of which the scene does not say it (common practice, no source)."""

CLOSE_M: Final = 0.6
"""Metres: a close mic is no farther from its source. The three-to-one rule is about these; rows of mics farther away
are figures, not failures (common practice, no source)."""

RATIO: Final = 3.0
"""Ratio of distances in the three-to-one rule (L. Burroughs, Microphones: Design and Application, 1974, from
memory)."""

BLEED_DB: Final = 20.0 * math.log10(RATIO)
"""Decibels that `RATIO` is, 9.54: so much weaker a source arrives three times as far away."""

SHARED_M: Final = 1.0
"""Metres: two mics on one source that are both nearer than this are meant to be heard as one sound, so a comb between
them is a fault; farther ones are ambience (common practice, no source)."""

LATE_S: Final = 0.030
"""Seconds: a copy later than this is heard as a second hit (H. Haas, Acustica 1, 49, 1951, from memory)."""

SECOND_HIT_DB: Final = 10.0
"""Decibels: a late copy that much weaker hides behind the first sound (Haas 1951 as for `LATE_S`, from memory)."""

EXCITED: Final = 0.5
"""Share of the pressure in a corner from which a source is said to excite a mode: half of it (common practice, no
source)."""

IN_NULL: Final = 0.1
"""Share of the pressure in a corner below which a mic sits in a mode's null: 20 dB down (common practice, no
source)."""

AHEAD: Final = 0.5
"""Share of the amplitude on the axis that a mic should at least have of its own source: 6 dB down (common practice, no
source)."""

DISAGREES: Final = 3.5
"""Standard deviations of their difference beyond which a tape and the positions disagree: 1 in 2000 for a good tape
(data snooping, W. Baarda 1968)."""

# What is shown of a prediction

MOST_TEETH: Final = 20
"""Count of notches and of peaks that are listed for one comb: those of 1 ms reach 20 kHz."""

COINCIDENT_M: Final = 0.05
"""Metres between the mics of a coincident pair at most: capsules one above the other (common practice, no source)."""

NEAR_COINCIDENT_M: Final = 0.4
"""Metres between the mics of a near-coincident pair at most; a wider one is spaced (common practice, no source)."""

MODES_TO_HZ: Final = 300.0
"""Hertz up to which modes are listed: above the transition of rooms that people record in (common practice, no
source)."""

LOWEST: Final = 10
"""Count of modes, the lowest, of which the strength at each place is given."""

MOST_ORDERS: Final = 100_000
"""Count of mode numbers that are looked through: those of a hall of 30 000 m3 up to 240 Hz, tenfold above where its
modes overlap."""

ON_WALL_M: Final = 0.05
"""Metres: a panel this near to a wall, and parallel to it, covers it: a rug, a curtain, a window."""

PARALLEL: Final = 0.999
"""Ratio, cosine of the angle between a panel and a wall from which they are parallel: 2.6 degrees."""

LEAST_ABSORPTION: Final = 0.01
"""Share of the energy taken at every bounce at least: no real room takes less than 1 %, bare concrete and tiles take 1
to 2 % (handbooks' tables)."""

# The terms of a placement's cost: what one unit of each is

MOVE_UNIT_M: Final = 0.5
"""Metres that a stand is carried: one unit (common practice, no source)."""

DISTANCE_UNIT_M: Final = 0.1
"""Metres out of the wanted range of distances: one unit (common practice, no source)."""

STEREO_UNIT_M: Final = 0.1
"""Metres that a pair's spread, middle or height is off: one unit (common practice, no source)."""

STEREO_UNIT_DEGREES: Final = 10.0
"""Degrees that the angle of a pair's axes is off: one unit (common practice, no source)."""

COMB_UNIT_M: Final = 0.02
"""Metres of way too much between two close mics on one source: one unit (common practice, no source)."""

LATE_UNIT_M: Final = 0.5
"""Metres of way beyond `LATE_S` between two mics on one source: one unit, as of a move (common practice, no source)."""

AHEAD_UNIT: Final = 0.25
"""Share of the axis that a mic's own source is missed by: one unit (common practice, no source)."""

COMB_WITHIN_DB: Final = 6.1
"""Decibels between two mics within which the term counts their comb: the rule speaks from a notch of 6 dB on, which is
6.04 dB apart, and the search must not stop at its edge."""

NOTCH_SPARE: Final = 0.8
"""Share of the way that makes no notch which is used, so that the term for short moves does not stop at its edge."""

SECOND_HIT_KEPT_DB: Final = SECOND_HIT_DB + 0.1
"""Decibels: `SECOND_HIT_DB`, and a little more, so that the search does not stop at the rule's edge."""

NULL_KEPT: Final = 0.13
"""Share of the pressure in a corner that a mic is to have of each mode it needs: 18 dB down, so that the search ends
beyond the rule's `IN_NULL` even after rounding."""

AHEAD_KEPT: Final = 0.52
"""Share of the axis: `AHEAD`, and a little more, so that the search does not stop at the rule's edge."""

CLEARLY: Final = 0.02
"""Share of the axis by which both mics of a pair are to hear a source in one polarity, clear of their nulls."""

OUT_OF_TOLERANCE: Final = (100.0, 1.0)
"""Cost of a pair's worst excess x over its tolerance, in tolerances: the first times x plus the second times x^2. The
worst, not the sum: the best compromise is then the one that a wider tolerance would allow first."""

BROKEN_PER_M: Final = 1000.0
"""Cost of a metre by which a hard limit is broken: 10 for each centimetre, far above any term."""

BODY_M: Final = 0.03
"""Metres: no mic is put nearer to a source, another mic or a wall, for it has a body (common practice, no source)."""

# The search for a placement: arithmetic's own needs, and how much is tried, set by hand

CORNER_M: Final = 5e-4
"""Metres by which the corner of the move's cost is rounded: half a millimetre, less than anybody can place a stand."""

DESCENT_SPARE_M: Final = 5e-4
"""Metres left to keepouts and to the end of a reach in a descent, so that whole millimetres can be found there."""

MOST_STEPS: Final = 80
"""Count of steps after which a descent ends, wherever it is."""

DESCENT_GAIN: Final = 1e-7
"""Cost: the descent ends where a step gains less; costs that matter are a thousand times larger."""

SAMPLES: Final = 6000
"""Count of layouts that are drawn for each group of mics."""

SAMPLES_KEPT: Final = 300
"""Count of the layouts drawn, by what is quick to know of them, whose whole cost is worked out."""

CLOSER: Final = 4
"""Count of ever closer draws, each a quarter as wide, round the least forbidden place: the last is a 64th of the
range."""

SWEEPS: Final = 3
"""Count of times that all groups of mics are gone through again at most; it ends where nothing changes."""

DESCENTS: Final = 8
"""Count of starts that descents are made from."""

AGREE: Final = 4
"""Count of descents that end at the same least cost: so many are proof enough."""

SAME_COST: Final = 1e-4
"""Cost, and share of it, within which two descents ended in the same place."""

FORGIVEN: Final = 1e-3
"""Cost: a charge of less is the optimiser's own rounding, ten millionths of a tolerance."""

ANYWHERE: Final = 16
"""Count of further starts, anywhere, where no descent has ended at an allowed layout."""

STARTS_APART_M: Final = 0.08
"""Metres: starts nearer to each other than this would end in the same place."""

STILL_M: Final = 1e-4
"""Metres: a layout that changes by less from one sweep to the next has settled; a tenth of what is written."""

FREE_COST: Final = 1e-4
"""Cost that putting a mic back where it stood may add and still be called free."""

BARE_MOVE: Final = 0.01
"""Weight of short moves where only what is allowed at all is asked: enough to choose between equals."""

ROUNDS: Final = 6
"""Count of times that each group's neighbours on the written grid are tried."""

WRITTEN_SPARE_M: Final = 1e-6
"""Metres left to a keepout in the written numbers, so that nobody's arithmetic finds a mic inside."""

LEAST_GAIN: Final = 0.005
"""Cost: a gain of less than this, or of less than `LEAST_GAIN_SHARE` of the cost, moves nothing."""

LEAST_GAIN_SHARE: Final = 0.01
"""Share of the cost that a move must gain to be worth a walk to the stand (common practice, no source)."""

BACK_M: Final = 2e-3
"""Metres that tolerances are narrowed by where no written place fits at their very edge: two millimetres, as places are
written."""

LEAST_MOVE_M: Final = 0.01
"""Metres: where everything is allowed already, nothing is moved by less; nobody places a stand more finely."""

ENOUGH_M: Final = 2e-4
"""Metres by which a stretched limit may still be missed and count as enough: a fifth of a written millimetre."""

LEAST_GIVE_M: Final = 1e-3
"""Metres: no limit gives less than what a written position can hold."""

STRETCH_STARTS: Final = 4
"""Count of places from which the least stretch of a limit is looked for: the compromise, and three near it."""

STRETCH_STEPS: Final = 60
"""Count of steps after which the search for a limit's least stretch ends."""

STRETCH_ROUND_M: Final = 0.5
"""Metres round the compromise in which these places are drawn: the way a stand is carried (common practice, no
source)."""

IN_THE_WAY_M: Final = 0.05
"""Metres: walls and keepouts further than this from the best compromise did not keep it from anything."""

# Positions from tapes: set on the random layouts of `tests/bench/acoustics/test_wrong_tapes.py` where a bench is
# named, else by hand

STARTS: Final = 24
"""Count of random starts: a point on three tapes has two sides, so four points have sixteen places together."""

MARGIN_M: Final = 0.10
"""Metres that a point may come out beyond a wall or the floor: tapes are not exact."""

APART_M: Final = 0.03
"""Metres within which two solutions are one: three standard deviations of a usual tape."""

ARRIVED_M: Final = 1e-7
"""Metres: a descent whose steps are shorter has arrived; far below any tape."""

STEPS_AT_FIRST: Final = 12
"""Count of steps for each point that is set up on the tapes to those before it."""

STEPS_AGAIN: Final = 20
"""Count of steps where a descent begins near its end."""

FELT_SIGMAS: Final = 5.0
"""Standard deviations beyond which a tape pulls a point no harder while it is tried from everywhere."""

HUBER_BEND: Final = 2.5
"""Standard deviations from which a tape's weight falls off (P. J. Huber 1964 leaves it open; his usual 1.345 is for
worse data than tapes, from memory)."""

HUBER_ROUNDS: Final = 8
"""Count of times that the weights are set anew."""

PRIOR_M: Final = 3.0
"""Metres, one standard deviation of any free coordinate before a tape is read: about half a room."""

USUAL_SIGMA_M: Final = 0.01
"""Metres, one standard deviation of a tape where none is there to take it from: the scene file's default."""

SUSPECT: Final = 12.0
"""Fall of the misfit without a tape from which it is accused: 3.5 standard deviations, 1 in 2000 for a good tape."""

SURE: Final = 0.75
"""Probability from which a tape is named by itself. In 1,000 fresh layouts 588 were named so, 97 in 100 of them
rightly; from 0.95 on 518 would be, 99 in 100 rightly. Those just above the bar are right about as often as they say."""

LEAST_CHANCE: Final = 0.03
"""Probability below which an explanation is left out."""

AGAIN: Final = 0.9
"""Share of its worth that measuring a tape again keeps: it may be misread in the same way, so another pair is preferred
unless it decides this much less."""

NEGLIGIBLE: Final = 20.0
"""Misfit above the least from which an explanation is 20 000 times less probable, and not looked at."""

SLIP_M: Final = 0.3
"""Metres that a misread tape is off on average: a hand or a foot (common practice, no source); fitted to the bench's
layouts."""

FOLD_M: Final = 0.2
"""Metres of room that an unknown has at most: where spheres only touch, the first order knows no bound (a tape's sigma
of 1 cm at 2 m leaves sqrt(2 x 2 m x 1 cm)). Fitted, as `SLIP_M`, to the bench's layouts."""

MOST_SUSPECTS: Final = 3
"""Count of tapes that are named one after the other at most."""

LEAST_TRIED: Final = 8
"""Count of tapes that are left out in turn at least, however many the unknowns."""

MOST_TRIED: Final = 40
"""Count: of more tapes than these, those that stand out are left out in turn; of fewer where the unknowns are many."""

MOST_UNKNOWNS: Final = 400
"""Count of unknowns times starts in one go, by which long surveys stay within seconds."""

FEW_UNKNOWNS: Final = 12
"""Count of unknowns, four points', up to which each tape left out is tried from fresh starts too."""

FRESH: Final = 24
"""Count of fresh starts for each tape that is left out."""

MOST_FURTHER: Final = 4
"""Count of further distances that are asked for at most: from none, three leave two sides and a fourth tells them
apart."""

MOST_ANCHORS: Final = 8
"""Count of known points, the nearest first, that they may start from: of three out of eight there are 56."""

MOST_PLACES: Final = 5
"""Count of places where the point may be for which a set of distances is tried."""

MOST_SETS: Final = 3
"""Count of sets of each size, the surest first, that are tried."""

FITS_SIGMAS: Final = 4.0
"""Standard deviations within which a place agrees with the tapes: 1 in 16 000 lies beyond."""

HANDFUL: Final = 8
"""Count of points beyond which one or another may end on the wrong side from every common start."""

ON_PLANE_M: Final = 0.02
"""Metres: a point this near to a plane is on no side of it."""

UNFIXED_M: Final = 0.25
"""Metres: a point less certain than this counts as not fixed (common practice, no source)."""

MOST_HELPED: Final = 8
"""Count of open points of which it is said what would fix them: half a second each."""

MOST_CANDIDATES: Final = 8
"""Count of different solutions that are looked at, the best first."""

ALSO_FITS: Final = 9.0
"""Misfit above the least within which another solution fits as well: three standard deviations."""

JUST_BEYOND_M: Final = 0.1
"""Metres: a place that little beyond a wall is moved to it, since tapes are not exact and walls are."""

OTHER_PLACE_M: Final = 0.05
"""Metres, and `OTHER_PLACE_RADII` radii, from which a second solution is another place for a point."""

OTHER_PLACE_RADII: Final = 4.0
"""Ratio of that distance to the radius that holds the true place in 68 of 100 cases."""

MOVED_M: Final = 1e-3
"""Metres from which a point's place differs between two explanations: a millimetre, as it is written."""

# First scenes

CLOSE_GAIN_DB: Final = -14.0
"""Decibels by which a mic close to a drum is pulled down to sit with the overheads (common practice, no source)."""

LEAST_GAP_M: Final = 0.6
"""Metres: nearer than this two players do not sit."""

WALL_GAP_M: Final = 0.3
"""Metres: nearer to a wall no drum follows the others."""

OFF_MIDDLE: Final = (0.46, 0.55)
"""Share of the room's width and depth where a first scene stands: about the middle, a little off it, for in the very
middle every second mode of the room has its null."""

GUESSED_SOURCE_M: Final = 0.15
"""Metres, one sigma of each coordinate of a usual place: a real kit's drums are off by that (root mean square, the two
kits turned and laid over each other). Of 12 sound takes of it (development half), with four mics and with six,
18 of 24 hold a clear delay: at 1 cm `compare` finds a fault in all of them or leaves them unexplained, with these three
sigmas in 4 (the kick mic's polarity, which nobody knows, left aside)."""

GUESSED_MIC_M: Final = 0.3
"""Metres, one sigma: as that, of a mic on a stand of its own; the real kit's overheads are 0.4 m off, mostly lower.
At 0.4 m it is 4 as well."""

GUESSED_CLOSE_M: Final = 0.1
"""Metres, one sigma: as that, of a close mic, which goes with its source: 0.08 m off there. At 0.15 m it is 6, two of
them with the mics of two drums called swapped."""

USUAL_GAP_M: Final = 1.2
"""Metres between players side by side where the room is wide enough (common practice, no source)."""

USED_WIDTH: Final = 0.8
"""Share of the room's width that players side by side take at most."""

RUG_M: Final = 2.4
"""Metres that the rug under a kit is wide at most (common practice, no source)."""

RUG_TAKES: Final = 0.6
"""Share of the energy that a thick rug over felt takes, so that the overheads hear the floor 4 dB weaker (common
practice, no source)."""
