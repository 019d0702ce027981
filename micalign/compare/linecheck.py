"""What does a line check say of every line: who heard whom, when, how loud, in which polarity, and what is wrong?

A line check is each source alone, a few hits each, before the take. Each source's first wavefronts are measured in
every track (`micalign.tdoa.alone`); levels, hum and noise are `micalign.take.levels`' own. With a scene whose places
are known, the arrivals at its own mic and at those that are there for several sources are held against it by the engine
of `micalign compare`, each source one group of sounds: a drum is no point to its neighbours' mics. Delay
is positive when the event comes later; polarity is against the source's own track, +1 or -1; levels are mean squares of
a stroke's first 30 ms, dBFS; bleed is against the source's own track.

Signs of a first wave, for ``pop``: a microphone whose diaphragm is pushed in gives a positive voltage at pin 2 (IEC
61938; AES26; both from memory). So a mic-polarity click of positive pressure, and a hand-clap or a spoken "p" before
the mic, begin positive; a beater drives the batter head away from itself, so that a mic on the far side of the drum
begins positive and one on the player's side negative (common practice, no source).

Faults are named the gravest first: dead, or alive at other moments alone, against its scene, swapped, inverted, late;
then what the levels say. A gain that is set wrong moves every source of a line alike, so swapped inputs are known by
what two lines hear of two sources, whatever their gains.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np

from micalign.compare.comparison import Comparison
from micalign.compare.groups import group_alone
from micalign.compare.run import compared
from micalign.compare.tuned import (
    ALIVE_DB,
    AROUND_S,
    CLEAR_MARGIN,
    EARLIER_S,
    EARLIER_Z,
    HEARD_DB,
    SWAPPED_DB,
    VOTERS,
)
from micalign.scene.scene import Scene
from micalign.take.levels import measure_levels
from micalign.take.together import Remark
from micalign.take.track_levels import TrackLevels
from micalign.take.tracks import Track, placed
from micalign.tdoa.alone import HeardAlone, heard_alone, hits_alone
from micalign.tdoa.delays import Alone, PairDelay, Wanted
from micalign.units import show_db, show_dbfs, show_ms

__all__ = [
    "CheckedLine",
    "HeardLine",
    "LineCheck",
    "LineSource",
    "checked_lines",
]

_OF_SCENE: Final = ("swapped", "flipped", "moved", "late", "source-moved", "units", "unexplained")
"""What a comparison with a scene finds that a line check passes on."""


@dataclass(frozen=True, slots=True)
class HeardLine:
    """One source in one track; what is not heard there has no delay and no polarity.

    ``later_s`` and ``polarity`` are against the source's own track, ``first_wave`` is the sign of the samples.
    """

    track: str
    is_heard: bool
    later_s: float | None
    uncertainty_s: float | None
    polarity: int | None
    polarity_margin: float
    first_wave: int | None
    level_dbfs: float
    bleed_db: float
    reliable: bool


@dataclass(frozen=True)
class LineSource:
    """A source alone: its stretches, its hits, the track that is its own (or the loudest), and who heard it.

    ``has_own``: a scene, or a file's name, says which track is its own. ``is_found``: nobody said where it sounds
    alone. ``seems``: what it is by its arrivals, where a scene has places and its levels do not tell. ``remark``: what
    else sounded there.
    """

    source: str
    is_found: bool
    has_own: bool
    spans_s: tuple[tuple[float, float], ...]
    hits: int
    own: str
    heard: tuple[HeardLine, ...]
    remark: str | None
    seems: str | None = None

    def at(self, track: str) -> HeardLine:
        """The source in one track."""
        return next(one for one in self.heard if one.track == track)


@dataclass(frozen=True)
class _LineFaults:
    """What is known of a line check, asked line by line.

    ``levels`` and ``dead`` are by track; ``dis`` are the DIs of the scene; ``pop`` is the sign of every source's first
    pressure at its own mic, +1, -1 or None.
    """

    sources: tuple[LineSource, ...]
    levels: Mapping[str, TrackLevels]
    dead: set[str]
    dis: set[str]
    scene: Scene | None
    plan: Comparison | None
    pop: int | None

    def of(self, track: str) -> Iterator[Remark]:
        """Everything on one line."""
        if track in self.dead:
            yield from self._dead(track)
            return
        yield from self._against_plan(track)
        swapped = tuple(self._swapped(track))
        yield from swapped
        yield from self._polarity(track)
        yield from () if swapped else self._later(track)
        yield from self._levels(track)

    def _levels(self, track: str) -> Iterator[Remark]:
        """What its levels say; of a line that heard bleed alone its level says nothing yet."""
        if self.levels[track].verdict == "quiet" and not self._is_struck(track):
            yield Remark("not struck", "note", "no source of its own was struck: its level says nothing yet", "")
            return
        yield from self.levels[track].remarks

    def _is_struck(self, track: str) -> bool:
        named = {one.source for one in self.sources}
        on = next((mic.on for mic in self.scene.mics if mic.name == track), None) if self.scene else ()
        return any(one.own == track for one in self.sources) or bool(on is None or named & set(on))

    def _dead(self, track: str) -> Iterator[Remark]:
        known = [one for one in self.levels[track].remarks if one.rule in ("silent", "dead", "broken")]
        if known:
            yield replace(known[0], rule="dead")
            return
        if track in self.dis and not any(one.own == track for one in self.sources):
            yield Remark("not struck", "note", "its source was not played in this line check", "play it too")
            return
        levels = self.levels[track]
        floor_dbfs = levels.noise_floor_dbfs
        if floor_dbfs is not None and levels.peak_dbfs - floor_dbfs >= ALIVE_DB:
            said = f"it sounds, up to {show_dbfs(levels.peak_dbfs)}, but not at the hits that others heard"
            look = (
                "look whether the stretch of each source holds that source alone, and strike its own four times or more"
            )
            yield Remark("elsewhere", "problem", said, look)
            return
        count = len(self.sources)
        said = f"it heard {f'none of the {count} sources' if count > 1 else 'not the one source'} that others heard"
        yield Remark("dead", "problem", said, "check cable, phantom power, mute and input, and tap the mic")

    def _against_plan(self, track: str) -> Iterator[Remark]:
        for one in self.plan.findings if self.plan else ():
            if track in one.where and one.rule in _OF_SCENE and one.severity != "note":
                yield Remark(one.rule, "problem", one.message.rstrip("."), one.advice.rstrip("."))

    def _swapped(self, track: str) -> Iterator[Remark]:
        """Two lines that hear each other's source louder than their own, whatever their gains."""
        known = {name for one in (self.plan.explanations if self.plan else ()) for name in one.names}
        named = [one for one in self.sources if not one.is_found]
        for one, other in combinations(named, 2):
            if track not in (one.own, other.own) or one.own == other.own or track in known:
                continue
            more = one.at(other.own).bleed_db + other.at(one.own).bleed_db
            if more > SWAPPED_DB:
                partner = other.own if track == one.own else one.own
                said = (
                    f"it and '{partner}' hear each other's source {show_db(more / 2)} louder than their own: "
                    "they seem to be swapped"
                )
                yield Remark("swapped", "problem", said, f"swap the inputs of '{track}' and '{partner}'")

    def _polarity(self, track: str) -> Iterator[Remark]:
        if self.pop is not None:
            signs = [one.at(track).first_wave for one in self.sources if one.own == track]
            signs = signs or [one.at(track).first_wave for one in self.sources if one.at(track).reliable]
            known = [sign for sign in signs if sign is not None]
            if known and sum(sign * self.pop for sign in known) < 0:
                way = ("negative", "positive")[self.pop < 0]
                said = f"its first wave is {way} where the pressure is {('positive', 'negative')[self.pop < 0]}"
                yield Remark("inverted", "problem", said, "flip its polarity at the preamp, or change a crossed cable")
            return
        opposed = _opposed(self.sources) if self.plan is None else set()
        if track in opposed:
            said = "it is opposite to most other lines"
            pairs = [pair.mics for pair in self.scene.pairs if track in pair.mics] if self.scene else []
            upright = [name for mics in pairs for name in mics if name not in opposed]
            if upright:
                said += f", and '{upright[0]}', its pair, is not"
                yield Remark("inverted", "problem", said, "flip its polarity at the preamp, or change a crossed cable")
                return
            look = "below a drum that is as it should be, flip it in the mix; else look for a crossed cable"
            yield Remark("opposite", "note", said, look)

    def _later(self, track: str) -> Iterator[Remark]:
        """Its own source at another mic first: a line that is late, or a mic that is not where one thinks."""
        causes = self.plan.explanations if self.plan else ()
        known = {name for one in causes if one.kind in ("swapped", "late") for name in one.names}
        for source in self.sources:
            # Where nobody says whose a source is, its loudest line may stand further off than another's: air is late.
            if source.own != track or track in self.dis or track in known or not source.has_own:
                continue
            early = [one for one in source.heard if self._is_earlier(one) and one.track not in known]
            if early:
                first = min(early, key=lambda one: one.later_s or 0.0)
                said = f"it hears its own '{source.source}' {show_ms(-(first.later_s or 0.0))} after '{first.track}'"
                look = "look for a digital link, a plug-in or a second converter in it; is its input the right one?"
                # Without a scene a file's name alone may call it the source's own.
                yield Remark("late", "problem" if self.scene else "note", said, look)

    def _is_earlier(self, one: HeardLine) -> bool:
        if one.later_s is None or one.uncertainty_s is None or not one.reliable or one.track in self.dis:
            return False
        return one.later_s < -max(EARLIER_S, EARLIER_Z * one.uncertainty_s)


