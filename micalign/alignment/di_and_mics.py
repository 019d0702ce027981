"""What is there to say of a DI and its mics: arrival, best sum, what all-pass adds, and which of them to take?

`one_path_sum` answers for two tracks, or None where they are not one performance with one path between them (then
nothing here applies: a kit's close mic and its overhead, two players, two rooms).

With a DI and two mics there are three pairs; the way round must come back to 0. A loop that stays open by more than
`OPEN_S` has a wrong leg: the one whose tracks are least alike (a mic that followed a drum's bleed) is distrusted. A DI
has one place: it is laid by one mic, and the other mics lie with that mic.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.alignment.best_sum import BestSum, best_sum, fitted, gains_db, turned_gains_db
from micalign.alignment.gain import BlendTrack, PhaseMatch, third_octaves
from micalign.alignment.one_performance import (
    Coarse,
    Frames,
    Recognised,
    coarse_delay,
    crossed,
    framed,
    recognise,
    ruled_out,
)
from micalign.alignment.tuned import (
    ACROSS_REACH_S,
    AGREED,
    ALLOWED_DB,
    GROUPS_HZ,
    LAID_SIGMA_S,
    LIKELY_ARRIVAL,
    LINE_BANDS_HZ,
    LOUD_HZ,
    LOUD_REACH_S,
    LOUD_SIGMA_S,
    LOUD_TRUST,
    MOST_RIVAL,
    NEAR_ROUGH_S,
    OPEN_S,
    RISE_S,
    ROUGH_S,
    SHORTEST_S,
    USUAL_S,
    WIDE_S,
    WORTH_SECTIONS_DB,
)
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import PairDelay, SourceDelays
from micalign.tdoa.measure import Delay, measure_pair

__all__ = [
    "THIRDS_HZ",
    "Line",
    "PairSum",
    "as_arrival",
    "as_best_sum",
    "by_loudest",
    "doubted",
    "in_better_polarity",
    "laid_by_sums",
    "laid_together",
    "one_path_sum",
    "ways_to_add",
]

THIRDS_HZ: Final = third_octaves(40.0, 4000.0)
"""The middles of the bands in `Line.thirds_db`."""


@dataclass(frozen=True)
class Line:
    """One way to add the two up: gains of the whole, of `LINE_BANDS_HZ` and of third octaves; nan where nothing is."""

    whole_db: float
    bands_db: tuple[float, ...]
    thirds_db: tuple[float, ...]


@dataclass(frozen=True)
class PairSum:
    """What was found of a pair; delays are of ``track`` against ``reference``, positive where it is later.

    ``di`` and ``mic`` name the two, or are both None where nothing shows which is which. ``phase`` is for the DI.
    ``level_db`` on the track brings it to the reference's loudness. ``at_arrival``: polarity kept, and flipped.
    """

    reference: str
    track: str
    arrival: Delay
    best: BestSum
    di: str | None
    mic: str | None
    coherence: float
    recorded: Line
    at_arrival: tuple[Line, Line]
    plain: Line
    turned: Line | None
    phase: PhaseMatch | None
    level_db: float = 0.0

    @property
    def arrival_s(self) -> float:
        """When the track hears what the reference plays."""
        return self.arrival.delay_s

    @property
    def arrival_uncertainty_s(self) -> float:
        """One standard deviation, with what is a matter of definition in a loudspeaker's rise."""
        return self.arrival.uncertainty_s

    @property
    def swapped(self) -> PairSum:
        """The same pair the other way round."""
        return replace(
            self,
            reference=self.track,
            track=self.reference,
            arrival=replace(self.arrival, delay_s=-self.arrival.delay_s),
            best=replace(self.best, delay_s=-self.best.delay_s),
            level_db=-self.level_db,
        )

    @property
    def filtered(self) -> str:
        """The track that sections go on: the DI, or the earlier of the two where nothing shows it."""
        if self.di is not None:
            return self.di
        return self.track if self.arrival_s < 0 else self.reference

    @property
    def recommended(self) -> str:
        """``all-pass``, ``delay`` or ``as recorded``: the first that pays for what it does to the tracks."""
        plain_worth = self.plain.whole_db - self.recorded.whole_db
        if self.turned is not None and self.turned.whole_db >= max(self.plain.whole_db, self.recorded.whole_db) + (
            WORTH_SECTIONS_DB
        ):
            return "all-pass"
        return "delay" if plain_worth > 0.0 else "as recorded"


