"""Which two mics stand over a kit: fits the weights of that, and says how often they are right where they were unseen.

    python tests/bench/delay/fit_over.py --realkit FOLDER --seeds 44 45 46 47 48 [--half development]

Takes of the real kit, each as several sessions of usual mics: with and without overheads, rooms, and mics of drums that
are not struck, and with a second overhead that hangs beside the first, which hears a third of the other's sound; and
even seeds of both renderers. For each set of mics: by the weights of the package, and by weights
fitted without its style, or without its third of the seeds, how often the pair is found, one of the two with another
mic, none, and two wrong ones. Where the mics hold no two overheads, right is none. Then each kind of evidence left out,
and the weights fitted on all, to be put into `micalign.alignment.tuned.OVER_WEIGHTS`.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
from bench.delay import grooves, realkit, score_real, sessions, studio
from bench.delay.fit_weights import fit

from micalign.alignment import over_kit
from micalign.alignment.tuned import MEET, ONE_OVER, OVER_CHANCE, OVER_WEIGHTS
from micalign.take.tracks import Track
from micalign.tdoa.posterior import probabilities
from micalign.tdoa.strokes import listen

NAMES = tuple(OVER_WEIGHTS)
WORDS = ("right", "half", "one", "none", "stray", "wrong")
RIDGE = 1.0
RENDERED = ("overhead left", "overhead right")
PLAYED = ("KdrumR", "Snare_top", "Hihat", "Tom2", "Tom3")


@dataclass
class Set:
    """Some mics of a take: what speaks for each pair of them, and which is right, by index; -1 for none."""

    group: str
    label: str
    pairs: list[tuple[str, str]]
    rows: np.ndarray
    right: int
    over: tuple[str, ...]


def real_sets(mics: Sequence[str]) -> dict[str, list[str]]:
    """Sessions as they are: all mics, the usual ones, few, and such without overheads or with one."""
    over, rooms = list(realkit.OVERHEADS), list(realkit.ROOMS)
    close = [name for name in mics if name not in (*over, *rooms)]
    few = ["KdrumR", "Snare_top"]
    found = {
        "all": mics,
        "no rooms": [*close, *over],
        "usual": [*PLAYED, *over],
        "usual, rooms": [*PLAYED, *over, *rooms],
        "two close": [*few, *over],
        "two close, rooms": [*few, *over, *rooms],
        "both heads": [*few, "Snare_bottom", *over],
        "no cymbals": ["Tom1", "Tom2", "Tom3", "Tom4", *few, *over],
        "rooms, none over": [*PLAYED, *rooms],
        "none over": close,
        "all, none over": [*close, *rooms],
        "one over": [*close, over[0]],
        "usual, one over": [*PLAYED, over[0]],
    }
    return {label: [name for name in names if name in mics] for label, names in found.items()}


def rendered_sets(mics: Sequence[str]) -> dict[str, list[str]]:
    close = [name for name in mics if name not in (*RENDERED, "room")]
    few = [name for name in close if name.split()[0] in ("kick", "snare")]
    return {
        "all": list(mics),
        "two close": [*few, *RENDERED],
        "none over": close,
        "one over": [*close, RENDERED[0]],
    }


def sets_of(mics: Mapping[str, np.ndarray], rate: int, over: Sequence[str], group: str, sets: dict) -> Iterator[Set]:
    """A take is heard once; what a set of its mics says follows from it."""
    heard = [listen(Track.from_array(name, np.asarray(sound, float), rate)) for name, sound in mics.items()]
    whole = over_kit.heard_kit(heard)
    if whole is None:
        return
    names = list(mics)
    for label, some in sets.items():
        at = [names.index(name) for name in some]
        told = replace(
            whole,
            tracks=tuple(whole.tracks[k] for k in at),
            level_db=whole.level_db[at],
            begins_s=whole.begins_s[at],
            drums=over_kit._drums([heard[k] for k in at]),
        )
        every = combinations(range(len(at)), 2)
        pairs = [pair for pair in every if abs(told.meets(*pair)) >= MEET and not told.is_at_one_drum(*pair)]
        if not pairs:
            continue
        named = [(some[one], some[other]) for one, other in pairs]
        rows = np.array([told.evidence(*pair) for pair in pairs])
        right = next((k for k, pair in enumerate(named) if set(pair) == set(over)), -1)
        yield Set(group, label, named, rows, right, tuple(over))


def gather(folder: str | None, half: str, seeds: Sequence[int], rendered: int) -> list[Set]:
    found: list[Set] = []
    if folder is not None:
        kit = realkit.real_kit(folder, realkit.CUT_S)
        for spec in score_real.specs(seeds, list(grooves.STYLES), isolated=False):
            take = score_real.rendered(kit, spec, half)
            sets = real_sets(list(take.mics))
            found += sets_of(take.mics, take.rate, realkit.OVERHEADS, spec[0], sets)
            one, other = realkit.OVERHEADS
            beside = take.mics | {other: 0.9 * take.mics[one] + 0.3 * take.mics[other]}
            both = {f"beside: {label}": some for label, some in sets.items() if {one, other} <= set(some)}
            found += sets_of(beside, take.rate, realkit.OVERHEADS, spec[0], both)
    for seed in range(0, 2 * rendered, 2):
        for live in (False, True):
            for origin, mics, rate in (
                ("studio", studio.kit_stage(seed, live=live).tracks, studio.RATE),
                ("sessions", sessions.kit_session(seed, live=live)[3], sessions.RATE),
            ):
                found += sets_of(mics, rate, RENDERED, f"{origin} {seed % 3}", rendered_sets(list(mics)))
    return found


def fitted(sets: Sequence[Set], names: Sequence[str] = NAMES) -> dict[str, float]:
    kept = [NAMES.index(name) for name in names]
    rows = [one.rows[:, kept] for one in sets]
    right = [np.arange(len(one.rows)) == one.right for one in sets]
    beta = fit(rows, right, np.ones(len(sets)), RIDGE, names, nothing=True)
    return dict(zip(names, (float(f"{value:.3g}") for value in beta), strict=True))


def answer(one: Set, weights: Mapping[str, float]) -> str:
    """Whether the likeliest pair is right, half right, none, or wrong; one or stray where its mate is in doubt."""
    chances = probabilities(one.rows, dict(weights), NAMES, nothing=True)
    best = int(np.argmax(chances))
    if chances[best] < OVER_CHANCE:
        pairs = [over_kit.PairOver(*pair, chance, 0.0) for pair, chance in zip(one.pairs, chances, strict=True)]
        share = over_kit._shares(pairs)
        likely = max(share, key=lambda name: share[name])
        if share[likely] >= ONE_OVER:
            return "one" if likely in one.over else "stray"
        return "right" if one.right < 0 else "none"
    if best == one.right:
        return "right"
    return "half" if set(one.pairs[best]) & set(one.over) else "wrong"


def unseen(sets: Sequence[Set], names: Sequence[str] = NAMES) -> list[str]:
    """What weights say that were fitted without a set's style or seeds."""
    found = [""] * len(sets)
    for group in {one.group for one in sets}:
        weights = fitted([one for one in sets if one.group != group], names)
        for k, one in enumerate(sets):
            if one.group == group:
                found[k] = answer(one, weights)
    return found


