"""Fits how sure two looks at a pair are together (`TWO_LOOKS`) to takes of the real kit's development half.

    python tests/bench/delay/fit_looks.py --realkit KIT --seeds 40 41 42 43 44 45

Every scored pair that a first look leaves in doubt is looked at a second time by the strokes that each track has for
itself. The surer of both is right or not; the line of its log odds is by the sum of both looks' own and by whether they
agree. Printed: the line, and how many are told 0.9 and more by lines that have not seen their seed, how many of these
are right, beside what the higher of the two confidences would tell; and the same for first looks below 0.5.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import expit

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, realtakes, score_real, told_unseen
from bench.delay.estimators import Answer

from micalign.take.tracks import Track
from micalign.tdoa import measure, posterior
from micalign.tdoa.delays import Delay
from micalign.tdoa.strokes import apart, listen, unled
from micalign.tdoa.tuned import RELIABLE, SAME_PLACE_S

LEAST = 0.5  # probability of a first look: what is less sure no second makes reliable


@dataclass(frozen=True)
class Both:
    """Two looks at one pair: whether the surer is right."""

    seed: int
    first: Delay
    second: Delay
    right: bool

    @property
    def row(self) -> tuple[float, float, float]:
        """What the line is of."""
        odds = sum(posterior.log_odds(one.confidence) for one in (self.first, self.second))
        return 1.0, odds, float(abs(self.first.delay_s - self.second.delay_s) <= SAME_PLACE_S)

    @property
    def surer(self) -> Delay:
        return max(self.first, self.second, key=lambda one: one.confidence)


def looks(take: realtakes.Take, seed: int) -> Iterator[Both]:
    """Both looks at every scored pair that is in doubt."""
    every = [listen(Track.from_array(name, sound, take.rate)) for name, sound in take.mics.items()]
    whole, shares = unled(every)
    heard = {one.name: measure._Heard(one, *told) for one, *told in zip(whole, apart(whole), shares, strict=True)}
    for family, drum, pair in score_real.scored(take):
        both = heard[pair.first], heard[pair.second]
        if family == "snare heads" or all(one.alone is one.whole for one in both):
            continue
        how = {"reach_s": 0.05, "never": measure._never(*both)}
        seen = posterior.look(*(one.whole for one in both), **how)
        first = measure.decided(seen)
        if first is None or first.confidence >= RELIABLE:
            continue
        second = measure.decided(posterior.look(*(one.alone for one in both), before=seen, **how))
        if second is not None:
            told = max(first, second, key=lambda one: one.confidence)
            answer = Answer(told.delay_s, told.uncertainty_s, told.polarity, told.confidence, told.reliable)
            yield Both(seed, first, second, score_real.row("new", take, family, drum, pair, answer, 0.0).right)


def line_of(some: Sequence[Both]) -> tuple[float, ...]:
    """Offset and slopes by which what came true is likeliest."""
    rows, right = np.array([one.row for one in some]), np.array([one.right for one in some])
    (line,) = told_unseen.logistics([rows], right, np.ones(len(some)))
    return line


def report(some: Sequence[Both]) -> None:
    """How sure the answers of each seed are told by a line of the others, and how many of the sure ones are right."""
    right, chance = np.array([one.right for one in some]), np.zeros(len(some))
    for seed in {one.seed for one in some}:
        line = line_of([one for one in some if one.seed != seed])
        for index, one in enumerate(some):
            if one.seed == seed:
                chance[index] = expit(np.dot(one.row, line))
    higher = np.array([one.surer.confidence for one in some])
    for name, told in (("the higher of both", higher), ("both together, seed left out", chance)):
        sure = told >= RELIABLE
        said = f"told {told[sure].mean():.3f}, right {right[sure].mean():.3f}" if sure.any() else "none"
        print(f"  {name:30s} {sure.sum():4d} of {len(some)} told {RELIABLE} and more: {said}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit")
    parser.add_argument("--seeds", type=int, nargs="+", required=True)
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.realkit)
    if folder is None:
        sys.exit(f"no real kit: name its folder by --realkit or in {realkit.VARIABLE}")
    kit, found = realkit.real_kit(str(folder), realkit.CUT_S), []
    for style, variant, seed in score_real.specs(asked.seeds, list(grooves.STYLES), isolated=False):
        found += looks(score_real.rendered(kit, (style, variant, seed), "development"), seed)
    worth = [one for one in found if one.first.confidence >= LEAST]
    print(f"{len(worth)} pairs of a first look from {LEAST} to {RELIABLE}: line {line_of(worth)}")
    report(worth)
    rest = [one for one in found if one.first.confidence < LEAST]
    print(f"{len(rest)} below it: right {np.mean([one.right for one in rest]):.3f}")
    report(rest)


if __name__ == "__main__":
    main()
