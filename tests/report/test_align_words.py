"""What ``align`` says of a phase that all-pass filters turn over."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from micalign.files.offsets_file import AllPass, OffsetsFile, TrackOffset
from micalign.report.align_words import shift_table, words


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
