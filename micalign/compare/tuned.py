"""Every number of comparing, line checks and finding mics that somebody chose: unit, reason, and what set it.

Held by ``tests/compare``; odds and evidence are natural logarithms.
"""

from __future__ import annotations

from typing import Final

ALIVE_DB: Final = 30.0
"""Decibels from a line's noise floor to its loudest peak, from which on it is not dead, whatever it missed: hiss peaks
15 dB over its level, hum 3 (closed forms)."""

AROUND_S: Final = 3.0
"""Seconds beside a line check that are read with it: its noise is known from them (chosen, no source)."""

AWAY: Final = 3.0
"""Standard deviations from what is predicted from which on a delay is off (common practice, three sigma)."""

BELIEFS_M: Final = (0.2, 0.5)
"""Metres that stands go, one sigma of either belief: bumped, or carried (chosen, no source)."""

BLEED_S: Final = 1.2e-3
"""Seconds, one sigma: a close mic hears another drum, 36 cm wide, past shells and heads. In line checks of a real kit
(development half, seeds 0 and 1) 42 clear arrivals lie 0.73 ms (root mean square) off its fitted places, 1.8 at most,
and those of one source err together."""

BLIND_C: Final = 20.0
"""Degrees Celsius: a take that leaves so much open says nothing of the temperature (chosen, no source)."""

CHECKED_CHANCE: Final = 0.05
"""Probability of what is left over below which hits are tried with other sources (common practice, one in twenty)."""

CLEAR_MARGIN: Final = 0.5
"""Share, 0 to 1: how clear a polarity must be to vote (chosen, no source)."""

CLEAR_PLACES: Final = 0.5
"""Share of tracks that hear a group of one place clearly: 0.7 to 1 in single hits of simulated rooms, 0.15 to 0.3 in
grooves of a real kit (development half); between them."""

COARSE_S: Final = (1e-3, 3e-4, 1e-4, 3e-5, 0.0, 0.0, 0.0)
"""Seconds, one sigma added to every delay in each round of a fit, so that a wrong start is drawn in (chosen, no
source)."""

DISTINCT: Final = 12.0
"""Misfit, chi-square, by which a further solution may be worse than the best: 3.5 standard deviations."""

EARLIER_S: Final = 0.15e-3
"""Seconds, 5 cm, by which a line must hear a source before the source's own for it to be late (chosen, no source)."""

EARLIER_Z: Final = 4.0
"""Standard deviations by which it must (chosen, no source)."""

EXPLAINED_SHARE: Final = 0.7
"""Share of what was heard that must be no stray for a take to be explained (chosen, no source)."""

FAR_M: Final = 1.0
"""Metres: a stand may have been bumped; that it is off by more than this, and costs more than `PLAN_COST`, is doubted
(chosen, no source)."""

FLAT_M: Final = 0.03
"""Metres of spread below which points lie in one plane or line (chosen, no source)."""

GAIN: Final = (0.0, 6.0, 8.0)
"""Natural log of odds that the first, second and third cause must gain, beyond their priors (chosen, no source)."""

GAIN_NAMED: Final = 3.0
"""Natural log of odds, a factor of 20, that a cause must gain which sends somebody to one mic, line or source. Of 60
simulated kits with a planted fault all but 1 are told rightly with it and 58 without; asked of the temperature too, 55.
In grooves of a real kit (development half, 16 takes) nothing is named at 1.6 and 4 times the odds that is in its
place."""

HEARD_DB: Final = 6.0
"""Decibels over what sounded before, from which on a line hears a source (chosen, no source)."""

LATENCY_SIGMA_S: Final = 0.3e-3
"""Seconds, one sigma of a DI's way: a pickup or a cab stands a few centimetres from where the sound seems to come from
(chosen, no source)."""

LATE_LINE: Final = 3.0
"""Ratio by which a DI is likelier late than a mic: its converter or plug-in delays it, and no reflection can (chosen,
no source)."""

LATE_S: Final = 3e-3
"""Seconds, one sigma, that a line may be late by: a converter or a plug-in (chosen, no source)."""

LEAST_CHANCE: Final = 0.05
"""Probability: a place less probable than this is left out (chosen, no source)."""

LEAST_FREEDOM: Final = 2
"""Count of arrivals to spare from which on one is left out: of one alone nobody can say which of all is the stray."""

LEAST_LEFT_CHANCE: Final = 1e-3
"""Probability of what is left over below which no place is reliable (common practice, one in a thousand)."""

LEAST_REDUNDANCY: Final = 0.02
"""Share of an arrival's error that it leaves over itself, 0 to 1, below which nothing else checks it (chosen, no
source)."""

LEAST_STEP: Final = 1.0
"""Misfit, chi-square, by which another labelling must be better to be taken (chosen, no source)."""