def one_path_sum(
    reference: Track, track: Track, delay: Delay, *, max_delay_s: float = USUAL_S, known: str | None = None
) -> PairSum | None:
    """What a pair's sum is and could be; None where the two are not one performance with one path between them.

    Parameters
    ----------
    reference, track : Track
        Two tracks of one rate.
    delay : Delay
        What `measure_pair` found; where it is not reliable the pair is looked for anew, up to `WIDE_S`.
    max_delay_s : float
        How far the user lets it be looked for; below the usual 50 ms nothing wider is tried.
    known : str, optional
        The name of the DI where a scene says so: then nothing is left to recognise.
    """
    if min(reference.duration_s, track.duration_s) < SHORTEST_S:
        return None
    found = _found(reference, track, delay, max_delay_s, known)
    if found is None:
        return None
    seen, arrival = found
    frames = framed(reference, track, arrival.delay_s)
    recorded = framed(reference, track, 0.0)
    best = best_sum(frames, arrival.delay_s, gains_db(recorded, GROUPS_HZ, 0.0, 1))
    di = known or (None if seen.direct is None else (reference, track)[seen.direct].name)
    mic = None if di is None else track.name if di == reference.name else reference.name
    recorded_line, plain = _line(recorded, 0.0, 1), _line(frames, best.delay_s, best.polarity)
    best = _with_lows(best, recorded_line, plain)
    phase, turned = _with_sections(frames, best, arrival.delay_s, di_is_track=_filtered_is_track(di, track, arrival))
    if phase is not None:
        phase = replace(phase, against=mic or (reference.name if arrival.delay_s < 0 else track.name))
    return PairSum(
        reference.name,
        track.name,
        replace(arrival, uncertainty_s=float(np.hypot(arrival.uncertainty_s, RISE_S))),
        best,
        di,
        mic,
        seen.coherence,
        recorded_line,
        (_line(frames, arrival.delay_s, 1), _line(frames, arrival.delay_s, -1)),
        plain,
        turned,
        phase,
        10.0 * float(np.log10(max(frames.loud[0], 1e-30) / max(frames.loud[1], 1e-30))),
    )


def _with_lows(best: BestSum, recorded: Line, plain: Line) -> BestSum:
    """The lows end lower than recorded where no group of bands is loud enough for a veto: that is reported as well."""
    lost_db = plain.bands_db[0] - recorded.bands_db[0]
    if best.losses or not lost_db < -ALLOWED_DB:
        return best
    return replace(best, losses=((LINE_BANDS_HZ[0], lost_db),))


def ways_to_add(found: PairSum, reference: Track, track: Track) -> dict[str, tuple[BlendTrack, BlendTrack]]:
    """The two tracks at equal loudness as each line of a pair has them: ``as recorded``, ``delay``, ``all-pass``."""
    rate = track.sample_rate
    still, other = BlendTrack(reference), BlendTrack(track, gain_db=found.level_db)
    moved = replace(other, shift_samples=-found.best.delay_s * rate, polarity=found.best.polarity)
    ways = {"as recorded": (still, other), "delay": (still, moved)}
    if found.phase is not None:
        polarity = found.best.polarity * found.phase.polarity
        # The shift beside the sections is the mic's: earlier where it is the track, the DI later where that is.
        way = -1 if found.filtered == found.reference else 1
        turned = replace(moved, shift_samples=moved.shift_samples + way * found.phase.shift_s * rate, polarity=polarity)
        sections = found.phase.sections
        if way < 0:
            ways["all-pass"] = (replace(still, sections=sections), turned)
        else:
            ways["all-pass"] = (still, replace(turned, sections=sections))
    return ways


