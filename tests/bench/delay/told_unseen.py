"""What the engine would say of takes that its weights have not seen, how sure it may be, what each evidence is worth.

A real pair is told by weights that were fitted without its style and without its drum (isolated hits are a style; a
pair that any drum answers is told without its style), a simulated one by weights without a quarter of the seeds. What
is told so is what the lines of confidence and of sigma are fitted to: J. C. Platt, "Probabilistic outputs for support
vector machines", in Advances in Large Margin Classifiers, MIT Press 1999, 61-74.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from bench.delay.seen_takes import PATH_S, Seen
from scipy.optimize import minimize
from scipy.special import expit, ndtr

from micalign.tdoa import posterior, tuned
from micalign.tdoa.hypotheses import FEATURES, ONE_PATH, Hypotheses
from micalign.tdoa.posterior import EVENT_S, Event, Onset
from micalign.tdoa.tuned import RELIABLE

RIGHT_S = 1e-4
FAR_S = 3e-4  # as `bench.delay.score_real` counts
PATH_RIGHT_S = 3e-4  # a path is sharpened afterwards
LEVELS = np.linspace(0, 1, 11)
LINE_SHARES = {"real": 1.0, "sessions": 0.2, "studio": 0.0, "hopeless": 0.2}
"""How much a pair of each origin counts for the lines of struck sources: a rendered truth is a point, a real one a
window of 0.2 ms, so that the same spread of places is right less often; and one renderer's drums are struck at the very
same sample, so that the nearer of two is taken for the first wave of both: shown, but no drummer does it."""
UNRELATED = 0.8
"""How much a pair that shares nothing counts for the line of that: in full, 7 more of 492 real answers are told in
doubt; at 0.6, 13 fewer are, and of 50 rendered pairs that share nothing, of seeds not fitted on, one is told as
sure."""
RIDGE = 1.0
STRAY = 0.02  # of the good answers, evenly over 0.6 ms: what a sigma does not answer for
Names = tuple[Sequence[str] | None, Sequence[str] | None]


@dataclass
class Told:
    """What the engine would say of a pair."""

    one: Seen
    events: list[Event]
    onset: Onset | None
    delay_s: float
    alike: float = 0.0

    @property
    def off_s(self) -> float:
        return self.one.off_s(self.delay_s)

    @property
    def kind(self) -> str:
        return "one path" if self.onset is None else "struck"

    @property
    def right(self) -> bool:
        """What a confidence promises: within 0.1 ms or two sigma, 0.3 ms at most."""
        if self.onset is None:
            return self.off_s <= PATH_RIGHT_S
        return self.off_s <= np.clip(2 * posterior.sigma_s(self.onset), RIGHT_S, FAR_S)

    @property
    def family(self) -> str:
        return f"{self.one.origin:8s} {'iso ' if self.one.style == 'isolated' else ''}{self.one.family}"


def told_by(one: Seen, weights: tuple[dict, dict]) -> Told | None:
    """What the engine would say with these weights; None where it saw nothing."""
    tuned.EVENT_WEIGHTS, tuned.ONSET_WEIGHTS = weights
    if not len(one.rows):
        return None
    rate = 1e7
    found = Hypotheses(np.rint(one.lags_s * rate).astype(np.intp), one.kinds, one.rows)
    events = posterior.events(found, rate)
    top = events[0]
    if top.kind == ONE_PATH:
        path = np.flatnonzero((one.kinds == ONE_PATH) & (np.abs(one.lags_s - top.delay_s) <= 1.3 * EVENT_S))
        best = path[np.argmax(one.rows[path, FEATURES.index("path alike")])]
        alike = float(one.rows[best, FEATURES.index("path alike")])
        return Told(one, events, None, float(one.lags_s[best]), alike)
    near = [place for place in one.onsets if abs(place.at_s - top.delay_s) < 2 * EVENT_S]
    if not near:
        return Told(one, events, Onset(top.delay_s, EVENT_S, EVENT_S, 0.0, 0.7), top.delay_s)
    place = min(near, key=lambda place: (place.kind != top.kind, abs(place.at_s - top.delay_s)))
    onset = posterior.onset_within(place.delays_s, place.rows)
    return Told(one, events, onset, onset.delay_s)


# ---------------------------------------------------------------- left out


def folds(seen: Sequence[Seen]) -> list[tuple[list[Seen], list[Seen]]]:
    """Pairs to fit on and pairs to tell: one style and one drum, or a quarter of the simulated seeds, left out."""
    groups = defaultdict(list)
    for one in seen:
        if one.origin == "real":
            groups[one.style, one.drums if len(one.drums) == 1 else ()].append(one)
        else:
            groups[f"seeds {int(one.name.split()[0]) // 2 % 4}", ()].append(one)
    parts = []
    for (style, drums), inside in groups.items():
        rest = [one for one in seen if not _of_fold(one, style) and not set(one.drums) & set(drums)]
        parts.append((rest, inside))
    return parts


def _of_fold(one: Seen, style: str) -> bool:
    if one.origin == "real":
        return one.style == style
    return f"seeds {int(one.name.split()[0]) // 2 % 4}" == style


def quarters(seen: Sequence[Seen]) -> list[tuple[list[Seen], list[Seen]]]:
    """Pairs to fit on and pairs to tell: a quarter of the styles and of the simulated seeds left out at once."""
    styles = sorted({one.style for one in seen if one.origin == "real"})
    of = [styles.index(one.style) % 4 if one.origin == "real" else int(_fold(one)[-1]) for one in seen]
    return [
        tuple([one for one, its in zip(seen, of, strict=True) if (its == part) == told] for told in (False, True))
        for part in range(4)
    ]


def left_out(seen: Sequence[Seen], weights_of: Callable, names: Names, parts: Callable = folds) -> list[Told]:
    """Every pair told by weights that have not seen its style and drum, or its seeds."""
    told, start = [], weights_of(list(seen), names=names)
    for rest, inside in parts(seen):
        weights = weights_of(rest, names=names, start=start)
        told += [one for one in (told_by(pair, weights) for pair in inside) if one is not None]
    return told


# ---------------------------------------------------------------- how sure and how exact


Lines = dict[str, tuple[float, ...]]
SURE = (("event", "too early"), ("narrowness", "halves agree"))  # `posterior.sureness`, in its order


def log_odds(told: Sequence[Told], without: str = "") -> Lines:
    """The lines of the log odds of a shared source and of one path, and of a right event and beginning if shared."""
    struck = [one for one in told if one.kind == "struck"]
    shares = np.array([LINE_SHARES[one.one.origin] for one in struck])
    shared = np.array([bool(one.one.windows) for one in struck])
    said = [posterior.sureness(one.events[0], one.onset) for one in struck]
    parts = [
        np.array(
            [
                (1.0, *(0.0 if name == without else value for name, value in zip(names, one, strict=True)))
                for one in column
            ]
        )
        for names, column in zip(SURE, zip(*said, strict=True), strict=True)
    ]
    right = np.array([one.right for one in struck])
    event, beginning = logistics([x[shared] for x in parts], right[shared], shares[shared])
    # Few of a user's pairs share nothing; each counts as its answer would be sure.
    sure = expit(parts[0] @ event) * expit(parts[1] @ beginning)
    follows = np.array([[1.0, np.log1p(one.one.follows)] for one in struck])
    (related,) = logistics([follows], shared, np.where(shared, shares, UNRELATED * sure))
    path = [one for one in told if one.kind == "one path"]
    alone = np.array(
        [[1.0, posterior.log_odds(one.events[0].probability), posterior.log_alike(one.alike)] for one in path]
    )
    (one_path,) = logistics([alone], np.array([one.right for one in path]), np.array([one.one.share for one in path]))
    return {"related": related, "event": event, "beginning": beginning, "one path": one_path}


def logistics(parts: Sequence[np.ndarray], right: np.ndarray, shares: np.ndarray) -> list[tuple[float, ...]]:
    """The lines of log odds by the product of whose chances what came true is likeliest.

    The first column of each part is one, the others are held small.
    """
    scales = [np.append(1.0, x[:, 1:].std(axis=0) + 1e-6) for x in parts]
    cuts = np.cumsum([x.shape[1] for x in parts])[:-1]
    held = np.concatenate([np.append(0.0, np.ones(x.shape[1] - 1)) for x in parts])

    def loss(beta):
        lines = [x / scale @ line for x, scale, line in zip(parts, scales, np.split(beta, cuts), strict=True)]
        chance = np.clip(np.prod(expit(lines), axis=0), 1e-12, 1 - 1e-12)
        pull = shares * (np.where(right, 1.0, -chance / (1 - chance)))
        slope = [-(pull * expit(-line)) @ (x / scale) for x, scale, line in zip(parts, scales, lines, strict=True)]
        value = -(shares @ np.log(np.where(right, chance, 1 - chance))) + 0.5 * RIDGE * held @ beta**2
        return value, np.concatenate(slope) + RIDGE * held * beta

    found = minimize(loss, np.zeros(len(held)), jac=True, method="L-BFGS-B").x
    return [
        tuple(float(f"{b:.3g}") for b in line / scale)
        for line, scale in zip(np.split(found, cuts), scales, strict=True)
    ]


def log_sigma(told: Sequence[Told]) -> tuple[float, ...]:
    """The line of the log of sigma by `posterior.exactness`, where the truth lies evenly in its window."""
    kept = [one for one in told if one.kind == "struck" and one.one.windows and one.off_s <= 3e-4]
    x = np.array([posterior.exactness(one.onset) for one in kept])
    windows = [min(one.one.windows, key=lambda w: max(w[0] - one.delay_s, one.delay_s - w[1], 0)) for one in kept]
    low, high = np.array(windows).T
    at, shares = np.array([one.delay_s for one in kept]), np.array([one.one.share for one in kept])
    wide = np.maximum(high - low, 2e-6)

    def loss(beta):
        sigma = np.exp(np.clip(x @ beta, -14, -6))
        chance = (ndtr((at - low + 1e-6) / sigma) - ndtr((at - low - wide + 1e-6) / sigma)) / wide
        return -float(shares @ np.log((1 - STRAY) * chance + STRAY / 6e-4)) + 0.5 * float((beta[1:] ** 2).sum())

    start = np.array([-9.5, 0.5, -0.5])
    found = minimize(loss, start, method="Nelder-Mead", options={"maxiter": 4000, "maxfev": 4000})
    return tuple(float(f"{b:.3g}") for b in found.x)


def _sure(told: Sequence[Told], lines: Lines) -> np.ndarray:
    tuned.LOG_ODDS = lines
    return np.array(
        [
            posterior.path_confidence(one.events[0], one.alike)
            if one.onset is None
            else posterior.confidence_of(one.events[0], one.onset, follows=one.one.follows)
            for one in told
        ]
    )


def _sure_unseen(told: Sequence[Told], without: str = "") -> np.ndarray:
    """The confidence of each pair by lines fitted to the others: a style or a quarter of the seeds left out."""
    sure = np.zeros(len(told))
    owner = np.array([_fold(one.one) for one in told])
    for fold in set(owner):
        lines = log_odds([one for one, other in zip(told, owner, strict=True) if other != fold], without)
        mine = np.flatnonzero(owner == fold)
        sure[mine] = _sure([told[k] for k in mine], lines)
    return sure


def _fold(one: Seen) -> str:
    return one.style if one.origin == "real" else f"seeds {int(one.name.split()[0]) // 2 % 4}"


# ---------------------------------------------------------------- tables


def report(told: Sequence[Told], lines=None, sigma=None) -> None:
    """Each family: right, reliable, wrong though reliable, within one and two sigma; ten levels of confidence."""
    sigma = tuned.LOG_SIGMA = log_sigma(told) if sigma is None else sigma
    sure = _sure_unseen(told) if lines is None else _sure(told, lines)
    families = defaultdict(list)
    for one, chance in zip(told, sure, strict=True):
        width = PATH_S if one.onset is None else float(np.exp(np.dot(sigma, posterior.exactness(one.onset))))
        families[one.family].append((one.off_s <= 1e-4, one.off_s <= 3e-4, chance >= 0.9, one.right, one.off_s / width))
    print(
        f"{'':32s} {'n':>4s} {'0.1':>5s} {'0.3':>5s} {'sure':>5s} wrong  1 sigma 2 sigma (of the sure, off the window)"
    )
    for family, rows in sorted(families.items()):
        v = np.array(rows, float)
        z = v[v[:, 2] > 0, 4] if (v[:, 2] > 0).any() else np.array([np.nan])
        print(
            f"{family:32s} {len(v):4d} {v[:, 0].mean():5.2f} {v[:, 1].mean():5.2f} {v[:, 2].mean():5.2f} "
            f"{int(((v[:, 2] > 0) & (v[:, 3] == 0)).sum()):5d}   {np.mean(z <= 1):5.2f}   {np.mean(z <= 2):5.2f}"
        )
    right = np.array([one.right for one in told])
    for name, mine in (("real", True), ("simulated", False)):
        here = np.array([(one.one.origin == "real") == mine for one in told])
        print(f"{name}: confidence told, share right (of so many)")
        for low, high in pairwise(LEVELS):
            k = here & (sure >= low) & ((sure < high) | (high == 1))
            if k.any():
                print(f"   {low:.1f} to {high:.1f}  {sure[k].mean():.2f}  {right[k].mean():.2f} ({k.sum()})")


PICKS = ("steep picks", "bright steep picks", "low picks", "bright low picks")
BANDS = ("lows", "bright lows", "agreement", "bright agreement")
EVIDENCE = (
    *("novelty", "stack", "stretches", "other side's", "too early", "gap", "bright", "close mic", "path"),
    *(PICKS, BANDS),
)


def ablate(seen: Sequence[Seen], weights_of: Callable, names: tuple[Sequence[str], Sequence[str]]) -> None:
    """What each kind of evidence is worth: the answers that are right with it and not without, and the other way round.

    Told with a quarter of the styles and seeds left out, and fitted anew without that kind; then the mean log of the
    chance of what came true, in hundredths, that is lost without it; then how many real answers are reliable, wrong in
    brackets.
    """
    full = left_out(seen, weights_of, names, quarters)
    tuned.LOG_SIGMA = log_sigma(full)
    told = np.array([bool(one.one.windows) for one in full])
    real = told & np.array([one.one.origin == "real" for one in full])
    print(f"{len(full)} pairs, {real.sum()} real, {(told & ~real).sum()} simulated, {(~told).sum()} that share nothing")
    heads = ("real: gained, lost", "by 0.3", "simulated", "log chance", "reliable")
    print(f"{'left out':24s} weights  {heads[0]:>18s}  {heads[1]:>12s}  {heads[2]:>12s}  {heads[3]}  {heads[4]}")
    surest = _sure_unseen(full)

    def line(kind: str, gone: int, every: Sequence[Told], without: str = "") -> None:
        text = f"{kind:24s} {gone:7d}  "
        for mine, within, width in ((real, 1e-4, 18), (real, 3e-4, 12), (told & ~real, 1e-4, 12)):
            with_it, without_it = (
                np.array([one.off_s <= within for one in told_by_it])[mine] for told_by_it in (full, every)
            )
            text += f"{f'{(with_it & ~without_it).sum()}, {(without_it & ~with_it).sum()}':>{width}s}  "
        sure, right = _sure_unseen(every, without), np.array([one.right for one in every])
        wrong = (sure >= RELIABLE) & ~right & real
        text += f"{100 * (_log_chance(full, surest) - _log_chance(every, sure)):+9.2f}"
        print(f"{text}  {((sure >= RELIABLE) & real).sum():6d} ({wrong.sum()})", flush=True)

    # Without the second logit an onset is where the first puts it; without what follows it, both always share a source.
    line("nothing", 0, full)
    line("where an event begins", len(names[1]), [replace(one, delay_s=one.events[0].delay_s) for one in full])
    line("follows", 2, [replace(one, one=replace(one.one, follows=1e6)) for one in full])
    for name in (name for names in SURE for name in names):
        line(f"{name} (how sure)", 1, full, name)
    for kind in EVIDENCE:
        of_it = kind.__contains__ if isinstance(kind, tuple) else lambda name, kind=kind: kind in name
        kept = tuple([name for name in part if not of_it(name)] for part in names)
        gone = sum(len(part) for part in names) - sum(len(part) for part in kept)
        name = " ".join(kind)[:24] if isinstance(kind, tuple) else kind
        line(name, gone, left_out(seen, weights_of, kept, quarters))
    for part, said in ((0, "event"), (1, "onset")):
        for name in names[part]:
            kept = tuple([one for one in group if (index, one) != (part, name)] for index, group in enumerate(names))
            line(f"{said}: {name}", 1, left_out(seen, weights_of, kept, quarters))


def _log_chance(told: Sequence[Told], sure: np.ndarray) -> float:
    """The mean log of the chance that was told of what came true."""
    right = np.array([one.right for one in told])
    return float(np.mean(np.log(np.clip(np.where(right, sure, 1 - sure), 1e-9, 1))))
