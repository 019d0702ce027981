"""What is there to see in a demonstration's folder? The closing text, and the sums that its comb figure shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from micalign.acoustics.prediction import predict
from micalign.arrays import Floats
from micalign.files.takes import FLIPPED, LOWERED, LOWERED_M, SCENE_NAME
from micalign.scene.model import Scene
from micalign.take.tracks import Track
from micalign.units import db_from_power, show_centimetres, show_ms

__all__ = ["Remaining", "closing_text", "demo_document", "recorded_sum", "remaining"]

_HITS: Final = 12  # the loudest, over which is averaged (by eye)
_APART_S: Final = 0.25  # between hits, so that none counts twice
_BEFORE_S: Final = 0.003  # of a hit, so that its rise is whole
_HIT_S: Final = 0.045  # the hit with its late copy; longer stretches hold more of the room than of the comb
_SMOOTHED_OCTAVES: Final = 1 / 24  # by eye: the notches stay, single bins' ripple goes
_NOTHING_S: Final = 5e-5  # less remains than positions are known to, 2 cm of way


@dataclass(frozen=True, slots=True)
class Remaining:
    """One source in two tracks: how far apart before and after alignment, and how much weaker in the second."""

    source: str
    tracks: tuple[str, str]
    before_s: float
    after_s: float
    level_difference_db: float


def remaining(scene: Scene, aligned: Mapping[str, Any], source: str, close: str) -> Remaining:
    """A close mic's own source between it and the track it was laid onto, from what ``align --json`` prints."""
    rows = [row for row in aligned["remains"] if row["source"] == source and close in {row["track"], row["against"]}]
    # The track that stayed where it was, where it is one of the pair's.
    row = max(rows, key=lambda one: aligned["reference"] in {one["track"], one["against"]})
    shifts = {one["track"]: float(one["shift_s"]) for one in aligned["tracks"]}
    after_s = float(row["remain_s"])
    before_s = after_s - shifts[row["track"]] + shifts[row["against"]]
    other = str(row["against"] if row["track"] == close else row["track"])
    level_db = next(
        abs(one.level_difference_db)
        for one in predict(scene).differences
        if one.source == source and set(one.mics) == {close, other}
    )
    return Remaining(source, (close, other), abs(before_s), abs(after_s), level_db)


def recorded_sum(loud: Track, late: Track) -> tuple[Floats, Floats]:
    """What adding ``late`` does to ``loud`` on its loudest hits: frequencies (Hz), levels (dB against it alone), (N,).

    Tracks as they are: a take made by `simulate` stands at the blend's gains. Powers are smoothed to a twenty-fourth
    of an octave before they are divided.

    Examples
    --------
    >>> noise = np.random.default_rng(1).standard_normal(48000)
    >>> tracks = [Track.from_array(name, noise, 48000) for name in ("a", "b")]
    >>> bool(np.allclose(recorded_sum(*tracks)[1], 6.02, atol=0.01))
    True
    """
    rate, frames = loud.sample_rate, round(_HIT_S * loud.sample_rate)
    window, alone, both = np.hanning(2 * frames)[frames:], np.zeros(2 * frames + 1), np.zeros(2 * frames + 1)
    for hit in _loudest_hits(loud):
        first, second = (window * track.read(hit - round(_BEFORE_S * rate), frames) for track in (loud, late))
        alone += np.abs(np.fft.rfft(first, 4 * frames)) ** 2
        both += np.abs(np.fft.rfft(first + second, 4 * frames)) ** 2
    centres = np.geomspace(25.0, min(18000.0, 0.45 * rate), 800)
    place = centres * 4 * frames / rate
    low = np.floor(place * 2 ** (-_SMOOTHED_OCTAVES / 2)).astype(int)
    high = np.ceil(place * 2 ** (_SMOOTHED_OCTAVES / 2)).astype(int) + 1
    powers = [np.concatenate([[0.0], np.cumsum(power)]) for power in (both, alone)]
    ratio = np.divide(*(power[high] - power[low] + 1e-20 for power in powers))
    return centres, db_from_power(ratio)


def _loudest_hits(track: Track) -> list[int]:
    """Where its highest samples lie, each well apart from the others."""
    size, apart = np.abs(track.read()), round(_APART_S * track.sample_rate)
    hits: list[int] = []
    for _ in range(_HITS):
        hit = int(np.argmax(size))
        if size[hit] <= 0:
            break
        hits.append(hit)
        size[max(hit - apart, 0) : hit + apart] = 0.0
    return hits


def demo_document(found: Remaining, files: Sequence[str]) -> dict[str, Any]:
    """What ``demo --json`` prints: the files that lie there, and how far apart one source was and is."""
    return {
        "files": list(files),
        "source": found.source,
        "tracks": list(found.tracks),
        "before_s": found.before_s,
        "after_s": found.after_s,
    }


def closing_text(found: Remaining, folder: str) -> str:
    """What to look at, in the order of a day's work."""
    first, second = found.tracks
    left = (
        f"{show_ms(found.after_s)} remain, since a pair moves as one"
        if found.after_s > _NOTHING_S
        else "nothing remains"
    )
    return f"""\
Open this page first, in any browser: hear the take as recorded and aligned (key B switches), and move the mics
  {folder}/report.html

What else lies in {folder}

  {SCENE_NAME:<22} the plan: a kit in a barn, five mics. Change a number and run any command again.
  floor-plan.png         where everything stands.
  check.txt              what the plan promises before anybody plays: the overheads are not equally far from the
                         snare, and the room mic hears the floor.
  take/                  the recording, made on the spot, and truth.json: when every hit truly arrives where.
                         Two mistakes are in it: the {FLIPPED} is inverted, the {LOWERED} stands
                         {show_centimetres(LOWERED_M)} too low.
  measure.txt            what the recording says of itself, hit by hit: the {FLIPPED} reads INVERTED.
  compare.txt            plan against take: both mistakes are found, and what to do about them.
  aligned/               the same tracks laid onto each other, offsets.json and offsets.csv for any program.
                         The {found.source} was {show_ms(found.before_s)} apart in {first} and {second}:
                         {left}.
  comb.png               what that did to the sum of the two, as recorded and as arithmetic promises: the notches
                         before, and after.

Begin with the volume low: hits are sudden, and headphones hide how loud they are. In take/ and aligned/ the sums are as
loud as they come, the aligned one louder. Beside a real kit wear hearing protection.

On your own recording:
  micalign measure overhead-left.wav snare.wav kick.wav
  micalign align overhead-left.wav snare.wav kick.wav -o aligned
"""
