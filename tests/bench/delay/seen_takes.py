"""What the engine sees of takes whose delays are known, kept so that weights can be fitted without looking again.

From the real kit each style four times over with its variants in turn, twice more for 6 to 8 s, each drum on its own
twice (`bench.delay.realtakes`); from the two renderers (`bench.delay.sessions`, `bench.delay.studio`) seeds of one
parity; pairs that share nothing, rendered and short ones of real takes (`bench.delay.hopeless`).
"""

from __future__ import annotations

import pickle
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from bench.delay import grooves, hopeless, realkit, realtakes, sessions, studio, studio_pairs

from micalign.take.tracks import Track
from micalign.tdoa.hypotheses import FIRST, ONE_PATH, SECOND
from micalign.tdoa.posterior import EVENT_S, Event, Look, look, onset_rows
from micalign.tdoa.strokes import listen

SHARES = {"real": 1.0, "sessions": 1.0, "studio": 0.2, "hopeless": 0.2}
"""How much a pair of each origin counts: real material first, and few of a user's pairs share nothing."""
PATH_S = 5e-5
FEWEST_STROKES = 4  # as `bench.delay.score_real` scores
ONE_PATH_FAMILIES = {"latency", "di guitar", "di bass", "noise", "spaced", "reamp wide"}
ANY_KIND_FAMILIES = {"overhead pair", "room pair", "overhead to room"}


@dataclass
class Place:
    """Where an event at ``at_s`` may begin by one side's strokes, and what speaks for each of these delays.

    ``taught``: most hypotheses there are of this side.
    """

    at_s: float
    kind: int
    taught: bool
    delays_s: np.ndarray
    rows: np.ndarray


@dataclass
class Seen:
    """One pair, what is true of it and what was seen."""

    origin: str
    style: str
    family: str
    name: str
    drums: tuple[str, ...]
    windows: list[tuple[float, float]]
    lags_s: np.ndarray
    kinds: np.ndarray
    rows: np.ndarray
    follows: float
    onsets: list[Place] = field(default_factory=list)

    def off_s(self, delay_s: float) -> float:
        return min((max(low - delay_s, delay_s - high, 0.0) for low, high in self.windows), default=9.0)

    def offs_s(self, delays_s: np.ndarray) -> np.ndarray:
        """How far each delay lies outside the nearest window."""
        return np.array([self.off_s(delay_s) for delay_s in delays_s])

    def right(self) -> np.ndarray:
        """Which hypotheses are right."""
        if self.family in ONE_PATH_FAMILIES:
            return np.array([self.off_s(d) <= PATH_S for d in self.lags_s], bool) & (self.kinds == ONE_PATH)
        near = np.array([self.off_s(d) <= EVENT_S for d in self.lags_s], bool)
        return near if self.family in ANY_KIND_FAMILIES else near & (self.kinds != ONE_PATH)

    @property
    def share(self) -> float:
        return SHARES["hopeless" if self.family == "hopeless" else self.origin]

    @property
    def fold(self) -> str:
        return self.style if self.origin == "real" else f"{self.origin} {self.name.split()[0]}"


# ---------------------------------------------------------------- what is looked at