def _opposed(sources: Sequence[LineSource]) -> set[str]:
    """The lines that are opposite to most others in most sources, where polarity is clear."""
    votes: dict[str, list[int]] = {}
    for source in sources:
        clear = [one for one in source.heard if one.reliable and one.polarity and one.polarity_margin >= CLEAR_MARGIN]
        usual = int(np.sign(sum(one.polarity or 0 for one in clear))) if len(clear) >= VOTERS else 0
        for one in clear:
            votes.setdefault(one.track, []).append((one.polarity or 0) * usual)
    return {name for name, known in votes.items() if sum(known) < 0}


@dataclass(frozen=True)
class CheckedLine:
    """One line: what its levels are, the sources that are its own, and everything that is to be said of it."""

    track: str
    own: tuple[str, ...]
    levels: TrackLevels
    remarks: tuple[Remark, ...]

    @property
    def is_good(self) -> bool:
        """Whether nothing on it is a problem."""
        return not any(remark.severity == "problem" for remark in self.remarks)


@dataclass(frozen=True)
class LineCheck:
    """Every source, every line, and with a scene the comparison with its plan; ``pop`` as asked, +1, -1 or None."""

    sources: tuple[LineSource, ...]
    lines: tuple[CheckedLine, ...]
    plan: Comparison | None
    pop: int | None

    @property
    def is_good(self) -> bool:
        """Whether no line has a problem and nothing else is against the plan."""
        return all(line.is_good for line in self.lines) and not self.against_plan

    @property
    def against_plan(self) -> bool:
        """Whether the plan says otherwise of something that is no line."""
        measured = self.plan.findings if self.plan else ()
        return any(one.rule in _OF_SCENE and one.severity != "note" for one in measured)


