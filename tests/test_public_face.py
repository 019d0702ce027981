"""What a notebook calls: names that stay what they are, results that print short, arrays in and arrays out."""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import micalign
from micalign import (
    Mic,
    MicalignError,
    Pattern,
    Scene,
    SceneError,
    Source,
    Tape,
    Track,
    align,
    check,
    measure,
    place,
    predict,
    read_scene,
    survey,
)
from micalign.simulate.virtual_take import simulate
from micalign.units import Listing, Shown

SCENES = sorted((Path(__file__).parents[1] / "scenes").glob("*.toml"))
KIT = next(path for path in SCENES if path.stem == "jazz-kit")
RATE = 48000


def _late(rng: np.random.Generator, samples: int = 48) -> dict[str, np.ndarray]:
    """One noise in two tracks, ``samples`` later and inverted in the second."""
    noise = rng.normal(scale=0.1, size=60_000)
    return {"near": noise[1000:49_000], "far": -0.5 * noise[1000 - samples : 49_000 - samples]}


@pytest.mark.parametrize("name", micalign.__all__)
def test_a_public_name_is_no_package_of_ours(name: str) -> None:
    """A package of that name would take its place as soon as anything in it is imported."""
    assert importlib.util.find_spec(f"micalign.{name}") is None
    assert getattr(micalign, name) is getattr(micalign, name)


@pytest.mark.parametrize("path", SCENES, ids=lambda path: path.stem)
def test_results_of_a_scene_print_short_and_whole(path: Path) -> None:
    """A screen of text each, a table in a notebook, and plain values that JSON takes as they are."""
    found = check(read_scene(path))
    given = read_scene(path)
    parts = (found.prediction.arrivals, *((found.prediction.room,) if found.prediction.room else ()))
    for one in (given, survey(given), found, found.prediction, *parts):
        assert len(repr(one)) < 3000
        assert len(repr(one).splitlines()) <= 15
        assert one._repr_html_().count("<tr>") <= 13
        json.dumps(one.to_dict(), allow_nan=False)


def test_many_sources_stay_within_a_screen() -> None:
    """Columns beyond the eighth are counted, and stand in the arrays."""
    sources = tuple(Source(f"voice {n}", (1.0 + 0.5 * n, 2.0, 1.5)) for n in range(30))
    found = predict(Scene(sources=sources, mics=(Mic("room", (4.0, 5.0, 1.8)),)))
    assert "22 more of 30 sources" in repr(found)
    assert max(map(len, repr(found).splitlines())) < 120


def test_a_survey_prints_what_it_found() -> None:
    """A row for each point that tapes fix, with its doubt; a plain document."""
    corners = {"a": (0.0, 0.0, 0.4), "b": (1.0, 0.0, 0.7), "c": (0.0, 1.0, 0.9)}
    tapes = tuple(Tape((name, "over"), length) for name, length in zip(corners, (1.7493, 1.4799, 1.3077), strict=True))
    scene = Scene(sources=tuple(Source(*one) for one in corners.items()), mics=(Mic("over"),), tapes=tapes)
    assert repr(survey(scene)).splitlines()[-1].startswith("over   0.50 m, 0.50 m, 2.00 m")
    assert survey(scene).to_dict()["points"][0]["fixed"] is True


@pytest.mark.parametrize(
    ("made", "said"),
    [
        (lambda: Mic("top", (1.0, 2.0, 3.0), pattern="kardioid"), "did you mean 'cardioid'"),
        (lambda: Mic("top", (1.0, 2.0)), "2 coordinates"),
        (lambda: Mic("top", polarity=0), "polarity 0"),
        (lambda: Source("oud", kind="voise"), "did you mean 'voice'"),
        (lambda: Pattern.named("kardioid"), "did you mean 'cardioid'"),
    ],
)
def test_a_slip_in_a_notebook_is_said_where_it_is_made(made: Callable[[], object], said: str) -> None:
    """Nouns check themselves: one sentence with the mend, not a fault of arithmetic three calls later."""
    with pytest.raises(SceneError, match=said):
        made()


