"""Every number of finding mics that somebody chose: unit, reason, and what set it.

Held by ``tests/locate``.
"""

from __future__ import annotations

from typing import Final

DISTINCT: Final = 12.0
"""Misfit, chi-square, by which a further solution may be worse than the best: 3.5 standard deviations."""

FAR_FROM_PLAN: Final = 5.0
"""Standard deviations from the planned place above which a place found is doubted (chosen, no source)."""

FAR_M: Final = 1.0
"""Metres: a stand may have been bumped; that it is off by more than this, and by more than `FAR_FROM_PLAN`, is doubted
(chosen, no source)."""

FLAT_M: Final = 0.03
"""Metres of spread below which points lie in one plane or line (chosen, no source)."""

LOOSE_M: Final = 0.10
"""Metres, one sigma: a place less certain than this is not to be acted on (common practice, no source)."""

MOST_FURTHER: Final = 4
"""Count of further hits that are asked for at the most (chosen, no source)."""

MOST_STRAYS: Final = 0.2
"""Share of arrivals left out above which a result is doubted (chosen, no source)."""

OUTSIDE_COST: Final = 1e4
"""Cost of a place outside the room, in sigmas squared: more than any arrivals can outweigh (chosen, no source)."""

PLAN_LIMIT_S: Final = 2e-3
"""Seconds, 69 cm: beyond, a plan explains no hit (chosen, no source)."""

PLAN_SIGMA_S: Final = 1e-3
"""Seconds, 34 cm: what a plan of places is off by as a rule (chosen, no source)."""

REACH_M: Final = 4.0
"""Metres beyond the points that were hit in which mics are looked for where no room is known (chosen, no source)."""

SAME_M: Final = 0.05
"""Metres within which two solutions are one (chosen, no source)."""

START_SIGMA_S: Final = 60e-6
"""Seconds: a start fits to this; the points' own centimetres are left for the refinement (chosen, no source)."""

STRAY_COST: Final = 4.5**2
"""Cost of an arrival that is left out, as much as the worst that is kept: sigmas, squared."""

STRAY_SHARE: Final = 0.25
"""Share of a mic's arrivals that may be strays (chosen, no source)."""

STRAY_SIGMAS: Final = 4.5
"""Standard deviations from which on an arrival is a stray: one in 150,000 is more by chance."""

SURE_LIMIT_S: Final = 0.3e-3
"""Seconds, 10 cm of path: once places are found a group is assigned so, since its points and delays are known
better."""

TARGET_M: Final = 0.02
"""Metres, one sigma, that further hits are to bring a place to (chosen, no source)."""

WALL_M: Final = 0.3
"""Metres from a wall or a mic within which nobody is asked to clap (chosen, no source)."""