LOG_PRIOR: Final = {
    "swapped": -3.0,
    "moved": -2.0,
    "temperature": -2.0,
    "late": -4.0,
    "source moved": -4.0,
    "units": -5.0,
}
"""Natural log of how likely a cause is before the take is heard, shared among the things it may concern (chosen, no
source)."""

LOOSE_M: Final = 0.10
"""Metres, one sigma: a place less certain than this is not to be acted on (common practice, no source)."""

MATTERS_M: Final = 0.03
"""Metres: a stand that is off by less is as planned (common practice, no source)."""

MOST_FURTHER: Final = 4
"""Count of further hits that are asked for at the most (chosen, no source)."""

MOST_STEPS: Final = 8
"""Count of steps from one labelling to another that are taken at the most (chosen, no source)."""

MOST_STRAYS: Final = 0.2
"""Share of arrivals left out above which a result is doubted (chosen, no source)."""

MOST_STRAYS_TO_SPARE: Final = 2
"""Count of arrivals that must still check the places for each that was left out (chosen, no source)."""

MOVES_M: Final = (0.05, 0.2)
"""Metres that a moved stand may have gone, one sigma: bumped, or put elsewhere (chosen, no source)."""

NEVER_S: Final = 0.05
"""Seconds: what a group that a DI cannot hear is off by (chosen, no source)."""

OPEN_C: Final = 20.0
"""Degrees Celsius: a thermometer that is off by more stands in another building (chosen, no source)."""

OUTSIDE_COST: Final = 1e4
"""Cost of a place outside the room, in sigmas squared: more than any arrivals can outweigh (chosen, no source)."""

PLAN_COST: Final = 16.3
"""Misfit, chi-square of three coordinates, that one mic in a thousand has to its plan; what is further off was carried
away, and costs no more."""

PLAN_LIMIT_S: Final = 2e-3
"""Seconds, 69 cm: beyond, a plan explains no hit (chosen, no source)."""

PLAN_SIGMA_S: Final = 1e-3
"""Seconds, 34 cm: what a plan of places is off by as a rule (chosen, no source)."""

REACH_M: Final = 4.0
"""Metres beyond the points that were hit in which mics are looked for where no room is known (chosen, no source)."""

RIVAL: Final = 3.0
"""Natural log of odds, a factor of 20: causes within this much evidence of the best are named beside it (chosen, no
source)."""

ROOM_SHARES: Final = (1.5, 1.0, 0.5, 0.25, 0.1, 0.0, 0.0)
"""Share of what the beliefs leave open of each delay, added to its sigma in each round of a fit that begins with all of
it (chosen, no source)."""

SAME_GROUP_S: Final = 50e-6
"""Seconds, 17 mm of path, by which all tracks tell two groups of one place alike (chosen, no source)."""

SAME_M: Final = 0.03
"""Metres within which two places found are one (chosen, no source)."""

SAME_TRACKS: Final = 3
"""Count of tracks that must hear two groups alike: two alone do from everywhere on a hyperboloid."""

SAME_SOLUTION_M: Final = 0.05
"""Metres within which two solutions are one (chosen, no source)."""

SEEN_C: Final = 2.0
"""Degrees Celsius from which on it is said how wrong the temperature may be (chosen, no source)."""

SHOWN_SHARE: Final = 0.35
"""Share of the largest part of a move from which on a direction is named (chosen, no source)."""

STARTS_M: Final = (0.15, 0.45)
"""Metres about the planned place at which the search for a moved thing begins (chosen, no source)."""

START_SIGMA_S: Final = 60e-6
"""Seconds: a start fits to this; the points' own centimetres are left for the refinement (chosen, no source)."""

STRAY_CHANCE: Final = 0.05
"""Probability that a delay is a stray: a reflection taken for the direct sound, or too weak a sound (chosen, no
source)."""

STRAY_COST: Final = 4.5**2
"""Cost of an arrival that is left out, as much as the worst that is kept: sigmas, squared."""

STRAY_SHARE: Final = 0.25
"""Share of a mic's arrivals that may be strays (chosen, no source)."""

STRAY_SIGMAS: Final = 4.5
"""Standard deviations from which on an arrival is a stray: one in 150,000 is more by chance."""

SURE_LIMIT_S: Final = 0.3e-3
"""Seconds, 10 cm of path: once places are found a group is assigned so, since its points and delays are known
better."""

SWAPPED_DB: Final = 12.0
"""Decibels by which two lines hear each other's source louder than their own, both together (chosen, no source)."""

TARGET_M: Final = 0.02
"""Metres, one sigma, that further hits are to bring a place to (chosen, no source)."""

TEMPERATURE_C: Final = 10.0
"""Degrees Celsius, one sigma, that a temperature may be wrong by (chosen, no source)."""

VOTERS: Final = 3
"""Count of lines that must hear a source clearly before one of them is called inverted: of two no one is the odd
one."""

WALL_M: Final = 0.3
"""Metres from a wall or a mic within which nobody is asked to clap (chosen, no source)."""
