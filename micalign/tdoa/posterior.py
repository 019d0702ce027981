"""How probable is each hypothesis of a pair, and where within the likeliest event does it begin?

What is seen of two tracks before anything is decided (`look`: strokes, curves, hypotheses, events) can all be plotted;
`micalign.tdoa.measure` decides upon it. A conditional logit over a pair's hypotheses and one more, that the two share
nothing: the probability of each is its share of the exponentials of its weighted features. What lies within 0.4 ms is
one event told several ways; within the likeliest event a second logit weighs where it begins. How sure and how exact
the answer is follows from both, and from whether either half of the strokes says the same, by lines of log odds and of
the log of sigma, fitted to answers to takes that the logits had not seen (`micalign.tdoa.tuned`).

Source: D. McFadden, "Conditional logit analysis of qualitative choice behavior", in P. Zarembka (ed.), Frontiers in
Econometrics, Academic Press 1974, 105-142; J. C. Platt, "Probabilistic outputs for support vector machines", in
Advances in Large Margin Classifiers, MIT Press 1999, 61-74 (calibration).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.arrays import Floats, Ints
from micalign.tdoa import tuned
from micalign.tdoa.hypotheses import (
    EARLY_S,
    FEATURES,
    FIRST,
    ONE_PATH,
    SECOND,
    Curves,
    Hypotheses,
    hypotheses,
    stretch_curve,
    stroke_curves,
)
from micalign.tdoa.spectra import greatest_near
from micalign.tdoa.strokes import Listened
from micalign.tdoa.wavefronts import later_by_picks, picks

__all__ = [
    "EVENT_S",
    "MEMBER_S",
    "ONSET_FEATURES",
    "Event",
    "Look",
    "Onset",
    "Side",
    "bands_agree",
    "begins",
    "confidence_of",
    "events",
    "exactness",
    "halves_agree",
    "log_alike",
    "log_odds",
    "look",
    "onset_rows",
    "onset_within",
    "path_confidence",
    "prior_odds",
    "probabilities",
    "sigma_s",
    "sureness",
    "unexpected",
    "without",
]

EVENT_S: Final = 4e-4
"""Hypotheses so near to each other are one event: the periods of a first wavefront, a near field's lobes."""

_EVENTS: Final = 4  # that are told
MEMBER_S: Final = 1.3 * EVENT_S  # no hypothesis is counted in two events
_AT_S: Final = 3e-5  # seconds about a place: so near a band's peak is at it
_WITHIN_S: Final = 6e-4  # seconds from an event's likeliest delay within which it may begin
_NEAR_S: Final = 1.8e-4  # seconds about an onset: what lies there is one first wavefront
_STEP_S: Final = 1e-5  # seconds from one delay to the next of which it is asked how much lies about it
_NEARBY: Final = ((0.0, 1e-4, 2e-4), (1.0, 0.9, 0.0))  # seconds apart, and the share by which a place counts
_HALVES_S: Final = 2 * _WITHIN_S  # seconds about an event within which either half says where it begins
ONSET_FEATURES: Final = (*tuned.ONSET_WEIGHTS, "halves agree")
"""What speaks for a place; the last, without a weight, for the answer: the share of both halves of the strokes that
rise there."""


@dataclass(frozen=True)
class Event:
    """One group of hypotheses: its likeliest delay in seconds, its probability, and the likeliest kind in it.

    ``nothing``: the probability, by the same hypotheses, that the two tracks share nothing.
    """

    delay_s: float
    probability: float
    kind: int
    nothing: float = 0.0

    @property
    def if_shared(self) -> float:
        """Its probability where it is known that the tracks share something."""
        return self.probability / max(1.0 - self.nothing, self.probability, 1e-9)


@dataclass(frozen=True)
class Onset:
    """Where an event begins, ``delay_s``, and what tells how sure and how exact that is.

    ``spread_s``: one standard deviation of all places where it may begin; ``near_s``: of those within 0.18 ms;
    ``sharpness``: how far the strokes' correlations of all bands agree at most within a pick of there (`bands_agree`);
    ``halves``: the share of both halves of the strokes whose energy rises most there.
    """

    delay_s: float
    spread_s: float
    near_s: float
    sharpness: float
    share: float
    halves: float = 0.0


