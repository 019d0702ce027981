"""What is the delay between two mics that stand over a whole kit? That of its loudest drum.

Such a pair hears every drum at another delay, so there is no one right answer; what an engineer means by it is the
drum the kit is balanced on, as a rule the snare (common practice, no source), which is also the loudest wide-band
drum up there. Each stroke's own peak is looked for; strokes of one delay and polarity are one drum; the drum that both
mics hear loudest between 200 Hz and 8 kHz, where neither a kick's lows nor a hat's highs win, is measured on its own
strokes alone, and the other drums are its rivals. A take of one delay only is no kit and is left to the stretches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.fft import irfft

from micalign.arrays import Bools, Floats, Ints
from micalign.delay.correlation import Spectra, frame_spectra, raised_cosine, whitening
from micalign.delay.gates import LEAD_S, Gate, matched_window, stroke_window, thinned
from micalign.delay.listening import Listened, level_spread_db
from micalign.delay.onsets import hits
from micalign.delay.result import Delay, Rival
from micalign.delay.sharpen import sharpen
from micalign.delay.verdict import LEAST_MARGIN

__all__ = ["Drum", "drums_of", "loudest_drum", "over_a_kit"]

_LEVELS_DB: Final = (9.0, 13.0)  # clearly alike, and at most: over the whole spectrum, and in the band
_BAND_LEVELS_DB: Final = (4.0, 13.0)
_EVEN_DB: Final = 5.0
_QUIETEST_DB: Final = 20.0
_MOST_STROKES: Final = 150
_BAND_HZ: Final = (200.0, 8000.0)
_FINER: Final = 2
_LOUD_S: Final = 0.05  # how long a stroke is listened to for its loudness
_SAME_PLACE_S: Final = 0.00012
_LEAST_STROKES: Final = 3
_LEAST_PART: Final = 0.06  # of all strokes; chance makes drums of a few in a long take
_EQUAL_S: Final = (0.003, 0.0015)  # how much further one mic of a pair may be from its loudest drum than the other
_NEXT_DRUM_S: Final = 0.006  # two drums of one kit differ by no more than 2 m of path
_FAINT: Final = 10**-2.0
_LEAST_SHARE: Final = 0.5
_AS_LOUD: Final = 10**0.15
_AS_LOUD_STROKE: Final = 0.5
_LEAST_AGREEMENT: Final = 0.6
_BLURRED: Final = 0.75
_SHARP_S: Final = 0.020
_SHARP_LEAD_S: Final = 0.005
_BORDER_S: Final = 0.0005
_CALIBRATED: Final = 0.87
"""Of gates this short the phases tell a little too wide: 77 of 100 studied errors were within their one sigma."""


@dataclass(frozen=True)
class Drum:
    """Strokes that reach two mics with one delay.

    ``struck``: their first samples in the nearer track; ``loudness``: the power both mics hear of the louder half.
    """

    lag_s: float
    polarity: int
    struck: Ints
    polarity_margin: float
    loudness: float


@dataclass(frozen=True)
class _Strokes:
    """K strokes, each (K,): first samples, the lag and polarity of each one's highest peak, its loudness.

    ``against``: the highest peak of the other polarity as a share of the highest; ``louder_db``: how much louder the
    nearer track hears the stroke.
    """

    struck: Ints
    lag_s: Floats
    polarity: Ints
    against: Floats
    loudness: Floats
    louder_db: Floats


def over_a_kit(near: Listened, far: Listened, *, later_s: float = 0.0) -> bool:
    """Whether two mics may stand over a kit: every loud stroke differs about equally in level between them."""
    return level_spread_db(near, far, later_s=later_s) < _LEVELS_DB[1]


def loudest_drum(near: Listened, far: Listened, sign: int, *, reach_s: float, centre_s: float) -> Delay | None:
    """The delay of the loudest drum of a kit; None where the tracks do not hold several drums.

    Parameters
    ----------
    near, far : Listened
        Two tracks that hear every drum about equally loud.
    sign : int
        1, or -1 where the delay is wanted of ``near`` against ``far``.
    reach_s, centre_s : float
        How far to search on both sides of which delay of ``far`` against ``near``.
    """
    strokes = _strokes(near, far, reach_s, centre_s)
    if strokes is None:
        return None
    drums = _drums(strokes)
    clearly = level_spread_db(near, far, later_s=centre_s) < _LEVELS_DB[0]
    equal_s = _equal_s(strokes, clearly)
    if not _is_kit(drums, strokes) or abs(drums[0].lag_s - centre_s) > equal_s or _own_drum(drums, centre_s, equal_s):
        return None
    first = drums[0]
    sharp = sharpen(near.track, far.track, _sharp_gate(first, near), first.lag_s, within_s=0.0003)
    agreement = _agreement(strokes, first)
    rival = max(drum.loudness for drum in drums[1:]) / first.loudness
    reason = _reason(drums, agreement)
    if abs(first.lag_s - centre_s) > reach_s - _BORDER_S:
        reason = "the best delay lies at the border of the search: search wider"
    confidence = float(np.clip(1.25 - rival * 1.25, 0.0, 1.0) * agreement)
    return Delay(
        sign * sharp.delay_s,
        _CALIBRATED * sharp.error_s,
        first.polarity,
        first.polarity_margin,
        confidence,
        reason is None,
        reason,
        tuple(Rival(sign * d.lag_s, float(np.sqrt(d.loudness / first.loudness)), d.polarity) for d in drums[1:5]),
    )


def drums_of(near: Listened, far: Listened, *, reach_s: float = 0.05, centre_s: float = 0.0) -> tuple[Drum, ...]:
    """The drums that two mics hear, the loudest first."""
    strokes = _strokes(near, far, reach_s, centre_s)
    return () if strokes is None else _drums(strokes)


def _strokes(near: Listened, far: Listened, reach_s: float, centre_s: float) -> _Strokes | None:
    rate = near.track.sample_rate
    struck = thinned(hits(near.envelope, below_loudest_db=_QUIETEST_DB), _MOST_STROKES)
    if len(struck) < 2 * _LEAST_STROKES:
        return None
    starts = struck - round(LEAD_S * rate)
    margin = round(reach_s * rate)
    spectra = frame_spectra(near.track, far.track, starts, stroke_window(rate), margin=margin, centre_s=centre_s)
    lag_s, polarity, against = _highest(spectra, reach_s)
    window = raised_cosine(round(_LOUD_S * rate), round(0.002 * rate), round(0.01 * rate))
    heard = frame_spectra(near.track, far.track, starts, window, margin=0, centre_s=lag_s)
    first, second = ((power * _levelled(heard, power) ** 2).sum(axis=1) for power in (heard.first, heard.second))
    louder_db = 10.0 * np.log10((first + 1e-30) / (second + 1e-30))
    return _Strokes(struck, lag_s, polarity, against, np.sqrt(first * second), louder_db)


def _equal_s(strokes: _Strokes, clearly: bool) -> float:
    """How much later the loudest drum may be in one of the two, by how alike they hear the louder half of the strokes.

    Where that is not clear a close mic may hear the bleed as loud as an overhead does, but from much nearer. 0 where
    one of the two is surely a close mic.
    """
    loudest = np.argsort(-strokes.loudness)[: max(len(strokes.struck) // 2, 2 * _LEAST_STROKES)]
    low, middle, high = np.quantile(strokes.louder_db[loudest], (0.1, 0.5, 0.9))
    if clearly and high - low < _BAND_LEVELS_DB[0]:
        return _EQUAL_S[0]
    return _EQUAL_S[1] if high - low < _BAND_LEVELS_DB[1] and abs(middle) < _EVEN_DB else 0.0


def _own_drum(drums: tuple[Drum, ...], centre_s: float, equal_s: float) -> bool:
    """Whether one of the drums stands a metre and more nearer one of the two, whose close mic that may be."""
    later = [abs(drum.lag_s - centre_s) for drum in drums]
    return equal_s < _EQUAL_S[0] and any(_EQUAL_S[0] < each < _EQUAL_S[0] + _NEXT_DRUM_S for each in later)


def _levelled(spectra: Spectra, power: np.ndarray) -> Floats:
    """The weight that evens out a track's smooth spectrum inside the band, shape (B,)."""
    hz = spectra.frequencies_hz
    return whitening(power.mean(axis=0)) * ((hz > _BAND_HZ[0]) & (hz < _BAND_HZ[1]))


