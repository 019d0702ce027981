"""Fits the two logits of the engine to takes with known delays, and writes `micalign/tdoa/weights.py`.

    python tests/bench/delay/fit_weights.py gather FOLDER --realkit KIT      looks at takes, keeps what was seen
    python tests/bench/delay/fit_weights.py show FOLDER                      leave one style, one drum, one seed out
    python tests/bench/delay/fit_weights.py ablate FOLDER                    the same without each kind of evidence
    python tests/bench/delay/fit_weights.py write FOLDER                     all of it, into the package

Fitted on: the development half of the real kit's hits (`bench.delay.realkit`), even seeds of the sessions
(`bench.delay.sessions`) and of the studio (`bench.delay.studio`), pairs that share nothing (`bench.delay.hopeless`).
Features are left out one after another, the least of them first, until so many are left as the head says; that choice
has seen all of it, the weights by which ``show`` tells have not seen the style or the seeds that they tell.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import hopeless, realkit, sessions, studio, studio_pairs

from micalign.take.tracks import Track
from micalign.tdoa.hypotheses import FEATURES, ONE_PATH
from micalign.tdoa.look import look, places
from micalign.tdoa.posterior import EVENT_S, ONSET_FEATURES, Event
from micalign.tdoa.strokes import listen

EVENT_COUNT, ONSET_COUNT = 30, 16
SHARES = {"real": 1.0, "sessions": 1.0, "studio": 0.2, "hopeless": 0.2}
"""How much a pair of each origin counts: real material first, and few of a user's pairs share nothing."""
EVENT_RIDGE, ONSET_RIDGE = 1.0, 0.3
RIGHT_S, PATH_S, PICK_S = 1e-4, 5e-5, 5e-5
FEWEST_STROKES = 4  # as `bench.delay.score_real` scores
ONE_PATH_FAMILIES = {"latency", "di guitar", "di bass", "noise", "spaced", "reamp wide"}
ANY_KIND_FAMILIES = {"overhead pair", "room pair", "overhead to room"}


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
    onsets: list[tuple[float, np.ndarray, np.ndarray]] = field(default_factory=list)

    def off_s(self, delay_s: float) -> float:
        return min((max(low - delay_s, delay_s - high, 0.0) for low, high in self.windows), default=9.0)

    def middle_off_s(self, delay_s: float) -> float:
        return min((abs(delay_s - (low + high) / 2) for low, high in self.windows), default=9.0)

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
    for style in realkit.STYLES:
        for seed in seeds:
            yield "groove", kit, style, seed, half


def jobs(kit: str | None, half: str, seeds: range) -> Iterator[tuple]:
    first = 0 if half == "development" else 1
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
    if job[0] in ("isolated", "groove"):
        _, folder, what, seed, half = job
        kit = realkit.real_kit(folder)
        if job[0] == "isolated":
            take = realkit.isolated(kit, what, 8 + seed % 5, seed, half=half)
        else:
            variant = realkit.VARIANTS[(seed + realkit.STYLES.index(what)) % len(realkit.VARIANTS)]
            take = realkit.varied(kit, what, seed, variant, half=half)
        for pair in take.pairs:
            windows = [w for w in pair.windows if w.kept and len(take.of(w.source)) >= FEWEST_STROKES]
            if windows:
                drums, spans = tuple(w.source for w in windows), [(w.lo_s, w.hi_s) for w in windows]
                name = f"{take.name} {pair.first}>{pair.second}"
                sounds = take.mics[pair.first], take.mics[pair.second]
                yield "real", take.style, pair.family, name, drums, spans, *sounds, take.rate
        return
    if job[0] == "hopeless":
        found = hopeless.hopeless(job[1])
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
        one = Seen(
            origin, style, family, name, drums, windows, seen.found.lags / rate, seen.found.kinds, seen.found.rows
        )
        # Where the event lies is taught from near the truth and told from where the first logit puts it.
        for low, high in windows:
            if family not in ONE_PATH_FAMILIES and len(one.lags_s):
                at = (low + high) / 2 + np.random.default_rng(len(name)).uniform(-3e-4, 3e-4)
                kinds = [float((np.abs(one.lags_s - at) < EVENT_S)[one.kinds == k].sum()) for k in (0, 1)]
                where = places(seen, Event(at, 1.0, int(np.argmax(kinds))))
                if where is not None:
                    one.onsets.append((at, *where))
        out.append(one)
    return out


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


# ---------------------------------------------------------------- the fit