def probabilities(
    rows: Floats, weights: dict[str, float], names: tuple[str, ...], *, nothing: bool, odds: Floats | None = None
) -> Floats:
    """The softmax of weighted features, shape (H,); with ``nothing`` one more hypothesis of score 0 takes its share."""
    beta = np.array([weights.get(name, 0.0) for name in names])
    score = rows @ beta if odds is None else rows @ beta + np.log(odds)
    top = max(float(score.max(initial=-np.inf)), 0.0 if nothing else -np.inf)
    power = np.exp(score - top)
    return np.asarray(power / (power.sum() + (np.exp(-top) if nothing else 0.0)))


def prior_odds(delays_s: Floats, expected_s: float, sigma_s: float, reach_s: float) -> Floats:
    """How much likelier each delay is for what a scene expects than anywhere within ``reach_s``, shape (H,).

    >>> prior_odds(np.array([0.001, 0.02]), 0.001, 1e-4, 0.05).round(2).tolist()
    [359.15, 0.1]
    """
    bell = np.exp(-0.5 * ((delays_s - expected_s) / sigma_s) ** 2) / (np.sqrt(2 * np.pi) * sigma_s)
    odds: Floats = (1.0 - tuned.MOVED) * 2.0 * reach_s * bell + tuned.MOVED
    return odds


def events(found: Hypotheses, rate: int, *, related: bool = False, odds: Floats | None = None) -> tuple[Event, ...]:
    """The likeliest events, the likeliest first.

    ``related``: it is known that the two tracks share something; ``odds``, (H,): how likely each is beforehand. Where
    the tracks are so alike that they are one sound over one path, only paths are weighed: what the strokes of one and
    the same sound say, and that the two may share nothing, is in no doubt any more.
    """
    one_path = bool(found.rows[:, FEATURES.index("path alike")].max(initial=0.0) > tuned.SO_ALIKE)
    chances = np.zeros(len(found.lags))
    weighed = found.kinds == ONE_PATH if one_path else np.ones(len(found.lags), bool)
    chances[weighed] = probabilities(
        found.rows[weighed],
        tuned.EVENT_WEIGHTS,
        FEATURES,
        nothing=not (related or one_path),
        odds=None if odds is None else odds[weighed],
    )
    nothing = max(0.0, 1.0 - float(chances.sum()))
    delays = found.lags / rate
    near = np.clip(1.5 - np.abs(delays[:, None] - delays[None]) / EVENT_S, 0, 1)
    order = np.argsort(-(near @ chances), kind="stable")
    told: list[Event] = []
    for index in order:
        if len(told) == _EVENTS or any(abs(delays[index] - one.delay_s) <= 2 * MEMBER_S for one in told):
            continue
        members = np.abs(delays - delays[index]) <= MEMBER_S
        kinds = [float(chances[members & (found.kinds == kind)].sum()) for kind in range(3)]
        told.append(Event(float(delays[index]), float(chances[members].sum()), int(np.argmax(kinds)), nothing))
    return tuple(told)


def onset_rows(seen: Look, side: Side, event: Event) -> tuple[Floats, Floats]:
    """Where an event may begin, seconds, shape (N,), and what speaks for each place, shape (N, features)."""
    rate, sign, near = side.near.sample_rate, side.sign, side.near
    delays, event_s = seen.found.lags / rate, sign * event.delay_s
    inside = np.abs(delays - event.delay_s) <= _WITHIN_S
    later = _picks_later(side, round(event_s * rate))
    at_s = np.concatenate([sign * delays[inside], *(one / rate for one in later.values()), _tops(side, event_s)])
    lows, agreement = bands_agree(side.curves.by_band, at_s, event_s, side.lags, rate)
    features = {f"{band} picks": _crowded(at_s, later[band] / rate) for band in ("steep", "low")}
    features |= {"lows": lows, "agreement": agreement}
    features |= {f"bright {name}": near.strokes.brightness * value for name, value in features.items()}
    features["halves agree"] = halves_agree(side.curves.half_novelty, at_s, event_s, side.lags, rate)
    return sign * at_s, np.stack([features[name] for name in ONSET_FEATURES], axis=1)


