"""The table of the real kit: how often an engine is right on takes of real hits, and how honest it is.

    PYTHONPATH=tests python -m bench.delay.score_real --realkit FOLDER --engine new --seeds 0 1 --jobs 2
    python tests/bench/delay/score_real.py ...                                the same from the top of the repository

Takes come of `bench.delay.realtakes` (each style once a seed, its variants in turn, and each drum on its own); a family
is a drum against the overheads, the pair of overheads by any drum of the take, a close mic against the rooms, or one
drum's isolated hits. An answer is right within 0.1 ms of the truth's window; it is *wrong though reliable* where it is
further than the larger of 0.1 ms and two stated sigma (0.3 ms at most), or of the other polarity where the truth has
one. Pairs whose truth is not sure, and drums with fewer than four strokes in the take, are not scored.

``--only-gain`` prints only what `align` gains on whole takes (`bench.delay.sum_gain`), with ``--without`` once for each
of its rules left out (`bench.delay.left_out`).

The leave-out columns are printed for an estimator that has fitted weights (`bench.delay.estimators`): right within
0.1 ms when it was fitted without the take's style, and without the pair's drum.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path

# Before numpy is loaded, and before the bench is found where this file is run as a script.
if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).parents[2]))
for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(variable, "1")

import numpy as np  # noqa: E402
from bench.delay import grooves, hopeless, realkit, realkit_linecheck, realtakes  # noqa: E402
from bench.delay.estimators import BASELINES, Answer, Estimator, estimator  # noqa: E402
from bench.delay.left_out import RULES, without_rule  # noqa: E402
from bench.delay.sum_gain import LINE_CHECK, ORDERS, Gain, gain_table, gains  # noqa: E402

NEAR_S, NEXT_S = 1e-4, 3e-4
FEWEST = 4
FAMILIES = (
    "toms",
    "snare",
    "hat",
    "ride",
    "kick",
    "overhead pair",
    "room",
    "snare heads",
    "isolated",
    "isolated pairs",
)
LEVELS = np.linspace(0, 1, 11)


@dataclass(frozen=True)
class Row:
    """One answer to one pair of one take."""

    engine: str
    take: str
    style: str
    family: str
    drum: str
    pair: str
    lo_s: float
    hi_s: float
    true_polarity: int | None
    delay_s: float
    sigma_s: float
    polarity: int
    confidence: float
    reliable: bool
    took_s: float

    @property
    def off_s(self) -> float:
        return max(self.lo_s - self.delay_s, self.delay_s - self.hi_s, 0.0)

    @property
    def turned(self) -> bool:
        """Of the other polarity, where the truth has one."""
        return self.true_polarity is not None and self.polarity != self.true_polarity

    @property
    def right(self) -> bool:
        """What a confidence promises: within 0.1 ms or two sigma of the window, and the polarity."""
        allowed = NEAR_S if np.isnan(self.sigma_s) else float(np.clip(2 * self.sigma_s, NEAR_S, NEXT_S))
        return self.off_s <= allowed and not self.turned


# ---------------------------------------------------------------- takes and their rows


def specs(seeds: Sequence[int], styles: Sequence[str], *, isolated: bool) -> Iterator[tuple]:
    """What is to be rendered: (style, variant, seed) for grooves, ("isolated", source, seed) for drums alone."""
    for seed in seeds:
        for number, style in enumerate(styles):
            yield style, realtakes.VARIANTS[(seed + number) % len(realtakes.VARIANTS)], seed
        if isolated:
            for source in realkit.SOURCES:
                yield "isolated", source, seed


def rendered(kit: realkit.RealKit, spec: tuple, half: str, seconds: float | None = None) -> realtakes.Take:
    style, variant, seed = spec
    if style == "isolated":
        return realtakes.isolated(kit, variant, 8 + (seed + len(variant)) % 5, seed, half=half)
    return realtakes.varied(kit, style, seed, variant, half=half, seconds=seconds)


def scored(take: realtakes.Take) -> Iterator[tuple[str, str, realtakes.Pair]]:
    """(family, drum, pair) of every pair of the take that is scored."""
    for pair in take.pairs:
        drum = pair.windows[0].source if len(pair.windows) == 1 else "any"
        if take.style == "isolated":
            if pair.kept and pair.family != "close pair":
                yield (
                    ("isolated pairs" if pair.first in (*realkit.OVERHEADS, *realkit.ROOMS) else "isolated"),
                    drum,
                    pair,
                )
        elif pair.family == "snare heads":
            if len(take.of(drum)) >= FEWEST:
                yield pair.family, drum, pair
        elif pair.family == "overhead pair":
            yield pair.family, "any", pair
        elif pair.kept and pair.family in FAMILIES and len(take.of(drum)) >= FEWEST:
            yield pair.family, drum, pair


def row(
    engine: str, take: realtakes.Take, family: str, drum: str, pair: realtakes.Pair, answer: Answer, took_s: float
) -> Row:
    window = pair.nearest(answer.delay_s)
    return Row(
        engine, take.name, take.style, family, drum, f"{pair.first}>{pair.second}", window.lo_s, window.hi_s,
        window.polarity, float(answer.delay_s), float(answer.sigma_s), int(answer.polarity), float(answer.confidence),
        bool(answer.reliable), took_s,
    )  # fmt: skip


def rows_of(take: realtakes.Take, named: dict[str, Estimator], *, only: str | None = None) -> list[Row]:
    """Every estimator's answer to every scored pair of the take, or to those of one drum."""
    found, tracks = [], take.tracks
    for family, drum, pair in scored(take):
        if only not in (None, drum):
            continue
        for engine, ask in named.items():
            start = time.perf_counter()
            answer = ask(tracks, take.rate, (pair.first, pair.second))
            found.append(row(engine, take, family, drum, pair, answer, time.perf_counter() - start))
    return found


