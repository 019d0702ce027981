"""A sentence that is the same for several tracks stands once, with their names."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile
from bench.alignment.moved_mics import moved
from bench.delay import realkit, realtakes
from commands import micalign

SENTENCE = "as where a mic is moved"


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> list[Path]:
    """An overhead that was moved in mid-take, and what hears the kit beside it."""
    folder = tmp_path_factory.mktemp("moved")
    kit = realkit.RealKit(Path(__file__).parents[1] / "external" / "realkit")
    take = realtakes.groove(kit, "rock", seed=3, seconds=20)
    sounds = {
        "oh l": moved(take.mics["OHL"], 0.5, 2e-3, take.rate),
        "oh r": take.mics["OHR"],
        "snare": take.mics["Snare_top"],
        "hat": take.mics["Hihat"],
    }
    for name, sound in sounds.items():
        soundfile.write(folder / f"{name}.wav", sound, take.rate, subtype="PCM_24")
    return [folder / f"{name}.wav" for name in sounds]


def test_measure_and_align_say_it_of_all_at_once(files, tmp_path):
    asked = micalign("measure", *files)
    assert asked.status == 1
    done = micalign("align", *files, "-o", tmp_path / "aligned")
    assert done.status == 1
    for said in (asked.out, done.out, done.err):
        assert " ".join(said.split()).count(SENTENCE) == 1
    assert asked.out.count("the same as 'oh r.wav'") == 2
    assert done.out.count("the same as 'oh r.wav'") == 2
    names = "'oh r.wav', 'snare.wav' and 'hat.wav' were not moved: 'oh l.wav' comes"
    assert names in " ".join(done.err.split())
    # A document keeps each track whole.
    rows = micalign("measure", *files, "--json").document["tracks"]
    assert all(SENTENCE in row["reason"] for row in rows)
