from __future__ import annotations

import cmath
import math
import re
from collections.abc import Callable

import pytest

from micalign.report.lesson import Case, case_document, guesses, lesson_page, question_page, questions
from micalign.report.sounds import Sound, noise

SPEEDS = {"cm": 344.0, "m": 344.0, "in": 1129 * 0.3048, "ft": 1129 * 0.3048}

FIGURES = dict.fromkeys(
    ("own", "waves", "delays", "depth", "polarity", "spacing", "equal", "direct", "mirror"), "<svg></svg>"
)


def page(case: Case | None = None) -> str:
    kinds = ["dry", "0.5ms", "1ms", "5ms", "1ms-6db", "1ms-9.5db", "1ms-flipped", "own", "sweep"]
    sounds = [
        Sound(f"{kind}-{name}", kind, f"{kind} {name}", noise(0.05))
        for kind in ("noise", "click", "string")
        for name in kinds
    ]
    return lesson_page(FIGURES, sounds, case=case)


def test_two_distances_become_delay_and_level() -> None:
    case = Case.from_distances(0.95, 0.30)
    # Cramer's 343.99 m/s at 20 degrees and 50 % humidity.
    assert case.delay_s == pytest.approx(0.65 / 343.99, rel=1e-4)
    assert case.level_difference_db == pytest.approx(10.0118, abs=1e-3)
    document = case_document(case)
    assert document["notches_hz"][0] == pytest.approx(343.99 / 1.3, rel=1e-4)
    assert document["notch_depth_db"] == pytest.approx(-3.297, abs=1e-3)


def test_the_own_case_is_worked_out_on_the_page() -> None:
    text = page(Case.from_distances(0.30, 0.95))
    assert "one at 30 cm, the other at 95 cm" in text
    assert "delay        = 0.650 m / 344.0 m/s = 1.890 ms" in text
    assert "first notch  = 1 / (2 × 1.890 ms) = 265 Hz" in text


def test_the_table_of_levels_has_the_published_figures() -> None:
    # Closed form 20 log10(1 +- g); Everest and Pohlmann give +6 dB and the null.
    text = page()
    rows = re.findall(r'<tr><td class="n">([\d.]+ dB)</td><td class="n">(.+?)</td><td class="n">(.+?)</td>', text)
    assert ("0 dB", "+6.0 dB", "total") in rows
    assert ("6 dB", "+3.5 dB", "-6.0 dB") in rows
    assert ("20 dB", "+0.8 dB", "-0.9 dB") in rows
    assert len(rows) == 7


def test_the_lesson_tells_to_mind_ears_mains_and_stands() -> None:
    text = page()
    for words in ("85 dBA for 8 h", "NIOSH", "valve amp", "protective earth", "counterweight", "licensed"):
        assert words in text


def test_the_same_seed_asks_the_same_and_another_seed_otherwise() -> None:
    assert questions(12, seed=3) == questions(12, seed=3)
    assert questions(12, seed=3) != questions(12, seed=4)
    assert len(questions(200)) == 200


@pytest.mark.parametrize("unit", ["cm", "m", "in", "ft"])
@pytest.mark.parametrize("seed", range(5))
def test_answers_follow_from_what_is_told(unit: str, seed: int) -> None:
    """Worked again from the words of the question alone."""
    metres = {"m": 1.0, "cm": 0.01, "in": 0.0254, "ft": 0.3048}

    def lengths(text: str) -> list[float]:
        found = re.findall(r"(?:(\d+) ft)?(?: ?(\d+) in)|(\d+) ft|([\d.]+) (cm|m)\b", text)
        return [
            int(feet or whole or 0) * 0.3048 + int(inches or 0) * 0.0254 + float(plain or 0) * metres.get(name, 0)
            for feet, inches, whole, plain, name in found
        ]

    speed = SPEEDS[unit]
    for question in questions(58, seed=seed, unit=unit):
        text = question.text
        kinds = [kind for kind in _WORKED if kind in text]
        assert len(kinds) == 1, (text, kinds)
        told = _Told(text, speed, lengths(text))
        assert question.value == pytest.approx(_WORKED[kinds[0]](told), abs=1e-9), text
        if kinds == ["three to one"]:
            assert question.answer.startswith("yes" if question.value >= 3 - 1e-9 else "no")


class _Told:
    """The figures of a question, read from its words alone: metres, ms, Hz, dB."""

    def __init__(self, text: str, speed: float, metres: list[float]) -> None:
        self.text, self.speed, self.m = text, speed, metres
        self.ms, self.hz, self.db = (
            [float(value) for value in re.findall(rf"([\d.]+) {unit}\b", text)] for unit in ("ms", "Hz", "dB")
        )


def _place(text: str) -> int:
    return ["second", "third", "fourth"].index(re.findall("second|third|fourth", text)[0])


def _notches_below(delay_ms: float, upper_khz: float) -> int:
    return sum((2 * n + 1) / (2 * delay_ms) < upper_khz - 1e-9 for n in range(1000))