def checked_lines(
    tracks: Sequence[Track],
    stretches: Sequence[Alone],
    *,
    scene: Scene | None = None,
    own: Mapping[str, Sequence[str]] | None = None,
    found: Sequence[str] = (),
    pop: int | None = None,
) -> LineCheck:
    """The line check of some tracks.

    Parameters
    ----------
    tracks : sequence of Track
        Of one rate, on one clock.
    stretches : sequence of Alone
        Where each source sounds alone.
    scene : Scene, optional
        What is planned; held against the arrivals where all places are known.
    own : mapping, optional
        The tracks that are a source's own, by source, the first of them its reference; else the loudest counts.
    found : sequence of str
        The sources whose stretches nobody named.
    pop : int, optional
        +1 or -1: the sign of the pressure with which every source begins at its own mic.
    """
    names = [track.name for track in tracks]
    levels = {one.name: one for one in measure_levels(_around(tracks, stretches))}
    living = [name for name in names if levels[name].verdict != "silent"] or names
    theirs = {source: live for source, one in (own or {}).items() if (live := [name for name in one if name in living])}
    heard = [_heard(one, names, theirs.get(one.source, ())) for one in stretches]
    sources = tuple(
        _source(one, measured, is_found=one.source in found, has_own=one.source in theirs)
        for one, measured in zip(stretches, heard, strict=True)
    )
    dead = {name for name in names if _is_dead(levels[name], sources)}
    plan = _plan(scene, names, dead, heard)
    sources = _named_by(plan, sources, scene)
    dis = {di.name for di in scene.dis} if scene else set()
    said = _LineFaults(sources, levels, dead, dis, scene, plan, pop)
    lines = tuple(
        CheckedLine(
            name,
            tuple(one.source for one in sources if name in theirs.get(one.source, (one.own,))),
            levels[name],
            tuple(said.of(name)),
        )
        for name in names
    )
    return LineCheck(sources, lines, plan, pop)


