"""Does `compare` name what was moved on a real kit, and never what was not?

    python tests/bench/delay/realkit_compare.py FOLDER [--seeds 16] [--line]

Takes of the real kit's development half, in three of four with one mic elsewhere: its hits of each drum are later or
earlier there, and softer or louder, by the way from that drum. The scene has everything where a fit to the truth's
delays puts it (`PLACES`, residuals of 0.05 ms in the middle), to 3 cm. ``--line``: a line check lies before the groove.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, realkit_linecheck, realtakes
from bench.delay.room import SPEED_M_S

from micalign.compare.comparison import Comparison
from micalign.compare.run import compare
from micalign.scene.model import Mic, Source
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track

PLACES = {
    "kick R": (2.10, 1.61, 0.46),
    "snare": (1.79, 0.99, 0.68),
    "tom 2": (1.76, 1.19, 0.71),
    "tom 3": (2.27, 1.15, 0.60),
    "hihat": (1.37, 0.81, 0.69),
    "ride R": (2.76, 1.21, 1.00),
    "crash R": (2.36, 1.45, 1.44),
    "OHL": (1.71, 1.20, 1.59),
    "OHR": (2.44, 1.09, 1.50),
    "AmbL": (1.06, 3.59, 1.30),
    "AmbR": (2.86, 3.50, 0.99),
    "KdrumR": (2.10, 1.78, 0.46),
    "Snare_top": (1.80, 1.09, 0.76),
    "Tom2": (1.77, 1.22, 0.75),
    "Tom3": (2.32, 1.23, 0.68),
    "Hihat": (1.31, 0.81, 0.82),
    "RideR": (2.82, 1.25, 1.08),
}
"""Metres: least squares on the arrivals of truth.json, at 343 m/s; nobody measured them."""

SURE_M = 0.03
MOVED = ("OHL", "OHR", "AmbL", "AmbR", "OHL", "OHR", "Snare_top", "Tom2", "AmbL", "OHR", "RideR", "Hihat", *4 * [None])


class MovedKit(realkit.RealKit):
    """The kit with one mic elsewhere."""

    mic: str | None = None
    by_m: np.ndarray = np.zeros(3)

    def hits(self, source: str, half: str, folder: str | None = None) -> tuple[realkit.Hit, ...]:
        hits = super().hits(source, half, folder)
        return hits if self.mic is None else tuple(self._moved(hit, self.mic) for hit in hits)

    def _moved(self, hit: realkit.Hit, mic: str) -> realkit.Hit:
        way = np.array(PLACES[mic]) - PLACES[hit.source]
        was, now = float(np.linalg.norm(way)), float(np.linalg.norm(way + self.by_m))
        room = np.concatenate([np.zeros(256), hit.sounds[mic]])
        sound = realtakes._later(room, (now - was) / SPEED_M_S * hit.rate)[256:] * min(was / now, 4.0)
        return replace(hit, sounds=hit.sounds | {mic: sound.astype(np.float32)})


def scene_of(take: realtakes.Take) -> Scene:
    """Close mics of the drums that are struck, overheads and rooms, where they stand."""
    struck = [source for source in realkit.SOURCES if take.of(source)]
    close = [Mic(mic, PLACES[mic], SURE_M, on=(source,)) for source, mic in realkit.CLOSE.items() if source in struck]
    far = [Mic(mic, PLACES[mic], SURE_M, on=tuple(struck)) for mic in (*realkit.OVERHEADS, *realkit.ROOMS)]
    return Scene(sources=tuple(Source(one, PLACES[one], SURE_M) for one in struck), mics=(*close, *far))


def compared(kit: MovedKit, seed: int, *, line: bool) -> tuple[str | None, Comparison]:
    """One take: the mic that was moved, 20 to 45 cm (a close one 12 to 20), and what is told."""
    rng = np.random.default_rng([seed, 404])
    kit.mic = MOVED[seed % len(MOVED)]
    way = rng.normal(size=3)
    far_m = rng.uniform(0.12, 0.2) if kit.mic in realkit.CLOSE.values() else rng.uniform(0.2, 0.45)
    kit.by_m = way * far_m / np.linalg.norm(way)
    if line:
        take, _ = realkit_linecheck.session(kit, 760 + seed, "development")
    else:
        take = realtakes.groove(kit, grooves.STYLES[seed % 8], 740 + seed, half="development")
    scene = scene_of(take)
    tracks = tuple(Track.from_array(mic.name, take.mics[mic.name], take.rate) for mic in scene.mics)
    return kit.mic, compare(scene, Take(tracks))


def told(found: Comparison, moved: str | None) -> tuple[str, list[tuple[str, tuple[str, ...]]]]:
    """The outcome in a word, and the causes that were named and not planted."""
    causes = [(one.rule, one.where) for one in found.findings if one.severity != "note" and one.rule != "unexplained"]
    wrong = [cause for cause in causes if cause != ("moved", (moved,))]
    if not found.explained:
        return "not explained", wrong
    if len(wrong) < len(causes):
        return "found", wrong
    return "as planned", wrong


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?")
    parser.add_argument("--seeds", type=int, default=16)
    parser.add_argument("--line", action="store_true")
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.folder)
    if folder is None:
        sys.exit(f"no kit: name its folder as an argument or in {realkit.VARIABLE}")
    kit, wrong = MovedKit(folder), 0
    for seed in range(asked.seeds):
        moved, found = compared(kit, seed, line=asked.line)
        word, causes = told(found, moved)
        wrong += len(causes)
        print(f"{seed}: {moved or 'nothing'} moved: {word}, {found.sightings} delays; wrong: {causes}", flush=True)
    print(f"wrong causes: {wrong} in {asked.seeds} takes")


if __name__ == "__main__":
    main()