def real_jobs(kit: str, half: str, seeds: range) -> Iterator[tuple]:
    for source in realkit.SOURCES:
        for seed in (0, 1):
            yield "isolated", kit, source, seed, half
    for style in grooves.STYLES:
        for seed in seeds:
            yield "groove", kit, style, seed, half
    for seed in range(first_of(half), 8 * len(seeds), 2):
        yield "hopeless", seed, kit, half
    for seed, style in enumerate(grooves.STYLES * (len(seeds) // 2)):
        yield "short", kit, style, seed, half


def first_of(half: str) -> int:
    """The parity of a half's simulated seeds."""
    return 0 if half == "development" else 1


def jobs(kit: str | None, half: str, seeds: range) -> Iterator[tuple]:
    first = first_of(half)
    if kit:
        yield from real_jobs(kit, half, seeds)
    every = range(first, 2 * len(seeds), 2)
    for module, families in (("sessions", SESSIONS), ("studio", STUDIO)):
        for family, more in families.items():
            for seed in range(first, 2 * more * len(seeds), 2):
                yield module, family, seed
    for seed in every:
        yield "hopeless", seed


SESSIONS = {
    "kit": 2,
    "live": 2,
    "overhead_pair": 2,
    "spaced": 2,
    "latency": 1,
    "di_guitar": 1,
    "di_bass": 1,
    "noise": 1,
}
STUDIO = {
    "kit": 2,
    "live": 2,
    "overhead_pair": 2,
    "spaced": 2,
    "latency": 1,
    "di_guitar": 1,
    "di_bass": 1,
    "hopeless": 1,
}


def cases(job: tuple) -> Iterator[tuple]:
    """Origin, style, family, name, drums, windows, first, second, rate of each pair of a job."""
    if job[0] in ("isolated", "groove", "short"):
        _, folder, what, seed, half = job
        kit = realkit.real_kit(folder)
        if job[0] == "isolated":
            take = realtakes.isolated(kit, what, 8 + seed % 5, seed, half=half)
        elif job[0] == "short":
            take = realtakes.groove(kit, what, 5000 + seed, half=half, seconds=(6, 7, 8)[seed % 3])
        else:
            variant = realtakes.VARIANTS[(seed + grooves.STYLES.index(what)) % len(realtakes.VARIANTS)]
            take = realtakes.varied(kit, what, seed, variant, half=half)
        for pair in take.pairs:
            windows = [w for w in pair.windows if w.kept and len(take.of(w.source)) >= FEWEST_STROKES]
            if windows:
                drums, spans = tuple(w.source for w in windows), [(w.lo_s, w.hi_s) for w in windows]
                name = f"{take.name} {pair.first}>{pair.second}"
                sounds = take.mics[pair.first], take.mics[pair.second]
                yield "real", take.style, pair.family, name, drums, spans, *sounds, take.rate
        return
    if job[0] == "hopeless":
        _, seed, *of_kit = job
        found = hopeless.strangers(realkit.real_kit(of_kit[0]), seed, of_kit[1]) if of_kit else hopeless.hopeless(seed)
    else:
        module = sessions if job[0] == "sessions" else (studio if hasattr(studio, job[1]) else studio_pairs)
        found = getattr(module, job[1])(job[2])
    for case in found:
        if case.options.get("max_delay_s", 0) > 0.06:
            continue
        family = "hopeless" if "hopeless" in job[:2] else case.family
        spans = [] if family == "hopeless" else [(case.low_s, case.high_s), *case.also]
        label = case.label if case.label.split()[0].isdigit() else f"{job[-1]} {case.label}"
        yield job[0], family, family, label, (family,), spans, case.reference, case.track, case.rate


def seen_of(job: tuple) -> list[Seen]:
    out, heard = [], {}
    for origin, style, family, name, drums, windows, first, second, rate in cases(job):
        for sound in (first, second):
            if id(sound) not in heard:
                heard[id(sound)] = listen(Track.from_array("track", sound, rate)), sound
        seen = look(heard[id(first)][0], heard[id(second)][0], reach_s=0.05)
        found = seen.found
        one = Seen(
            origin, style, family, name, drums, windows, found.lags / rate, found.kinds, found.rows, seen.follows
        )
        # Where the event lies is taught from near the truth and told from where the first logit puts it.
        jitter, at_s = np.random.default_rng(len(name)), [event.delay_s for event in seen.events]
        if family not in ONE_PATH_FAMILIES and len(one.lags_s):
            at_s = [(low + high) / 2 + jitter.uniform(-3e-4, 3e-4) for low, high in windows] + at_s
        for at in at_s:
            one.onsets += places_of(seen, one, at)
        out.append(one)
    return out


def places_of(seen: Look, one: Seen, at_s: float) -> list[Place]:
    """Where an event begins by the strokes of either side that has any."""
    near = np.abs(one.lags_s - at_s) < EVENT_S
    likelier = int(np.argmax([(one.kinds[near] == kind).sum() for kind in (FIRST, SECOND)]))
    kinds = [kind for kind in (FIRST, SECOND) if seen.curves[kind] is not None]
    sides = [(kind, side) for kind in kinds if (side := seen.side(kind)) is not None]
    told = [(kind, onset_rows(seen, side, Event(at_s, 1.0, kind))) for kind, side in sides]
    return [Place(at_s, kind, len(kinds) == 1 or kind == likelier, *where) for kind, where in told]


def read(folder: Path, half: str) -> list[Seen]:
    """What `gather` has kept."""
    return pickle.loads((folder / f"{half}.pickle").read_bytes())


def gather(folder: Path, kit: str | None, half: str, seeds: range, workers: int) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    begun, every = time.time(), []
    todo = list(jobs(kit, half, seeds))
    with ProcessPoolExecutor(workers) as pool:
        for done, found in enumerate(pool.map(seen_of, todo), start=1):
            every += found
            if done % 20 == 0:
                print(f"{done} of {len(todo)} takes, {len(every)} pairs, {time.time() - begun:.0f} s", flush=True)
    (folder / f"{half}.pickle").write_bytes(pickle.dumps(every))
    print(f"{len(every)} pairs in {time.time() - begun:.0f} s")