def _found(
    reference: Track, track: Track, delay: Delay, max_delay_s: float, known: str | None
) -> tuple[Recognised, Delay] | None:
    """What the pair looks like where it was found, and its arrival."""
    if not known and ruled_out(reference, track, delay.delay_s if delay.reliable else None):
        return None
    if delay.reliable:
        seen = recognise(reference, track, delay.delay_s)
        return (seen, delay) if seen.one_path or known else None
    # A bass line resembles itself at many places: the widest search decides between them.
    reach_s = WIDE_S if USUAL_S <= max_delay_s < WIDE_S else max_delay_s
    place = coarse_delay(reference, track, reach_s=reach_s)
    if place.rival > MOST_RIVAL or ruled_out(reference, track, place.delay_s):
        return None
    seen = recognise(reference, track, place.delay_s)
    arrival = _arrival(reference, track, place, narrow=max_delay_s < USUAL_S) if seen.one_path else None
    return None if arrival is None or abs(arrival.delay_s) > reach_s else (seen, arrival)


def _arrival(reference: Track, track: Track, place: Coarse, *, narrow: bool) -> Delay | None:
    """The arrival at a rough place; None where only a ``narrow`` search speaks for that: it may lie beyond."""
    near = measure_pair(reference, track, prior_s=place.delay_s, max_delay_s=NEAR_ROUGH_S, one_path=True)
    if narrow and not near.reliable:
        return None
    if near.reliable or near.confidence >= LIKELY_ARRIVAL:
        return replace(near, reliable=True, reason=None, candidates=())
    return Delay(place.delay_s, ROUGH_S, place.polarity, 0.0, 0.5, True, None)


def _filtered_is_track(di: str | None, track: Track, arrival: Delay) -> bool:
    """Whether the sections are for the track: it is the DI, or the earlier of the two where nothing shows it."""
    return di == track.name if di is not None else arrival.delay_s < 0


def _with_sections(
    frames: Frames, best: BestSum, arrival_s: float, *, di_is_track: bool
) -> tuple[PhaseMatch | None, Line | None]:
    if di_is_track:
        frames, arrival_s = frames.turned, -arrival_s
        best = replace(best, delay_s=-best.delay_s)
    phase = fitted(frames, best, arrival_s)
    if phase is None:
        return None, None
    whole, bands, thirds = (turned_gains_db(frames, best, phase, wanted) for wanted in _wanted())
    return phase, Line(float(whole[0]), tuple(bands.tolist()), tuple(thirds.tolist()))


def _line(frames: Frames, delay_s: float, polarity: int) -> Line:
    whole, bands, thirds = (gains_db(frames, wanted, delay_s, polarity) for wanted in _wanted())
    return Line(float(whole[0]), tuple(bands.tolist()), tuple(thirds.tolist()))


def _wanted() -> tuple[tuple[tuple[float, float], ...], ...]:
    edge = 10.0**0.05
    thirds = tuple((centre / edge, centre * edge) for centre in THIRDS_HZ)
    return ((GROUPS_HZ[0][0], GROUPS_HZ[-1][1]),), LINE_BANDS_HZ, thirds


def as_arrival(found: PairSum, delay: Delay) -> Delay:
    """The measured delay, or where it was not reliable the arrival that was found; with an honest uncertainty."""
    delay = delay if delay.reliable else found.arrival
    return replace(delay, uncertainty_s=found.arrival_uncertainty_s)


def in_better_polarity(reference: Track, track: Track, delay: Delay) -> Delay:
    """An arrival whose polarity is in doubt, in the one of the two that adds up to more there, which is no doubt then.

    Lows, mids and presence count alike: a bass is so much louder in the lows that a hole above them would not count.
    """
    if delay.is_polarity_clear or not delay.reliable:
        return delay
    frames = framed(reference, track, delay.delay_s)
    same, turned = (float(np.nansum(gains_db(frames, LINE_BANDS_HZ, delay.delay_s, sign))) for sign in (1, -1))
    return replace(delay, polarity=1 if same >= turned else -1, polarity_margin=1.0)


