"""How is a comb put into words? A difference, a first notch, a dip; and one screen for two distances or a delay.

Free field at 20 C: a level falls by 6 dB for every doubling of the distance. Levels are against the louder copy alone.
No number has more digits than the positions leave it; an inverted copy has no first notch but a loss of bass.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.arrivals import FLOOR_DB, speed_of_sound
from micalign.acoustics.comb import (
    Difference,
    PairSource,
    first_notch_range_hz,
    notch_depth_db,
    notches_hz,
    peak_height_db,
)
from micalign.acoustics.room import Reflection
from micalign.findings.tuned import TYPICAL_S
from micalign.report.tuned import HARMLESS_HZ
from micalign.units import (
    db_from_amplitude,
    short_length,
    show_db,
    show_hz,
    show_hz_range,
    show_ms,
    show_ms_known,
    show_ratio,
    show_speed,
)

if TYPE_CHECKING:
    from micalign.report.narrow_tables import Beside

__all__ = [
    "TwoPaths",
    "comb_document",
    "comb_table",
    "depth_words",
    "late_words",
    "mono_notch_words",
    "moves",
    "notch_range_words",
    "notch_words",
]
TEMPERATURE_C: Final = 20.0  # of a room, where none is given
_RATES_HZ: Final = (44_100, 48_000, 96_000)  # sample rates in common use
_SHOWN_NOTCHES: Final = 5  # the rest follows at even steps


def notch_range_words(row: Difference) -> str:
    """The first notch of two mics' sum, as the range that the positions leave it."""
    if row.polarity < 0:
        return "bass (inverted)"
    return show_hz_range(*row.first_notch_range_hz) if row.first_notch_range_hz else "none"


def mono_notch_words(row: PairSource) -> str:
    """The first notch of a pair's mono sum, in the words and digits of any other two mics."""
    if row.mono_first_notch_hz is None:
        return "none"
    if row.mono_first_notch_hz == 0.0:
        return "bass"
    return show_hz_range(*first_notch_range_hz(row.difference_s, row.uncertainty_s))


def notch_words(polarity: int, first_notch_hz: float | None) -> str:
    """The first notch of one copy.

    >>> notch_words(1, 612.3), notch_words(-1, 0.0), notch_words(1, None)
    ('612 Hz', 'bass (inverted)', 'none')
    """
    if polarity < 0:
        return "bass (inverted)"
    return show_hz(first_notch_hz) if first_notch_hz else "none"


def late_words(row: Reflection) -> str:
    """How much later a reflection comes than the direct sound."""
    return show_ms_known(row.delay_s, TYPICAL_S)


def depth_words(depth_db: float | None) -> str:
    """How deep a notch is; nothing where there is none.

    >>> depth_words(-9.54), depth_words(None)
    ('-9.5 dB', '')
    """
    return "" if depth_db is None else show_db(depth_db)


@dataclass(frozen=True, slots=True)
class TwoPaths:
    """A sound and its copy, ``delay_s`` later and ``level_difference_db`` softer; metres where distances are known.

    Examples
    --------
    >>> paths = TwoPaths.of_distances(0.30, 0.95)
    >>> round(paths.delay_s * 1e3, 3), round(paths.level_difference_db, 2)
    (1.89, 10.01)
    """

    delay_s: float
    level_difference_db: float = 0.0
    distances_m: tuple[float, float] | None = None

    @classmethod
    def of_distances(cls, first_m: float, second_m: float, level_difference_db: float | None = None) -> TwoPaths:
        """Two mics so far from one source; the level as the distances make it unless it is given."""
        near, far = sorted((first_m, second_m))
        level = db_from_amplitude(far / near) if level_difference_db is None else level_difference_db
        return cls((far - near) / speed_of_sound(TEMPERATURE_C), level, (first_m, second_m))

    @property
    def path_m(self) -> float:
        """How much longer the way of the later copy is."""
        return self.delay_s * speed_of_sound(TEMPERATURE_C)

    @property
    def depth_db(self) -> float | None:
        """How far the sum falls in a notch; None where it cancels wholly."""
        depth = notch_depth_db(self.level_difference_db)
        return None if depth <= FLOOR_DB else depth


