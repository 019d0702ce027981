"""Rules of the delay engine that no weight stands for, each left out in turn: what is right with it and not without it.

    python tests/bench/delay/engine_rules.py --realkit FOLDER --seeds 40 --scale 0.1 [--rules RULE ...]

One row a rule. On takes of the real kit (each track among all of its take, as `measure` hears them) and on the families
of both renderers that it can touch: answers within 0.1 ms that are lost and gained without it, how many are reliable,
and how many of these are wrong. A rule that loses nothing when it is left out has no place in the engine. Kinds of
evidence have weights: what each of them is worth says ``fit_weights.py ablate``; the rules of `align`, `left_out`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, score, score_real
from bench.delay.estimators import Answer

from micalign.take.tracks import Track
from micalign.tdoa import drift, measure, strokes

STRUCK, PATHS, DRIFT = (
    ("kit", "live", "overhead", "spaced"),
    ("guitar", "bass", "latency", "noise"),
    ("drift", "robust"),
)
ANY = (*STRUCK, *PATHS, "hopeless")


@dataclass(frozen=True)
class Rule:
    """A rule by its name: what stands instead of it, ((module, name, value), ...), and the families it can touch."""

    name: str
    instead: tuple[tuple[str, str, Any], ...]
    families: tuple[str, ...] = ()
    real: bool = True


def _surer(first: measure.Delay, second: measure.Delay) -> measure.Delay:
    return max(first, second, key=lambda one: one.confidence)


_deskewed, _window = drift._deskewed, strokes.matched_window


def _even_weights(_spectra: Any, cross: Any, _lag_s: float) -> tuple[Any, float]:
    return 1.0 / (np.abs(cross) + 1e-30), 1e-6


def _unmoved(length: int, _late: float) -> Any:
    return _window(length, 0.0)


RULES = (
    Rule("nothing", (), (*ANY, *DRIFT)),
    Rule("second look by a track's own strokes", (("measure", "apart", list),), ("kit", "live")),
    Rule("second look where worth it only", (("measure", "WORTH_A_LOOK", 0.0),), ("kit", "live")),
    Rule("two looks: whether they agree", (("measure", "of_two_looks", _surer),), ("kit", "live")),
    Rule("own strokes: class above a gap", (("strokes", "LEAST_GAP_DB", 1e3),), STRUCK),
    Rule("own strokes: few must stand out more", (("strokes", "FEW_STROKES_DB", 0.0),), STRUCK),
    Rule("own strokes: range", (("strokes", "OWN_RANGE_DB", -60.0),), STRUCK),
    Rule("precedence: 6 ms before", (("evidence", "EARLIER_S", 0.0015),), STRUCK),
    Rule("follows: two sounds on one grid", (("posterior", "Look.follows", float("inf")),), ANY),
    Rule("so alike is one path", (("posterior", "SO_ALIKE", 9.0),), ANY),
    Rule("struck: between samples", (("exact", "_between_samples", lambda seen, event, delay_s: delay_s),), STRUCK),
    Rule("polarity: first waves", (("exact", "_first_waves", lambda *_: 0.0),), STRUCK),
    Rule("polarity: correlation", (("exact", "_correlated", lambda *_: 0.0),), STRUCK),
    Rule("path: coherence's weights", (("exact", "coherence_weights", _even_weights),), PATHS, real=False),
    Rule("path: the window's fraction", (("exact", "matched_window", _unmoved),), PATHS, real=False),
    Rule("path: best sum of a filter", (("exact", "_best_sum", lambda _s, _c, lag: lag),), PATHS, real=False),
    Rule("path: a wall is no filter", (("exact", "WALL", 9.0),), ("spaced", *PATHS), real=False),
    Rule("path: a clear polarity", (("exact", "LEAST_MARGIN", 0.0),), (*PATHS, "hopeless"), real=False),
    Rule("path: stretches of its common time", (("exact", "common_samples", lambda *_: None),), PATHS, real=False),
    Rule("search in two steps", (("measure", "_WIDE_S", 1e3),), ("robust",), real=False),
    Rule("drift: jumps", (("drift", "_jumps", lambda *_: False),), DRIFT, real=False),
    Rule("drift: within frames", (("drift", "_deskewed", lambda *line: _deskewed(*line[:4], 0.0)),), DRIFT, real=False),
)


@contextmanager
def without(rule: Rule) -> Iterator[None]:
    """The engine without a rule."""
    with ExitStack() as stack:
        for module, name, value in rule.instead:
            place: Any = import_module(f"micalign.tdoa.{module}")
            *path, last = name.split(".")
            for part in path:
                place = getattr(place, part)
            stack.enter_context(patch.object(place, last, value))
        yield


@dataclass(frozen=True)
class Told:
    """One answer: how far off in seconds, reliable, and wrong though reliable."""

    off_s: float
    reliable: bool
    wrong: bool

    @property
    def near(self) -> bool:
        return self.off_s <= score.NEAR_S


def real(takes: Sequence[Any]) -> list[Told]:
    """Every scored pair of the takes, each track among all."""
    found = []
    for take in takes:
        heard = {name: strokes.listen(Track.from_array(name, sound, take.rate)) for name, sound in take.mics.items()}
        alone = dict(zip(heard, measure.apart(list(heard.values())), strict=True))
        for family, drum, pair in score_real.scored(take):
            if family == "snare heads":
                continue
            both = (heard[pair.first], heard[pair.second]), (alone[pair.first], alone[pair.second])
            delay = measure._measure(*both, measure._Options(0.05, None, None, None, False, None))
            told = Answer(delay.delay_s, delay.uncertainty_s, delay.polarity, delay.confidence, delay.reliable)
            row = score_real.row("new", take, family, drum, pair, told, 0.0)
            found.append(Told(row.off_s, row.reliable, row.reliable and not row.right))
    return found


def simulated(families: Sequence[str], scale: float) -> list[Told]:
    """Cases of both renderers, even seeds."""
    found = []
    for renderer, known in score.RENDERERS.items():
        kept = score.rows([one for one in families if one in known], "even", scale, False, renderer=renderer)
        for case, delay, _ in (item for items in kept.values() for item in items):
            off_s = float("inf") if case.family == "hopeless" else score.error_s(case, delay.delay_s)
            wrong = case.family == "hopeless" or off_s > 5e-4 or delay.polarity != case.polarity
            found.append(Told(off_s, delay.reliable, delay.reliable and wrong))
    return found


def _said(full: Sequence[Told], found: Sequence[Told]) -> str:
    if not full:
        return "-"
    pairs = list(zip(full, found, strict=True))
    lost, gained = (sum(a.near and not b.near for a, b in some) for some in (pairs, [(b, a) for a, b in pairs]))
    both = np.array([(a.off_s, b.off_s) for a, b in pairs if a.near and b.near])
    off_us = 1e6 * np.mean(both, axis=0) if len(both) else np.zeros(2)
    surer = sum(told.reliable for told in found) - sum(told.reliable for told in full)
    wronger = sum(told.wrong for told in found) - sum(told.wrong for told in full)
    return f"{lost:4d} {gained:4d} {off_us[0]:6.2f} to {off_us[1]:6.2f} {surer:+4d} ({wronger:+d}) of {len(full):3d}"


def table(rules: Sequence[Rule], takes: Sequence[Any], scale: float, tell: Callable[[str], None] = print) -> None:
    """One row a rule; the families that rules share are told once with all of them in."""
    tell(f"{'left out':38s} {'real takes':>42s} {'simulated':>42s}")
    tell(f"{'':38s} {'lost, gained, us off, reliable (wrong)':>42s} {'the same':>42s}")
    full_real = real(takes)
    full = {family: simulated([family], scale) for family in sorted({one for rule in rules for one in rule.families})}
    for rule in rules:
        with without(rule):
            there = real(takes) if rule.real and rule.instead else full_real if rule.real else []
            made = [one for family in rule.families for one in simulated([family], scale)] if rule.instead else None
        before = [one for family in rule.families for one in full[family]]
        said = _said(full_real if rule.real else [], there), _said(before, before if made is None else made)
        tell(f"{rule.name:38s} {said[0]:>42s} {said[1]:>42s}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", default=None, help=f"the kit's folder; else {realkit.VARIABLE} names it")
    parser.add_argument("--seeds", type=int, nargs="+", default=[40])
    parser.add_argument("--styles", nargs="+", default=list(grooves.STYLES), choices=grooves.STYLES)
    parser.add_argument("--scale", type=float, default=0.1, help="of each simulated family, this share of its cases")
    parser.add_argument("--rules", nargs="+", default=[rule.name for rule in RULES], choices=[r.name for r in RULES])
    asked = parser.parse_args()
    folder, takes = realkit.given_folder(asked.realkit), []
    if folder is not None:
        kit = realkit.real_kit(str(folder), realkit.CUT_S)
        specs = score_real.specs(asked.seeds, asked.styles, isolated=False)
        takes = [score_real.rendered(kit, spec, "development") for spec in specs]
    print(
        f"{len(takes)} takes of the development half, seeds {asked.seeds}; simulated: even seeds, scale {asked.scale}"
    )
    table(
        [rule for rule in RULES if rule.name in asked.rules], takes, asked.scale, lambda text: print(text, flush=True)
    )


if __name__ == "__main__":
    main()