def _picks_later(side: Side, later: int) -> dict[str, Floats]:
    """By how many samples simple pickers of first wavefronts hear the far track later, by about ``later``; by band."""
    near, far, times, weight = side.near, side.far, side.curves.times, side.curves.weight
    clocks = round((near.start_s - far.start_s) * near.sample_rate)
    own = near.kept("picks", lambda: picks(near, times, weight))
    found = later_by_picks(own, picks(far, times + clocks + later, weight), weight)
    return {band: later + one for band, one in found.items()}


def _crowded(places_s: Floats, picks_s: Floats) -> Floats:
    """The share of the picks that lie at each place."""
    crowd: Floats = np.mean(np.exp(-0.5 * ((places_s[:, None] - picks_s) / tuned.PICK_S) ** 2), axis=1)
    return crowd


def halves_agree(half_novelty: Floats, places_s: Floats, event_s: float, lags: Ints, rate: int) -> Floats:
    """The share of both halves of the strokes whose energy rises most at each place of an event, shape (N,)."""
    inside = np.flatnonzero(np.abs(lags / rate - event_s) <= _HALVES_S)
    rise_s = lags[inside[np.argmax(half_novelty[:, inside], axis=1)]] / rate
    agree: Floats = np.mean(np.abs(rise_s[:, None] - places_s) <= 2 * tuned.PICK_S, axis=0)
    return agree


def bands_agree(by_band: Floats, places_s: Floats, event_s: float, lags: Ints, rate: int) -> tuple[Floats, Floats]:
    """How high the lowest band's correlation stands at places of an event, and how far those of all bands agree, (N,).

    Each band counts by the log of its highest point within the event, and with its sign: a wave that comes straight
    has its peak in all at one place and of one sign, a lobe of the near field in one or another.
    """
    inside = np.abs(lags / rate - event_s) <= _WITHIN_S
    tops = np.abs(by_band[:, inside]).max(axis=1, keepdims=True) + 1e-12
    curves = np.abs([by_band[0] / tops[0], np.mean(np.log1p(tops) / tops * by_band, axis=0)])
    at = np.clip(np.rint(places_s * rate).astype(np.intp) - int(lags[0]), 0, len(lags) - 1)
    lows, every = greatest_near(curves, round(_AT_S * rate))[:, at]
    return lows, every


def _tops(side: Side, delay_s: float) -> Floats:
    """Where each of some curves is highest near a delay, seconds."""
    curves, rate = side.curves, side.near.sample_rate
    inside = np.flatnonzero(np.abs(side.lags / rate - delay_s) <= _WITHIN_S)
    every = np.array([np.abs(curves.correlation), curves.novelty.sum(axis=0), curves.novelty[1]])
    return np.asarray(side.lags[inside[np.argmax(every[:, inside], axis=1)]] / rate)


def onset_within(places: Floats, rows: Floats, *, odds: Floats | None = None) -> Onset:
    """Where the event begins: about where most of the second logit lies, whether or not a place is there.

    Estimators of one first wavefront differ by 0.2 ms, so that what lies on either side of a delay speaks for it.
    """
    chances = probabilities(rows, tuned.ONSET_WEIGHTS, ONSET_FEATURES, nothing=False, odds=odds)
    delay_s = _amid(places, chances)
    apart_s = np.abs(places - delay_s)
    near = apart_s <= _NEAR_S
    sharp = rows[apart_s <= tuned.PICK_S, ONSET_FEATURES.index("agreement")]
    return Onset(
        delay_s,
        float(np.sqrt(np.average(apart_s**2, weights=chances))),
        float(np.sqrt(np.average(apart_s[near] ** 2, weights=chances[near] + 1e-12))),
        float(sharp.max(initial=0.0)),
        float(chances[near].sum()),
        float(rows[int(np.argmin(apart_s)), ONSET_FEATURES.index("halves agree")]),
    )