def _highest(spectra: Spectra, reach_s: float) -> tuple[Floats, Ints, Floats]:
    """The lag and the polarity of each stroke's highest peak, and how high the other polarity's highest is."""
    weight = _levelled(spectra, spectra.first) * _levelled(spectra, spectra.second)
    values = irfft(spectra.cross * weight.astype(np.float32), spectra.size * _FINER, axis=1)
    rate = spectra.sample_rate * _FINER
    half = min(int(reach_s * rate), values.shape[1] // 2 - 1)
    values = np.concatenate([values[:, -half:], values[:, : half + 1]], axis=1)
    top = np.argmax(np.abs(values), axis=1)
    highest, lowest = values.max(axis=1), -values.min(axis=1)
    against = np.minimum(highest, lowest) / np.maximum(np.maximum(highest, lowest), 1e-30)
    return (top - half) / rate + spectra.centre_s, np.where(lowest > highest, -1, 1), against


def _drums(strokes: _Strokes) -> tuple[Drum, ...]:
    """Strokes of one delay and polarity, about the loudest that are left; the loudest drum first."""
    left = np.ones(len(strokes.struck), dtype=np.bool_)
    least = max(_LEAST_STROKES, _LEAST_PART * len(left))
    found = []
    for loudest in np.argsort(strokes.loudness)[::-1]:
        if not left[loudest]:
            continue
        same = left & _near(strokes, float(strokes.lag_s[loudest]), int(strokes.polarity[loudest]))
        same = left & _near(strokes, float(np.median(strokes.lag_s[same])), int(strokes.polarity[loudest]))
        left[loudest] = False
        left &= ~same
        if same.sum() >= least:
            found.append(_drum(strokes, np.flatnonzero(same)))
    return tuple(sorted(found, key=lambda drum: -drum.loudness))


def _near(strokes: _Strokes, lag_s: float, polarity: int) -> Bools:
    near: Bools = (np.abs(strokes.lag_s - lag_s) < _SAME_PLACE_S) & (strokes.polarity == polarity)
    return near


def _drum(strokes: _Strokes, members: Ints) -> Drum:
    loudness = np.sort(strokes.loudness[members])[::-1]
    return Drum(
        float(np.median(strokes.lag_s[members])),
        int(strokes.polarity[members[0]]),
        strokes.struck[members],
        float(1.0 - np.median(strokes.against[members])),
        float(loudness[: max(len(members) // 2, _LEAST_STROKES)].mean()),
    )


def _is_kit(drums: tuple[Drum, ...], strokes: _Strokes) -> bool:
    """Whether another drum of the same polarity is heard near the loudest, and what is struck is mostly theirs."""
    if len(drums) < 2:
        return False
    own = [drum for drum in drums if _of_one_kit(drum, drums[0])]
    share = strokes.loudness[np.isin(strokes.struck, np.concatenate([drum.struck for drum in own]))].sum()
    return len(own) > 1 and bool(share >= _LEAST_SHARE * strokes.loudness.sum())


def _of_one_kit(drum: Drum, first: Drum) -> bool:
    near = abs(drum.lag_s - first.lag_s) < _NEXT_DRUM_S
    return near and drum.polarity == first.polarity and drum.loudness > _FAINT * first.loudness


def _agreement(strokes: _Strokes, drum: Drum) -> float:
    """The share of the strokes about as loud as the drum's that are the drum's.

    Where two drums fall together their paths blur each other: such a stroke tells of neither.
    """
    own = np.isin(strokes.struck, drum.struck)
    loud = (strokes.loudness >= _AS_LOUD_STROKE * drum.loudness) & (own | (strokes.against < _BLURRED))
    return float((loud & own).sum() / max(loud.sum(), 1))


def _reason(drums: tuple[Drum, ...], agreement: float) -> str | None:
    first, second = drums[0], drums[1]
    if second.loudness * _AS_LOUD > first.loudness:
        apart_ms = abs(second.lag_s - first.lag_s) * 1e3
        return f"two drums are about equally loud and their delays differ by {apart_ms:.2f} ms"
    if agreement < _LEAST_AGREEMENT:
        return "the loudest strokes suggest different delays"
    if first.polarity_margin < LEAST_MARGIN:
        return "its polarity is not clear"
    return None


def _sharp_gate(drum: Drum, near: Listened) -> Gate:
    rate = near.track.sample_rate
    return Gate(drum.struck - round(_SHARP_LEAD_S * rate), matched_window(round(_SHARP_S * rate), 0.0))
