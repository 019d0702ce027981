"""How loud is what remains in the quiet parts of a track, and of what kind is it?

Powers are mean squares against full scale 1, without the offset. The floor is read from tenths of a second: where the
quietest ones lie, and the median of the whole seconds that stay near it (low noise is uneven from tenth to tenth).
Digital silence is left out, and the tenths beside it, which are muted in part: what was muted has no floor. Where a
gate or an editor muted every pause, what is left is the end of sounds, and no more than a bound. Kinds: rumble lies
below 200 Hz (a fridge, a furnace, a fan, the street), hiss above 2 kHz (a preamp turned far up), each at least twice as
strong as what lies between them; all else is the sound of the room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.take.hum import Hum
from micalign.take.quiet import QuietSeconds

__all__ = ["Floor", "NoiseKind", "NoiseParts", "loud_power", "noise_floor", "noise_parts"]

NoiseKind: TypeAlias = Literal["hum", "rumble", "hiss", "room"]

_SILENT_POWER: Final = 1e-14  # -140 dBFS
_QUIETEST_SHARE: Final = 0.02
_ALIKE: Final = 10.0**0.2  # 2 dB
_PAUSE_RATIO: Final = 10.0**0.8  # 8 dB
_SECOND: Final = 10
_LOUDEST_SHARE: Final = 0.1
_BOUND_RATIO: Final = 100.0  # 20 dB: less between loud and quiet says that there was no pause
_NEAR_FLOOR: Final = 10.0**0.6  # 6 dB
_STANDS_OUT: Final = 2.0


@dataclass(frozen=True, slots=True)
class Floor:
    """The noise floor (power), and whether the track was never quiet, so that the true floor may be lower."""

    power: float
    is_bound: bool


@dataclass(frozen=True, slots=True)
class NoiseParts:
    """The kinds that stand out, with their powers; empty where no quiet second shows the floor."""

    kind: NoiseKind | None
    rumble: float
    hiss: float


def loud_power(tenths: Floats) -> float:
    """The mean power of the loudest tenth of the tenths of a second.

    >>> loud_power(np.array([1.0] + [0.0] * 9))
    1.0
    """
    if not len(tenths):
        return 0.0
    count = max(math.ceil(_LOUDEST_SHARE * len(tenths)), 1)
    return float(np.partition(tenths, len(tenths) - count)[-count:].mean())


def noise_floor(tenths: Floats) -> Floor | None:
    """The floor of a track from the powers of its tenths of a second; None where it is digital silence.

    >>> round(noise_floor(np.array([1e-8, 1.1e-8, 0.9e-8, 0.1, 0.2, 0.0])).power, 12)
    1e-08
    """
    muted: Bools = tenths <= _SILENT_POWER
    if muted.all():
        return None
    whole = _unmuted(muted)
    heard = np.sort(tenths[whole if whole.any() else ~muted])
    lowest = heard[min(max(math.ceil(_QUIETEST_SHARE * len(heard)), 2), len(heard)) - 1]
    power = float(heard[heard <= _ALIKE * lowest].mean())
    pauses = _pauses(tenths, _PAUSE_RATIO * power, whole)
    power = float(np.median(tenths[pauses])) if pauses.any() else power
    is_gated = _is_muted_between(muted) and not pauses.any()
    return Floor(power, is_gated or loud_power(tenths) < _BOUND_RATIO * power)


def _is_muted_between(muted: Bools) -> bool:
    """Whether digital silence lies between sounds; before the first and behind the last it says nothing of a gate."""
    heard = np.flatnonzero(~muted)
    return bool(muted[heard[0] : heard[-1]].any())


def _unmuted(muted: Bools) -> Bools:
    """Which tenths are no digital silence and stand beside none."""
    beside = muted.copy()
    beside[1:] |= muted[:-1]
    beside[:-1] |= muted[1:]
    unmuted: Bools = ~beside
    return unmuted


def _pauses(tenths: Floats, highest: float, whole: Bools) -> Bools:
    """Which tenths lie in a whole second whose tenths all stay below ``highest`` and are not muted, not in part."""
    inside = np.zeros(len(tenths), dtype=np.bool_)
    if len(tenths) >= _SECOND:
        calm = (tenths < highest) & whole
        begins: Bools = np.logical_and.reduce(np.lib.stride_tricks.sliding_window_view(calm, _SECOND), axis=1)
        for offset in range(_SECOND):
            inside[offset : offset + len(begins)] |= begins
    return inside


def noise_parts(floor: Floor | None, quiet: QuietSeconds | None, hum: Hum | None) -> NoiseParts:
    """What the floor is made of."""
    near = None if floor is None or quiet is None else quiet.loudest_tenth <= _NEAR_FLOOR * floor.power
    if near is None or quiet is None or not near.any():
        return NoiseParts("hum" if hum else None, 0.0, 0.0)
    low, middle, high = quiet.bands[near].mean(axis=0).tolist()
    low, middle = _without_hum(low, middle, hum)
    rumble = low if low >= _STANDS_OUT * middle else 0.0
    hiss = high if high >= _STANDS_OUT * middle else 0.0
    kinds: dict[NoiseKind, float] = {"hum": hum.power if hum else 0.0, "rumble": rumble, "hiss": hiss}
    strongest = max(kinds, key=lambda kind: kinds[kind])
    return NoiseParts(strongest if kinds[strongest] > middle else "room", rumble, hiss)


def _without_hum(low: float, middle: float, hum: Hum | None) -> tuple[float, float]:
    if hum is None:
        return low, middle
    below = sum(10.0 ** (line.dbfs / 10.0) for line in hum.lines if line.hz < 200.0)
    # What is left of a line that was taken away is a few per cent of it: no noise of its own.
    return max(low - 1.05 * below, 0.0), max(middle - 1.05 * (hum.power - below), 0.0)