def counts(answers: Sequence[str]) -> str:
    return " ".join(f"{answers.count(word):5d}" for word in WORDS)


def origin(one: Set) -> str:
    return one.group.split()[0] if one.group.split()[0] in ("studio", "sessions") else "real"


def table(sets: Sequence[Set]) -> None:
    told, new = [answer(one, OVER_WEIGHTS) for one in sets], unseen(sets)
    places = defaultdict(list)
    for k, one in enumerate(sets):
        places[origin(one), one.label].append(k)
        places[origin(one), "in all"].append(k)
    heads = " ".join(f"{word:>5s}" for word in WORDS)
    print(f"{'mics':28s}     n   {heads}   unseen: {heads}")
    for (where, label), here in sorted(places.items()):
        print(f"{where + ', ' + label:28s} {len(here):5d}   {counts([told[k] for k in here])}           "
              f"{counts([new[k] for k in here])}")  # fmt: skip
    real = [k for k, one in enumerate(sets) if origin(one) == "real"]
    for name in NAMES:
        left = unseen(sets, [one for one in NAMES if one != name])
        print(f"real, without {name:14s} {len(real):5d}   {'':35s}           {counts([left[k] for k in real])}")
    print(f"OVER_WEIGHTS = {fitted(sets)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", default=None, help=f"the kit's folder; else {realkit.VARIABLE} names it")
    parser.add_argument("--seeds", type=int, nargs="+", default=[44])
    parser.add_argument("--half", choices=realkit.HALVES, default="development")
    parser.add_argument("--rendered", type=int, default=6, help="even seeds of each renderer, quiet and live")
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.realkit)
    table(gather(None if folder is None else str(folder), asked.half, asked.seeds, asked.rendered))


if __name__ == "__main__":
    main()
