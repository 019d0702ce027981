"""What does the lesson say, with which numbers? Everything here is worked out by `micalign.acoustics`.

A `Case` is the student's own copy: so much later and so much weaker, from two distances or from a delay.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup

from micalign.acoustics.air import speed_of_sound
from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz
from micalign.figures.comb import Copy
from micalign.figures.lesson import LEVEL_ROWS_DB
from micalign.report.hearing import HEARING_WORDS
from micalign.report.page import page
from micalign.report.sounds import TARGET_LUFS, Sound
from micalign.units import METRES, show_db, show_hz, show_length, show_ms

__all__ = ["LESSON_TEMPERATURE_C", "Case", "case_document", "lesson_page"]

LESSON_TEMPERATURE_C: Final = 20.0
_STEPS: Final = {"m": 0.005, "cm": 0.5, "mm": 5.0, "ft": 0.02, "in": 0.25}


@dataclass(frozen=True, slots=True)
class Case:
    """A copy of a sound; ``distances_m`` where it comes from two distances to one source.

    Examples
    --------
    >>> case = Case.from_distances(0.30, 0.95, unit="cm")
    >>> round(case.delay_s * 1e3, 3), round(case.level_difference_db, 2)
    (1.89, 10.01)
    """

    delay_s: float
    level_difference_db: float = 0.0
    distances_m: tuple[float, float] | None = None
    unit: str = "cm"

    @classmethod
    def from_distances(cls, first_m: float, second_m: float, *, unit: str = "cm") -> Case:
        """The copy of a mic that stands further from the source, in free field."""
        near, far = sorted((first_m, second_m))
        speed = speed_of_sound(LESSON_TEMPERATURE_C)
        return cls((far - near) / speed, 20.0 * math.log10(far / near), (first_m, second_m), unit)

    @property
    def copy(self) -> Copy:
        """For a figure."""
        return Copy(self.delay_s, self.level_difference_db, label=f"{show_ms(self.delay_s)} late")


def case_document(case: Case) -> dict[str, Any]:
    """The numbers of a case, JSON-ready."""
    return {
        "delay_s": case.delay_s,
        "level_difference_db": case.level_difference_db,
        "distances_m": list(case.distances_m) if case.distances_m else None,
        "speed_of_sound_m_s": speed_of_sound(LESSON_TEMPERATURE_C),
        "notches_hz": notches_hz(case.delay_s)[:20].tolist(),
        "peaks_hz": peaks_hz(case.delay_s)[:20].tolist(),
        "notch_depth_db": notch_depth_db(case.level_difference_db),
        "peak_height_db": peak_height_db(case.level_difference_db),
    }


def lesson_page(
    figures: Mapping[str, str], sounds: Sequence[Sound], *, case: Case | None = None, unit: str = "cm"
) -> str:
    """The lesson as one HTML page; its sounds lie beside it in ``sounds/``.

    Parameters
    ----------
    figures : mapping of name to str
        ``<svg>`` elements of ours (`figures.style.inline_svg`), written as they are.
    sounds : sequence of Sound
    case : Case, optional
        The student's own.
    unit : str
        Of the lengths, where there is no case.
    """
    speed = speed_of_sound(LESSON_TEMPERATURE_C)
    unit = case.unit if case else unit
    clicks = [sound for sound in sounds if sound.kind == "click"]
    quieter = f"{clicks[0].loudness_lufs:.0f} LUFS" if clicks else ""
    values = {
        "title": "One sound, twice: a lesson on comb filtering",
        "figures": {name: Markup(svg) for name, svg in figures.items()},
        "files": {sound.name: {"title": sound.title, "path": f"sounds/{sound.name}.wav"} for sound in sounds},
        "hearing": HEARING_WORDS,
        "loudness": f"{TARGET_LUFS:.0f} LUFS, clicks less",
        "target": f"{TARGET_LUFS:.0f} LUFS",
        "click_loudness": quieter,
        "own": _own_words(case, speed) if case else None,
        "data": _live_values(case, unit, speed),
        "speed": f"{speed:.0f} m/s",
        "temperature": f"{LESSON_TEMPERATURE_C:.0f} °C",
        "per_ms": show_length(speed / 1e3, unit),
        "delay_rows": [_delay_row(delay_ms / 1e3, unit, speed) for delay_ms in (0.1, 0.5, 1.0, 2.0, 5.0, 10.0)],
        "level_rows": [_level_row(level_db) for level_db in LEVEL_ROWS_DB],
        "third": {"notch": show_db(notch_depth_db(9.542425)), "peak": show_db(peak_height_db(9.542425), sign=True)},
        "one_cm": _distance_words(0.01, speed),
        "ten_cm": _distance_words(0.10, speed),
    }
    return page("lesson.html.j2", values)


def _delay_row(delay_s: float, unit: str, speed: float) -> dict[str, str]:
    return {
        "delay": f"{delay_s * 1e3:g} ms",
        "path": show_length(delay_s * speed, unit),
        "notches": ", ".join(map(show_hz, notches_hz(delay_s)[:3])),
        "peaks": ", ".join(map(show_hz, peaks_hz(delay_s)[:3])),
    }


def _level_row(level_db: float) -> dict[str, str]:
    notch, peak = notch_depth_db(level_db), peak_height_db(level_db)
    return {
        "level": f"{level_db:g} dB",
        "peak": show_db(peak, sign=True),
        "notch": show_db(notch),
        "between": show_db(peak - notch) if level_db else "no end",
    }


def _distance_words(metres: float, speed: float) -> dict[str, str]:
    delay = metres / speed
    return {"delay": show_ms(delay), "notch": show_hz(0.5 / delay)}


def _own_words(case: Case, speed: float) -> dict[str, str]:
    notches, peaks = notches_hz(case.delay_s), peaks_hz(case.delay_s)
    depth, height = notch_depth_db(case.level_difference_db), peak_height_db(case.level_difference_db)
    late_ms = case.delay_s * 1e3
    lines = _distance_lines(case, speed)
    lines += [
        f"first notch  = 1 / (2 × {late_ms:.3f} ms) = {show_hz(0.5 / case.delay_s)}",
        f"notches      = {', '.join(map(show_hz, notches[:5])) or 'none below 20 kHz'}",
        f"peaks        = {', '.join(map(show_hz, peaks[:5])) or 'none below 20 kHz'}",
        f"notch depth  = 20 log10(1 − 10^(−{case.level_difference_db:.2f}/20)) = {show_db(depth)}",
        f"peak height  = 20 log10(1 + 10^(−{case.level_difference_db:.2f}/20)) = {show_db(height, sign=True)}",
    ]
    return {"sentence": _own_sentence(case), "working": "\n".join(lines)}


def _own_sentence(case: Case) -> str:
    if case.distances_m is None:
        return f"A copy {show_ms(case.delay_s)} later, {show_db(case.level_difference_db)} weaker."
    first, second = (show_length(value, case.unit) for value in case.distances_m)
    return f"One source, two mics: one at {first}, the other at {second}, both omni and at the same gain, no walls."


def _distance_lines(case: Case, speed: float) -> list[str]:
    if case.distances_m is None:
        return [f"delay        = {case.delay_s * 1e3:.3f} ms = {show_length(case.delay_s * speed, case.unit)} of air"]
    near, far = sorted(case.distances_m)
    return [
        f"longer way   = {far:.3f} m − {near:.3f} m = {far - near:.3f} m",
        f"delay        = {far - near:.3f} m / {speed:.1f} m/s = {case.delay_s * 1e3:.3f} ms",
        f"weaker by    = 20 log10({far:.3f} / {near:.3f}) = {case.level_difference_db:.2f} dB",
    ]


def _live_values(case: Case | None, unit: str, speed: float) -> dict[str, float | str]:
    """What the page's script needs to begin with; distances in the user's unit."""
    given = case or Case(0.001)
    near, far = given.distances_m or (0.30, 0.30 + given.delay_s * speed)
    metres = METRES[unit]
    return {
        "delay_ms": given.delay_s * 1e3,
        "level_db": given.level_difference_db,
        "last_delay_ms": max(10.0, math.ceil(1.5 * given.delay_s * 1e3)),
        "near": round(near / metres, 6),
        "far": round(far / metres, 6),
        "farthest": math.ceil(max(5.0, 1.5 * far) / metres),
        "step": _STEPS[unit],
        "unit": unit,
        "metres_per_unit": metres,
        "speed_m_s": speed,
    }
