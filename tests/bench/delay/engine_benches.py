"""What the engine tells of known things on each of its ways in, one `Told` an answer: the benches of `engine_rules`.

Ways: a track among all of its take (as `measure` hears them), the scene path, line checks, events without labels, a
second recorder whose clock runs apart, a take that jumps, held sounds of a simulated room, and the simulated families
of `bench.delay.score`. The first six are of the real kit's development half.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from bench.delay import grooves, realkit, realkit_linecheck, realtakes, score, score_real, score_scene, studio
from bench.delay.estimators import Answer

from micalign.compare.groups import groups_of
from micalign.take.tracks import Take, Track
from micalign.tdoa import alone, change, measure, sources, strokes
from micalign.tdoa.delays import Wanted

HALF = "development"
TAPE_S = 2e-4
CLOCK_S = 1e-3
"""Seconds: a room mic a second recorder's clock is told by has no sharper arrival; of an hour's take it is a ppm."""


@dataclass(frozen=True)
class Told:
    """One answer: how far off in seconds, reliable, wrong though reliable, and of the other polarity.

    ``near_s``: what is near enough.
    """

    off_s: float
    reliable: bool
    wrong: bool
    turned: bool = False
    near_s: float = score.NEAR_S

    @property
    def near(self) -> bool:
        return self.off_s <= self.near_s and not self.turned


Bench = Callable[[], list[Told]]


def tracks_of(take: realtakes.Take) -> list[Track]:
    return [Track.from_array(name, sound, take.rate) for name, sound in take.mics.items()]


def pairs(takes: Sequence[realtakes.Take]) -> list[Told]:
    """Every scored pair of the takes, each track among all."""
    found = []
    for take in takes:
        heard, shares = strokes.unled([strokes.listen(track) for track in tracks_of(take)])
        columns = (heard, strokes.apart(heard), shares)
        named = {one.name: measure._Heard(one, *told) for one, *told in zip(*columns, strict=True)}
        for family, drum, pair in score_real.scored(take):
            if family == "snare heads":
                continue
            delay = measure._measure(named[pair.first], named[pair.second], measure._Options(0.05))
            told = Answer(delay.delay_s, delay.uncertainty_s, delay.polarity, delay.confidence, delay.reliable)
            row = score_real.row("new", take, family, drum, pair, told, 0.0)
            found.append(Told(row.off_s, row.reliable, row.reliable and not row.right, row.turned))
    return found


def scenes(sessions: Sequence[tuple[score_scene.Session, tuple[int, int]]]) -> list[Told]:
    """Every source on its own, in every pair of tracks."""
    every = [row for session, seed in sessions for row in score_scene.rows(session, TAPE_S, seed)]
    return [Told(off_s, reliable, reliable and wrong) for _, off_s, reliable, wrong, *_ in every]


def held(seeds: Sequence[int]) -> list[Told]:
    """A bass, a guitar and a voice of a simulated live room, each from its own mic to those that hear all."""
    told = []
    for seed in seeds:
        stage = studio.kit_stage(seed, live=True)
        tracks = [Track.from_array(name, sound, studio.RATE) for name, sound in stage.tracks.items()]
        far = [name for name in stage.tracks if name in ("overhead left", "overhead right", "room")]
        own = {source: f"{source} mic" for source, mic in stage.arrival_s if mic == f"{source} mic"}
        wanted = [Wanted(source, (mic, *far), mic) for source, mic in own.items()]
        for found in sources.measure_sources(tracks, wanted):
            for pair in found.pairs if found.source in ("bass", "guitar", "voice") else ():
                if pair.reference == own[found.source]:
                    case = studio._case(stage, "held", "", found.source, pair.reference, pair.track)
                    off_s = score.error_s(case, pair.delay.delay_s) if found.moments else np.inf
                    told.append(Told(off_s, pair.delay.reliable, pair.delay.reliable and off_s > 5e-4))
    return told


def lines(kit: realkit.RealKit, seeds: Sequence[int]) -> list[Told]:
    """Every kept pair of every drum's line checks; then each drum of the line checks before grooves, found or not.

    One more for each session: right where none of its stretches holds two drums, else wrong though reliable.
    """
    reads = realkit_linecheck.arrivals(kit, HALF, len(seeds))
    told = []
    for one in reads:
        turned = one.truth_polarity is not None and one.polarity != one.truth_polarity
        told.append(Told(one.off_s, one.reliable, one.reliable and (turned or one.off_s > score.NEAR_S), turned))
    for seed in seeds:
        take, spans = realkit_linecheck.session(kit, seed, HALF)
        found = alone.found_stretches(tracks_of(take))
        for _, begin, end in spans:
            own = [one for one in found if min(end, one.end_s) - max(begin, one.begin_s) > 0.5 * (end - begin)]
            told.append(Told(0.0 if own else np.inf, bool(own), False))
        drums = [{s for s, at in take.strokes if one.begin_s <= at + 0.002 < one.end_s} for one in found]
        mixed = any(len(held) != 1 for held in drums)
        told.append(Told(np.inf if mixed else 0.0, True, mixed))
    return told


def events(takes: Sequence[realtakes.Take]) -> list[Told]:
    """Each drum's kept pairs, by the group of events that has most of its strokes."""
    told = []
    for take in takes:
        names = [name for name, _ in take.tracks]
        groups = groups_of(Take(tuple(tracks_of(take))))
        for pair in take.pairs:
            window = pair.windows[0]
            if len(pair.windows) > 1 or not pair.kept or len(take.of(window.source)) < score_real.FEWEST:
                continue
            at = np.array(take.of(window.source))
            shares = [np.mean([np.abs(at - one).min() < 0.03 for one in group.moments_s]) for group in groups]
            own = [g for g, share in zip(groups, shares, strict=True) if share > 0.8]
            if not own:
                told.append(Told(np.inf, False, False))
                continue
            first, second = (own[0].heard[names.index(name)] for name in (pair.first, pair.second))
            off_s = window.off_s(second.delay_s - first.delay_s)
            sure = first.reliable and second.reliable
            told.append(Told(off_s, sure, sure and off_s > 3e-4))
    return told


