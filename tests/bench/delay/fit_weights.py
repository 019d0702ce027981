"""Fits the weights of the engine to takes with known delays, and writes the last part of `micalign/tdoa/tuned.py`.

    python tests/bench/delay/fit_weights.py gather FOLDER --realkit KIT      looks at takes, keeps what was seen
    python tests/bench/delay/fit_weights.py show FOLDER                      tells each take unseen; ten levels
    python tests/bench/delay/fit_weights.py ablate FOLDER                    the same without each kind of evidence
    python tests/bench/delay/fit_weights.py write FOLDER                     all of it, into the package

Fitted on: the development half of the real kit's hits and even seeds of both renderers (`bench.delay.seen_takes`).
Which features there are was chosen on the same takes, the least of them left out again and again. The weights by which
``show`` tells have not seen the style nor the drum, or the seeds, that they tell (`bench.delay.told_unseen`); the lines
of confidence and sigma are fitted to what they tell.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import realkit, seen_takes, told_unseen
from bench.delay.seen_takes import ONE_PATH_FAMILIES, Seen

from micalign.tdoa import tuned
from micalign.tdoa.hypotheses import FEATURES
from micalign.tdoa.posterior import ONSET_FEATURES
from micalign.tdoa.tuned import EVENT_WEIGHTS, LOG_ODDS, LOG_SIGMA, ONSET_WEIGHTS

EVENT_RIDGE, ONSET_RIDGE = 1.0, 0.3
RIGHT_S = 1e-4


SIGNS = {"path earlier": -1, "path rival": -1}
"""Which way what is said of one path can only speak: a rival or an earlier peak never makes it likelier."""
NAMES = tuple(EVENT_WEIGHTS), tuple(ONSET_WEIGHTS)
"""The features that have weights."""


def fit(rows, right, shares: np.ndarray, ridge: float, names, *, nothing: bool, start=None) -> np.ndarray:
    """Weights of a conditional logit, shape (F,), by the likelihood that any right hypothesis is chosen.

    ``start``: weights to begin with, where some are known; they make it faster and change nothing.
    """
    spread = np.vstack(rows).std(axis=0)
    scale = np.where(spread > 0, spread, 1.0) + 1e-6
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
    begin = np.zeros(x.shape[1]) if start is None else np.asarray(start) * scale
    found = minimize(loss, begin, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 400})
    return found.x / scale


def weights_of(seen: list[Seen], *, names=NAMES, start=(None, None)):
    """The two sets of weights, of the features ``names``, beginning at ``start``."""
    pairs = [one for one in seen if len(one.rows)]
    rows, right, shares = [one.rows for one in pairs], [one.right() for one in pairs], [one.share for one in pairs]
    event = _of(rows, right, shares, EVENT_RIDGE, FEATURES, names[0], start[0], nothing=True)
    rows, right, shares = [], [], []
    for one in pairs:
        for place in one.onsets if one.family not in ONE_PATH_FAMILIES else []:
            good = one.offs_s(place.delays_s) <= RIGHT_S
            if place.taught and good.any() and not good.all():
                rows.append(place.rows)
                right.append(good)
                shares.append(one.share)
    return event, _of(rows, right, shares, ONSET_RIDGE, ONSET_FEATURES, names[1], start[1], nothing=False)


def _of(rows, right, shares, ridge, every, names, start, *, nothing):
    kept = [every.index(name) for name in names]
    begin = None if start is None else [start[name] for name in names]
    beta = fit([one[:, kept] for one in rows], right, np.array(shares), ridge, names, nothing=nothing, start=begin)
    return dict(zip(names, (float(f"{b:.3g}") for b in beta), strict=True))


def table_of(title: str, weights: dict[str, float]) -> str:
    rows = "".join(f'    "{name}": {weight:g},\n' for name, weight in weights.items())
    return f"{title}: Final[dict[str, float]] = {{\n{rows}}}\n"


def write(seen: list[Seen]) -> None:
    event, onset = weights_of(seen)
    told = told_unseen.left_out(seen, weights_of, NAMES)
    path = Path(__file__).parents[3] / "micalign" / "tdoa" / "tuned.py"
    head = path.read_text(encoding="utf-8").split("EVENT_WEIGHTS: Final")[0]
    body = [table_of("EVENT_WEIGHTS", event), table_of("ONSET_WEIGHTS", onset)]
    # What is right depends on the sigma that is told.
    sigma = tuned.LOG_SIGMA = told_unseen.log_sigma(told)
    lines = told_unseen.log_odds(told)
    word = (
        '"""Offset and slopes of log odds by `micalign.tdoa.posterior`: `confidence_of`, its `sureness`, '
        '`path_confidence`."""'
    )
    body.append(
        "LOG_ODDS: Final[dict[str, tuple[float, ...]]] = {\n"
        + "".join(f'    "{kind}": {line},\n' for kind, line in lines.items())
        + f"}}\n{word}\n"
    )
    word = '"""Offset and slopes of the log of seconds, by `micalign.tdoa.posterior.exactness`."""'
    body.append(f"LOG_SIGMA: Final = {sigma}\n{word}\n")
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
        seen_takes.gather(chosen.folder, chosen.realkit, chosen.half, range(chosen.seeds), chosen.jobs)
        return
    seen = seen_takes.read(chosen.folder, chosen.half)
    if chosen.what == "write":
        write(seen)
        return
    if chosen.what == "ablate":
        told_unseen.ablate(seen, weights_of, NAMES)
    elif chosen.what == "show":
        told_unseen.report(told_unseen.left_out(seen, weights_of, NAMES))
    else:
        told = [told_unseen.told_by(one, (EVENT_WEIGHTS, ONSET_WEIGHTS)) for one in seen]
        told_unseen.report([one for one in told if one is not None], LOG_ODDS, LOG_SIGMA)


if __name__ == "__main__":
    main()