def comb_document(paths: TwoPaths) -> dict[str, Any]:
    """What ``comb --json`` prints; ``notch_depth_db`` is null where the two cancel wholly."""
    notches = notches_hz(paths.delay_s)
    return {
        "delay_s": paths.delay_s,
        "path_m": paths.path_m,
        "distances_m": None if paths.distances_m is None else list(paths.distances_m),
        "level_difference_db": paths.level_difference_db,
        "speed_of_sound_m_s": speed_of_sound(TEMPERATURE_C),
        "samples": [{"sample_rate": rate, "delay_samples": paths.delay_s * rate} for rate in _RATES_HZ],
        "first_notch_hz": float(notches[0]) if len(notches) else None,
        "notches_hz": notches[:20].tolist(),
        "notch_depth_db": paths.depth_db,
        "peak_height_db": peak_height_db(paths.level_difference_db),
    }


def comb_table(paths: TwoPaths, unit: str) -> Beside:
    """The figures, a line each."""
    from rich.text import Text  # noqa: PLC0415 - only a terminal needs it

    from micalign.report.narrow_tables import Beside  # noqa: PLC0415

    return Beside([([Text(name)], Text(words)) for name, words in _figures(paths, unit)], gap=3)


def _figures(paths: TwoPaths, unit: str) -> Iterator[tuple[str, str]]:
    if paths.distances_m is not None:
        yield "distances", " and ".join(short_length(metres, unit) for metres in paths.distances_m)
    air = f"{TEMPERATURE_C:.0f} C, {show_speed(speed_of_sound(TEMPERATURE_C), unit)}"
    yield "delay", f"{show_ms(paths.delay_s)}, {short_length(paths.path_m, unit)} of air at {air}"
    for rate in _RATES_HZ:
        yield "" if rate != _RATES_HZ[0] else "samples", f"{paths.delay_s * rate:.1f} at {rate / 1e3:g} kHz"
    yield "level", _level_words(paths)
    notches = notches_hz(paths.delay_s)
    if not len(notches):
        yield "notches", "none below 20 kHz"
        return
    first = ", ".join(show_hz(value) for value in notches[:_SHOWN_NOTCHES])
    more = f" ... every {show_hz(1 / paths.delay_s)}" if len(notches) > _SHOWN_NOTCHES else ""
    yield "notches", first + more
    depth = "total: both are equally loud" if paths.depth_db is None else show_db(paths.depth_db)
    yield "dip", f"{depth}, against the louder alone"
    yield "peaks", f"{show_db(peak_height_db(paths.level_difference_db), sign=True)}, midway between the notches"


def _level_words(paths: TwoPaths) -> str:
    if paths.level_difference_db == 0:
        return "both equally loud"
    later = "the later one " if paths.level_difference_db > 0 else "the earlier one "
    return f"{later}{show_db(abs(paths.level_difference_db))} softer"


def moves(paths: TwoPaths, unit: str) -> Iterator[str]:
    """What to move, or else to shift."""
    harmless_m = speed_of_sound(TEMPERATURE_C) / (2 * HARMLESS_HZ)
    if paths.path_m <= harmless_m:
        yield f"Nothing to move: the first notch lies above {show_hz(HARMLESS_HZ)}, where it hurts little."
        return
    longer, near = short_length(paths.path_m, unit), _fine(harmless_m, unit)
    first = f"Move the farther mic {longer} nearer" if paths.distances_m else f"Make the later path {longer} shorter"
    yield f"{first}: no notch is left. Equal to {near}, the first stays above {show_hz(HARMLESS_HZ)}."
    yield from _apart(paths, unit)
    shift = f"{show_ms(paths.delay_s)} ({paths.delay_s * 48_000:.0f} samples at 48 kHz)"
    yield f"Or shift the earlier track {shift} later: that mends this one sound, and no other."


def _apart(paths: TwoPaths, unit: str) -> Iterator[str]:
    """By the rule of three to one: the dip of a copy a third as strong is 3.5 dB."""
    if paths.distances_m is None:
        return
    near, far = sorted(paths.distances_m)
    if far / near >= 3:
        yield f"Or leave it: {show_ratio(far / near)} in distance keeps the rule of 3:1, a dip of 3.5 dB at most."
    else:
        depth = show_db(-20 * math.log10(1 - 1 / 3)).lstrip("-")
        yield f"Or move it out to {short_length(3 * near, unit)} or more (3:1): the dip is then {depth} at most."


def _fine(metres: float, unit: str) -> str:
    return short_length(metres, unit) if unit in {"in", "ft"} else f"{metres * 1e3:.0f} mm"