SIGNS = {"path share": 1, "path height": 1, "path alike": 1, "path agreement": 1, "path earlier": -1, "path rival": -1}
"""Which way what is said of one path can only speak: a higher peak is never the less likely for it."""


def fit(rows, right, shares: np.ndarray, ridge: float, names, *, nothing: bool) -> np.ndarray:
    """Weights of a conditional logit, shape (F,), by the likelihood that any right hypothesis is chosen."""
    scale = np.vstack(rows).std(axis=0) + 1e-6
    if nothing:
        rows = [np.vstack([one, np.zeros(one.shape[1])]) for one in rows]
        right = [np.append(one, not one.any()) for one in right]
    ends = np.cumsum([len(one) for one in rows])
    begins = np.concatenate([[0], ends[:-1]])
    x, y = np.vstack(rows) / scale, np.concatenate(right)
    owner = np.repeat(np.arange(len(rows)), [len(one) for one in rows])

    def loss(beta):
        score = x @ beta
        power = np.exp(score - np.maximum.reduceat(score, begins)[owner])
        total, good = np.add.reduceat(power, begins), np.add.reduceat(power * y, begins) + 1e-12
        pull = power * y / good[owner] - power / total[owner]
        return -(shares @ np.log(good / total)) + 0.5 * ridge * (beta**2).sum(), ridge * beta - (
            shares[owner] * pull
        ) @ x

    bounds = [{1: (0, None), -1: (None, 0), 0: (None, None)}[SIGNS.get(name, 0)] for name in names]
    found = minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 400})
    return found.x / scale


def pruned(rows, right, shares, ridge, names, count, *, nothing):
    """The names that stay when the least feature goes again and again, and their weights."""
    kept = [k for k in range(len(names)) if np.vstack(rows)[:, k].std() > 1e-9]
    while True:
        part = [one[:, kept] for one in rows]
        beta = fit(part, right, shares, ridge, [names[k] for k in kept], nothing=nothing)
        if len(kept) <= count:
            return {names[k]: float(f"{b:.3g}") for k, b in zip(kept, beta, strict=True)}
        size = np.abs(beta) * np.vstack(part).std(axis=0)
        gone = np.argsort(size)[: min(3, len(kept) - count)]
        kept = [k for index, k in enumerate(kept) if index not in gone]


def weights_of(seen: list[Seen], *, names=(None, None), count=(EVENT_COUNT, ONSET_COUNT)):
    """The two sets of weights; with ``names`` given, of those features alone."""
    pairs = [one for one in seen if len(one.rows)]
    rows, right = [one.rows for one in pairs], [one.right() for one in pairs]
    shares = np.array([one.share for one in pairs])
    event = _of(rows, right, shares, EVENT_RIDGE, FEATURES, names[0], count[0], nothing=True)
    beta = np.array([event.get(name, 0.0) for name in FEATURES])
    rows, right, shares = [], [], []
    for one in pairs:
        if not one.onsets:
            continue
        score = one.rows @ beta
        chances = np.exp(score - score.max())
        for _, where, features in one.onsets:
            good = np.array([one.off_s(d) <= RIGHT_S for d in where])
            if good.any() and not good.all():
                rows.append(_with_likelihood(features, where, one.lags_s, chances))
                right.append(good)
                shares.append(one.share)
    return event, _of(rows, right, np.array(shares), ONSET_RIDGE, ONSET_FEATURES, names[1], count[1], nothing=False)


def _with_likelihood(features, where, lags_s, chances):
    """The two features that follow from the first logit, by the weights that are being fitted."""
    near = np.abs(lags_s - np.median(where)) <= 8e-4
    share = chances[near] / max(chances[near].sum(), 1e-9)
    apart = where[:, None] - lags_s[near][None]
    features = features.copy()
    for name, width in (("near likelihood", 8e-5), ("likelihood", 2e-4)):
        bell = np.exp(-0.5 * (apart / width) ** 2)
        features[:, ONSET_FEATURES.index(name)] = np.log((bell * share).sum(axis=1) + 1e-3)
    return features


def _of(rows, right, shares, ridge, every, names, count, *, nothing):
    if names is None:
        return pruned(rows, right, shares, ridge, every, count, nothing=nothing)
    kept = [every.index(name) for name in names]
    beta = fit([one[:, kept] for one in rows], right, shares, ridge, names, nothing=nothing)
    return dict(zip(names, (float(f"{b:.3g}") for b in beta), strict=True))


@dataclass
class Told:
    """What the engine would say of a pair: ``chance`` before it is calibrated."""

    one: Seen
    delay_s: float
    chance: float
    event_s: float
    kind: int
    spread_s: float

    @property
    def off_s(self) -> float:
        return self.one.off_s(self.delay_s)


