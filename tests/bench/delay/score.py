"""The table: for each family how often the engine and the textbook answers are right, and how honest they are.

Run from the top of the repository as ``PYTHONPATH=tests python -m bench.delay.score --half odd``; tuning looked at
even seeds only, so the odd half is the one to believe. ``--renderer studio`` takes the families of the second,
independent renderer (`bench.delay.studio`).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np
from bench.delay import hopeless as bad
from bench.delay import sessions, studio, studio_pairs
from bench.delay.baselines import BASELINES
from bench.delay.estimators import engine_function
from bench.delay.sessions import Case

from micalign.take.tracks import Track
from micalign.tdoa.change import measure_clock
from micalign.tdoa.measure import Delay, measure_pair

FAMILIES: dict[str, tuple[Callable, int]] = {
    "noise": (sessions.noise, 20),
    "kit": (sessions.kit, 10),
    "live": (sessions.live, 8),
    "overhead": (sessions.overhead_pair, 10),
    "guitar": (sessions.di_guitar, 10),
    "bass": (sessions.di_bass, 10),
    "latency": (sessions.latency, 10),
    "drift": (sessions.drift, 10),
    "robust": (bad.wounded, 3),
    "spaced": (sessions.spaced, 12),
    "hopeless": (bad.hopeless, 2),
}
STUDIO: dict[str, tuple[Callable, int]] = {
    "noise": (studio_pairs.noise, 10),
    "kit": (studio.kit, 6),
    "live": (studio.live, 6),
    "overhead": (studio.overhead_pair, 8),
    "guitar": (studio_pairs.di_guitar, 8),
    "bass": (studio_pairs.di_bass, 8),
    "latency": (studio_pairs.latency, 6),
    "drift": (studio_pairs.drift, 6),
    "spaced": (studio.spaced, 12),
    "hopeless": (studio_pairs.hopeless, 2),
}
RENDERERS = {"first": FAMILIES, "studio": STUDIO}
NEAR_S = 1e-4


def measured(case: Case, measure: Callable[..., Delay] = measure_pair) -> Delay:
    pair = [Track.from_array(name, x, case.rate) for name, x in (("ref", case.reference), ("trk", case.track))]
    if case.drift_ppm is None:
        return measure(*pair, **case.options)
    # Told at the first sample; what is known is the delay in the middle.
    found = measure_clock(*pair)
    return replace(found, delay_s=found.delay_s + (found.drift_ppm or 0.0) * 0.5e-6 * pair[0].duration_s)


def error_s(case: Case, delay_s: float) -> float:
    windows = ((case.low_s, case.high_s), *case.also)
    return float(min(max(low - delay_s, delay_s - high, 0.0) for low, high in windows))


def signed_error_s(case: Case, delay_s: float) -> float:
    return float(delay_s - np.clip(delay_s, case.low_s, case.high_s))


def rows(
    families: Iterable[str],
    half: str,
    scale: float,
    verbose: bool,
    baselines: dict | None = None,
    *,
    renderer: str = "first",
    measure: Callable[..., Delay] = measure_pair,
):
    """Every case of some families with what the engine found and the seconds it took; baselines fill their own."""
    kept = defaultdict(list)
    for name in families:
        make, count = RENDERERS[renderer][name]
        for k in range(max(round(count * scale), 1)):
            for case in make(2 * k + (half == "odd")):
                start = time.perf_counter()
                found = measured(case, measure)
                kept[case.family].append((case, found, time.perf_counter() - start))
                if verbose:
                    _say(case, found)
                if baselines is not None and case.family not in ("hopeless", "drift", "reamp wide", "robust"):
                    for label, answer in BASELINES.items():
                        baselines.setdefault((case.family, label), []).append(error_s(case, answer(case)) <= NEAR_S)
                # Ten minutes of audio need not be kept for a table.
                case.reference = case.track = np.zeros(0)
    return kept


def baseline_table(baselines: dict) -> None:
    print(f"{'within 0.1 ms':14s} " + " ".join(f"{label:>12s}" for label in BASELINES))
    for family in dict.fromkeys(key[0] for key in baselines):
        print(f"{family:14s} " + " ".join(f"{np.mean(baselines[family, label]):12.0%}" for label in BASELINES))


def _say(case, found):
    """One line for each answer that is wrong, or right and not said to be reliable."""
    off, hopeless = error_s(case, found.delay_s), case.family == "hopeless"
    wrong = hopeless or off > 5e-4 or found.polarity != case.polarity
    if (hopeless and not found.reliable) or (found.reliable and not wrong and off <= NEAR_S):
        return
    rivals = " ".join(f"{r.delay_s * 1e3:.2f}({r.probability * r.polarity:.2f})" for r in found.candidates)
    print(
        f"{'!!' if found.reliable and wrong else '  '} {case.family:13s} {case.label:32s}",
        f"true {case.low_s * 1e3:8.3f} found {found.delay_s * 1e3:8.3f} ms +-{found.uncertainty_s * 1e3:.3f}",
        f"polarity {case.polarity * found.polarity:+d} reliable {found.reliable:d} {found.reason or ''} | {rivals}",
        flush=True,
    )


def table(kept) -> None:
    """Share within 0.1 ms, right polarity, reliable, wrong though reliable, within one and two sigma, time each."""
    print(f"{'family':14s}    n  <0.1ms     pol     rel   wrong&rel    1sig    2sig  ms each")
    every = []
    for family, items in kept.items():
        reliable = [(case, found) for case, found, _ in items if found.reliable]
        took = np.mean([seconds for _, _, seconds in items]) * 1e3
        if family == "hopeless":
            print(f"{family:14s} {len(items):4d} {'':15s} {len(reliable) / len(items):7.1%} {len(reliable):4d}")
            continue
        near = np.mean([error_s(case, found.delay_s) <= NEAR_S for case, found, _ in items])
        polarity = np.mean([case.polarity == found.polarity for case, found, _ in items])
        wrong = sum(error_s(c, d.delay_s) > 5e-4 or c.polarity != d.polarity for c, d in reliable)
        z = np.array([error_s(c, d.delay_s) / d.uncertainty_s for c, d in reliable] or [np.nan])
        every.extend(z)
        shares = f"{near:7.1%} {polarity:7.1%} {len(reliable) / len(items):7.1%} {wrong:4d}"
        sigmas = f"{wrong / max(len(reliable), 1):6.1%} {np.mean(z <= 1):7.1%} {np.mean(z <= 2):7.1%}"
        print(f"{family:14s} {len(items):4d} {shares} {sigmas} {took:8.0f}")
        if family == "noise":
            _bound_table(items)
        if family == "drift":
            ppm = np.array([abs((d.drift_ppm or 0) - c.drift_ppm) for c, d, _ in items])
            print(f"    drift error median {np.median(ppm):.3f} ppm, largest {ppm.max():.3f} ppm")
    z = np.array(every or [np.nan])
    print(f"all reliable: within 1 sigma {np.mean(z <= 1):.1%}, within 2 sigma {np.mean(z <= 2):.1%}")


def _bound_table(items) -> None:
    groups = defaultdict(list)
    for case, found, _ in items:
        groups[case.label.split(" ", 1)[1]].append(((found.delay_s - case.low_s) / case.bound_s, found.reliable))
    for label, values in groups.items():
        ratio = np.array([v[0] for v in values])
        good = np.abs(ratio) < 30
        rmse, reliable = np.sqrt(np.mean(ratio[good] ** 2)), np.mean([v[1] for v in values])
        print(f"    {label:22s} rmse/bound {rmse:.3f} gross {np.sum(~good)} reliable {reliable:.0%}")


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("families", nargs="*")
    parser.add_argument("--renderer", choices=list(RENDERERS), default="first")
    parser.add_argument("--engine", default="new", help="new, or module:function of two tracks")
    parser.add_argument("--half", choices=["even", "odd"], default="even")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("-v", action="store_true")
    parser.add_argument("--baselines", action="store_true")
    chosen = parser.parse_args(arguments)
    baselines = {} if chosen.baselines else None
    families = chosen.families or list(RENDERERS[chosen.renderer])
    measure = engine_function(chosen.engine)
    found = rows(families, chosen.half, chosen.scale, chosen.v, baselines, renderer=chosen.renderer, measure=measure)
    table(found)
    if baselines:
        baseline_table(baselines)


if __name__ == "__main__":
    main(sys.argv[1:])
