"""Does the delay between two tracks change once within the take, as of a mic that was moved?

Each of the near track's own strokes is correlated with the far track (`micalign.tdoa.evidence`). Added up before a
moment and after it, the strokes of a mic that stands still give one and the same curve: direct sound, lobes and room.
After a move the curve is there again, some lags away. So the two sums are correlated with each other: where they are
more alike at one shift than as they are and than at any other, the delay has changed, by that shift. Which delay is
the true one is not asked: a curve of several peaks tells a change as well as one of a single peak, and other strokes
after the moment than before, as of a song's next part, make the two unlike at every shift.

A change is positive where the events come later in the far track after it than before. Times are seconds on the take's
clock.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Floats, cross_spectrum, fast_length
from micalign.tdoa import tuned
from micalign.tdoa.evidence import each_correlated
from micalign.tdoa.hypotheses import ANSWERS_S
from micalign.tdoa.posterior import MEMBER_S
from micalign.tdoa.spectra import irfft, rfft
from micalign.tdoa.strokes import FEWEST, Listened

__all__ = ["DelayChange", "Steadiness", "change_between"]


@dataclass(frozen=True, slots=True)
class DelayChange:
    """By how much the delay changes, and between which two strokes of the near track, in seconds.

    ``is_one``: it changes there and nowhere else. ``along_ppm``: it changes by so many microseconds each second all
    along instead, as clocks run apart; None where it does not.
    """

    by_s: float
    before_s: float
    after_s: float
    is_one: bool = True
    along_ppm: float | None = None

    @property
    def at_s(self) -> float:
        """The middle of the two."""
        return (self.before_s + self.after_s) / 2


@dataclass(frozen=True, slots=True)
class Steadiness:
    """How alike the sums before and after the likeliest moment are, 0 to 1, as they are and at the best shift.

    ``change`` is None where the delay is not surely another one after it.
    """

    as_it_is: float
    shifted: float
    change: DelayChange | None

    @property
    def is_steady(self) -> bool:
        """Whether it is clear that nothing changes."""
        return self.change is None and self.as_it_is >= tuned.JUMPED[0]


def change_between(near: Listened, far: Listened, *, centre_s: float = 0.0) -> Steadiness | None:
    """Whether the delay of the far track against the near one changes within the take; None of too few strokes.

    Parameters
    ----------
    near, far : Listened
        Of one rate; the near track's own strokes are looked at.
    centre_s : float
        About where the delay lies, seconds.

    Examples
    --------
    >>> from micalign.take.tracks import Track
    >>> from micalign.tdoa.strokes import listen
    >>> rng = np.random.default_rng(1)
    >>> claps = [rng.standard_normal(400) * np.exp(-np.arange(400) / 60) for _ in range(9)]
    >>> near, far = np.zeros(56_000), np.zeros(56_000)
    >>> for k, clap in enumerate(claps):
    ...     late = 6000 * k + (20 if k < 5 else 60)
    ...     near[6000 * k + 100 : 6000 * k + 500], far[late + 100 : late + 500] = clap, clap
    >>> tracks = [listen(Track.from_array(name, sound, 8000)) for name, sound in (("near", near), ("far", far))]
    >>> found = change_between(*tracks).change
    >>> round(found.by_s, 4), round(found.at_s, 1), found.is_one
    (0.005, 3.4, True)
    """
    if any(one.envelope.silent for one in (near, far)) or np.sum(near.strokes.weight > 0) < 2 * FEWEST:
        return None
    rate = near.sample_rate
    middle, reach = round(centre_s * rate), round(ANSWERS_S * rate)
    each = each_correlated(near, far, np.arange(middle - reach, middle + reach + 1))
    each *= np.sqrt(near.strokes.weight[near.strokes.weight > 0])[:, None]
    whole = _likeliest(each, rate)
    if not whole.is_change:
        return Steadiness(whole.as_it_is, whole.shifted, None)
    parts = [_likeliest(part, rate) for part in (each[: whole.first], each[whole.first :]) if len(part) >= 2 * FEWEST]
    times_s = near.first_wavefronts / rate + near.start_s
    along_ppm = _along_ppm(each, times_s, whole, rate)
    is_one = along_ppm is None and not any(part.is_change for part in parts)
    change = DelayChange(whole.by_s, float(times_s[whole.first - 1]), float(times_s[whole.first]), is_one, along_ppm)
    return Steadiness(whole.as_it_is, whole.shifted, change)


@dataclass(frozen=True, slots=True)
class _Split:
    """The strokes parted before the one at ``first``, and how alike the two sums are.

    ``rival``: at the best shift that is neither ``by_s`` nor none, told by other periods of a low drum.
    """

    first: int
    by_s: float
    as_it_is: float
    shifted: float
    rival: float

    @property
    def is_change(self) -> bool:
        clear = self.shifted - max(self.as_it_is, self.rival) >= tuned.CHANGED
        return clear and abs(self.by_s) > tuned.SAME_PLACE_S


def _likeliest(each: Floats, rate: int) -> _Split:
    """The moment at which a shift brings together most of what the strokes say, (S, lags).

    Not the one at which the two sums are most alike: that may be one where there is little to bring together.
    """
    early = np.cumsum(each, axis=0)[FEWEST - 1 : -FEWEST]
    late = each.sum(axis=0) - early
    alike = _alike(early, late, rate)
    middle, near = alike.shape[1] // 2, round(tuned.SAME_PLACE_S * rate)
    as_it_is = alike[:, middle - near : middle + near + 1].max(axis=1)
    best = int(np.argmax(alike.max(axis=1) - as_it_is))
    top = int(np.argmax(alike[best]))
    lags = np.arange(alike.shape[1])
    others = np.minimum(np.abs(lags - top), np.abs(lags - middle)) > round(2 * MEMBER_S * rate)
    size = float(np.linalg.norm(early[best]) * np.linalg.norm(late[best])) + 1e-30
    heights = as_it_is[best], alike[best, top], alike[best, others].max(initial=0.0)
    return _Split(best + FEWEST, (top - middle) / rate, *(float(height) / size for height in heights))


def _along_ppm(each: Floats, times_s: Floats, split: _Split, rate: int) -> float | None:
    """The slope of a line of time along which strokes are more alike than where they are shifted once; else None."""
    once = np.where(np.arange(len(each)) < split.first, 0.0, split.by_s)
    # The halves of a line lie half of it apart, of uneven strokes more or less.
    slopes = np.linspace(1.0, 3.0, 41) * split.by_s / (times_s[-1] - times_s[0] + 1e-9)

    def alike(shifts_s: Floats) -> float:
        moved = (np.roll(one, -round(by_s * rate)) for one, by_s in zip(each, shifts_s, strict=True))
        return float(np.linalg.norm(np.sum(list(moved), axis=0)))

    heights = [alike(slope * (times_s - times_s[0])) for slope in slopes]
    best = int(np.argmax(heights))
    return float(slopes[best]) * 1e6 if heights[best] > alike(once) else None


def _alike(early: Floats, late: Floats, rate: int) -> Floats:
    """For each moment how alike both sums are at each shift, none in the middle; (M, shifts)."""
    most = round(tuned.ROOM_S * rate)
    size = fast_length(early.shape[1] + most)
    alike = irfft(cross_spectrum(rfft(early, size), rfft(late, size)), size)
    return np.concatenate([alike[:, -most:], alike[:, : most + 1]], axis=1)
