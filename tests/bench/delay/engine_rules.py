"""Rules of the delay engine that no weight stands for, each left out in turn: what is right with it and not without it.

    python tests/bench/delay/engine_rules.py --realkit FOLDER --seeds 40 --scale 0.1 [--rules RULE ...]

One row for each rule and bench that it can touch (`bench.delay.engine_benches`): answers that are near enough (0.1 ms
as a rule) and are lost and gained without it, how far off those are that are near with and without, how many more are
reliable, and how many more of these are wrong. A rule that loses nothing when it is left out has no place in the
engine. Kinds of evidence have weights: what each of them is worth says ``fit_weights.py ablate``; the rules of `align`,
`left_out`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit
from bench.delay.engine_benches import Bench, Told, benches

from micalign.tdoa import measure
from micalign.tdoa.strokes import unled

GROUP = ("pairs", "kit", "live")
STRUCK = ("pairs", "kit", "live", "overhead", "spaced")
PATHS = ("guitar", "bass", "latency", "noise")
ANY = (*STRUCK, *PATHS, "hopeless")
SCENES = ("scenes", "first scenes", "studio scenes")
LINES, EVENTS, HELD = ("line checks",), ("events",), ("held",)
CLOCKS = ("recorders", "jumping", "drift", "robust")


@dataclass(frozen=True)
class Rule:
    """A rule by its name: what stands instead of it, ((module, name, value), ...), and the benches it can touch."""

    name: str
    instead: tuple[tuple[str, str, Any], ...]
    benches: tuple[str, ...]


def _surer(first: measure.Delay, second: measure.Delay) -> measure.Delay:
    return max(first, second, key=lambda one: one.confidence)


def _even_weights(_spectra: Any, cross: Any, _lag_s: float) -> tuple[Any, Any]:
    return np.full(len(cross), 0.5), np.abs(cross) + 1e-30


def _ones(delays_s: Any, *_: float) -> Any:
    return np.ones(len(delays_s))


def _all_with_shares(heard: Any) -> Any:
    return list(heard), unled(heard)[1]


RULES = (
    Rule("second look by a track's own strokes", (("measure", "apart", list), ("strokes", "apart", list)), GROUP),
    Rule("second look where worth it only", (("tuned", "WORTH_A_LOOK", 0.0),), GROUP),
    Rule("two looks: whether they agree", (("measure", "of_two_looks", _surer),), GROUP),
    Rule("apart: close mics part strokes", (("tuned", "CLOSE_GAP_DB", 0.0),), GROUP),
    Rule("apart: mics at one drum", (("tuned", "ONE_DRUM", 9.0),), GROUP),
    Rule(
        "strokes that others lead are not its own",
        (("measure", "unled", _all_with_shares), ("strokes", "unled", _all_with_shares)),
        GROUP,
    ),
    Rule("what others lead is nobody's close mic", (("tuned", "LED", (-1.0, 2.0)),), GROUP),
    Rule("apart: enough are left", (("tuned", "FEWEST_APART", 1),), GROUP),
    Rule("own strokes: class above a gap", (("tuned", "LEAST_GAP_DB", 1e3),), (*STRUCK, *SCENES)),
    Rule("own strokes: few must stand out more", (("tuned", "FEW_STROKES_DB", 0.0),), (*STRUCK, *SCENES)),
    Rule("own strokes: a cymbal's alone", (("strokes", "_of_a_cymbal", lambda own, *_: own),), (*STRUCK, *SCENES)),
    Rule("own strokes: range", (("tuned", "OWN_RANGE_DB", -60.0),), (*STRUCK, *SCENES)),
    Rule("own strokes: as many as are kept", (("tuned", "MOST_STROKES", 10_000),), STRUCK),
    Rule("strokes of all: what is soft", (("tuned", "SOFTEST_DB", -99.0),), (*LINES, *EVENTS)),
    Rule("precedence: 6 ms before", (("tuned", "EARLIER_S", 0.0015),), STRUCK),
    Rule("follows: two sounds on one grid", (("posterior", "Look.follows", float("inf")),), ANY),
    Rule("so alike is one path", (("tuned", "SO_ALIKE", 9.0),), ANY),
    Rule("struck: between samples", (("measure", "_between_samples", lambda _side, later_s: later_s),), STRUCK),
    Rule("polarity: first waves", (("measure", "_first_waves", lambda *_: 1.0),), (*STRUCK, *SCENES)),
    Rule("path: coherence's weights", (("measure", "_coherence", _even_weights),), PATHS),
    Rule("path: best sum of a filter", (("measure", "_best_sum", lambda _s, _c, lag: lag),), PATHS),
    Rule("path: a wall is no filter", (("tuned", "WALL", 9.0),), ("spaced", *PATHS)),
    Rule("path: a clear polarity", (("tuned", "LEAST_MARGIN", 0.0),), (*PATHS, "hopeless")),
    Rule("path: groups' scatter", (("measure", "one_sigma_s", lambda error_s, _groups: error_s),), PATHS),
    Rule("search in two steps", (("measure", "_WIDE_S", 1e3),), ("robust",)),
    Rule("search: another fits as well", (("tuned", "RIVAL", 9.0),), ("robust", "hopeless")),
    Rule("scene: what it expects weighs", (("posterior", "prior_odds", _ones),), SCENES),
    Rule("scene: its own confidence", (("tuned", "SCENE_LOG_ODDS", (0.0, 1.0)),), SCENES),
    Rule("scene: no witness where it cannot be", (("sources", "unexpected", lambda seen: seen),), SCENES),
    Rule("scene: places confirm strokes", (("sources", "_confirmed", lambda _source, times_s, *_: times_s),), SCENES),
    Rule("scene: strokes of no mic by place", (("sources", "_by_place", lambda _t, _h, _w, found: found),), SCENES),
    Rule("places: clearly nearer", (("tuned", "CLEARLY", 1.0),), SCENES),
    Rule("leads: clearly, or by less", (("tuned", "LEAD_DB", (9.0, 9.0)),), SCENES),
    Rule("leads: at all", (("tuned", "LEAD_DB", (-99.0, -99.0)),), SCENES),
    Rule("struck: bright ones ring", (("sources", "_rings_brightly", lambda _: False),), (*SCENES, *HELD)),
    Rule("struck: from ordinary to loud", (("tuned", "STRUCK_DB", 0.0),), (*SCENES, *HELD)),
    Rule("alone: odd ones left out", (("tuned", "ODD_DB", 999.0),), LINES),
    Rule("alone: scattered strokes are laid", (("tuned", "SCATTER_S", 9.0),), LINES),
    Rule("alone: sums differ, doubt", (("tuned", "PICK_S", 1e-6),), LINES),
    Rule("stretches: a drum's strokes are alike", (("tuned", "ALIKE_DB", 9.0),), LINES),
    Rule("stretches: longer than a fill", (("tuned", "LONGER_THAN_A_FILL_S", 0.1),), LINES),
    Rule("events: most tracks agree", (("tuned", "AGREEING", 0.5),), EVENTS),
    Rule("clock: jumps", (("change", "_jumps", lambda *_, **__: False),), CLOCKS),
    Rule("clock: other sounds are no jump", (("change", "_is_shifted", lambda *_: True),), CLOCKS),
    Rule("clock: read again at its pace", (("change", "_stretched", lambda samples, _slope: samples),), CLOCKS),
    Rule("clock: pieces that are clear", (("tuned", "RIVAL", 9.0),), CLOCKS),
    Rule("clock: first slope by pairs", (("change", "_slope", lambda *_: 0.0),), CLOCKS),
    Rule("wavefront: least rise", (("tuned", "LEAST_RISE", 0.0),), (*STRUCK, *SCENES)),
    Rule("wavefront: most rise", (("tuned", "MOST_RISE", 9.0),), (*STRUCK, *SCENES)),
    Rule("wavefront: a clear rise", (("tuned", "CLEAR_RISE", 1e9),), (*STRUCK, *SCENES, *LINES)),
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


def said(full: Sequence[Told], found: Sequence[Told]) -> str:
    """What is lost and gained of some answers, how far off the near ones are, how many are surer and wronger."""
    # Of a source that is never heard alone there are fewer answers: then only their number is compared.
    more = sum(told.near for told in found) - sum(told.near for told in full)
    both = list(zip(full, found, strict=True)) if len(full) == len(found) else []
    lost = sum(a.near and not b.near for a, b in both) or max(-more, 0)
    gained = sum(b.near and not a.near for a, b in both) or max(more, 0)
    off_us = 1e6 * np.mean([(a.off_s, b.off_s) for a, b in both if a.near and b.near] or [(0.0, 0.0)], axis=0)
    surer = sum(told.reliable for told in found) - sum(told.reliable for told in full)
    wronger = sum(told.wrong for told in found) - sum(told.wrong for told in full)
    return f"{lost:4d} {gained:4d} {off_us[0]:7.2f} to {off_us[1]:7.2f} {surer:+5d} ({wronger:+d}) of {len(full):4d}"


def table(rules: Sequence[Rule], known: Mapping[str, Bench], tell: Callable[[str], None] = print) -> None:
    """One row for each rule and bench; what a bench says with every rule in is asked once."""
    tell(f"{'left out':38s} {'bench':14s} lost gained us off, reliable (wrong) of")
    full: dict[str, list[Told]] = {}
    for rule in rules:
        for name in (one for one in rule.benches if one in known):
            if name not in full:
                full[name] = known[name]()
                near, sure, wrong = (sum(getattr(t, k) for t in full[name]) for k in ("near", "reliable", "wrong"))
                tell(f"{'(nothing)':38s} {name:14s} {near} near, {sure} reliable ({wrong} wrong) of {len(full[name])}")
            with without(rule):
                found = known[name]()
            tell(f"{rule.name:38s} {name:14s} {said(full[name], found)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", default=None, help=f"the kit's folder; else {realkit.VARIABLE} names it")
    parser.add_argument("--seeds", type=int, nargs="+", default=[40])
    parser.add_argument("--styles", nargs="+", default=list(grooves.STYLES), choices=grooves.STYLES)
    parser.add_argument("--scale", type=float, default=0.1, help="of each simulated family, this share of its cases")
    parser.add_argument("--rules", nargs="+", default=[rule.name for rule in RULES], choices=[r.name for r in RULES])
    parser.add_argument("--benches", nargs="+", help="only these")
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.realkit)
    print(f"development half: {folder is not None}, seeds {asked.seeds}; simulated: even seeds, scale {asked.scale}")
    known = benches(folder and str(folder), asked.seeds, asked.styles, asked.scale)
    kept = {name: bench for name, bench in known.items() if asked.benches is None or name in asked.benches}
    table([rule for rule in RULES if rule.name in asked.rules], kept, lambda text: print(text, flush=True))


if __name__ == "__main__":
    main()
