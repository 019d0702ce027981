"""A real kit: hits of its drums on every mic of one session at once, and what is true of their delays.

The hits come from a folder outside the repository (``Samples/DRUM/N-DRUM-MIC.flac`` and ``truth.json``), named by
``--realkit FOLDER``, by the argument of a script or by the environment variable ``MICALIGN_REALKIT``; a few of them, in
one file a mic with an index (`bench.delay.pack_realkit`), lie in ``tests/external/realkit``. "development" and
"held-out" hits are not the same ones. Numpy and soundfile alone; nothing here knows the engine.

    python tests/bench/delay/realkit.py FOLDER        which hits are left out, and why
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path

import numpy as np
import soundfile

VARIABLE = "MICALIGN_REALKIT"
MICS = (
    *("Snare_top", "Snare_bottom", "KdrumL", "KdrumR", "Tom1", "Tom2", "Tom3", "Tom4"),
    *("Hihat", "RideL", "RideR", "OHL", "OHR", "AmbL", "AmbR"),
)
CLOSE = {
    "kick R": "KdrumR",
    "snare": "Snare_top",
    "tom 2": "Tom2",
    "tom 3": "Tom3",
    "hihat": "Hihat",
    "ride R": "RideR",
}
"""The mic that stands at each source; a crash has none."""
FOLDERS = {
    "kick R": ("KdrumR",),
    "snare": ("Snare",),
    "tom 2": ("Tom2",),
    "tom 3": ("Tom3",),
    "hihat": ("HihatClosed", "HihatOpen"),
    "ride R": ("RideR", "RideRBell"),
    "crash R": ("CrashR",),
}
SOURCES = tuple(FOLDERS)
CYMBALS = ("hihat", "ride R", "crash R")
OVERHEADS, ROOMS = ("OHL", "OHR"), ("AmbL", "AmbR")
INDEX = "hits.json"
HALVES = ("development", "held-out")
FAMILY = {"kick R": "kick", "snare": "snare", "tom 2": "toms", "tom 3": "toms", "hihat": "hat", "ride R": "ride"}

HEADS = ("Snare_top", "Snare_bottom")
HEADS_POLARITY = -1
"""A stroke moves both heads down, away from the upper mic and towards the lower: every hit here begins opposite."""

SHORTEST_S = 0.05  # a hit that is shorter was cut off by mistake
DEAD_DBFS = -100.0  # a peak below it is the converter's own noise
CUT_S = 0.4e-3  # a first wavefront that would lie so far before the file moves every delay read from the hit


@dataclass(frozen=True)
class Hit:
    """One stroke of a drum on every mic."""

    source: str
    folder: str
    number: int
    rate: int
    sounds: dict[str, np.ndarray]

    @property
    def name(self) -> str:
        return f"{self.folder} {self.number}"


def given_folder(argument: str | os.PathLike[str] | None = None) -> Path | None:
    """The kit's folder, by argument or by environment; None where neither names one that holds a kit."""
    named = argument or os.environ.get(VARIABLE)
    folder = Path(named) if named else None
    return folder if folder and (folder / "truth.json").is_file() else None


