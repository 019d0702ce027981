"""What happens when a sound is added to a later copy of itself, which comb is that between two mics, and in a pair?

The sum 1 + p g exp(-j 2 pi f t) of a signal and its copy, t seconds later, g as strong, of polarity p: where it
cancels (notches), where it adds (peaks), how deep and how high against the louder one alone. Frequencies in hertz,
levels in dB. Source: F. A. Everest and K. C. Pohlmann, Master Handbook of Acoustics, chapter 10: spacing 1/t, first
null 1/(2t), peaks of +6 dB for two of equal level.

In a scene: every source and every unordered pair of mics, the first of a pair being the one that stands first.
A difference is the arrival at the second minus that at the first; a level difference likewise, both mics at their
``gain_db``. Uncertainties are one standard deviation, first order; a notch's range is where it lies for a difference
one standard deviation shorter and longer.

A DI takes the signal before the air: it arrives after its own latency alone, and the mics on the same source after
the sound has travelled. Its difference is the arrival at the mic minus that at the DI, so that a positive one says how
much later the DI must go to meet the mic. Its level against a mic depends on gains that no scene holds, so the
comb's teeth are given and its depth is not. A cabinet's or a pickup's own delay is not in it.

A stereo pair's first mic is taken for the left channel, its second for the right. The class comes from the geometry;
its limits, 5 cm and 40 cm, are common practice, no source.

The image follows a time-and-level trading curve: listening tests of G. Simonsen (master's thesis, Lyngby 1984, as
printed in F. Rumsey, Spatial Audio, 2001: 10, 20 and 30 degrees for 2.5, 5.5 and 15 dB or for 0.20, 0.44 and 1.12 ms;
from memory) with M. Williams' straight trade between the two (AES preprint 2072, 1984). The published figures for
where an image reaches a loudspeaker, as the sum of the two shares, run from 0.85 to 1.01; 0.93 is their middle, and
the spread is the tolerance: 8 degrees of the source's direction, a sixth of the way from centre to loudspeaker.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, overload

import numpy as np

from micalign.acoustics.arrivals import Arrivals, floored_db
from micalign.acoustics.tuned import COINCIDENT_M, DISAGREES, MOST_TEETH, NEAR_COINCIDENT_M
from micalign.arrays import Bools, Floats, Ints
from micalign.scene.model import Di, Pair, Tape
from micalign.scene.scene import Scene
from micalign.units import AUDIBLE_HZ, amplitude_from_db

__all__ = [
    "AUDIBLE_HZ",
    "DiDifference",
    "Difference",
    "PairClass",
    "PairGeometry",
    "PairSource",
    "di_differences",
    "differences",
    "first_notch_range_hz",
    "image_percent",
    "notch_depth_db",
    "notches_hz",
    "pair_geometry",
    "pairs",
    "peak_height_db",
    "peaks_hz",
    "response_db",
]

PairClass = Literal["coincident", "near-coincident", "spaced", "mid-side"]

_FULL_DB, _FULL_S, _FULL_SHARE = 15.0, 1.12e-3, 0.93
"""Decibels, seconds, share of either at which an image reaches a loudspeaker (Simonsen, Williams: see above)."""

# Shares of full level or time (the mean of both) at which the image stands 0, 10, 20 and 30 of 30 degrees out.
_SHARES: Final = (0.0, 0.173, 0.380, _FULL_SHARE)
_PERCENT: Final = (0.0, 100 / 3, 200 / 3, 100.0)  # of the way to the loudspeaker, which stands 30 degrees out


def notches_hz(delay_s: float, *, polarity: int = 1, upper_hz: float = AUDIBLE_HZ) -> Floats:
    """Frequencies at which the two cancel, up to ``upper_hz``.

    Odd multiples of 1/(2 delay) for copies of one polarity; 0, 1/delay, 2/delay ... where one is inverted (the
    deepest bass goes first). None at all where the two arrive together.

    Parameters
    ----------
    delay_s : float
        Of one copy against the other, seconds; its sign does not matter.
    polarity : int
        -1 where one of the two is inverted.
    upper_hz : float

    Returns
    -------
    ndarray of float64, shape (N,)
        Hertz, the lowest first.

    Examples
    --------
    >>> notches_hz(0.001, upper_hz=3000.0)
    array([ 500., 1500., 2500.])
    >>> notches_hz(0.001, polarity=-1, upper_hz=3000.0)
    array([   0., 1000., 2000., 3000.])
    """
    return _teeth(abs(delay_s), 0.5 if polarity > 0 else 0.0, upper_hz)


def first_notch_range_hz(delay_s: float, uncertainty_s: float) -> tuple[float, float | None]:
    """Where the first notch lies for a delay one standard deviation longer and shorter, both copies of one polarity.

    The upper end is None where the delay may be zero.

    >>> [round(end) for end in first_notch_range_hz(0.0045, 0.0005)], first_notch_range_hz(0.001, 0.001)
    ([100, 125], (250.0, None))
    """
    delay = abs(delay_s)
    return 0.5 / (delay + uncertainty_s), 0.5 / (delay - uncertainty_s) if delay > uncertainty_s else None


def peaks_hz(delay_s: float, *, polarity: int = 1, upper_hz: float = AUDIBLE_HZ) -> Floats:
    """Frequencies above 0 Hz at which the two add, up to ``upper_hz``.

    Parameters
    ----------
    delay_s, polarity, upper_hz
        As for `notches_hz`.

    Returns
    -------
    ndarray of float64, shape (N,)
        Hertz, the lowest first.

    Examples
    --------
    >>> peaks_hz(0.001, upper_hz=3000.0), peaks_hz(0.001, polarity=-1, upper_hz=3000.0)
    (array([1000., 2000., 3000.]), array([ 500., 1500., 2500.]))
    """
    return _teeth(abs(delay_s), 1.0 if polarity > 0 else 0.5, upper_hz)


def _teeth(delay_s: float, first: float, upper_hz: float) -> Floats:
    # The hair's breadth keeps a tooth that lies on the upper limit itself.
    count = int(np.floor(upper_hz * delay_s * (1 + 1e-12) - first)) + 1 if delay_s > 0 else 0
    teeth: Floats = (np.arange(max(count, 0), dtype=np.float64) + first) / (delay_s or 1.0)
    return teeth


@overload
def notch_depth_db(level_difference_db: float) -> float: ...
@overload
def notch_depth_db(level_difference_db: Floats) -> Floats: ...
def notch_depth_db(level_difference_db: float | Floats) -> float | Floats:
    """How far the sum falls in a notch, against the louder one alone; 0 or less, `FLOOR_DB` for full cancellation.

    >>> round(notch_depth_db(6.0), 2), notch_depth_db(0.0)
    (-6.04, -200.0)
    """
    return _floored(1.0 - _weaker(level_difference_db), level_difference_db)


@overload
def peak_height_db(level_difference_db: float) -> float: ...
@overload
def peak_height_db(level_difference_db: Floats) -> Floats: ...
def peak_height_db(level_difference_db: float | Floats) -> float | Floats:
    """How far the sum rises in a peak, against the louder one alone; 0 to 6.02 dB.

    >>> round(peak_height_db(0.0), 3), round(peak_height_db(-6.0), 2)
    (6.021, 3.53)
    """
    return _floored(1.0 + _weaker(level_difference_db), level_difference_db)


def _weaker(level_difference_db: float | Floats) -> Floats:
    ratio: Floats = amplitude_from_db(-np.abs(np.asarray(level_difference_db, dtype=np.float64)))
    return ratio


def _floored(ratio: Floats, asked: float | Floats) -> float | Floats:
    level = floored_db(ratio)
    return level if isinstance(asked, np.ndarray) else float(level)


def response_db(frequency_hz: Floats, delay_s: float, *, level_difference_db: float = 0.0, polarity: int = 1) -> Floats:
    """Level of the sum over frequency, against the louder one alone, dB.

    Parameters
    ----------
    frequency_hz : array
    delay_s, level_difference_db : float
        Of one copy against the other; their signs do not matter.
    polarity : int
        -1 where one of the two is inverted.

    Examples
    --------
    >>> np.round(response_db(np.array([0.0, 250.0, 1000.0]), 0.001), 2)
    array([6.02, 3.01, 6.02])
    """
    weaker = polarity * amplitude_from_db(-abs(level_difference_db))
    summed = np.abs(1.0 + weaker * np.exp(-2j * np.pi * np.asarray(frequency_hz, dtype=float) * delay_s))
    return floored_db(summed)


@dataclass(frozen=True, slots=True)
class Difference:
    """One source at two mics.

    ``polarity`` is -1 where one of the two arrives inverted (its own polarity or a rear lobe); then the first notch
    lies at 0 Hz. ``first_notch_hz`` is None where no notch lies below 20 kHz; ``first_notch_range_hz`` holds it for
    a difference one standard deviation longer and shorter (None for the upper end where the difference may be zero).
    ``notch_depth_db`` is None where there is no notch.
    """

    source: str
    mics: tuple[str, str]
    difference_s: float
    uncertainty_s: float
    level_difference_db: float
    polarity: int
    first_notch_hz: float | None
    first_notch_uncertainty_hz: float | None
    first_notch_range_hz: tuple[float, float | None] | None
    notches_hz: tuple[float, ...]
    peaks_hz: tuple[float, ...]
    notch_depth_db: float | None
    peak_height_db: float


def differences(found: Arrivals, *, wanted: Bools | None = None) -> tuple[Difference, ...]:
    """The differences of a scene, source by source, pair by pair in the order of the file.

    ``wanted``, shape (S, M), leaves out the rows of a source in which one of the two mics is not wanted.
    """
    first, second = np.triu_indices(len(found.mics), 1)
    shown = np.ones((len(found.sources), len(first)), dtype=bool)
    if wanted is not None:
        shown = wanted[:, first] & wanted[:, second]
        kept = shown.any(axis=0)
        first, second, shown = first[kept], second[kept], shown[:, kept]
    late = found.arrival_s[:, second] - found.arrival_s[:, first]
    sigma = difference_uncertainty_s(found, first, second)[shown]
    level = (found.blend_db[:, second] - found.blend_db[:, first])[shown]
    same = (found.sign[:, second] * found.sign[:, first] > 0)[shown]
    late = late[shown]
    notches, notch_count = _first_teeth(late, np.where(same, 0.5, 0.0))
    peaks, peak_count = _first_teeth(late, np.where(same, 1.0, 0.5))
    row, column = np.nonzero(shown)
    columns = zip(
        [found.sources[index] for index in row.tolist()],
        [(found.mics[first[index]], found.mics[second[index]]) for index in column.tolist()],
        *(array.tolist() for array in (late, sigma, level, same)),
        _cut(notches, notch_count),
        _cut(peaks, peak_count),
        *(array.tolist() for array in (notch_depth_db(level), peak_height_db(level))),
        strict=True,
    )
    return tuple(_row(*column) for column in columns)


def difference_uncertainty_s(found: Arrivals, first: Ints, second: Ints) -> Floats:
    """One standard deviation of each difference, shape (S, P).

    A shift of the source by u changes the difference by its part along the two ways' directions, apart for mics on
    opposite sides and the same for mics on one; each mic adds its own share along its way, the air in proportion.
    """
    way = found.source_m[:, None, :] - found.mic_m[None, :, :]
    unit = way / np.maximum(found.distance_m, 1e-9)[..., None]
    apart = np.sum((unit[:, second] - unit[:, first]) ** 2, axis=-1)
    mics = found.mic_sigma_m[first] ** 2 + found.mic_sigma_m[second] ** 2
    variance = (apart * found.source_sigma_m[:, None] ** 2 + mics) / found.speed_m_s**2
    late = found.arrival_s[:, second] - found.arrival_s[:, first]
    sigma: Floats = np.sqrt(variance + (late * found.speed_sigma_m_s / found.speed_m_s) ** 2)
    return sigma


def _first_teeth(late: Floats, start: Floats) -> tuple[Floats, Ints]:
    """The first teeth of every comb, and how many of them lie in the audible band."""
    delay = np.abs(late)
    count = np.floor(AUDIBLE_HZ * delay * (1 + 1e-12) - start) + 1
    shown = np.where(delay > 0, np.clip(count, 0, MOST_TEETH), 0).astype(np.intp)
    index = start[..., None] + np.arange(MOST_TEETH)
    return index / np.maximum(delay, 1e-30)[..., None], shown


def _cut(teeth: Floats, count: Ints) -> list[tuple[float, ...]]:
    # To the thousandth of a hertz: many thousand rows are printed, none of them known that well.
    rows = np.round(teeth.reshape(-1, MOST_TEETH), 3).tolist()
    return [tuple(row[:number]) for row, number in zip(rows, count.ravel().tolist(), strict=True)]


def _row(
    source: str,
    mics: tuple[str, str],
    late: float,
    sigma: float,
    level: float,
    same: bool,
    notches: tuple[float, ...],
    peaks: tuple[float, ...],
    depth: float,
    height: float,
) -> Difference:
    first = notches[0] if notches else None
    known = first is not None and same
    return Difference(
        source,
        mics,
        late,
        sigma,
        level,
        1 if same else -1,
        first,
        sigma / (2 * late * late) if known else None,
        first_notch_range_hz(late, sigma) if known else None,
        notches,
        peaks,
        depth if first is not None or not same else None,
        height,
    )


@dataclass(frozen=True, slots=True)
class DiDifference:
    """A DI against a mic that takes the same source."""

    di: str
    mic: str
    source: str
    difference_s: float
    uncertainty_s: float
    polarity: int
    first_notch_hz: float | None
    notches_hz: tuple[float, ...]


def di_differences(scene: Scene, found: Arrivals) -> tuple[DiDifference, ...]:
    """Each DI against each mic that is on its source; against every mic where none is."""
    return tuple(row for di in scene.dis for row in _rows(scene, found, di))


def _rows(scene: Scene, found: Arrivals, di: Di) -> Iterator[DiDifference]:
    row = found.sources.index(di.of)
    own = [mic.name for mic in scene.mics if di.of in mic.on]
    for name in own or found.mics:
        column = found.mics.index(name)
        late = float(found.arrival_s[row, column]) - di.latency_s
        polarity = 1 if found.sign[row, column] * di.polarity > 0 else -1
        teeth = tuple(notches_hz(late, polarity=polarity).tolist()[:MOST_TEETH])
        sigma = float(found.uncertainty_s[row, column])
        yield DiDifference(di.name, name, di.of, late, sigma, polarity, teeth[0] if teeth else None, teeth)


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
        "coincident" if spacing <= COINCIDENT_M else "near-coincident" if spacing <= NEAR_COINCIDENT_M else "spaced"
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
    return tuple(_pair_row(scene, found, pair, row) for pair in scene.pairs for row in range(len(found.sources)))


def _pair_row(scene: Scene, found: Arrivals, pair: Pair, row: int) -> PairSource:
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
    """Whether a tape and the positions may both be right; where not, a rule of its own says so."""
    column = found.mics.index(mic)
    sigma = np.linalg.norm([tape.plus_minus_m, found.source_sigma_m[row], found.mic_sigma_m[column]])
    return bool(abs(tape.distance_m - found.distance_m[row, column]) <= DISAGREES * sigma)