def _named(engine: str, ask: Estimator, take: realtakes.Take) -> dict[str, Estimator]:
    named = {engine: ask, **BASELINES}
    if hasattr(ask, "leaving_out"):
        named[f"{engine} -style"] = ask.leaving_out(style=take.style)
    return named


def _job(
    spec: tuple,
    *,
    folder: str,
    half: str,
    cut_s: float,
    engine: str,
    gain: bool,
    only_gain: bool,
    rule: str,
    seconds: float | None,
    **how,
) -> tuple[list[Row], list[Gain]]:
    kit = realkit.real_kit(folder, cut_s)
    if only_gain and how["order"] == LINE_CHECK:
        style, _, seed = spec
        take, _ = realkit_linecheck.session(kit, len(grooves.STYLES) * seed + grooves.STYLES.index(style), half)
    else:
        take = rendered(kit, spec, half, seconds)
    if only_gain:
        with without_rule(rule):
            return [], gains(take, **how)
    ask = estimator(engine)
    found = rows_of(take, _named(engine, ask, take))
    if hasattr(ask, "leaving_out"):
        for drum in realkit.SOURCES:
            found += rows_of(take, {f"{engine} -drum": ask.leaving_out(drum=drum)}, only=drum)
    return found, (gains(take, **how) if gain and take.style != "isolated" else [])


# ---------------------------------------------------------------- tables


def _share(values: Sequence[bool]) -> str:
    return f"{100 * np.mean(values):5.0f}" if len(values) else "    -"


def table(rows: Sequence[Row], engine: str) -> None:
    """For each family: right within 0.1 and 0.3 ms, reliable, wrong though reliable, polarity, sigma, the baselines."""
    print(f"{engine}: shares in %; wrong of the reliable in brackets; sigma: of the reliable, outside the window")
    print(
        f"{'family':20s}    n  0.1ms  0.3ms   rel (wrong)  pol of n  68 %  95 %  | "
        + " | ".join(f"{name} .1 .3" for name in BASELINES)
        + " | -style  -drum | s each"
    )
    families = [name for name in FAMILIES if any(one.family == name for one in rows)]
    drums = [f"isolated {source}" for source in realkit.SOURCES if any(one.drum == source for one in rows)]
    for name in [*families, *drums]:
        _line(name, [one for one in rows if name in (one.family, f"{one.family} {one.drum}")], engine)


def _line(name: str, rows: Sequence[Row], engine: str) -> None:
    of = partial(_only, rows)
    mine = of(engine)
    if not mine:
        return
    sure = [one for one in mine if one.reliable]
    signed = [not one.turned for one in mine if one.true_polarity is not None]
    inside = [[one.off_s <= k * one.sigma_s for one in sure] for k in (1, 2)]
    near = [[one.off_s <= bound for one in mine] for bound in (NEAR_S, NEXT_S)]
    text = f"{name:20s} {len(mine):4d}  {_share(near[0])}  {_share(near[1])} "
    text += f"{_share([one.reliable for one in mine])} ({sum(not one.right for one in sure):3d})  "
    text += f"{_share(signed)} {len(signed):4d} {_share(inside[0])} {_share(inside[1])}  | "
    for base in BASELINES:
        theirs = of(base)
        text += "    ".join(_share([one.off_s <= bound for one in theirs]) for bound in (NEAR_S, NEXT_S)) + " | "
    text += "  ".join(_share([one.off_s <= NEAR_S for one in of(f"{engine} {left}")]) for left in ("-style", "-drum"))
    print(f"{text} | {np.mean([one.took_s for one in mine]):5.2f}")


def _only(rows: Sequence[Row], engine: str) -> list[Row]:
    return [one for one in rows if one.engine == engine]


def diagram(rows: Sequence[Row], engine: str) -> None:
    """Ten levels of confidence: how many answers were told each, and how many of them were right."""
    mine = [
        one for one in rows if one.engine == engine and one.family != "snare heads" and not np.isnan(one.confidence)
    ]
    told, right = np.array([one.confidence for one in mine]), np.array([one.right for one in mine])
    print(f"{'confidence told':16s}     n   mean  right")
    for low, high in pairwise(LEVELS):
        here = (told >= low) & ((told < high) | (high == 1))
        if here.any():
            print(f"{low:6.1f} to {high:3.1f}     {here.sum():5d}  {told[here].mean():5.2f}  {right[here].mean():5.2f}")
    surest = told >= 0.9
    if surest.any():
        print(f"of {surest.sum()} told 90 % or more, {right[surest].mean():.1%} are right")


