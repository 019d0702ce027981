"""Fits the line of the scene path's confidence (`SCENE_LOG_ODDS`) to answers by weights that have not seen their drum.

    python tests/bench/delay/fit_weights.py gather FOLDER --realkit KIT
    python tests/bench/delay/fit_scene.py FOLDER --realkit KIT --seeds 720 721 722 723 724 725 [--write]

Takes of the real kit's development half, every drum on its own strokes as ``measure --scene`` hears it, under scenes
of which each arrival is off by a normal error of ``--tape-ms`` (six draws a take). A drum is told by weights that were
fitted to all that ``fit_weights.py`` gathered but that drum's own pairs; the line is the one that serves best where it
is acted upon. Printed: how right the answers are by the weights as they stand and by those,
and how often the reliable ones are wrong by the line as it stands and by the new one.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest import mock

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, logit

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import fit_weights, grooves, realkit, score_scene, seen_takes

from micalign.take.tracks import Track
from micalign.tdoa import posterior, sources, tuned
from micalign.tdoa.delays import Wanted
from micalign.tdoa.posterior import Look
from micalign.tdoa.tuned import EVENT_WEIGHTS, ONSET_WEIGHTS, RELIABLE, SCENE_LOG_ODDS

DRAWS = 6
SOFTNESS = 0.7  # log odds over which one acts
REACH_S = 0.05
Weights = tuple[dict[str, float], dict[str, float]]


@dataclass(frozen=True)
class Answer:
    """One drum in one far mic under one scene: the log odds that it is told by, and whether it is right."""

    source: str
    odds: float
    near: bool
    right: bool


def looks(session: score_scene.Session) -> Iterator[tuple[score_scene.Heard, str, Look]]:
    """What is seen of every drum in every far mic, before any scene weighs it."""
    seen: list[tuple[str, str, Look]] = []

    def kept(own, other, **options):
        found = posterior.look(own, other, **options)
        seen.append((own.name, other.name, found))
        return found

    tracks = [Track.from_array(name, sound, session.rate) for name, sound in session.tracks.items()]
    wanted = [Wanted(one.source, (one.close, *one.windows), one.close) for one in session.heard]
    with mock.patch.object(sources, "look", kept):
        sources.measure_sources(tracks, wanted)
    by_close = {one.close: one for one in session.heard}
    for close, far, found in seen:
        if len(found.found.lags) and found.curves[0] is not None:
            yield by_close[close], far, found


def answer(source: str, window: tuple[float, float], seen: Look, expected: tuple[float, float], weights: Weights):
    """What is told of a look by some weights, under a scene; None where nothing is told, or it is off the plan."""
    tuned.EVENT_WEIGHTS, tuned.ONSET_WEIGHTS = weights
    rate = seen.first.sample_rate
    odds = posterior.prior_odds(seen.found.lags / rate, *expected, REACH_S)
    likely = posterior.events(seen.found, rate, odds=odds)
    side = seen.side(likely[0].kind)
    if side is None:
        return None
    seen = replace(seen, events=likely, expected=expected)
    onset = posterior.begins(seen, side, likely[0])
    if abs(onset.delay_s - expected[0]) > max(tuned.AS_PLANNED[0], tuned.AS_PLANNED[1] * 2e-4):
        return None
    low, high = window
    off = max(low - onset.delay_s, onset.delay_s - high, 0.0)
    allowed = np.clip(2 * posterior.sigma_s(onset), score_scene.NEAR_S, score_scene.NEXT_S)
    chance = posterior.log_odds(likely[0].probability * onset.share)
    return Answer(source, chance, off <= score_scene.NEAR_S, bool(off <= allowed))


def answers(kit: realkit.RealKit, seed: int, tape_s: float, weights: dict[str, Weights]) -> Iterator[Answer]:
    """Every answer to the takes of a seed, each drum by its own weights."""
    for number, style in enumerate(grooves.STYLES):
        rng = np.random.default_rng([seed, number, 99])
        for one, far, seen in looks(score_scene.real(kit, style, seed, "development")):
            window = one.windows[far]
            for error_s in rng.normal(0, tape_s, DRAWS):
                expected = sum(window) / 2 + error_s, tape_s
                found = answer(one.source, window, seen, expected, weights[one.source])
                if found is not None:
                    yield found


def without(seen: list[seen_takes.Seen], source: str, start: Weights) -> Weights:
    """The weights of all that was gathered but a drum's own pairs."""
    rest = [one for one in seen if one.drums != (source,)]
    return fit_weights.weights_of(rest, names=(list(start[0]), list(start[1])), start=start)


def line_of(told: list[Answer]) -> tuple[float, ...]:
    """Offset and slope of the log odds by which acting on `RELIABLE` answers is worth most; a take's draws are one.

    A wrong one costs what nine right ones gain, the very costs that make 90 % the bar; how likely the line makes what
    came true counts as much.
    """
    odds, right = np.array([one.odds for one in told]), np.array([one.right for one in told])
    worth = np.where(right, 1.0, -RELIABLE / (1.0 - RELIABLE))

    def loss(beta, acted: float):
        chance = np.clip(expit(beta[0] + beta[1] * odds), 1e-9, 1 - 1e-9)
        value = acted * worth * expit((logit(chance) - logit(RELIABLE)) / SOFTNESS)
        return -float((value + np.log(np.where(right, chance, 1 - chance))).sum()) / DRAWS

    likeliest = minimize(loss, np.ones(2), (0.0,)).x
    return tuple(float(f"{b:.3g}") for b in minimize(loss, likeliest, (1.0,)).x)


def words(told: list[Answer], line: tuple[float, ...]) -> str:
    near, right = (np.array([getattr(one, name) for one in told]) for name in ("near", "right"))
    sure = expit(line[0] + line[1] * np.array([one.odds for one in told])) >= RELIABLE
    return f"{near.mean():.1%} right, {sure.mean():.1%} reliable, of these {1 - right[sure].mean():.1%} wrong"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="what fit_weights.py gathered")
    parser.add_argument("--realkit")
    parser.add_argument("--seeds", type=int, nargs="+", required=True)
    parser.add_argument("--tape-ms", type=float, default=0.2)
    parser.add_argument("--write", action="store_true", help="into micalign/tdoa/tuned.py")
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.realkit)
    if folder is None:
        sys.exit(f"no real kit: name its folder by --realkit or in {realkit.VARIABLE}")
    kit, now = realkit.real_kit(folder), (EVENT_WEIGHTS, ONSET_WEIGHTS)
    seen = seen_takes.read(asked.folder, "development")
    unseen = {source: without(seen, source, now) for source in realkit.CLOSE}
    for name, weights in (("weights as they stand", dict.fromkeys(realkit.CLOSE, now)), ("drum left out", unseen)):
        told = [one for seed in asked.seeds for one in answers(kit, seed, asked.tape_ms / 1e3, weights)]
        line = line_of(told)
        print(f"{name}, {len(told)} answers: line as it stands: {words(told, SCENE_LOG_ODDS)}")
        print(f"{'':{len(name)}}  line {line}: {words(told, line)}")
    if asked.write:
        path = Path(__file__).parents[3] / "micalign" / "tdoa" / "tuned.py"
        said = re.sub(r"(SCENE_LOG_ODDS: Final = ).*", rf"\g<1>{line}", path.read_text(encoding="utf-8"))
        path.write_text(said, encoding="utf-8")


if __name__ == "__main__":
    main()
