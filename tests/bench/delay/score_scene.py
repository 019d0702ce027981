"""The scene path's table: each source on its own, in every pair of tracks that should hear it.

    PYTHONPATH=tests python -m bench.delay.score_scene --realkit FOLDER --seeds 0 1 --half development
    python tests/bench/delay/score_scene.py --renderer first            drums of a simulated session; or studio

A scene that somebody measured with a tape: what it expects is the truth, off by a normal error of ``--tape-ms``, which
is also what it says of itself; every take has a scene of its own. The truth of real takes is a window
(`bench.delay.realtakes`); a simulated one is geometry. Right, reliable and wrong as in `bench.delay.score_real`; a pair
of two far mics is told by the difference of the close mic's windows.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).parents[2]))
for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np  # noqa: E402
from bench.delay import grooves, realkit, realtakes, sessions, studio  # noqa: E402
from bench.delay.room import SPEED_M_S  # noqa: E402

from micalign.take.tracks import Track  # noqa: E402
from micalign.tdoa.delays import Expected, Wanted  # noqa: E402
from micalign.tdoa.sources import measure_sources  # noqa: E402

NEAR_S, NEXT_S = 1e-4, 3e-4
KINDS = ("kit", "live")
FEWEST = 4


@dataclass(frozen=True)
class Heard:
    """Of one source: its close track (or none), and for every other track when it may come after it, and how turned."""

    source: str
    close: str | None
    windows: dict[str, tuple[float, float]]
    signs: dict[str, int | None]
    family: str


@dataclass(frozen=True)
class Session:
    name: str
    rate: int
    tracks: dict[str, np.ndarray]
    heard: tuple[Heard, ...]


def real(kit: realkit.RealKit, style: str, seed: int, half: str) -> Session:
    number = grooves.STYLES.index(style)
    variant = realtakes.VARIANTS[(seed + number) % len(realtakes.VARIANTS)]
    return session_of(realtakes.varied(kit, style, seed, variant, half=half))


def session_of(take: realtakes.Take) -> Session:
    """The drums of a real take whose truth is kept."""
    heard = []
    for source, close in realkit.CLOSE.items():
        pairs = [
            p for p in take.pairs if p.first == close and p.second in (*realkit.OVERHEADS, *realkit.ROOMS) and p.kept
        ]
        pairs = [pair for pair in pairs if pair.windows[0].source == source]
        if pairs and len(take.of(source)) >= FEWEST:
            windows = {pair.second: (pair.windows[0].lo_s, pair.windows[0].hi_s) for pair in pairs}
            signs = {pair.second: pair.windows[0].polarity for pair in pairs}
            heard.append(Heard(source, close, windows, signs, realkit.FAMILY[source]))
    names = {name for one in heard for name in (one.close, *one.windows)} | set(realkit.CLOSE.values())
    return Session(take.name, take.rate, {name: take.mics[name] for name in take.mics if name in names}, tuple(heard))


def simulated(renderer: str, seed: int, *, live: bool) -> Session:
    """The drums of a simulated session; those of the second renderer are inverted at random."""
    if renderer == "first":
        _, place, mics, tracks = sessions.kit_session(seed, live=live)
        arrive = {
            (s, m): float(np.linalg.norm(place[s] - at)) / SPEED_M_S for s in sessions.DRUMS for m, at in mics.items()
        }
        late, signs, rate = {}, dict.fromkeys(mics, 1), sessions.RATE
        close = {drum: drum for drum in ("kick", "snare", "tom")} | {"hat": None}
    else:
        stage = studio.kit_stage(seed, live=live)
        arrive, late, signs, tracks, rate = stage.arrival_s, stage.late_s, stage.polarity, stage.tracks, studio.RATE
        drums = [drum for drum in ("kick", "snare", "tom", "floor tom", "hat") if (drum, "room") in arrive]
        close = {drum: f"{drum} mic" for drum in drums}
    heard = []
    for source, own in close.items():
        far = [name for name in tracks if name in ("overhead left", "overhead right", "room")]
        first = own or min(far, key=lambda name: arrive[source, name])
        windows = {}
        for name in (one for one in far if one != own):
            after = arrive[source, name] - arrive[source, first]
            windows[name] = (after - late.get((source, first), 0.0), after + late.get((source, name), 0.0))
        if own is None:
            windows[first] = (0.0, 0.0)
        family = f"{'live ' if live else ''}{source if own else 'hat, no mic'}"
        heard.append(Heard(source, own, windows, {name: signs[name] * signs[first] for name in windows}, family))
    return Session(f"{renderer} {seed}", rate, tracks, tuple(heard))


def rows(
    session: Session, tape_s: float, seed: tuple[int, int]
) -> Iterator[tuple[str, float, bool, bool, float, float]]:
    """Family, how far outside the window, reliable, wrong though reliable, stated sigma, confidence."""
    rng = np.random.default_rng([*seed, 31])
    tracks = [Track.from_array(name, sound, session.rate) for name, sound in session.tracks.items()]
    wanted = []
    for one in session.heard:
        middle = {name: (lo + hi) / 2 for name, (lo, hi) in one.windows.items()}
        names = sorted(middle, key=lambda name: middle[name])
        expected = {name: Expected(at + rng.normal(0, tape_s), tape_s) for name, at in middle.items()}
        if one.close:
            expected[one.close] = Expected(0.0, 1e-5)
        wanted.append(Wanted(one.source, (*([one.close] if one.close else []), *names), one.close, expected))
    for told, one in zip(measure_sources(tracks, wanted), session.heard, strict=True):
        windows = one.windows | ({one.close: (0.0, 0.0)} if one.close else {})
        for pair in told.pairs:
            (a, b), (c, d) = windows[pair.reference], windows[pair.track]
            own = pair.reference == told.reference
            sign = one.signs.get(pair.track) if own else None
            delay = pair.delay
            off = max(c - b - delay.delay_s, delay.delay_s - (d - a), 0.0)
            turned = sign is not None and delay.polarity != sign
            allowed = float(np.clip(2 * delay.uncertainty_s, NEAR_S, NEXT_S))
            where = "rooms" if pair.track.startswith("Amb") or pair.track == "room" else "far"
            family = f"{one.family} {where if own else 'two far'}"
            yield family, off, delay.reliable, off > allowed or turned, delay.uncertainty_s, delay.confidence


def _job(spec, *, folder, half, tape_s):
    start = time.perf_counter()
    if spec[0] == "real":
        session = real(realkit.real_kit(folder), spec[1], spec[2], half)
    else:
        session = simulated(spec[0], spec[2], live=spec[1] == "live")
    begun = time.perf_counter()
    kinds = grooves.STYLES if spec[0] == "real" else KINDS
    found = list(rows(session, tape_s, (spec[2], kinds.index(spec[1]))))
    return found, begun - start, time.perf_counter() - begun


def table(found: list) -> None:
    print(f"{'family':24s}    n  0.1ms  0.3ms    rel (wrong)   68 %   95 %")
    kept = defaultdict(list)
    for row in found:
        kept[row[0]].append(row)
        kept["all"].append(row)
    for family, many in kept.items():
        off, rel, wrong, sigma = (np.array(column) for column in list(zip(*many, strict=True))[1:5])
        sure = rel.astype(bool)
        inside = [np.mean(off[sure] <= k * sigma[sure]) * 100 if sure.any() else np.nan for k in (1, 2)]
        print(
            f"{family:24s} {len(many):4d}  {100 * np.mean(off <= NEAR_S):5.0f}  {100 * np.mean(off <= NEXT_S):5.0f}  "
            f"{100 * np.mean(sure):5.0f} ({np.sum(wrong[sure]):3.0f})  {inside[0]:5.0f}  {inside[1]:5.0f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description="Score the scene path.")
    parser.add_argument("--renderer", choices=["real", "first", "studio"], default="real")
    parser.add_argument("--realkit", default=None, help=f"the kit's folder; else {realkit.VARIABLE} names it")
    parser.add_argument("--half", choices=realkit.HALVES, default="development")
    parser.add_argument("--seeds", type=int, nargs="+", default=[0])
    parser.add_argument("--tape-ms", type=float, default=0.2)
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.realkit)
    if asked.renderer == "real" and folder is None:
        sys.exit(f"no real kit: name its folder by --realkit or in {realkit.VARIABLE}")
    kinds = grooves.STYLES if asked.renderer == "real" else KINDS
    todo = [(asked.renderer, kind, seed) for seed in asked.seeds for kind in kinds]
    work = partial(_job, folder=str(folder), half=asked.half, tape_s=asked.tape_ms / 1e3)
    if asked.jobs > 1:
        with ProcessPoolExecutor(asked.jobs) as pool:
            done = list(pool.map(work, todo))
    else:
        done = [work(spec) for spec in todo]
    print(f"{asked.renderer}, {asked.half}, seeds {asked.seeds}, tape {asked.tape_ms} ms")
    table([row for found, _, _ in done for row in found])
    print(f"rendering {sum(one[1] for one in done):.0f} s, measuring {sum(one[2] for one in done):.0f} s")


if __name__ == "__main__":
    main()