def wrong(rows: Sequence[Row], engine: str) -> None:
    for one in rows:
        if one.engine == engine and one.reliable and not one.right:
            print(
                f"!! {one.take:28s} {one.pair:20s} window {1e3 * one.lo_s:7.3f} to {1e3 * one.hi_s:7.3f} ms, "
                f"found {1e3 * one.delay_s:7.3f} +- {1e3 * one.sigma_s:.3f}, polarity {one.polarity:+d} of "
                f"{one.true_polarity}, confidence {one.confidence:.2f}"
            )


def strangers(kit: realkit.RealKit, seeds: Sequence[int], half: str, engine: str) -> None:
    """Of short tracks that share nothing, seeds that no weight has seen: how many are told as reliable, all wrongly."""
    ask, told = estimator(engine), []
    for case in (one for seed in seeds for part in (1, 3, 5) for one in hopeless.strangers(kit, 6 * seed + part, half)):
        pair = [("first", case.reference), ("second", case.track)]
        told.append(ask(pair, case.rate, ("first", "second")).reliable)
    print(f"of {len(told)} pairs of short tracks that share nothing {sum(told)} are told as reliable")


def _mapped(work, todo: Sequence[tuple], jobs: int) -> list[tuple[list[Row], list[Gain]]]:
    if jobs > 1:
        with ProcessPoolExecutor(jobs) as pool:
            return list(pool.map(work, todo))
    return [work(spec) for spec in todo]


def main() -> None:
    parser = argparse.ArgumentParser(description="Score an engine on takes of a real kit.")
    parser.add_argument("--realkit", default=None, help=f"the kit's folder; else {realkit.VARIABLE} names it")
    parser.add_argument("--engine", default="new", help="new, 'new group', or module:function")
    parser.add_argument("--seeds", type=int, nargs="+", default=[0])
    parser.add_argument("--styles", nargs="+", default=list(grooves.STYLES), choices=grooves.STYLES)
    parser.add_argument("--half", choices=realkit.HALVES, default="development")
    parser.add_argument(
        "--cut-ms", type=float, default=1e3 * realkit.CUT_S, help="use hits cut so far into their attack"
    )
    parser.add_argument("--no-isolated", action="store_true")
    parser.add_argument("--no-gain", action="store_true")
    parser.add_argument("--only-gain", action="store_true", help="only what `align` gains on whole takes")
    parser.add_argument("--order", choices=ORDERS, default=ORDERS[0], help="how `align` is given the tracks")
    parser.add_argument("--no-rooms", action="store_true", help="give `align` no room mics")
    parser.add_argument("--mics", nargs="+", default=realkit.MICS, choices=realkit.MICS, help="give it these alone")
    parser.add_argument("--seconds", type=float, help="how long each take is  [default: 20 to 40 s]")
    parser.add_argument(
        "--without",
        nargs="+",
        default=[""],
        choices=["", *RULES],
        help="with --only-gain: a table without each rule",
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", help="write every answer to this JSON file")
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.realkit)
    if folder is None:
        sys.exit(f"no real kit: name its folder by --realkit or in {realkit.VARIABLE}")
    left_out = [mic for mic in realkit.MICS if mic not in asked.mics or (asked.no_rooms and mic in realkit.ROOMS)]
    how = {"order": asked.order, "left_out": left_out}
    work = partial(
        _job,
        folder=str(folder),
        half=asked.half,
        cut_s=asked.cut_ms / 1e3,
        engine=asked.engine,
        gain=not asked.no_gain,
        only_gain=asked.only_gain,
        seconds=asked.seconds,
        **how,
    )
    todo = list(specs(asked.seeds, asked.styles, isolated=not (asked.no_isolated or asked.only_gain)))
    if asked.only_gain:
        print(f"half {asked.half}, seeds {asked.seeds}, {len(todo)} takes, order: {asked.order}")
        for rule in asked.without:
            print(f"without: {rule or 'nothing left out'}")
            gain_table([one for _, found in _mapped(partial(work, rule=rule), todo, asked.jobs) for one in found])
        return
    done = _mapped(partial(work, rule=""), todo, asked.jobs)
    rows = [one for found, _ in done for one in found]
    print(f"half {asked.half}, seeds {asked.seeds}, {len(todo)} takes")
    table(rows, asked.engine)
    diagram(rows, asked.engine)
    wrong(rows, asked.engine)
    strangers(realkit.real_kit(str(folder), asked.cut_ms / 1e3), asked.seeds, asked.half, asked.engine)
    if not asked.no_gain:
        gain_table([one for _, found in done for one in found])
    if asked.out:
        Path(asked.out).write_text(json.dumps([asdict(one) for one in rows]), encoding="utf-8")


if __name__ == "__main__":
    main()