_WORKED: dict[str, Callable[[_Told], float]] = {
    "first notch of their sum": lambda q: (q.m[1] - q.m[0]) / q.speed,
    "How much weaker": lambda q: 20 * math.log10(q.m[1] / q.m[0]),
    "equally loud. Where is the first notch": lambda q: 500 / q.ms[0],
    "polarity is flipped": lambda q: 1000 / q.ms[0],
    "three to one": lambda q: q.m[1] / q.m[0],
    "hard floor": lambda q: q.speed / 2 / ((q.m[1] ** 2 + (2 * q.m[0]) ** 2) ** 0.5 - q.m[1]),
    "bass cab": lambda q: q.m[0] / q.speed - q.ms[0] / 1e3,
    "How many milliseconds": lambda q: 0.5 / q.hz[0],
    "lifts most": lambda q: 1000 / q.ms[0],
    "How deep are the notches of the sum and": lambda q: 20 * math.log10(1 - 10 ** (-q.db[0] / 20)),
    "How long is one wave": lambda q: q.speed / q.hz[0],
    "from a kick": lambda q: q.m[0] / q.speed,
    "takes a tone": lambda q: 0.5 / q.hz[0],
    "lifts a tone": lambda q: 1 / q.hz[0],
    "counted from the lowest": lambda q: 1000 * (1.5 + _place(q.text)) / q.ms[0],
    "neighbouring notches": lambda q: 1000 / q.ms[0],
    "How many notches": lambda q: _notches_below(q.ms[0], float(re.findall(r"(\d+) kHz", q.text)[0])),
    "On an analyser": lambda q: 1 / q.hz[0],
    "between the peaks and the notches": lambda q: (
        20 * math.log10((1 + 10 ** (-q.db[0] / 20)) / (1 - 10 ** (-q.db[0] / 20)))
    ),
    "turned up": lambda q: 20 * math.log10(1 - 10 ** ((q.db[1] - q.db[0]) / 20)),
    "along its string": lambda q: q.m[1] - q.m[0],
    "agree within": lambda q: q.ms[0] / 1e3 * q.speed,
    "the trade's rule": lambda q: 3 * q.m[0],
    "How many samples": lambda q: q.ms[0] / 1e3 * float(re.findall(r"at (\d+) samples", q.text)[0]),
    "A plug-in": lambda q: float(re.findall(r"by (\d+)", q.text)[0]) / float(re.findall(r"at (\d+)", q.text)[0]),
    "behind it": lambda q: q.speed / (4 * q.m[0]),
    "how much louder": lambda q: 20 * math.log10(abs(1 + cmath.exp(-2j * math.pi * q.hz[0] * q.ms[0] / 1e3))),
    "above and below a snare": lambda q: 20 * math.log10(1 - 10 ** (-q.db[0] / 20)),
    "Out of doors": lambda q: q.m[-1] / (331.3 * math.sqrt(1 + float(re.findall(r"at (\d+) °C", q.text)[0]) / 273.15)),
}


def test_thirty_questions_are_of_twenty_kinds_at_least() -> None:
    """A kind is a text without its figures."""
    asked = questions(30, seed=2, unit="in")
    assert len({re.sub(r"[\d./]+|second|third|fourth| ft| in\b", "", question.text) for question in asked}) >= 20


@pytest.mark.parametrize(
    ("unit", "foreign"), [("cm", r"\d (ft|in)\b|ft/s"), ("in", r"\d (c?m)\b|m/s"), ("ft", r"\d (c?m)\b|m/s")]
)
def test_lengths_and_speeds_are_in_the_readers_unit(unit: str, foreign: str) -> None:
    case = Case.from_distances(0.30, 0.95, unit=unit)
    shown = re.sub(r"<(style|script)\b.*?</\1>|data:[^\"]*", "", page(case), flags=re.DOTALL)
    assert re.findall(f".{{30}}(?:{foreign})", shown) == []


@pytest.mark.parametrize("unit", ["cm", "in"])
def test_the_right_choice_of_each_guess_is_the_closed_form(unit: str) -> None:
    speed = 343.99
    off = 0.1016 if unit == "in" else 0.10
    height, apart = (1.2192, 1.016) if unit == "in" else (1.2, 1.0)
    bounce = speed / 2 / (math.hypot(apart, 2 * height) - apart)
    third = 1 / 3
    expected = {
        "late": "500 Hz",
        "where": "it falls to 250 Hz",
        "level": f"{20 * math.log10(1 - 10 ** (-6 / 20)):.1f} dB",
        "polarity": "to 0 Hz",
        "spacing": f"about {20 * math.log10((1 + third) / (1 - third)):.0f} dB",
        "equal": f"{speed / 2 / off / 1e3:.2f} kHz",
        "direct": "move the DI 1 ms later",
        "mirror": f"{bounce:.0f} Hz",
    }
    found = {guess.idea: guess for guess in guesses(unit, speed)}
    assert list(found) == list(expected)
    for idea, answer in expected.items():
        assert found[idea].answer.startswith(answer)
        assert len(set(found[idea].choices)) == len(found[idea].choices)


def test_only_the_answer_sheet_gives_the_answers() -> None:
    asked = questions(6)
    sheet, answers = (question_page(asked, answers=which, seed=1) for which in (False, True))
    for question in asked:
        assert question.answer in answers.replace("&#34;", '"')
        assert f"<strong>{question.answer}" not in sheet