def as_best_sum(found: PairSum, delay: Delay) -> Delay:
    """The delay to act on in place of the measured one: that of the best sum."""
    best = found.best
    return replace(
        delay,
        delay_s=best.delay_s,
        uncertainty_s=best.uncertainty_s,
        polarity=best.polarity,
        polarity_margin=max(delay.polarity_margin, best.confidence),  # of takes resampled, the share that chose alike
        confidence=best.confidence,
        reason=None,
        candidates=(),
    )


_LOUD_STEP_S: Final = 2e-5  # seconds: a thirtieth of a period at 1500 Hz


@dataclass(frozen=True)
class _Leg:
    names: tuple[str, str]
    delay_s: float
    coherence: float


def doubted(
    reference: Track, tracks: Sequence[Track], arrivals: Mapping[str, Delay], *, dis: Collection[str] = ()
) -> dict[str, tuple[bool, str]]:
    """The tracks with a loop that stays open: whether they are not to be trusted after all, and what is to be said.

    A DI (``dis``) hears no drums: of three legs it is the one between the two mics that may follow them.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
    arrivals : mapping of name to Delay
        Arrival of each track against the reference.
    """
    sure = [track for track in tracks if arrivals[track.name].reliable]
    direct = {
        track.name: _Leg(
            (reference.name, track.name),
            arrivals[track.name].delay_s,
            recognise(reference, track, arrivals[track.name].delay_s).coherence,
        )
        for track in sure
    }
    said: dict[str, tuple[bool, str]] = {}
    for one, other in combinations(sure, 2):
        across = _across(one, other, direct)
        if across is None:
            continue
        open_s = direct[one.name].delay_s + across.delay_s - direct[other.name].delay_s
        if abs(open_s) <= OPEN_S:
            continue
        legs = (across,) if reference.name in dis else (direct[one.name], direct[other.name], across)
        worst = min(legs, key=lambda leg: leg.coherence)
        opening = f"stays open by {abs(open_s) * 1e3:.2f} ms"
        if worst is across:
            between = f"what '{one.name}' and '{other.name}' alone have in common, such as bleed, is not followed"
            said.setdefault(other.name, (False, f"the way round over '{one.name}' {opening}: {between}"))
        else:
            over = (one if worst.names[1] == other.name else other).name
            said[worst.names[1]] = (True, f"the way round over '{over}' {opening}, and these two are the least alike")
    return said


def _across(one: Track, other: Track, direct: Mapping[str, _Leg]) -> _Leg | None:
    expected_s = direct[other.name].delay_s - direct[one.name].delay_s
    found = measure_pair(one, other, prior_s=expected_s, max_delay_s=ACROSS_REACH_S, one_path=True)
    if not found.reliable:
        return None
    return _Leg((one.name, other.name), found.delay_s, recognise(one, other, found.delay_s).coherence)


def by_loudest(reference: Track, track: Track, delay: Delay) -> Delay:
    """The delay of two mics on one held sound, also where both hear drums besides: by what is loudest in both.

    Strokes are sharp and notes are not, so that a kit 30 dB below may be what was measured. Here every frequency of
    `LOUD_HZ` counts by its energy: where the phases of all of them agree, the loud sound arrives. The delay stays as
    it was measured where they agree there too, or agree nowhere (a room, strangers, a tone that never changes).
    """
    hz, cross, at_s = crossed(reference, track, delay.delay_s)
    inside = (hz >= LOUD_HZ[0]) & (hz < LOUD_HZ[1])
    hz, cross = hz[inside], cross[inside]
    lags = np.arange(-LOUD_REACH_S, LOUD_REACH_S, _LOUD_STEP_S)
    met = np.exp(2j * np.pi * np.outer(lags, hz)) @ cross / max(float(np.abs(cross).sum()), 1e-30)
    best, here = int(np.argmax(np.abs(met))), int(np.argmin(np.abs(lags - (delay.delay_s - at_s))))
    agree = float(np.abs(met[best]))
    if agree < AGREED or (delay.reliable and np.abs(met[here]) >= AGREED * agree):
        return delay
    place_s = float(lags[best]) + at_s
    seen = recognise(reference, track, place_s)
    if not seen.is_one_sound:
        return delay
    words = f"by the loudest sound in both: {delay.delay_s * 1e3:+.2f} ms fits something softer, such as drums"
    polarity = 1 if met[best].real >= 0 else -1
    same = abs(place_s - delay.delay_s) <= 2 * LOUD_SIGMA_S
    margin = abs(float(met[best].real)) / agree
    return Delay(place_s, LOUD_SIGMA_S, polarity, margin, LOUD_TRUST, True, None if same else words)


