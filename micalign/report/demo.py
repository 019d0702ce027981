"""What is there to see in a demonstration's folder? The closing text, and the sums that its comb figure shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from micalign.acoustics.prediction import predict
from micalign.files.demo import FLIPPED, LOWERED, LOWERED_M, SCENE_NAME
from micalign.scene.model import Scene
from micalign.units import show_centimetres, show_ms

__all__ = ["Remaining", "closing_text", "remaining"]


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


def closing_text(found: Remaining, folder: str) -> str:
    """What to look at, in the order of a day's work."""
    first, second = found.tracks
    left = f"{show_ms(found.after_s)} remain, since a pair moves as one" if found.after_s > 5e-5 else "nothing remains"
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
  comb.png               what that did to the sum of the two: the notches before, and after.

Begin with the volume low: hits are sudden, and headphones hide how loud they are. In take/ and aligned/ the sums are as
loud as they come, the aligned one louder. Beside a real kit wear hearing protection.

On your own recording:
  micalign measure overhead-left.wav snare.wav kick.wav
  micalign align overhead-left.wav snare.wav kick.wav -o aligned
"""