def recorders(takes: Sequence[realtakes.Take]) -> list[Told]:
    """A room mic on a recorder of its own, some seconds off and some parts in a million fast, against an overhead."""
    told = []
    for number, take in enumerate(takes):
        rng = np.random.default_rng([number, 90])
        for near, far in (("OHL", "AmbL"), ("OHR", "AmbR"), ("OHL", "Hihat")):
            start_s, ppm, sound = rng.uniform(-12, 12), rng.uniform(-150, 150), take.mics[far]
            fine = np.fft.irfft(np.fft.rfft(sound), 4 * len(sound)) * 4
            own_s = (np.arange(len(sound) + round(15 * take.rate)) / take.rate - start_s) / (1 + ppm * 1e-6)
            other = np.interp(own_s * take.rate * 4, np.arange(len(fine)), fine, left=0.0, right=0.0)
            other += 1e-4 * rng.normal(size=len(other))
            second, first = (
                Track.from_array(name, x, take.rate) for name, x in ((far, other), (near, take.mics[near]))
            )
            found = change.measure_clock(first, second)
            windows = [w for pair in take.pairs if (pair.first, pair.second) == (near, far) for w in pair.windows]
            late_s = [edge for w in windows for edge in (w.lo_s, w.hi_s)] or [-5e-3, 5e-3]
            ends = [found.delay_s + (found.drift_ppm or 0.0) * 1e-6 * t - start_s - ppm * 1e-6 * t for t in (0.0, 20.0)]
            off_s = max(max(min(late_s) - one, one - max(late_s), 0.0) for one in ends)
            told.append(Told(off_s, found.reliable, found.reliable and off_s > CLOCK_S, near_s=CLOCK_S))
    return told


def jumping(takes: Sequence[realtakes.Take]) -> list[Told]:
    """An overhead against itself, later from some moment on: no line of delay is right, and none may be reliable."""
    told = []
    for take in takes:
        first = take.mics["OHL"]
        for share, late_s in ((0.3, 5e-4), (0.3, -5e-3), (0.3, 2e-2), (0.5, -5e-4), (0.5, 5e-3), (0.5, -2e-2)):
            second, at = first + 1e-4 * np.random.default_rng(1).normal(size=len(first)), round(share * len(first))
            second[at:] = np.roll(second, round(late_s * take.rate))[at:]
            pair = [Track.from_array(name, sound, take.rate) for name, sound in (("a", first), ("b", second))]
            found = change.measure_clock(*pair)
            told.append(Told(np.inf, found.reliable, found.reliable))
    return told


def simulated(family: str, scale: float) -> list[Told]:
    """Cases of both renderers, even seeds."""
    found = []
    for renderer, known in score.RENDERERS.items():
        kept = score.rows([family] if family in known else [], "even", scale, False, renderer=renderer)
        for case, delay, _ in (item for items in kept.values() for item in items):
            off_s = float("inf") if case.family == "hopeless" else score.error_s(case, delay.delay_s)
            turned = delay.polarity != case.polarity
            found.append(Told(off_s, delay.reliable, delay.reliable and (turned or off_s > 5e-4), turned))
    return found


def benches(folder: str | None, seeds: Sequence[int], styles: Sequence[str], scale: float) -> dict[str, Bench]:
    """By name; those of the kit only where its folder is given."""
    made: dict[str, Bench] = {
        f"{renderer} scenes": lambda renderer=renderer: scenes(
            [
                (score_scene.simulated(renderer, 2 * seed, live=live), (2 * seed, live))
                for seed in range(max(round(10 * scale), 1))
                for live in (False, True)
            ]
        )
        for renderer in score.RENDERERS
    }
    made["held"] = lambda: held(range(40, 40 + max(round(20 * scale), 2)))
    for family in dict.fromkeys((*score.FAMILIES, *score.STUDIO)):
        made[family] = lambda family=family: simulated(family, scale)
    if folder is None:
        return made
    kit = realkit.real_kit(folder, realkit.CUT_S)
    specs = score_real.specs(seeds, styles, isolated=False)
    takes = [score_real.rendered(kit, spec, HALF) for spec in specs]
    sessions = [(score_scene.session_of(take), (take.seed, grooves.STYLES.index(take.style))) for take in takes]
    return made | {
        "pairs": lambda: pairs(takes),
        "scenes": lambda: scenes(sessions),
        "line checks": lambda: lines(kit, seeds),
        "events": lambda: events(takes),
        "recorders": lambda: recorders(takes),
        "jumping": lambda: jumping(takes),
    }
