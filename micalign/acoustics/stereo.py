"""Where in the image does a stereo pair put each source, and what does its mono sum do to it?

A pair's first mic is taken for the left channel, its second for the right; a difference is that of the second against
the first. The class comes from the geometry; its limits, 5 cm and 40 cm, are common practice, no source.

The image follows a time-and-level trading curve: listening tests of G. Simonsen (master's thesis, Lyngby 1984, as
printed in F. Rumsey, Spatial Audio, 2001: 10, 20 and 30 degrees for 2.5, 5.5 and 15 dB or for 0.20, 0.44 and 1.12 ms;
from memory) with M. Williams' straight trade between the two (AES preprint 2072, 1984). The published figures for
where an image reaches a loudspeaker, as the sum of the two shares, run from 0.85 to 1.01; 0.93 is their middle, and
the spread is the tolerance: 8 degrees of the source's direction, a sixth of the way from centre to loudspeaker.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from micalign.acoustics.arrivals import Arrivals
from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db
from micalign.acoustics.differences import difference_uncertainty_s
from micalign.scene.model import Pair, Scene, Tape

__all__ = [
    "DISAGREES",
    "PairClass",
    "PairGeometry",
    "PairSource",
    "image_percent",
    "pair_geometry",
    "pairs",
]

PairClass = Literal["coincident", "near-coincident", "spaced", "mid-side"]


DISAGREES: Final = 3.5
"""A tape and the positions disagree beyond so many standard deviations of their difference (W. Baarda 1968)."""

_FULL_DB, _FULL_S, _FULL_SHARE = 15.0, 1.12e-3, 0.93
# Shares of full level or time (the mean of both) at which the image stands 0, 10, 20 and 30 of 30 degrees out.
_SHARES: Final = (0.0, 0.173, 0.380, _FULL_SHARE)
_PERCENT: Final = (0.0, 100 / 3, 200 / 3, 100.0)

_COINCIDENT_M, _NEAR_M = 0.05, 0.40


@dataclass(frozen=True, slots=True)
class PairGeometry:
    """How a pair stands: ``angle_degrees`` between the axes, None where a mic looks nowhere."""

    pair: str
    mics: tuple[str, str]
    kind: PairClass
    spacing_m: float
    angle_degrees: float | None


@dataclass(frozen=True, slots=True)
class PairSource:
    """One source in one pair.

    ``image_percent``: -100 at the first mic's loudspeaker, 0 in the middle, +100 at the second's; None where the
    channels are of opposite polarity or the pair is mid-side. ``within_tolerance`` holds ``difference_s`` against the
    pair's tolerance for every source; ``equal_to`` says whether the scene asks for that. Where both ways were measured
    with tapes more closely than the positions are known, the difference and its uncertainty are the tapes'.
    """

    pair: str
    source: str
    difference_s: float
    within_tolerance: bool
    equal_to: bool
    uncertainty_s: float
    distances_m: tuple[float, float]
    level_difference_db: float
    image_percent: float | None
    mono_first_notch_hz: float | None
    mono_notch_depth_db: float | None
    mono_peak_height_db: float


def pair_geometry(scene: Scene, found: Arrivals, pair: Pair) -> PairGeometry:
    """Class, spacing and angle of a pair."""
    a, b = (found.mics.index(name) for name in pair.mics)
    spacing = float(np.linalg.norm(found.mic_m[a] - found.mic_m[b]))
    looks = bool(np.any(found.axes[a]) and np.any(found.axes[b]))
    cosine = float(np.clip(found.axes[a] @ found.axes[b], -1.0, 1.0))
    angle = float(np.degrees(np.arccos(cosine))) if looks else None
    patterns = {scene.mic(name).pattern for name in pair.mics}
    kind: PairClass = (
        "coincident" if spacing <= _COINCIDENT_M else "near-coincident" if spacing <= _NEAR_M else "spaced"
    )
    if kind == "coincident" and len(patterns) == 2 and "figure-8" in patterns:
        kind = "mid-side"
    return PairGeometry(pair.name, pair.mics, kind, spacing, angle)


def image_percent(difference_s: float, level_difference_db: float) -> float:
    """Where an image stands, -100 to 100 percent of the way to the second mic's loudspeaker.

    Parameters
    ----------
    difference_s : float
        Arrival at the second mic minus that at the first; positive pulls to the first.
    level_difference_db : float
        Level at the second mic minus that at the first; positive pulls to the second.

    Examples
    --------
    >>> image_percent(0.0, 0.0), round(image_percent(0.0, 2.5)), image_percent(1.2e-3, 0.0)
    (0.0, 32, -100.0)
    """
    share = level_difference_db / _FULL_DB - difference_s / _FULL_S
    return float(np.sign(share) * np.interp(abs(share), _SHARES, _PERCENT))


def pairs(scene: Scene, found: Arrivals) -> tuple[PairSource, ...]:
    """Every pair with every source."""
    return tuple(_row(scene, found, pair, row) for pair in scene.pairs for row in range(len(found.sources)))


def _row(scene: Scene, found: Arrivals, pair: Pair, row: int) -> PairSource:
    a, b = (found.mics.index(name) for name in pair.mics)
    late = float(found.arrival_s[row, b] - found.arrival_s[row, a])
    level = float(found.blend_db[row, b] - found.blend_db[row, a])
    polarity = 1 if found.sign[row, a] * found.sign[row, b] > 0 else -1
    placed = polarity > 0 and pair_geometry(scene, found, pair).kind != "mid-side"
    sigma = float(difference_uncertainty_s(found, np.array([a]), np.array([b]))[row, 0])
    late, sigma = _by_tapes(scene, found, pair, row, (late, sigma))
    notches = notches_hz(late, polarity=polarity)
    return PairSource(
        pair.name,
        found.sources[row],
        late,
        abs(late) <= pair.tolerance_s,
        found.sources[row] in pair.equal_to,
        sigma,
        (float(found.distance_m[row, a]), float(found.distance_m[row, b])),
        level,
        image_percent(late, level) if placed else None,
        float(notches[0]) if len(notches) else None,
        notch_depth_db(level) if len(notches) or polarity < 0 else None,
        peak_height_db(level),
    )


def _by_tapes(
    scene: Scene, found: Arrivals, pair: Pair, row: int, by_places: tuple[float, float]
) -> tuple[float, float]:
    """Difference and uncertainty by the tapes from a source to both mics, where these are known more closely."""
    lengths = {frozenset(tape.between): tape for tape in scene.tapes}
    tapes = [lengths.get(frozenset((found.sources[row], mic))) for mic in pair.mics]
    first, second = (
        tape if tape and _agrees(found, row, tape, mic) else None for tape, mic in zip(tapes, pair.mics, strict=True)
    )
    if first is None or second is None:
        return by_places
    late = (second.distance_m - first.distance_m) / found.speed_m_s
    in_air = late * found.speed_sigma_m_s / found.speed_m_s
    sigma = float(np.linalg.norm([np.hypot(first.plus_minus_m, second.plus_minus_m) / found.speed_m_s, in_air]))
    return (late, sigma) if sigma < by_places[1] else by_places


def _agrees(found: Arrivals, row: int, tape: Tape, mic: str) -> bool:
    """Whether a tape and the positions may both be right; where not, a rule of its own tells it."""
    column = found.mics.index(mic)
    sigma = np.linalg.norm([tape.plus_minus_m, found.source_sigma_m[row], found.mic_sigma_m[column]])
    return bool(abs(tape.distance_m - found.distance_m[row, column]) <= DISAGREES * sigma)