def _amid(places: Floats, chances: Floats) -> float:
    """The middle of the delays within about 0.15 ms of which most lies.

    Told by weights that have not seen a quarter of the styles and seeds, of 1,339 answers to takes of a real kit
    (development half, six seeds) 973 are right with this and 504 reliable, 8 of them wrong; 965, 500 and 12 with the
    mean of the places within 0.1 ms of the best of them.
    """
    at_s = np.arange(places.min(), places.max() + _STEP_S, _STEP_S)
    crowd = np.interp(np.abs(at_s[:, None] - places), *_NEARBY) @ chances
    top = int(np.argmax(crowd))
    less = np.flatnonzero(crowd < 0.99 * crowd[top])
    first = int(less[less < top].max(initial=-1)) + 1
    last = int(less[less > top].min(initial=len(at_s))) - 1
    return float(at_s[first] + at_s[last]) / 2


def confidence_of(event: Event, onset: Onset, *, follows: float = float("inf"), scene: bool = False) -> float:
    """The probability that a struck source's delay is told rightly by its likeliest event and where that begins.

    It is right where both tracks hear it, not two sounds that are struck together (``follows`` as in `Look`), and
    where, if so, its event is right and its onset: a sharp onset makes no doubtful event right. ``scene``: one weighed
    the hypotheses, and the strokes are one source's alone.
    """
    if scene:
        return _on_line(tuned.SCENE_LOG_ODDS, log_odds(event.probability * onset.share))
    event_line, beginning_line = (tuned.LOG_ODDS[name] for name in ("event", "beginning"))
    of_event, of_beginning = sureness(event, onset)
    sure = _on_line(event_line, *of_event) * _on_line(beginning_line, *of_beginning)
    return sure * _on_line(tuned.LOG_ODDS["related"], float(np.log1p(follows)))


def path_confidence(event: Event, alike: float) -> float:
    """The probability that a delay of one path is told rightly, by how alike the tracks are there: 1, of one sound.

    >>> path_confidence(Event(0.002, 0.9, ONE_PATH), 0.6) > path_confidence(Event(0.002, 0.9, ONE_PATH), 0.1)
    True
    """
    return _on_line(tuned.LOG_ODDS["one path"], log_odds(event.probability), log_alike(alike))


def log_alike(alike: float) -> float:
    """The log of how alike two tracks are, a hundredth at the least."""
    return float(np.log(max(alike, 0.01)))


def sureness(event: Event, onset: Onset) -> tuple[tuple[float, float], tuple[float, float]]:
    """What the log odds are lines of, where both tracks hear one source: of a right event, and that it begins there.

    Of the event its log odds if anything is shared, and whether the close mic would hear its own source later than the
    other. Of where it begins the *narrowness*, the log of 0.1 ms over the onset's spread, which says how little the
    places where it may begin differ, and whether both halves of the strokes agree. Of 1,257 answers to takes of a real
    kit (development half, six seeds), told by weights that had seen neither their style nor their drum, one line of all
    but what comes too early calls 492 reliable, 11 of them wrong, the product of two 508 and 7.
    """
    early = (-1 if event.kind == SECOND else 1) * event.delay_s < -EARLY_S
    narrowness = float(np.log(1e-4 / max(onset.spread_s, 2e-5)))
    return (log_odds(event.if_shared), -float(early)), (narrowness, onset.halves)


def log_odds(chance: float) -> float:
    """The log odds of a chance, within a millionth of never and always."""
    clipped = min(max(chance, 1e-6), 1 - 1e-6)
    return float(np.log(clipped / (1 - clipped)))


def _on_line(line: tuple[float, ...], *values: float) -> float:
    return float(1 / (1 + np.exp(-np.dot(line, (1.0, *values)))))


def sigma_s(onset: Onset) -> float:
    """One standard deviation of where a struck source's first wavefront is told: less where it is told sharply."""
    return float(np.exp(np.dot(tuned.LOG_SIGMA, exactness(onset))))


def exactness(onset: Onset) -> list[float]:
    """What the log of sigma is a line of: 1, the log of the near spread, the sharpness."""
    return [1.0, float(np.log(onset.near_s / 5e-5 + 0.1)), onset.sharpness]


@dataclass(frozen=True)
class Side:
    """One track as the close mic: its curves on ``lags``, positive when the far track is later.

    ``sign`` turns a delay of the second track against the first into one of the far track against the near one.
    """

    near: Listened
    far: Listened
    curves: Curves
    lags: Ints
    sign: int


