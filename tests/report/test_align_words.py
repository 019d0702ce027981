"""What ``align`` says of its tracks, of a phase that all-pass filters turn over, and of what the sum gains."""

from __future__ import annotations

import io

import numpy as np
import pytest
from di_takes import RATE, bass_take
from rich.console import Console

from micalign.alignment.pairings import measured
from micalign.files.offsets_file import AllPass, OffsetsFile, TrackOffset
from micalign.report.align_words import aligned_line, gain_table, shift_table, words
from micalign.report.measure_words import advice
from micalign.take.tracks import Track


def sheet(*, flip: bool, polarity: int) -> OffsetsFile:
    entry = TrackOffset(
        track="bass di", delay_s=-0.001, shift_s=0.001, shift_samples=48.0, polarity_flip=flip, reliable=True,
        applied=True, all_pass=(AllPass(hz=26.0, q=0.4),), original="di.wav", channel=1, sha256="0" * 64,
    )  # fmt: skip
    phase = {
        "track": "bass di", "against": "bass mic", "sections": 1, "polarity": polarity, "shift_s": -0.0003,
        "before_db": 0.5, "after_db": 2.8, "low_hz": 40.0, "high_hz": 1500.0,
    }  # fmt: skip
    return OffsetsFile(reference="bass mic", sample_rate=48000, tracks=(entry,), phases=(phase,))


@pytest.mark.parametrize(
    ("flip", "polarity", "cell", "said"),
    [
        (
            False,
            -1,
            "by all-pass",
            "by delay alone it reads inverted; the all-pass turns it over in that band, so it is not",
        ),
        (
            True,
            -1,
            "FLIPPED",
            "by delay alone it reads not inverted; the all-pass turns it over in that band, so it is fl",
        ),
        (False, 1, "kept", None),
    ],
)
def test_a_polarity_that_the_all_pass_turns_over_is_told(tmp_path, flip, polarity, cell, said):
    offsets = sheet(flip=flip, polarity=polarity)
    out = io.StringIO()
    Console(file=out, width=200).print(shift_table(offsets))
    assert cell in out.getvalue()
    (line,) = [line for line in words(offsets, tmp_path, ()) if line.startswith("Phase of bass di")]
    assert "26.0 Hz (Q 0.40)" in line
    assert "with bass mic it sums to +2.8 dB instead of +0.5 dB" in line
    assert ("Polarity:" in line) == (said is not None)
    assert said is None or said in line


@pytest.mark.parametrize(("reference", "onto"), [("bass mic", None), ("bass di", "bass mic")])
def test_the_track_that_the_others_are_laid_onto_stands_first(reference, onto):
    made = sheet(flip=False, polarity=1)
    (moved,) = made.tracks
    offsets = made.model_copy(update={"tracks": (moved, moved.model_copy(update={"track": "bass mic"}))})
    table = shift_table(offsets.model_copy(update={"reference": reference, "laid_onto": onto}))
    assert list(table.columns[0].cells) == ["bass mic", moved.track]


def test_an_octave_is_the_power_of_its_thirds():
    """Two thirds of 100 and 126 Hz: the loud one doubles, one 20 dB softer is lost: 10 log10(2 / 1.01) of both."""
    loud = {"centre_hz": 100.0, "before_db": 0.0, "after_db": 10 * np.log10(2), "parts_db": -3.0}
    soft = {"centre_hz": 125.9, "before_db": 0.0, "after_db": -120.0, "parts_db": -23.0}
    silent = {"centre_hz": 158.5, "before_db": None, "after_db": None, "parts_db": None}
    offsets = sheet(flip=False, polarity=1).model_copy(update={"bands": (loud, soft, silent)})
    before, after, gained = (list(gain_table(offsets).columns[k].cells) for k in (1, 2, 3))
    assert (before[-2], after[-2], gained[-2]) == ("+0.0 dB", "+3.0 dB", "+3.0 dB")
    # A file of before bands said how loud they are: each counts the same, 10 log10(2 / 2).
    plain = [{key: value for key, value in band.items() if key != "parts_db"} for band in (loud, soft, silent)]
    assert list(gain_table(offsets.model_copy(update={"bands": tuple(plain)})).columns[2].cells)[-2] == "+0.0 dB"


def test_a_line_counts_what_was_laid_and_not_what_stays(tmp_path):
    """A pair over a kit and its room mics are left as recorded by right: nothing was laid there."""
    (laid,) = sheet(flip=False, polarity=1).tracks
    still = {"shift_s": 0.0, "shift_samples": 0.0, "delay_s": 0.0}
    left = {"basis": "recorded", "as_recorded": True, "applied": False, "reliable": False}
    stays = laid.model_copy(update={**still, **left, "track": "room"})
    refused = laid.model_copy(update={**still, "track": "tom", "applied": False, "reliable": False})
    made = OffsetsFile(reference="bass mic", sample_rate=48000, tracks=(laid, stays, refused))
    line = aligned_line(made, tmp_path)
    assert line.startswith("1 of 3 tracks laid onto 'bass mic', 1 left as recorded; not moved: 'tom'")
    # What stays against the kit moves with it where a close mic is to stay.
    moves = {"shift_samples": -3.0, "as_recorded": False, "applied": True, "reliable": True}
    along = made.model_copy(update={"tracks": (laid, stays.model_copy(update=moves))})
    assert aligned_line(along, tmp_path).startswith("2 of 2 tracks laid onto 'bass mic';")


def test_an_all_pass_that_mends_what_a_delay_costs_is_not_called_too_little() -> None:
    """A band that is lost is worth to be heard both ways, and what was asked for is not advised against."""
    take = bass_take(5)
    (found,) = measured(Track.from_array("di", take.di, RATE), [Track.from_array("cab", take.mic, RATE)]).sums
    assert (found.recommended, found.turned is not None) == ("delay", True)
    said, matched = advice(found), advice(found, matched=True)
    assert "costs the mids by 2.0 dB (listen to that band)" in said
    assert "All-pass (--match-phase) lifts the lows by 0.2 dB, the mids by 4.6 dB more, little in all" in said
    assert "All-pass, which is in it, lifts" in matched
    assert not any("too little" in one for one in (said, matched))
