"""What there is to hear of a take: cut from its own moments, both versions equally loud."""

from __future__ import annotations

import numpy as np
import pytest
from di_takes import bass_take

from micalign.alignment.gain import BlendTrack
from micalign.alignment.pairings import Measured, measured
from micalign.report.sounds import excerpts
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene
from micalign.take.loudness import k_weighted
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import SourceDelays

RATE = 48_000


def scene() -> Scene:
    return Scene(
        sources=(Source("kick", (1, 1, 0.3)), Source("snare", (2, 1, 0.7))),
        mics=(
            Mic("near", (1, 0.8, 0.3), on=("kick",)),
            Mic("over", (1.5, 1, 2.0), on=("kick", "snare")),
            Mic("top", (2, 0.8, 0.8), on=("snare",)),
        ),
    )


def heard(seconds: float = 10.0, *, level: float = 0.2) -> tuple[Take, tuple]:
    """A kick at 3 s and a snare at 7 s, each in two tracks, later in the overhead."""
    rng = np.random.default_rng(1)
    hit = level * rng.normal(size=4800) * np.exp(-np.arange(4800) / 800)
    samples = {name: np.zeros(round(seconds * RATE)) for name in ("near", "over", "top")}
    for name, at in (("near", 3.0), ("over", 3.004), ("top", 7.0), ("over", 7.003)):
        start = round(at * RATE)
        samples[name][start : start + len(hit)] += hit
    tracks = tuple(Track.from_array(name, values, RATE) for name, values in samples.items())
    found = Measured(
        "over",
        RATE,
        (),
        (
            SourceDelays("kick", "near", (), {}, 1, loudest_s=3.0),
            SourceDelays("snare", "top", (), {}, 1),
        ),
    )
    moved = [BlendTrack(track, 0.0 if track.name == "over" else 150.0, 1, 0.0) for track in tracks]
    take = Take(tracks)
    return take, excerpts(scene(), take, found, moved)


def test_the_blend_and_each_source_with_its_own_tracks() -> None:
    _, found = heard()
    assert [one.title for one in found] == ["the whole blend", "kick", "snare"]
    assert [set(one.tracks) for one in found] == [{"near", "over", "top"}, {"near", "over"}, {"over", "top"}]


def test_each_is_about_its_own_loudest_moment_and_loops_it() -> None:
    """The hit lies within what is looped, and little of the excerpt's energy outside it."""
    _, found = heard()
    for one in found[1:]:
        start, end = (round(at * RATE) for at in one.hit_s)
        inside = np.sum(one.sounds["as recorded"][start:end] ** 2) / np.sum(one.sounds["as recorded"] ** 2)
        assert inside > 0.99
        assert end - start <= 0.5 * RATE + 1


def test_both_are_equally_loud_and_told_so() -> None:
    _, found = heard()
    for one in found:
        loud = [-0.691 + 10 * np.log10(np.mean(k_weighted(samples, RATE) ** 2)) for samples in one.sounds.values()]
        assert loud[0] == pytest.approx(loud[1], abs=1e-6)
        assert one.loudness_lufs == pytest.approx(loud[0], abs=1e-9)
        assert np.sqrt(np.mean(one.sounds["as recorded"] ** 2)) <= 0.1 + 1e-9


def test_silence_is_not_to_be_heard() -> None:
    _, found = heard(level=0.0)
    assert found == ()


def test_a_di_and_its_mic_are_heard_in_every_version_equally_loud() -> None:
    sound = bass_take(3, seconds=8.0)
    take = Take((Track.from_array("di", sound.di, RATE), Track.from_array("mic", sound.mic, RATE)))
    found = measured(take.tracks[0], take.tracks[1:])
    moved = [BlendTrack(track) for track in take.tracks]
    pair = excerpts(Scene(), take, found, moved)[-1]
    assert pair.title == "di and mic"
    assert list(pair.sounds) == ["as recorded", "best delay and polarity", "with all-pass"]
    loud = [np.mean(k_weighted(samples, RATE) ** 2) for samples in pair.sounds.values()]
    assert max(loud) / min(loud) == pytest.approx(1.0, abs=1e-6)