def _heard(alone: Alone, names: Sequence[str], own: Sequence[str]) -> HeardAlone:
    """A source against its own track, or against the loudest: an engineer looks there first."""
    first = own[0] if own else None
    if first is None:
        strokes = hits_alone(alone).strokes
        level = np.median(strokes.level_db, axis=0) if len(strokes.times_s) else np.zeros(len(names))
        first = strokes.tracks[int(np.argmax(level))]
    return heard_alone(alone, Wanted(alone.source, tuple(names), first))


def _around(tracks: Sequence[Track], stretches: Sequence[Alone]) -> list[Track]:
    """The tracks from a little before the first stretch of theirs to a little after the last."""
    spans = [span for one in stretches if one.tracks == tuple(tracks) for span in one.spans_s]
    if not spans:
        return list(tracks)
    begin_s = max(min(spans)[0] - AROUND_S, 0.0)
    end_s = max(span[1] for span in spans) + AROUND_S
    return [_part(track, begin_s, end_s) for track in tracks]


def _part(track: Track, begin_s: float, end_s: float) -> Track:
    rate = track.sample_rate
    first = max(round((begin_s - track.start_s) * rate), 0)
    last = min(round((end_s - track.start_s) * rate), track.frames)
    return replace(placed(track, -first), frames=max(last - first, 1))


def _source(alone: Alone, measured: HeardAlone, *, is_found: bool, has_own: bool) -> LineSource:
    strokes, reference = measured.hits.strokes, measured.delays.reference
    count = len(strokes.times_s)
    level = np.median(strokes.level_db, axis=0) if count else np.full(len(strokes.tracks), -140.0)
    before = np.median(strokes.before_db, axis=0) if count else level
    own_db = float(level[strokes.tracks.index(reference)])
    delays = {pair.track: pair for pair in measured.delays.pairs if pair.reference == reference}
    heard = tuple(
        _line_of(name, (float(level[column]), float(before[column]), own_db), delays.get(name), measured)
        for column, name in enumerate(strokes.tracks)
    )
    return LineSource(alone.source, is_found, has_own, alone.spans_s, count, reference, heard, measured.delays.remark)


def _line_of(track: str, levels: tuple[float, float, float], pair: PairDelay | None, measured: HeardAlone) -> HeardLine:
    level, before, own = levels
    is_own = track == measured.delays.reference
    if level - before < HEARD_DB:
        return HeardLine(track, False, None, None, None, 0.0, None, level, level - own, False)
    if is_own or pair is None:
        sign = measured.first_waves[track] if is_own else None
        return HeardLine(track, True, 0.0, 0.0, 1, 1.0, sign, level, level - own, True)
    delay = pair.delay
    return HeardLine(
        track,
        True,
        delay.delay_s,
        delay.uncertainty_s,
        delay.polarity,
        delay.polarity_margin,
        measured.first_waves[track],
        level,
        level - own,
        delay.reliable,
    )


def _is_dead(levels: TrackLevels, sources: Sequence[LineSource]) -> bool:
    return levels.verdict == "silent" or not any(one.at(levels.name).is_heard for one in sources)


def _plan(scene: Scene | None, names: Sequence[str], dead: set[str], heard: Sequence[HeardAlone]) -> Comparison | None:
    """The arrivals held against the scene, where it says where everything is."""
    if scene is None or not scene.is_placed or len(names) - len(dead) < 3:
        return None
    shared = [mic.name for mic in scene.mics if mic.name in names and mic.name not in dead and len(mic.on) != 1]
    groups = tuple(group_alone(one, names, shared) for one in heard if len(one.hits.strokes.times_s))
    return compared(scene, tuple(names), groups) if groups else None


def _named_by(plan: Comparison | None, sources: tuple[LineSource, ...], scene: Scene | None) -> tuple[LineSource, ...]:
    """Sources that are nobody's by their levels, called by their arrivals, each name once."""
    struck = [one for one in sources if one.hits]
    if plan is None or scene is None or not plan.explained or len(struck) != len(plan.heard_as):
        return sources
    known = {one.name for one in scene.sources}
    by_plan = dict(zip((one.source for one in struck), plan.heard_as, strict=True))
    taken = [one.source for one in sources if one.source in known]
    taken += [by_plan[one.source] for one in struck if one.source not in known]
    return tuple(
        replace(one, seems=by_plan[one.source])
        if one.hits and one.source not in known and by_plan[one.source] and taken.count(by_plan[one.source]) == 1
        else one
        for one in sources
    )
