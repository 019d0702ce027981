"""Are two tracks one performance with one path between them, and which of them is the DI?

A kit's close mic and overhead must never pass: they share strokes, but every drum takes another path. What tells a
string through a loudspeaker is physical. It is one sound (coherent over the whole take, less so where the amplifier
distorts); the notes last (a stroke's energy is gone in a tenth of a second); a loudspeaker for guitar or bass gives
back next to nothing above 6 kHz, where cymbals, wires and beaters have much; and the notes change, which hum does not.

Two mics on one dark instrument in a room pass all of that. Between them lies air, which has no colour, and a room,
whose response changes from one frequency to the next; between a DI and a mic lies a loudspeaker, which has a shape over
octaves, and a mic near it hears little of the room. Neither shape nor smoothness: two mics.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.alignment.gain import third_octaves
from micalign.alignment.onepath.frames import HIGHEST_HZ, LOWEST_HZ, power_of, spectra_at
from micalign.arrays import Complexes, Floats, cross_spectrum
from micalign.take.loudness import k_weighting
from micalign.take.tracks import Track

__all__ = ["Recognised", "both_struck", "may_be_one_path", "plainly_bright", "recognise"]

_LEAST_COHERENCE: Final = 0.6  # by energy: driven basses of the development half reach 0.70, strangers 0.2
_LEAST_STEADY: Final = 0.53  # 0 to 1: strings 0.58 to 0.93, drums mostly 0.01 to 0.5
_DARK_DB: Final = -27.5  # above 6 kHz: halfway from cabinets (-34 dB and less) to overheads and rooms (-21 dB and up)
_BRIGHT_HZ: Final = 6000.0
_MOST_ALIKE: Final = 0.93  # of all pairs of frames: tones that never change reach 1
_FEW_WINDOWS: Final = 12
_FAR_DB: Final = 8.0  # beyond what twelve windows may be off
_LEAST_SHAPE_DB: Final = 2.4  # cabinets of the development half: 2.4 to 6.8 (of 80 one 1.3, two 1.9), rooms to 2.3
_MOST_ROUGH: Final = 0.035  # of neighbouring bins: flat cabinets to 0.031, rooms of which it matters from 0.040
_MIDDLES_HZ: Final = third_octaves(60.0, 4000.0)
_EDGE: Final = 10.0**0.05
_FEWEST_BANDS: Final = 6
_LEAST_HELD: Final = 1e-5  # of a track's power: less in a third octave is its hiss
_STEP_S: Final = 0.043
_STEPS: Final = 8
_LOUD: Final = 0.02
_WIDER_DB: Final = 3.0
_HISS_DB: Final = -45.0  # below this the treble of two tracks is their hiss, which tells nothing
_EARLIER_S: Final = 0.2e-3
_PLAINLY_S: Final = 1.5e-3  # more than the converters of one interface differ by (common practice, no source)


@dataclass(frozen=True)
class Recognised:
    """What the tracks show of it; ``direct`` is 0 or 1: which of the two is the DI, or None where nothing shows it.

    ``coherence`` is of the energy, 0 to 1; ``steady`` 0 (strokes) to 1 (held notes; 1 too where it was not asked);
    ``bright_db`` what the later track has above 6 kHz (the brighter one where neither is later); ``alike`` how little
    the notes change, 1: not; ``shape_db`` the spread over octaves of what lies between the two, ``rough`` how much
    that changes between neighbouring bins (0: not at all, 1: as chance).
    """

    coherence: float
    steady: float
    bright_db: float
    alike: float
    direct: int | None
    shape_db: float
    rough: float

    @property
    def is_one_sound(self) -> bool:
        """Whether both hold one sound that changes: no strangers, no hum."""
        return self.coherence >= _LEAST_COHERENCE and self.alike <= _MOST_ALIKE

    @property
    def one_path(self) -> bool:
        """Whether to take the two for a DI and what came of it."""
        return (
            self.is_one_sound
            and self.steady >= _LEAST_STEADY
            and self.bright_db <= _DARK_DB
            and (self.shape_db >= _LEAST_SHAPE_DB or self.rough <= _MOST_ROUGH)
        )


def recognise(first: Track, second: Track, delay_s: float) -> Recognised:
    """What two tracks are to each other, the second read ``delay_s`` later."""
    one, other, _ = spectra_at(first, second, delay_s)
    hz = np.fft.rfftfreq(2 * (one.shape[1] - 1), 1.0 / first.sample_rate).astype(np.float64)
    powers = [(np.abs(spectra) ** 2).sum(axis=0) for spectra in (one, other)]
    bright = [_above_db(power, hz) for power in powers]
    earlier = first if delay_s >= 0 else second
    inside = (hz >= LOWEST_HZ) & (hz <= HIGHEST_HZ)
    cross = cross_spectrum(one, other).sum(axis=0)
    energy = np.sqrt(powers[0] * powers[1])[inside]
    loud = inside * np.abs(k_weighting(hz, first.sample_rate)) ** 2
    coherence = np.abs(cross[inside]) ** 2 / np.maximum(energy**2, 1e-60)
    seen = Recognised(
        float((coherence * energy).sum() / max(float(energy.sum()), 1e-30)),
        1.0,
        bright[1] if delay_s > _EARLIER_S else bright[0] if delay_s < -_EARLIER_S else max(bright),
        _alike(np.abs(one[:, inside])),
        _direct(delay_s, bright),
        _shape_db([loud * power for power in powers], hz),
        _rough(loud * cross, loud * powers[0]),
    )
    # The whole track is read through only where nothing else has refused.
    return replace(seen, steady=_steady(earlier)) if seen.one_path else seen


def may_be_one_path(first: Track, second: Track) -> bool:
    """Whether nothing in either track alone speaks against it: no treble of a kit, and notes that last."""
    return not plainly_bright(first, second) and min(_steady(first), _steady(second)) >= _LEAST_STEADY


def both_struck(first: Track, second: Track) -> bool:
    """Whether the notes of neither track last: whichever of them is the earlier, it is no string."""
    return max(_steady(first), _steady(second)) < _LEAST_STEADY


def plainly_bright(first: Track, second: Track, delay_s: float | None = None) -> bool:
    """Whether a few windows already have far more treble than any cabinet gives back: a kit, not a pair of one path.

    Where the delay is not known, both tracks must have it.
    """
    bright = [_above_db(*power_of(track, _FEW_WINDOWS)) for track in _later(first, second, delay_s)]
    return (min if delay_s is None else max)(bright) > _DARK_DB + _FAR_DB


def _later(first: Track, second: Track, delay_s: float | None) -> tuple[Track, ...]:
    """The later of two tracks, or both where that cannot be said."""
    if delay_s is None or abs(delay_s) <= _EARLIER_S:
        return first, second
    return (second,) if delay_s > 0 else (first,)


def _shape_db(powers: Sequence[Floats], hz: Floats) -> float:
    """The spread of the second track's level against the first's, by third octave, smoothed over an octave."""
    shares = [power / max(float(power.sum()), 1e-30) for power in powers]
    bands = [(hz >= middle / _EDGE) & (hz < middle * _EDGE) for middle in _MIDDLES_HZ]
    held = [(float(shares[0][band].sum()), float(shares[1][band].sum())) for band in bands]
    between = [10.0 * math.log10(second / first) for first, second in held if min(first, second) > _LEAST_HELD]
    if len(between) < _FEWEST_BANDS:
        return 0.0
    return float(np.std(np.convolve(between, np.ones(3) / 3.0, "valid")))


def _rough(cross: Complexes, first: Floats) -> float:
    """How far the response between the two differs from one bin to the next, against its size."""
    response = cross / np.maximum(first, 1e-30)
    weight = np.minimum(first[1:], first[:-1])
    steps = float((weight * np.abs(np.diff(response)) ** 2).sum())
    sizes = float((weight * (np.abs(response[1:]) ** 2 + np.abs(response[:-1]) ** 2)).sum())
    return steps / sizes if sizes > 0 else 1.0


def _above_db(power: Floats, hz: Floats) -> float:
    if hz[-1] < 1.5 * _BRIGHT_HZ:
        return 0.0  # a rate too low to tell: nothing is dark by it
    total = float(power[hz >= LOWEST_HZ].sum())
    return float(10.0 * np.log10(max(float(power[hz >= _BRIGHT_HZ].sum()), 1e-30) / max(total, 1e-30)))


def _steady(track: Track) -> float:
    """How evenly a third of a second holds its energy: geometric against arithmetic mean, weighted by energy."""
    step = round(_STEP_S * track.sample_rate)
    blocks = (block[: len(block) // step * step].reshape(-1, step) for block in track.blocks(step * _STEPS))
    energies = np.concatenate([np.zeros(0), *((rows**2).sum(axis=1) for rows in blocks)]) + 1e-12
    if len(energies) < _STEPS:
        return 0.0
    spans = np.lib.stride_tricks.sliding_window_view(energies, _STEPS)[:: _STEPS // 2]
    means = spans.mean(axis=1)
    flat = np.exp(np.log(spans).mean(axis=1)) / means
    return float((flat * means).sum() / means.sum())


def _alike(size: Floats) -> float:
    """The mean cosine between the loud frames' spectra."""
    energy = (size**2).sum(axis=1)
    loud = size[energy > _LOUD * energy.max(initial=0.0)]
    if len(loud) < 2:
        return 1.0
    unit = loud / np.sqrt((loud**2).sum(axis=1))[:, None]
    count = len(unit)
    return float((np.sum(unit @ unit.T) - count) / (count * (count - 1)))


def _direct(delay_s: float, bright_db: list[float]) -> int | None:
    """Plainly earlier; or a little earlier with no less treble; or with more treble where neither is earlier.

    Treble alone tells little: an amplifier's distortion has more of it than a dull bass.
    """
    early = 0 if delay_s > _EARLIER_S else 1 if delay_s < -_EARLIER_S else None
    wider = bright_db[0] - bright_db[1]
    heard = max(bright_db) > _HISS_DB
    wide = None if not heard or abs(wider) <= _WIDER_DB else 0 if wider > 0 else 1
    if early is None or wide is None:
        return wide if early is None else early
    return early if early == wide or abs(delay_s) >= _PLAINLY_S else None
