from __future__ import annotations

import wave
from pathlib import Path

import pytest
from commands import micalign

from micalign.scene.quantities import unit_in


@pytest.mark.slow
def test_a_lesson_is_a_page_its_figures_and_its_sounds(tmp_path: Path) -> None:
    out = tmp_path / "lesson"
    document = micalign("explain", "-o", out, "--delay-ms", "1.9", "--questions", "4", "--json").document
    names = {str(Path(file).relative_to(out)) for file in document["files"]}
    assert {"index.html", "questions.html", "answers.html", "figures/own.svg", "sounds/noise-own.wav"} <= names
    page = (out / "index.html").read_text()
    # The page needs none of the files beside it: without a script it plays what it holds.
    assert page.count('src="data:audio/flac;base64,') == sum(name.endswith(".wav") for name in names)
    assert len(page.encode()) < 8e6
    for name in names:
        if name.endswith(".wav"):
            with wave.open(str(out / name)) as sound:
                assert (sound.getnchannels(), sound.getsampwidth(), sound.getframerate()) == (1, 2, 48000)
    assert document["case"]["notches_hz"][0] == pytest.approx(1000 / 3.8)
    assert micalign("explain", "-o", out, "--delay-ms", "1.9").status == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--distances", "30 cm", "30 cm"], "equal distances make no comb"),
        (["--distances", "30 cm", "far"], "--distances"),
        (["--distances", "-3", "5", "--unit", "cm"], "between 1 mm and 100 m"),
        (["--distances", "1 m", "2 m", "--delay-ms", "3"], "not both"),
        (["--delay-ms", "0"], "range"),
        (["--delay-ms", "nan"], "--delay-ms"),
        (["--questions", "0"], "range"),
    ],
)
def test_a_case_that_cannot_be_is_refused_in_a_sentence(arguments: list[str], words: str, tmp_path: Path) -> None:
    said = micalign("explain", "-o", tmp_path / "lesson", *arguments)
    assert said.status == 2
    assert words in said.err
    assert not (tmp_path / "lesson").exists()


@pytest.mark.parametrize(
    ("text", "unit"),
    [("30 cm", "cm"), ("3 ft 5 in", "ft"), ("41 in", "in"), ("1.2 metres", "m"), ("3' 5\"", "ft"), ("12", None)],
)
def test_the_lesson_speaks_the_unit_it_was_asked_in(text: str, unit: str | None) -> None:
    assert unit_in(text) == unit


def test_the_name_of_a_page_is_no_folder_for_the_lesson(tmp_path: Path) -> None:
    said = micalign("explain", "-o", tmp_path / "lesson.html")
    assert said.status == 2
    assert "the lesson is a folder" in said.err
    assert not (tmp_path / "lesson.html").exists()