class RealKit:
    """The hits and the truth of one folder; hits are read when first asked for.

    ``cut_s`` is how far a hit may be cut into its own attack before it is left out; infinite takes all as they come.
    """

    def __init__(self, folder: str | os.PathLike[str], *, cut_s: float = CUT_S) -> None:
        self.folder, self.cut_s = Path(folder), cut_s
        self.truth = json.loads((self.folder / "truth.json").read_text(encoding="utf-8"))
        self._hits: dict[str, tuple[Hit, ...]] = {}
        self._left_out: dict[str, tuple[tuple[str, str], ...]] = {}

    def hits(self, source: str, half: str, folder: str | None = None) -> tuple[Hit, ...]:
        """The good hits of one half, softest first: each second one counted from the loudest.

        All of a packed kit's are held-out ones, whichever half is asked for.
        """
        assert half in HALVES, half
        found: list[Hit] = []
        for name in [folder] if folder else FOLDERS[source]:
            good = self._good(source, name)
            found += good if self.is_packed else good[::-1][HALVES.index(half) :: 2][::-1]
        return tuple(found)

    @property
    def is_packed(self) -> bool:
        return (self.folder / INDEX).is_file()

    @cached_property
    def mics(self) -> tuple[str, ...]:
        """The mics that there are, in the order of `MICS`."""
        if self.is_packed:
            return tuple(json.loads((self.folder / INDEX).read_text("utf-8"))["mics"])
        return tuple(mic for mic in MICS if any(self.folder.glob(f"Samples/*/*-{mic}.flac")))

    def left_out(self) -> list[tuple[str, str]]:
        """Every hit that is not used and the reason."""
        for source, folders in FOLDERS.items():
            for name in folders:
                self._good(source, name)
        return [row for rows in self._left_out.values() for row in rows]

    def _good(self, source: str, folder: str) -> tuple[Hit, ...]:
        if folder not in self._hits:
            good, bad = [], []
            read = _packed_hits if self.is_packed else _read_hits
            for hit in read(self, source, folder):
                reason = self.fault(hit)
                if reason:
                    bad.append((hit.name, reason))
                else:
                    good.append(hit)
            self._hits[folder], self._left_out[folder] = tuple(good), tuple(bad)
        return self._hits[folder]

    def fault(self, hit: Hit) -> str | None:
        """Why a hit cannot stand for its drum, or None."""
        seconds = len(hit.sounds["OHL"]) / hit.rate
        if seconds < SHORTEST_S:
            return f"only {1000 * seconds:.1f} ms long"
        heard = [CLOSE[hit.source]] if hit.source in CLOSE else []
        for mic in (*heard, *OVERHEADS, *ROOMS):
            peak = 20 * np.log10(np.max(np.abs(hit.sounds[mic])) + 1e-12)
            if peak < DEAD_DBFS:
                return f"dead on {mic} ({peak:.0f} dBFS)"
        cut = -self.begins_s(hit)
        return f"cut {1000 * cut:.2f} ms into its own attack" if cut > self.cut_s else None

    def begins_s(self, hit: Hit) -> float:
        """When the drum's own mic (for a crash the right overhead) hears the first wavefront, told by the overheads.

        Negative: before the file begins, so that the attack is cut.
        """
        first = CLOSE.get(hit.source, "OHR")
        told = [
            _onset_s(hit.sounds[mic], hit.rate) - self._later_s(hit.source, first, mic)
            for mic in OVERHEADS
            if mic != first
        ]
        return float(np.mean(told))

    def _later_s(self, source: str, first: str, second: str) -> float:
        table = self.truth[source]
        if f"{first}>{second}" in table:
            return float(table[f"{first}>{second}"]["delay_s"])
        return -float(table[f"{second}>{first}"]["delay_s"])


@lru_cache(maxsize=4)
def real_kit(folder: str | os.PathLike[str], cut_s: float = CUT_S) -> RealKit:
    """The kit of a folder, read once."""
    return RealKit(folder, cut_s=cut_s)


def _read_hits(kit: RealKit, source: str, folder: str) -> Iterator[Hit]:
    place = kit.folder / "Samples" / folder
    for number in sorted({int(path.name.split("-")[0]) for path in place.glob("*-OHL.flac")}):
        read = {mic: soundfile.read(place / f"{number}-{folder}-{mic}.flac", dtype="float32") for mic in kit.mics}
        yield Hit(source, folder, number, read["OHL"][1], {mic: sound for mic, (sound, _) in read.items()})


def _packed_hits(kit: RealKit, source: str, folder: str) -> Iterator[Hit]:
    index = json.loads((kit.folder / INDEX).read_text("utf-8"))
    for row in index["hits"]:
        if row["folder"] == folder:
            span = {"start": row["start"], "frames": row["frames"], "dtype": "float32"}
            sounds = {mic: soundfile.read(kit.folder / f"{mic}.flac", **span)[0] for mic in index["mics"]}
            yield Hit(source, folder, row["number"], index["rate"], sounds)


def _onset_s(sound: np.ndarray, rate: int, *, share: float = 0.1, within_s: float = 0.02) -> float:
    """The first sample above a share of the peak of the first 20 ms: enough to see a cut, no more."""
    start = np.abs(sound[: int(within_s * rate)])
    return int(np.argmax(start > share * start.max())) / rate


def main() -> None:
    folder = given_folder(sys.argv[1] if len(sys.argv) > 1 else None)
    if folder is None:
        sys.exit(f"no kit: name its folder as an argument or in {VARIABLE}")
    kit = real_kit(folder)
    for name, reason in kit.left_out():
        print(f"left out: {name:16s} {reason}")
    for source in SOURCES:
        halves = {half: ", ".join(hit.name for hit in kit.hits(source, half)) for half in HALVES}
        print(f"{source:8s} " + "; ".join(f"{half}: {names}" for half, names in halves.items()))


if __name__ == "__main__":
    main()