def told_by(one: Seen, weights) -> Told:
    """What the engine would say with these weights."""
    from micalign.tdoa import posterior
    from micalign.tdoa.hypotheses import Hypotheses

    posterior.EVENT_WEIGHTS, posterior.ONSET_WEIGHTS = weights
    if not len(one.rows):
        return Told(one, 0.0, 0.0, 0.0, 0, 1.0)
    rate = 1e7
    found = Hypotheses(np.rint(one.lags_s * rate).astype(np.intp), one.kinds, one.rows)
    told, chances = posterior.events(found, rate)
    top = told[0]
    near = [o for o in one.onsets if abs(o[0] - top.delay_s) < 8e-4]
    if top.kind == ONE_PATH:
        path = np.flatnonzero((one.kinds == ONE_PATH) & (np.abs(one.lags_s - top.delay_s) <= 1.3 * EVENT_S))
        return Told(
            one,
            float(one.lags_s[path[np.argmax(one.rows[path, FEATURES.index("path alike")])]]),
            top.probability,
            top.delay_s,
            top.kind,
            0.0,
        )
    if not near:
        return Told(one, top.delay_s, 0.7 * top.probability, top.delay_s, top.kind, 4e-4)
    _, where, features = near[0]
    onset = posterior.onset_within(where, _with_likelihood(features, where, one.lags_s, chances))
    return Told(one, onset.delay_s, top.probability * onset.share, top.delay_s, top.kind, onset.spread_s)


def left_out(seen: list[Seen], names=(None, None)) -> list[Told]:
    """Every pair told by weights that have not seen its style (real) or a quarter of the seeds (simulated)."""
    folds = defaultdict(list)
    for one in seen:
        folds[one.style if one.origin == "real" else f"seeds {int(one.name.split()[0]) // 2 % 4}"].append(one)
    told = []
    for fold, inside in folds.items():
        weights = weights_of([one for other, rest in folds.items() if other != fold for one in rest], names=names)
        told += [told_by(one, weights) for one in inside]
    return told


def calibration(told: list[Told], *, path: bool) -> tuple[float, float]:
    """Offset and slope of the log odds of being right, by the log odds told, of one path or of struck sources."""
    kept = [t for t in told if (t.kind == ONE_PATH) == path]
    x = np.array([_log_odds(t.chance) for t in kept])
    y = np.array([t.off_s <= (3e-4 if path else RIGHT_S) for t in kept], float)  # a path is sharpened afterwards
    shares = np.array([t.one.share for t in kept])

    def loss(ab):
        z = ab[0] + ab[1] * x
        return float(shares @ (np.logaddexp(0, z) - y * z))

    found = minimize(loss, np.array([0.0, 1.0]))
    return float(f"{found.x[0]:.3g}"), float(f"{found.x[1]:.3g}")


def _log_odds(chance: float) -> float:
    clipped = float(np.clip(chance, 1e-6, 1 - 1e-6))
    return float(np.log(clipped / (1 - clipped)))


def sigma_scale(told: list[Told], bar: float = 0.7) -> float:
    """By how much the spread of the second logit is to be scaled so that 68 % of good answers lie within one sigma."""
    kept = [t for t in told if t.one.origin == "real" and t.kind != ONE_PATH and t.chance > bar]
    z = [t.one.middle_off_s(t.delay_s) / np.hypot(t.spread_s, PICK_S) for t in kept]
    return float(f"{np.quantile(z, 0.683):.3g}")


def report(told: list[Told], ab) -> None:
    chances = {id(t): _calibrated(t.chance, ab[int(t.kind == ONE_PATH)]) for t in told}
    families = defaultdict(list)
    for t in told:
        key = f"{t.one.origin:8s} {'iso ' if t.one.style == 'isolated' else ''}{t.one.family}"
        families[key].append((t.off_s <= 1e-4, t.off_s <= 3e-4, t.one.off_s(t.event_s) <= 4e-4, chances[id(t)]))
    print(f"{'':28s} {'n':>4s} {'0.1':>5s} {'0.3':>5s} {'event':>5s}   sure (wrong, by 0.3) at 0.8, 0.9, 0.95")
    for key, rows in sorted(families.items()):
        v = np.array(rows, float)
        bars = "  ".join(
            f"{np.mean(v[:, 3] >= bar):.2f} ({int(np.sum((v[:, 3] >= bar) & (v[:, 0] == 0)))},"
            f" {int(np.sum((v[:, 3] >= bar) & (v[:, 1] == 0)))})"
            for bar in (0.8, 0.9, 0.95)
        )
        print(f"{key:28s} {len(v):4d} {v[:, 0].mean():5.2f} {v[:, 1].mean():5.2f} {v[:, 2].mean():5.2f}   {bars}")
    for origin in sorted({t.one.origin for t in told}):
        p = np.array([chances[id(t)] for t in told if t.one.origin == origin and t.one.windows])
        y = np.array([t.off_s <= RIGHT_S for t in told if t.one.origin == origin and t.one.windows])
        cells = [
            (p[k].mean(), y[k].mean(), k.sum())
            for a in np.arange(0, 1, 0.1)
            if (k := (p >= a) & (p < a + 0.1001)).any()
        ]
        if cells:
            print(
                f"{origin}: said/is (n)  "
                + "  ".join(f"{a:.2f}/{b:.2f} ({c})" for a, b, c in cells)
                + f"  all {y.mean():.3f}"
            )


