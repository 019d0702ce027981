"""A bass's DI and its cabinet's mic as files: where their lows add, and what an all-pass turns."""

from __future__ import annotations

import json
import re
from pathlib import Path
from types import SimpleNamespace

import pytest
import soundfile
from commands import micalign
from di_takes import bass_take

from micalign.cli.cmd_align import _show_aligned
from micalign.report import align_words, measure_words

RATE = 48000


@pytest.fixture(scope="module")
def bass(tmp_path_factory) -> Path:
    """A DI and its cabinet's mic, which turns the lows: in step by delay, they sum worse there than as recorded."""
    made = tmp_path_factory.mktemp("bass")
    take = bass_take(109)
    soundfile.write(made / "di.wav", take.di, RATE, subtype="PCM_24")
    soundfile.write(made / "mic.wav", take.mic, RATE, subtype="PCM_24")
    return made


def test_a_di_and_its_mic_are_laid_where_their_lows_add_and_three_ways_are_told(bass, tmp_path):
    said = micalign("align", bass / "mic.wav", bass / "di.wav", "-o", tmp_path / "out", "--json")
    (told,) = said.document["sums"]
    ways = {one["way"]: one for one in told["ways"]}
    assert ways["delay"]["lows_db"] >= ways["as recorded"]["lows_db"] - 0.5
    assert sum(one["recommended"] for one in told["ways"]) == 1
    assert said.document["tracks"][0]["shift_s"] == pytest.approx(-told["best_sum_s"], abs=1e-9)
    by_arrival = micalign("align", bass / "mic.wav", bass / "di.wav", "-o", tmp_path / "a", "--json", "--by", "arrival")
    assert by_arrival.document["tracks"][0]["shift_s"] == pytest.approx(-told["arrival_s"], abs=1e-9)


def test_a_matched_phase_is_told_in_frequencies_and_in_what_the_sum_gains(bass, tmp_path):
    """In either order it is the DI that is filtered."""
    for number, order in enumerate((("mic.wav", "di.wav"), ("di.wav", "mic.wav"))):
        files = [bass / name for name in order]
        said = micalign("align", *files, "-o", tmp_path / f"out{number}", "--match-phase")
        words = " ".join(said.out.split())
        assert "Phase of di.wav: a loudspeaker turns low notes further than high ones" in words
        assert re.search(r"All-pass at [\d.]+ Hz \(Q [\d.]+\)", words)
        assert "--match-phase" not in said.out


@pytest.mark.parametrize("order", [("mic.wav", "di.wav"), ("di.wav", "mic.wav")])
@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--max-shift-ms", "0.5"), "since '{track}' is not moved"),
        (("--max-shift-ms", "9.2", "--by", "arrival"), "with it '{track}' would be moved by"),
    ],
)
def test_a_phase_is_matched_with_the_shift_that_belongs_to_it_or_not_at_all(bass, tmp_path, order, options, words):
    """Without the first the lows are turned, yet the tracks lie as recorded; nothing moves that is not applied."""
    files = [bass / name for name in order]
    micalign("align", *files, "-o", tmp_path, "--match-phase", *options)
    sheet = json.loads((tmp_path / "offsets.json").read_text())
    assert (sheet["phases"], [row["all_pass"] for row in sheet["tracks"]]) == ([], [[], []])
    assert "no all-pass turns 'di.wav'" in sheet["compromise"]
    assert words.format(track=order[1]) in sheet["compromise"]
    (moved,) = (row for row in sheet["tracks"] if row["track"] == order[1])
    assert moved["applied"] is (moved["shift_s"] != 0.0)
    assert moved["applied"] or not moved["polarity_flip"]


def test_of_a_pair_whose_phase_is_left_it_is_not_said_to_be_turned(monkeypatch):
    """Of two DIs on one mic sections may go on one alone."""
    told = {}
    nothing = dict.fromkeys(("gain_table", "remain_table", "shift_table", "words"), lambda *_, **__: "")
    for module, names in ((align_words, nothing), (measure_words, {"sum_table": lambda _: ""})):
        for name, make in names.items():
            monkeypatch.setattr(module, name, make)
    monkeypatch.setattr(measure_words, "sum_words", lambda one, *, matched: told.update({one.filtered: matched}) or [])
    sums = [SimpleNamespace(filtered=name) for name in ("bass di", "guitar di")]
    offsets = SimpleNamespace(phases=({"track": "bass di"},))
    _show_aligned(
        SimpleNamespace(offsets=offsets, sums=sums, remains=(), folder=None, previews=()), as_json=False, thirds=False
    )
    assert told == {"bass di": True, "guitar di": False}


def test_a_reference_that_is_named_again_is_told(bass: Path) -> None:
    """It is held against itself, as is asked; nobody takes its 0 ms for a finding."""
    said = micalign("measure", bass / "di.wav", bass / "di.wav", bass / "mic.wav")
    assert "'di.wav' is named twice" in said.err
    assert "named twice" not in micalign("measure", bass / "di.wav", bass / "mic.wav").err


def test_with_a_silent_reference_every_file_is_as_recorded_and_why_is_told(bass: Path, tmp_path: Path) -> None:
    """A whole set is written all the same, so that it is plain that it holds nothing new."""
    soundfile.write(tmp_path / "mute.wav", [0.0] * (3 * RATE), RATE, subtype="PCM_24")
    said = micalign("align", tmp_path / "mute.wav", bass / "di.wav", bass / "mic.wav", "-o", tmp_path / "out")
    assert said.status == 1
    told = " ".join(said.out.split())
    assert "Chosen: nothing was moved, every file is as recorded: each remark says why." in told
    assert "'mute.wav' is silent" in told
