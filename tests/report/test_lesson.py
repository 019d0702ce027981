from __future__ import annotations

import re

import pytest

from micalign.report.lesson import Case, case_document, lesson_page
from micalign.report.questions import question_page, questions
from micalign.report.sounds import Sound, noise

FIGURES = dict.fromkeys(
    ("own", "waves", "delays", "depth", "polarity", "spacing", "equal", "direct", "mirror"), "<svg></svg>"
)


class _Named(dict):  # type: ignore[type-arg]
    def __missing__(self, name: str) -> str:
        raise AssertionError(f"the lesson has no sound '{name}'")


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

    for question in questions(20, seed=seed, unit=unit):
        text, told = question.text, lengths(question.text)
        milliseconds = [float(value) for value in re.findall(r"([\d.]+) ms", text)]
        if "first notch of their sum" in text:
            assert question.value == pytest.approx((told[1] - told[0]) / 344.0, abs=1e-9)
        elif "How much weaker" in text:
            assert 10 ** (question.value / 20) == pytest.approx(told[1] / told[0])
        elif "equally loud. Where is the first notch" in text:
            assert question.value == pytest.approx(500 / milliseconds[0])
        elif "flipped" in text:
            assert question.value == pytest.approx(1000 / milliseconds[0])
        elif "three to one" in text:
            assert question.value == pytest.approx(told[1] / told[0])
            assert question.answer.startswith("yes" if question.value >= 3 - 1e-9 else "no")
        elif "hard floor" in text:
            longer = (told[1] ** 2 + (2 * told[0]) ** 2) ** 0.5 - told[1]
            assert question.value == pytest.approx(172.0 / longer)
        elif "bass cab" in text:
            assert question.value == pytest.approx(told[0] / 344.0 - milliseconds[0] / 1e3)
        elif "How many milliseconds" in text:
            (notch,) = re.findall(r"(\d+) Hz", text)
            assert question.value == pytest.approx(0.5 / float(notch))
        elif "lifts most" in text:
            assert question.value == pytest.approx(1000 / milliseconds[0])
        else:
            (level,) = re.findall(r"(\d+) dB weaker", text)
            assert 10 ** (question.value / 20) == pytest.approx(1 - 10 ** (-float(level) / 20))


def test_only_the_answer_sheet_gives_the_answers() -> None:
    asked = questions(6)
    sheet, answers = (question_page(asked, answers=which, seed=1) for which in (False, True))
    for question in asked:
        assert question.answer in answers.replace("&#34;", '"')
        assert f"<strong>{question.answer}" not in sheet
