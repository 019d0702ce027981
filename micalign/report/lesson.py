"""What does the lesson say, with which numbers, what does it let a reader guess, and what does it ask a class?

Everything here is worked out by `micalign.acoustics`. One guess for each idea: a `Guess` names a place to begin from
and a goal, and the answer comes when the reader has moved there; lengths are in the reader's unit. The same seed gives
the same questions; the kinds come in turn, one on the comb and one on the way of the sound.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, zip_longest
from typing import Any, Final

from markupsafe import Markup

from micalign.acoustics.arrivals import speed_of_sound
from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz
from micalign.figures.late_copies import Copy
from micalign.figures.lesson_pictures import LEVEL_ROWS_DB
from micalign.files.encode import flac_bytes
from micalign.report.check_words import TEMPERATURE_C, TwoPaths
from micalign.report.page import HEARING_WORDS, audio_address, page
from micalign.report.quiz import COMB_KINDS, WAY_KINDS, Question, stated_speed_m_s
from micalign.report.sounds import RATE, TARGET_LUFS, Sound
from micalign.units import METRES, show_db, show_hz, show_length, show_ms, show_speed

__all__ = [
    "Case",
    "Guess",
    "case_document",
    "guesses",
    "lesson_page",
    "question_page",
    "questions",
]


@dataclass(frozen=True, slots=True)
class Guess:
    """A question with its choices, of which number ``right`` is right, and ``why``.

    ``bind`` is the control to move, ``start`` where it begins, ``goal`` the range in which the answer comes:
    ``delay_ms``, ``level_db`` or ``flipped``. ``task`` says what to do.
    """

    idea: str
    question: str
    choices: tuple[str, ...]
    right: int
    why: str
    task: str
    bind: str
    start: dict[str, Any]
    goal: dict[str, Any]

    @property
    def answer(self) -> str:
        """The right choice."""
        return self.choices[self.right]

    def document(self) -> dict[str, Any]:
        """What the page's script needs, JSON-ready."""
        return {
            "choices": list(self.choices),
            "right": self.right,
            "why": self.why,
            "start": self.start,
            "goal": self.goal,
        }


def guesses(unit: str, speed_m_s: float) -> tuple[Guess, ...]:
    """One for each of the lesson's ideas, in its order.

    Parameters
    ----------
    unit : {"m", "cm", "mm", "ft", "in"}
    speed_m_s : float

    Examples
    --------
    >>> [guess.answer for guess in guesses("cm", 344.0)][:3]
    ['500 Hz', 'it falls to 250 Hz, and the notches lie twice as close', '-6.0 dB']
    """
    return tuple(make(unit, speed_m_s) for make in _IDEAS)


def _late(_unit: str, _speed: float) -> Guess:
    first = float(notches_hz(0.001)[0])
    return Guess(
        "late",
        "A copy comes 1 ms late, equally loud. Where will the first notch be?",
        (show_hz(first / 2), show_hz(first), show_hz(2 * first), show_hz(4 * first)),
        1,
        "Half a period of it lasts 1 ms: there the copy comes upside down.",
        "Make the copy 1 ms late.",
        "delay",
        _begin(0.2, 0.0),
        {"delay_ms": [0.98, 1.02]},
    )


def _double(_unit: str, _speed: float) -> Guess:
    first = show_hz(float(notches_hz(0.002)[0]))
    return Guess(
        "where",
        "The copy is 1 ms late, the first notch at 500 Hz. What does twice the delay do to it?",
        ("it rises to 1.00 kHz", "it stays, and is deeper", f"it falls to {first}, and the notches lie twice as close"),
        2,
        "Notches lie at 1, 3, 5 ... times 1 / (2 × delay): twice the delay, half of each.",
        "Make the copy 2 ms late.",
        "delay",
        _begin(1.0, 0.0),
        {"delay_ms": [1.97, 2.03]},
    )


def _weaker(_unit: str, _speed: float) -> Guess:
    depth = notch_depth_db(6.0)
    return Guess(
        "level",
        "The copy is 6 dB weaker: half as large. How deep are the notches now, against the louder one alone?",
        ("still total", show_db(2 * depth), show_db(depth), show_db(depth / 2)),
        2,
        "Half is taken from one: half is left, 6 dB down. The peaks are one and a half: "
        f"{show_db(peak_height_db(6.0), sign=True)}.",
        "Make the copy 6 dB weaker.",
        "level",
        _begin(1.0, 0.0),
        {"level_db": [5.9, 6.1]},
    )


def _flip(_unit: str, _speed: float) -> Guess:
    return Guess(
        "polarity",
        "The copy is 1 ms late. You flip its polarity. Where does the lowest notch go?",
        ("nowhere: a flip changes no pitch", "to 0 Hz: the bass goes", "to 250 Hz", "to 1.00 kHz, and the bass stays"),
        1,
        "What pushed now pulls: notches and peaks change places, and the lowest peak was at 0 Hz.",
        "Flip the copy.",
        "flipped",
        _begin(1.0, 0.0),
        {"flipped": True},
    )


def _third(_unit: str, _speed: float) -> Guess:
    third_db = 20.0 * math.log10(3.0)
    swing = peak_height_db(third_db) - notch_depth_db(third_db)
    return Guess(
        "spacing",
        f"The other voice comes three times as far: {third_db:.1f} dB weaker. How far do peaks and notches still "
        "stand apart?",
        ("0 dB: the rule removes the comb", f"about {swing / 3:.0f} dB", f"about {swing:.0f} dB"),
        2,
        f"{show_db(peak_height_db(third_db), sign=True)} and {show_db(notch_depth_db(third_db))}: "
        "the rule makes the comb shallow and leaves it there.",
        f"Make the copy {third_db:.1f} dB weaker.",
        "level",
        _begin(2.0, 0.0),
        {"level_db": [9.4, 9.7]},
    )