def _calibrated(chance: float, ab: tuple[float, float]) -> float:
    return float(1 / (1 + np.exp(-(ab[0] + ab[1] * _log_odds(chance)))))


EVIDENCE = (
    *("novelty", "stack", "correlation", "earlier", "stretches", "path", "other side's", "gap", "own strokes"),
    *("bright", "too early", "far"),
)


def ablate(seen: list[Seen], names: tuple[list[str], list[str]]) -> None:
    """What is lost without each kind of evidence: share right, and the mean log of the chance of being right."""
    rows = [("nothing", left_out(seen, names))]
    for kind in EVIDENCE:
        kept = tuple([name for name in part if kind not in name] for part in names)
        rows.append((kind, left_out(seen, kept)))
    # Without the second logit an onset is where the first puts it.
    plain = [Told(t.one, t.event_s, t.chance, t.event_s, t.kind, t.spread_s) for t in rows[0][1]]
    rows.append(("where an event begins", plain))
    print(f"{'left out':24s} {'real':>6s} {'by 0.3':>7s} {'simulated':>9s}   of pairs, right within 0.1 ms (0.3 ms)")
    for kind, every in rows:
        told = [t for t in every if t.one.windows]
        real = [t for t in told if t.one.origin == "real"]
        other = [t for t in told if t.one.origin != "real"]
        near, wide = (np.mean([t.off_s <= within for t in real]) for within in (1e-4, 3e-4))
        print(f"{kind:24s} {near:6.1%} {wide:7.1%} {np.mean([t.off_s <= 1e-4 for t in other]):9.1%}")


def write(seen: list[Seen]) -> None:
    event, onset = weights_of(seen)
    told = left_out(seen, (list(event), list(onset)))
    path = Path(__file__).parents[3] / "micalign" / "tdoa" / "weights.py"
    head = path.read_text(encoding="utf-8").split("EVENT_WEIGHTS: Final")[0]
    tables = (("EVENT_WEIGHTS", event), ("ONSET_WEIGHTS", onset))
    body = [
        f"{title}: Final[dict[str, float]] = {{\n" + "".join(f'    "{k}": {v:g},\n' for k, v in table.items()) + "}\n"
        for title, table in tables
    ]
    body.append(f"LOG_ODDS: Final = {(calibration(told, path=False), calibration(told, path=True))}\n")
    body.append(f"SIGMA_SCALE: Final = {sigma_scale(told)}\n")
    path.write_text(head + "\n".join(body), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["gather", "show", "ablate", "write", "test"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--realkit")
    parser.add_argument("--half", default="development", choices=realkit.HALVES)
    parser.add_argument("--seeds", type=int, default=4)
    parser.add_argument("--jobs", type=int, default=2)
    chosen = parser.parse_args()
    if chosen.what == "gather":
        gather(chosen.folder, chosen.realkit, chosen.half, range(chosen.seeds), chosen.jobs)
        return
    seen = pickle.loads((chosen.folder / f"{chosen.half}.pickle").read_bytes())
    if chosen.what == "write":
        write(seen)
        return
    from micalign.tdoa.weights import EVENT_WEIGHTS, LOG_ODDS, ONSET_WEIGHTS

    names = list(EVENT_WEIGHTS), list(ONSET_WEIGHTS)
    if chosen.what == "ablate":
        ablate(seen, names)
    elif chosen.what == "show":
        told = left_out(seen, names)
        report(told, (calibration(told, path=False), calibration(told, path=True)))
    else:
        report([told_by(one, (EVENT_WEIGHTS, ONSET_WEIGHTS)) for one in seen], LOG_ODDS)


if __name__ == "__main__":
    main()