def test_a_placement_prints_its_moves() -> None:
    """Each mic that may move has a row; the figures are in the document, too."""
    found = place(read_scene(KIT))
    assert repr(found).count("\n") == 1 + len(found.moves)
    assert found.to_dict()["moves"][0]["mic"] == found.moves[0].mic


def test_arrays_of_a_prediction_are_its_rows() -> None:
    """Sources by mics, in the order of the scene."""
    found = predict(read_scene(KIT))
    assert found.arrival_s.shape == (len(found.sources), len(found.mics))
    for path in found.paths:
        at = found.sources.index(path.source), found.mics.index(path.mic)
        assert (found.arrival_s[at], found.level_db[at]) == (path.arrival_s, path.level_db)


class _Long(Shown):
    def _listing(self) -> Listing:
        return Listing("<b>\x1b[31m", ("name", "figure"), ((f"<{n}>\x07", str(n)) for n in range(200)), 200)


def test_a_long_list_is_cut_and_counted_and_names_are_harmless() -> None:
    """No name steers a terminal or a page."""
    text, page = repr(_Long()), _Long()._repr_html_()
    assert text.endswith("... and 188 more")
    assert "and 188 more" in page
    assert not {"\x1b", "\x07"} & set(text + page)
    assert "<b>" not in page
    assert "&lt;3&gt;" in page


def test_delay_and_polarity_of_arrays(rng: np.random.Generator) -> None:
    """The delay that was put in, within its own uncertainty and a tenth of a sample; what was given is not changed."""
    tracks = _late(rng)
    before = {name: samples.copy() for name, samples in tracks.items()}
    found = measure(tracks, sample_rate=RATE)
    assert abs(found.delay_s[0] * RATE - 48) < 0.1
    assert (found.polarity.tolist(), found.reliable.tolist(), found.tracks) == ([-1], [True], ("far",))
    assert found.polarity_clear.tolist() == [True]
    assert measure(tracks, sample_rate=RATE, reference="far").delay_s[0] == pytest.approx(-found.delay_s[0], abs=1e-7)
    assert all(np.array_equal(tracks[name], before[name]) for name in tracks)


@pytest.mark.parametrize("keep_all", [False, True])
def test_aligned_arrays_meet(rng: np.random.Generator, keep_all: bool) -> None:
    """Sample ``pad_samples`` of all rows is the reference's first; with ``keep_all`` nothing is cut off."""
    tracks = _late(rng)
    done = align(tracks, sample_rate=RATE, whole_samples=True, keep_all=keep_all)
    assert done.pad_samples == (48 if keep_all else 0)
    near, far = done.samples
    first = done.pad_samples
    assert np.array_equal(near[first : first + 48_000], tracks["near"])
    assert np.array_equal(far[first : first + 47_952], -tracks["far"][48:])
    if keep_all:
        assert np.array_equal(far[:48], -tracks["far"][:48])


def test_a_scene_tells_sources_apart_in_memory() -> None:
    """The same shifts as the calls below the command line find; the pair moves as one."""
    scene = read_scene(KIT)
    take = simulate(scene, seconds=12.0).tracks
    done = align(take, scene=scene, sample_rate=RATE)
    assert done.measurement is not None
    assert done.measurement.sources is not None
    left, right = (done.tracks.index(name) for name in scene.pairs[0].mics)
    assert done.shift_s[left] == done.shift_s[right]
    assert done.samples.shape[0] == len(take)
    assert done.remains


@pytest.mark.parametrize(
    ("tracks", "rate", "words"),
    [
        ({"a": [0.0], "b": [0.0]}, None, "give sample_rate"),
        ({"a": [0.0, np.nan], "b": [0.0, 0.0]}, RATE, "no number"),
        ({"a": np.zeros((2, 100)), "b": np.zeros(100)}, RATE, "one channel"),
        ({"a": np.zeros(100)}, RATE, "needs two"),
        ([Track.from_array("a", [0.0], RATE), Track.from_array("b", [0.0], 44_100)], None, "44100"),
    ],
)
def test_what_cannot_be_measured_is_said(tracks: object, rate: int | None, words: str) -> None:
    """One sentence, never a traceback of numpy's."""
    with pytest.raises(MicalignError, match=words):
        measure(tracks, sample_rate=rate)  # type: ignore[arg-type]
