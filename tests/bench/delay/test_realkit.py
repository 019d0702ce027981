"""The generator of real takes: what it promises of halves, strokes and planted windows."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from bench.delay import grooves, realkit, realtakes

RATE = 44100
LATE = {"OHL": 100, "OHR": 130, "AmbL": 300, "AmbR": 330}  # samples


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """A folder of made-up hits: one impulse, 20 samples in, later in the far mics; number 1 is cut by 60 samples."""
    tmp_path = tmp_path_factory.mktemp("kit")
    mics = (*realkit.CLOSE.values(), *realkit.OVERHEADS, *realkit.ROOMS)
    truth = {source: {} for source in realkit.SOURCES}
    for source, folders in realkit.FOLDERS.items():
        for first, second in [
            (realkit.CLOSE.get(source), "OHL"),
            (realkit.CLOSE.get(source), "OHR"),
            realkit.OVERHEADS,
        ]:
            at = (LATE[second] - LATE.get(first, 0)) / RATE
            row = {"delay_s": at, "lo_s": at - 1e-5, "hi_s": at + 1e-5, "polarity": 1, "kept": True, "hits": 9}
            truth[source][f"{first}>{second}"] = row
        for folder in folders:
            (tmp_path / "Samples" / folder).mkdir(parents=True)
            for number in range(1, 4):
                for mic in mics:
                    sound = np.zeros(2400)
                    sound[LATE.get(mic, 0) + (-60 if number == 1 and mic in LATE else 20)] = 0.01 * number
                    soundfile.write(
                        tmp_path / "Samples" / folder / f"{number}-{folder}-{mic}.flac", sound, RATE, "PCM_24"
                    )
    (tmp_path / "truth.json").write_text(json.dumps(truth), encoding="utf-8")
    return realkit.RealKit(tmp_path)


def test_no_hit_is_in_both_halves_and_a_cut_one_in_none(small):
    """Development and held-out takes share no hit; a hit whose attack lies before its file is in neither."""
    halves = [{hit.name for hit in small.hits("snare", half)} for half in realkit.HALVES]
    assert not halves[0] & halves[1]
    assert halves[0] | halves[1] == {f"Snare {number}" for number in range(2, 4)}
    assert any(name == "Snare 1" and "cut" in reason for name, reason in small.left_out())


def test_a_planted_channel_is_where_its_window_says(small):
    """A mic that is made late by a fraction of a sample and inverted is found there by a plain correlation."""
    take = realtakes.isolated(small, "snare", 8, seed=3, noise_dbfs=-120)
    take = realtakes.planted(take, inverted=["OHL"], late_s={"OHL": 7.25 / RATE})
    pair = next(pair for pair in take.pairs if (pair.first, pair.second) == ("Snare_top", "OHL"))
    window = pair.windows[0]
    assert window.polarity == -1
    assert (window.lo_s + window.hi_s) / 2 * RATE == pytest.approx(LATE["OHL"] + 7.25)
    first, second = (np.fft.rfft(take.mics[mic][:RATE], 1 << 17) for mic in ("Snare_top", "OHL"))
    lags = np.fft.irfft(np.conj(first) * second, 1 << 19)
    at = int(np.argmax(np.abs(lags)))
    assert at / 4 == pytest.approx(LATE["OHL"] + 7.25, abs=0.25)
    assert lags[at] < 0


def test_strokes_are_told_where_they_are(small):
    """Each stroke that a groove tells of is in its close mic, and nothing else is."""
    take = realtakes.groove(small, "rock", seed=2, seconds=20, without=("crash R",), noise_dbfs=-140)
    assert "crash R" not in {source for source, _ in take.strokes}
    heard = np.flatnonzero(np.abs(take.mics["Tom2"]) > 1e-3) - 20
    told = sorted({round(at * RATE) for _, at in take.strokes})
    assert set(heard) == set(told)


def test_the_packed_kit_is_heard_where_its_truth_says():
    """The few hits in the repository: a stroke of each drum begins in the overheads within 0.4 ms of the window."""
    kit = realkit.RealKit(Path(__file__).parents[2] / "external" / "realkit")
    assert kit.left_out() == []
    for source, close in realkit.CLOSE.items():
        take = realtakes.isolated(kit, source, 6, seed=2, noise_dbfs=-120)
        (pair,) = [pair for pair in take.pairs if (pair.first, pair.second) == (close, "OHL")]
        for at in take.of(source):
            start, stop = int(at * take.rate), int((at + 0.02) * take.rate)
            heard = np.abs(take.mics["OHL"][start:stop])
            begins = int(np.argmax(heard > 0.1 * heard.max())) / take.rate
            assert pair.windows[0].off_s(begins) < 4e-4, source


def test_every_style_is_played_on_the_real_kit(realkit):
    """Each style makes a take in which kept pairs have strokes; the same seed makes the same take."""
    for style in grooves.STYLES:
        take = realtakes.groove(realkit, style, 5, seconds=20)
        assert any(pair.kept for pair in take.pairs)
        assert len(take.strokes) > 15
    again = realtakes.groove(realkit, style, 5, seconds=20)
    np.testing.assert_array_equal(again.mics["OHL"], take.mics["OHL"])