def _off(unit: str, speed: float) -> Guess:
    off_m = 4 * METRES["in"] if unit in {"ft", "in"} else 0.10
    late_ms = 1e3 * off_m / speed
    first = float(notches_hz(late_ms / 1e3)[0])
    return Guess(
        "equal",
        f"Two mics at the same distance: no comb. One now stands {show_length(off_m, unit)} further away. Where is the "
        "first notch?",
        tuple(show_hz(first * part) for part in (0.1, 1.0, 10.0)),
        1,
        f"{show_length(off_m, unit)} of air take {late_ms:.2f} ms; 1 / (2 × {late_ms:.2f} ms).",
        f"Move the second mic {show_length(off_m, unit)} away from the first's distance.",
        "second",
        _begin(0.0, 0.0) | {"first_m": 40 * METRES["in"] if unit in {"ft", "in"} else 1.0},
        {"delay_ms": [0.97 * late_ms, 1.03 * late_ms]},
    )


def _wire(unit: str, speed: float) -> Guess:
    return Guess(
        "direct",
        f"The cab's mic stands {show_length(speed / 1e3, unit)} away: 1 ms of air. The DI takes the same bass at once. "
        "What makes the two add?",
        ("flip the mic", "move the DI 1 ms later", "move the mic 1 ms later"),
        1,
        "The wire waits for the air: both then say the same at the same moment, and there is no comb.",
        "Lay one onto the other: bring the delay that is left to 0 ms.",
        "delay",
        _begin(1.0, 0.0),
        {"delay_ms": [0.0, 0.012]},
    )


def _floor(unit: str, speed: float) -> Guess:
    inches = unit in {"ft", "in"}
    height, apart = (48 * METRES["in"], 40 * METRES["in"]) if inches else (1.2, 1.0)
    late_ms = 1e3 * (math.hypot(apart, 2 * height) - apart) / speed
    first = float(notches_hz(late_ms / 1e3)[0])
    return Guess(
        "mirror",
        f"Voice and mic stand {show_length(height, unit)} above a hard floor, {show_length(apart, unit)} apart. Where "
        "does the floor cut its first notch?",
        tuple(show_hz(first * part) for part in (1.0, 3.0, 9.0)),
        0,
        f"By way of the floor it is √({show_length(apart, unit)}² + (2 × {show_length(height, unit)})²): "
        f"{late_ms:.2f} ms longer.",
        f"The longer way costs {late_ms:.2f} ms: make the copy so late.",
        "delay",
        _begin(1.0, 6.0),
        {"delay_ms": [late_ms - 0.06, late_ms + 0.06]},
    )


def _begin(delay_ms: float, level_db: float) -> dict[str, Any]:
    return {"delay_ms": delay_ms, "level_db": level_db, "flipped": False, "first_m": 0.5}


_IDEAS: Final[tuple[Callable[[str, float], Guess], ...]] = (
    _late,
    _double,
    _weaker,
    _flip,
    _third,
    _off,
    _wire,
    _floor,
)


_KINDS: Final = tuple(kind for kind in chain(*zip_longest(COMB_KINDS, WAY_KINDS)) if kind is not None)
QUESTIONS_IN_PAGE: Final = 30  # one of each kind and one more
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
    speed = show_speed(stated_speed_m_s(unit), unit)
    values = {"title": title, "questions": asked, "answers": answers, "seed": seed, "speed": speed}
    return page("questions.html.j2", values)


@dataclass(frozen=True, slots=True)
class Case(TwoPaths):
    """A copy of a sound in the reader's own unit.

    Examples
    --------
    >>> case = Case.from_distances(0.30, 0.95, unit="cm")
    >>> round(case.delay_s * 1e3, 3), round(case.level_difference_db, 2)
    (1.89, 10.01)
    """

    unit: str = "cm"

    @classmethod
    def from_distances(cls, first_m: float, second_m: float, *, unit: str = "cm") -> Case:
        """The copy of a mic that stands further from the source, in free field."""
        return replace(cls.of_distances(first_m, second_m), unit=unit)

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
        "speed_of_sound_m_s": speed_of_sound(TEMPERATURE_C),
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
    speed = speed_of_sound(TEMPERATURE_C)
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
        "temperature": f"{TEMPERATURE_C:.0f} °C" + (" (68 °F)" if unit in {"ft", "in"} else ""),
        "per_ms": show_length(speed / 1e3, unit),
        "delay_rows": [_delay_row(delay_ms / 1e3, unit, speed) for delay_ms in (0.1, 0.5, 1.0, 2.0, 5.0, 10.0)],
        "level_rows": [_level_row(level_db) for level_db in LEVEL_ROWS_DB],
        "third": {"notch": show_db(notch_depth_db(9.542425)), "peak": show_db(peak_height_db(9.542425), sign=True)},
        "steps": [show_length(length, unit) for length in _steps_m(unit)],
        "off": [_distance_words(length, unit, speed) for length in _steps_m(unit)],
        "wool": "2 in" if unit in {"ft", "in"} else show_length(0.05, unit),
        "questions": questions(QUESTIONS_IN_PAGE, seed=seed, unit=unit),
        "question_speed": show_speed(stated_speed_m_s(unit), unit),
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
