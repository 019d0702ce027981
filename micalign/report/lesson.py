"""What does the lesson say, with which numbers, and what does it ask a class?

Everything here is worked out by `micalign.acoustics`. The same seed gives the same questions; the kinds come in turn,
one on the comb and one on the way of the sound.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, zip_longest
from typing import Any, Final

from markupsafe import Markup

from micalign.acoustics.air import speed_of_sound
from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz
from micalign.figures.comb_curves import Copy
from micalign.figures.lesson_pictures import LEVEL_ROWS_DB
from micalign.files.sinks import flac_bytes
from micalign.report.comb_questions import COMB_KINDS
from micalign.report.guesses import guesses
from micalign.report.page import HEARING_WORDS, audio_address, page
from micalign.report.sounds import RATE, TARGET_LUFS, Sound
from micalign.report.way_questions import WAY_KINDS, Question, told_speed_m_s
from micalign.units import METRES, show_db, show_hz, show_length, show_ms, show_speed

__all__ = ["LESSON_TEMPERATURE_C", "Case", "case_document", "lesson_page", "question_page", "questions"]

_KINDS: Final = tuple(kind for kind in chain(*zip_longest(COMB_KINDS, WAY_KINDS)) if kind is not None)
LESSON_TEMPERATURE_C: Final = 20.0
QUESTIONS_IN_PAGE: Final = 30
_STEPS: Final = {"m": 0.005, "cm": 0.5, "mm": 5.0, "ft": 0.02, "in": 0.25}


def questions(count: int, *, seed: int = 1, unit: str = "cm") -> tuple[Question, ...]:
    """So many questions, the kinds in turn.

    Parameters
    ----------
    count : int
    seed : int
    unit : {"m", "cm", "mm", "ft", "in"}
        For the lengths.

    Examples
    --------
    >>> questions(1)[0].text == questions(3)[0].text
    True
    >>> len({question.text for question in questions(20)})
    20
    """
    rng = random.Random(seed)
    made: list[Question] = []
    turn = 0
    while len(made) < count:
        question = _KINDS[turn % len(_KINDS)](rng, unit)
        turn += 1
        # Twice the same is no exercise; a very long sheet may run out of new ones.
        if question not in made or turn > 20 * count:
            made.append(question)
    return tuple(made)


def question_page(asked: Sequence[Question], *, answers: bool, seed: int, unit: str = "cm") -> str:
    """The question sheet, or with ``answers`` the answer sheet."""
    title = "Combs: answers" if answers else "Combs: questions"
    speed = show_speed(told_speed_m_s(unit), unit)
    values = {"title": title, "questions": asked, "answers": answers, "seed": seed, "speed": speed}
    return page("questions.html.j2", values)


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
    figures: Mapping[str, str], sounds: Sequence[Sound], *, case: Case | None = None, unit: str = "cm", seed: int = 1
) -> str:
    """The lesson as one HTML page that needs no other file; its script makes its sounds, and without it they are there.

    Parameters
    ----------
    figures : mapping of name to str
        ``<svg>`` elements of ours (`figures.style.inline_svg`), written as they are.
    sounds : sequence of Sound
        For a reader whose browser runs no script.
    case : Case, optional
        The student's own.
    unit : str
        Of the lengths, where there is no case.
    seed : int
        Of the questions.
    """
    speed = speed_of_sound(LESSON_TEMPERATURE_C)
    unit = case.unit if case else unit
    asked = guesses(unit, speed)
    clicks = [sound for sound in sounds if sound.kind == "click"]
    values = {
        "title": "One sound, twice: a lesson on comb filtering",
        "figures": {name: Markup(svg) for name, svg in figures.items()},
        "sounds": [{"title": sound.title, "address": _address(sound)} for sound in sounds],
        "hearing": HEARING_WORDS,
        "target": f"{TARGET_LUFS:.0f} LUFS",
        "click_loudness": f"{clicks[0].loudness_lufs:.0f} LUFS" if clicks else "",
        "own": _own_words(case, speed) if case else None,
        "data": _live_values(case, unit, speed) | {"guesses": [guess.document() for guess in asked]},
        "guesses": {guess.idea: guess for guess in asked},
        "speed": show_speed(speed, unit),
        "temperature": f"{LESSON_TEMPERATURE_C:.0f} °C" + (" (68 °F)" if unit in {"ft", "in"} else ""),
        "per_ms": show_length(speed / 1e3, unit),
        "delay_rows": [_delay_row(delay_ms / 1e3, unit, speed) for delay_ms in (0.1, 0.5, 1.0, 2.0, 5.0, 10.0)],
        "level_rows": [_level_row(level_db) for level_db in LEVEL_ROWS_DB],
        "third": {"notch": show_db(notch_depth_db(9.542425)), "peak": show_db(peak_height_db(9.542425), sign=True)},
        "steps": [show_length(length, unit) for length in _steps_m(unit)],
        "off": [_distance_words(length, unit, speed) for length in _steps_m(unit)],
        "wool": "2 in" if unit in {"ft", "in"} else show_length(0.05, unit),
        "questions": questions(QUESTIONS_IN_PAGE, seed=seed, unit=unit),
        "question_speed": show_speed(told_speed_m_s(unit), unit),
    }
    return page("lesson.html.j2", values)


def _steps_m(unit: str) -> tuple[float, float]:
    """A step by the arrow keys, and a long one: 1 and 10 cm, or half an inch and 4."""
    return (METRES["in"] / 2, 4 * METRES["in"]) if unit in {"ft", "in"} else (METRES["cm"], 10 * METRES["cm"])


def _address(sound: Sound) -> str:
    return audio_address(flac_bytes(sound.samples, sample_rate=RATE), "audio/flac")


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


def _distance_words(metres: float, unit: str, speed: float) -> dict[str, str]:
    delay = metres / speed
    return {"length": show_length(metres, unit), "delay": show_ms(delay), "notch": show_hz(0.5 / delay)}


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
    unit = "ft" if case.unit in {"ft", "in"} else "m"
    near, far = (length / METRES[unit] for length in sorted(case.distances_m))
    return [
        f"longer way   = {far:.3f} {unit} − {near:.3f} {unit} = {far - near:.3f} {unit}",
        f"delay        = {far - near:.3f} {unit} / {speed / METRES[unit]:.1f} {unit}/s = {case.delay_s * 1e3:.3f} ms",
        f"weaker by    = 20 log10({far:.3f} / {near:.3f}) = {case.level_difference_db:.2f} dB",
    ]


def _live_values(case: Case | None, unit: str, speed: float) -> dict[str, Any]:
    """What the page's script needs to begin with; distances in metres, steps of the controls in the reader's unit."""
    given = case or Case(0.001)
    near, far = given.distances_m or (0.50, 0.50 + given.delay_s * speed)
    last_delay_ms = max(10.0, math.ceil(1.5 * given.delay_s * 1e3))
    farthest_m = max(5.0, 1.5 * far, min(near, far) + last_delay_ms / 1e3 * speed)
    return {
        "distances_m": [near, far],
        "angles": [0.42, -0.16],  # radians from the sound: the mics stand apart also where their distances agree
        "level_db": given.level_difference_db,
        "delay_ms": given.delay_s * 1e3,
        "last_delay_ms": last_delay_ms,
        "nearest_m": min(near, far, 0.02),
        "farthest_m": farthest_m,
        "farthest": math.ceil(farthest_m / METRES[unit]),
        "step": _STEPS[unit],
        "steps_m": _steps_m(unit),
        "unit": unit,
        "metres_per_unit": METRES[unit],
        "speed_m_s": speed,
    }