@dataclass(frozen=True)
class Look:
    """A pair and what was found: delays are the second track's against the first's.

    ``events``: the likeliest first; ``expected``: where a scene has the delay, and one sigma.
    """

    first: Listened
    second: Listened
    lags: Ints
    curves: tuple[Curves | None, Curves | None]
    whole: Floats | None
    found: Hypotheses
    events: tuple[Event, ...]
    expected: tuple[float, float] | None = None

    def side(self, kind: int) -> Side | None:
        """The close mic of an event of a kind, or the other track where that one has no strokes; None where neither."""
        first, second = self.curves
        if second is not None and (kind == SECOND or first is None):
            return Side(self.second, self.first, second, -self.lags[::-1], -1)
        return None if first is None else Side(self.first, self.second, first, self.lags, 1)

    @property
    def follows(self) -> float:
        """How far one track follows the other from stroke to stroke, in standard deviations of chance.

        Infinite where it is known which track is the close mic: then it is known that they share a source.
        """
        first, second = self.curves
        if (first is None or second is None) and self.whole is None:
            return float("inf")
        sides = [one for one in self.curves if one is not None]
        waves = max((one.waves_follow for one in sides), default=0.0)
        return float(np.hypot(waves, max((one.levels_follow for one in sides), default=0.0)))


def look(
    first: Listened,
    second: Listened,
    *,
    reach_s: float,
    centre_s: float = 0.0,
    close: int | None = None,
    expected: tuple[float, float] | None = None,
    before: Look | None = None,
    never: int | None = None,
) -> Look:
    """Weighs every delay within ``reach_s`` of ``centre_s``.

    ``expected``: where a scene has the delay and one sigma, seconds; others remain possible.

    ``close``: only hypotheses of that kind: with the first or the second as the close mic, whose strokes alone then
    speak, or of one path, of which the whole take speaks.

    ``never``: no hypotheses of that kind, where it is known that this track is nobody's close mic.

    ``before``: the same look by other strokes, of which is kept what did not come of them.
    """
    rate = first.sample_rate
    middle, half = round(centre_s * rate), round(max(reach_s, tuned.ROOM_S) * rate)
    lags = np.arange(middle - half, middle + half + 1)

    def side(kind: int, near: Listened, far: Listened, on: Ints) -> Curves | None:
        if close not in (None, kind):
            return None
        if before is not None and near is (before.first, before.second)[kind]:
            return before.curves[kind]
        return stroke_curves(near, far, on)

    curves = side(FIRST, first, second, lags), side(SECOND, second, first, -lags[::-1])
    sustained = close not in (FIRST, SECOND)
    whole = before.whole if before is not None else stretch_curve(first, second, lags) if sustained else None
    within = middle - round(reach_s * rate), middle + round(reach_s * rate)
    found = hypotheses(first, second, lags, curves, whole, within)
    if never is not None:
        found = found.but_for(never)
    odds = None if expected is None else prior_odds(found.lags / rate, *expected, reach_s)
    likely = events(found, rate, related=close == ONE_PATH, odds=odds)
    return Look(first, second, lags, curves, whole, found, likely, expected)


def unexpected(seen: Look) -> Look:
    """The same, with nothing known beforehand."""
    return replace(seen, events=events(seen.found, seen.first.sample_rate), expected=None)


def without(seen: Look, delay_s: float, within_s: float) -> Look:
    """The same, of one path, but for what lies about one delay, as where that is another source's."""
    rate = seen.first.sample_rate
    found = seen.found.but_near(round(delay_s * rate), round(within_s * rate))
    odds = None if seen.expected is None else prior_odds(found.lags / rate, *seen.expected, len(seen.lags) / 2 / rate)
    return replace(seen, found=found, events=events(found, rate, related=True, odds=odds))


def begins(seen: Look, side: Side, event: Event) -> Onset:
    """Where an event of a struck source begins, by the strokes of one side."""
    places, rows = onset_rows(seen, side, event)
    odds = None if seen.expected is None else prior_odds(places, *seen.expected, _WITHIN_S)
    return onset_within(places, rows, odds=odds)
