"""The table: for each family how often the engine and the textbook answers are right, and how honest they are.

Run from the top of the repository as ``PYTHONPATH=tests python -m bench.delay.score --half odd``; tuning looked at
even seeds only, so the odd half is the one to believe.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterable

import numpy as np

from bench.delay import hopeless as bad
from bench.delay import sessions
from bench.delay.baselines import BASELINES
from bench.delay.sessions import Case
from micalign.delay.measure import Delay, measure_pair
from micalign.take.model import Track

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
NEAR_S = 1e-4


def measured(case: Case) -> Delay:
    pair = [Track.from_array(name, x, case.rate) for name, x in (("ref", case.reference), ("trk", case.track))]
    return measure_pair(*pair, **case.options)


def error_s(case: Case, delay_s: float) -> float:
    return float(max(case.low_s - delay_s, delay_s - case.high_s, 0.0))


def signed_error_s(case: Case, delay_s: float) -> float:
    return float(delay_s - np.clip(delay_s, case.low_s, case.high_s))


def rows(families: Iterable[str], half: str, scale: float, verbose: bool, baselines: dict | None = None):
    """Every case of some families with what the engine found and the seconds it took; baselines fill their own."""
    kept = defaultdict(list)
    for name in families:
        make, count = FAMILIES[name]
        for k in range(max(round(count * scale), 1)):
            for case in make(2 * k + (half == "odd")):
                start = time.perf_counter()
                found = measured(case)
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
    off = error_s(case, found.delay_s) if case.family != "hopeless" else 0.0
    if case.family == "hopeless":
        bad_ = found.reliable
    else:
        bad_ = off > NEAR_S or found.polarity != case.polarity or not found.reliable
        if case.drift_ppm is not None and found.drift_ppm is not None:
            bad_ |= abs(found.drift_ppm - case.drift_ppm) > 1
    if bad_:
        grave = (
            "!!"
            if found.reliable and (off > 5e-4 or found.polarity != case.polarity or case.family == "hopeless")
            else "  "
        )
        print(
            f"{grave} {case.family:13s} {case.label:32s} true {case.low_s * 1e3:8.3f} found {found.delay_s * 1e3:8.3f} ms"
            f" +-{found.uncertainty_s * 1e3:.3f} pol {case.polarity * found.polarity:+d} rel {found.reliable:d}"
            f" conf {found.confidence:.2f} {found.reason or ''} {found.drift_ppm} | "
            + " ".join(f"{r.delay_s * 1e3:.2f}({r.strength * r.polarity:.2f})" for r in found.rivals),
            flush=True,
        )


def table(kept) -> None:
    print(
        f"{'family':14s} {'n':>4s} {'<0.1ms':>7s} {'pol':>6s} {'rel':>6s} {'wrong&rel':>9s} {'1sig':>6s} {'2sig':>6s} {'ms each':>8s}"
    )
    sums = [0, 0, 0]
    for family, items in kept.items():
        n = len(items)
        reliable = [i for i in items if i[1].reliable]
        took = np.mean([i[2] for i in items]) * 1e3
        if family == "hopeless":
            print(
                f"{family:14s} {n:4d} {'':7s} {'':6s} {len(reliable) / n:6.1%} {len(reliable):9d} {'':6s} {'':6s} {took:8.0f}"
            )
            continue
        errors = np.array([error_s(c, d.delay_s) for c, d, _ in items])
        polar = np.array([c.polarity == d.polarity for c, d, _ in items])
        wrong = sum(error_s(c, d.delay_s) > 5e-4 or c.polarity != d.polarity for c, d, _ in reliable)
        z = np.array([error_s(c, d.delay_s) / d.uncertainty_s for c, d, _ in reliable] or [np.nan])
        sums[0] += len(z)
        sums[1] += (z <= 1).sum()
        sums[2] += (z <= 2).sum()  # noqa: E702
        print(
            f"{family:14s} {n:4d} {np.mean(errors <= NEAR_S):7.1%} {polar.mean():6.1%} {len(reliable) / n:6.1%}"
            f" {wrong:4d} {wrong / max(len(reliable), 1):4.1%} {np.mean(z <= 1):6.1%} {np.mean(z <= 2):6.1%} {took:8.0f}"
        )
        if family == "noise":
            _bound_table(items)
        if family == "drift":
            ppm = np.array([abs((d.drift_ppm or 0) - c.drift_ppm) for c, d, _ in items])
            print(f"    drift error median {np.median(ppm):.3f} ppm, largest {ppm.max():.3f} ppm")
    print(
        f"all reliable: within 1 sigma {sums[1] / max(sums[0], 1):.1%}, within 2 sigma {sums[2] / max(sums[0], 1):.1%}"
    )


def _bound_table(items) -> None:
    groups = defaultdict(list)
    for case, found, _ in items:
        groups[case.label.split(" ", 1)[1]].append(((found.delay_s - case.low_s) / case.bound_s, found.reliable))
    for label, values in groups.items():
        ratio = np.array([v[0] for v in values])
        good = np.abs(ratio) < 30
        print(
            f"    {label:22s} rmse/bound {np.sqrt(np.mean(ratio[good] ** 2)):.3f} gross {np.sum(~good)} rel {np.mean([v[1] for v in values]):.0%}"
        )


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("families", nargs="*", default=list(FAMILIES))
    parser.add_argument("--half", choices=["even", "odd"], default="even")
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("-v", action="store_true")
    parser.add_argument("--baselines", action="store_true")
    chosen = parser.parse_args(arguments)
    baselines = {} if chosen.baselines else None
    table(rows(chosen.families or list(FAMILIES), chosen.half, chosen.scale, chosen.v, baselines))
    if baselines:
        baseline_table(baselines)


if __name__ == "__main__":
    main(sys.argv[1:])