def laid_together(reference: Track, tracks: Sequence[Track], sums: Mapping[str, PairSum]) -> dict[str, Delay]:
    """Of several mics against their DI, those that lie with the mic most like it: mics stay together, the DI adds up.

    Mics of which no one delay holds between each other (two cabinets) are not among them: each has its own best sum.
    """
    mics = [track for track in tracks if track.name in sums and sums[track.name].filtered == reference.name]
    if len(mics) < 2:
        return {}
    lead = max(mics, key=lambda track: sums[track.name].coherence)
    first, out = sums[lead.name], {}
    for track in mics:
        if track is not lead:
            guess = Delay(sums[track.name].arrival_s - first.arrival_s, LAID_SIGMA_S, 1, 0.0, 0.0, False, None)
            laid = _with_the_mic(first, by_loudest(lead, track, guess))
            if laid is not None:
                out[track.name] = laid
    return out


def laid_by_sums(source: SourceDelays, take: Take, dis: Collection[str], sums: Sequence[PairSum]) -> SourceDelays:
    """The delay of a source's DI and mic as the one at which they add up best; its other mics stay with that mic."""
    for one in sums:
        di = next((name for name in (one.reference, one.track) if name in dis), None)
        if di is not None:
            source = _laid_by(one if one.reference == di else one.swapped, source, take)
    return source


def _laid_by(found: PairSum, source: SourceDelays, take: Take) -> SourceDelays:
    """``found`` has the DI as its reference."""
    di, mic = found.reference, found.track
    pairs = [pair for pair in source.pairs if di not in (pair.reference, pair.track)]
    beside = {pair: _seconded(pair, take) if mic in (pair.reference, pair.track) else pair for pair in pairs}
    across = {
        pair.track: pair.delay for pair in (one if one.reference == mic else one.turned for one in beside.values())
    }

    def doubted_pair(pair: PairDelay) -> PairDelay:
        if di not in (pair.reference, pair.track):
            return beside[pair]
        other = pair.track if pair.reference == di else pair.reference
        direct = pair if pair.reference == di else pair.turned
        delay = (
            as_best_sum(found, as_arrival(found, direct.delay))
            if other == mic
            else _with_the_mic(found, across.get(other))
        )
        laid = replace(direct, delay=delay or replace(direct.delay, reliable=False, reason=f"laid with '{mic}'"))
        return laid if pair.reference == di else laid.turned

    return replace(source, pairs=tuple(doubted_pair(pair) for pair in source.pairs))


def _seconded(pair: PairDelay, take: Take) -> PairDelay:
    """Two mics on a DI's source, believed where the two tracks as they are say the same."""
    if pair.delay.reliable:
        return pair
    alone = measure_pair(take.track(pair.reference), take.track(pair.track))
    same = abs(alone.delay_s - pair.delay.delay_s) <= OPEN_S and alone.polarity == pair.delay.polarity
    return replace(pair, delay=alone) if alone.reliable and same else pair


def _with_the_mic(found: PairSum, across: Delay | None) -> Delay | None:
    """Another mic against the DI, by way of the mic that the DI adds up with."""
    if across is None or not across.reliable:
        return None
    best = found.best
    return replace(
        across,
        delay_s=best.delay_s + across.delay_s,
        uncertainty_s=float(np.hypot(best.uncertainty_s, across.uncertainty_s)),
        polarity=best.polarity * across.polarity,
        reason=f"laid with '{found.track}'",
    )
