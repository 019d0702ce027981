"""What does a line check say of every line: who heard whom, when, how loud, in which polarity, and what is wrong?

A line check is each source alone, a few hits each, before the take. Each source's first wavefronts are measured in
every track (`micalign.tdoa.alone`); levels, hum and noise are `micalign.take.levels`' own. With a scene whose
places are known, the arrivals are held against it by the engine of `micalign compare`, each source one group of
sounds. Delay is positive when the event comes later; polarity is against the source's own track, +1 or -1; levels are
mean squares of a stroke's first 30 ms, dBFS; bleed is against the source's own track.

Signs of a first wave, for ``pop``: a microphone whose diaphragm is pushed in gives a positive voltage at pin 2 (IEC
61938; AES26; both from memory). So a mic-polarity click of positive pressure, and a hand-clap or a spoken "p" before
the mic, begin positive; a beater drives the batter head away from itself, so that a mic on the far side of the drum
begins positive and one on the player's side negative (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from micalign.compare.comparison import Comparison
from micalign.compare.linefaults import OF_SCENE, HeardLine, LineFaults, LineSource
from micalign.compare.run import compared
from micalign.scene.model import Scene
from micalign.take.levels import Remark, TrackLevels, measure_levels
from micalign.take.tracks import Track, placed
from micalign.tdoa.alone import HeardAlone, heard_alone, hits_alone
from micalign.tdoa.delays import Alone, PairDelay, Wanted
from micalign.tdoa.event_groups import Group, GroupDelay

__all__ = ["CheckedLine", "LineCheck", "checked_lines"]

_HEARD_DB: Final = 6.0  # over what sounded before
_AROUND_S: Final = 3.0


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
        return any(one.rule in OF_SCENE and one.severity != "note" for one in measured)


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
    said = LineFaults(sources, levels, dead, dis, scene, plan, pop)
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
    begin_s = max(min(spans)[0] - _AROUND_S, 0.0)
    end_s = max(span[1] for span in spans) + _AROUND_S
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
    if level - before < _HEARD_DB:
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
    groups = tuple(_group(one, names, dead) for one in heard if len(one.hits.strokes.times_s))
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
        if one.hits and one.source not in known and taken.count(by_plan[one.source]) == 1
        else one
        for one in sources
    )


def _group(measured: HeardAlone, names: Sequence[str], dead: set[str]) -> Group:
    strokes, reference = measured.hits.strokes, measured.delays.reference
    clear = dict(zip(strokes.tracks, np.median(strokes.level_db - strokes.before_db, axis=0), strict=True))
    delays = {pair.track: pair.delay for pair in measured.delays.pairs if pair.reference == reference}

    def heard(name: str) -> GroupDelay:
        if name == reference:
            return GroupDelay(0.0, 0.0, 1, 1.0, True)
        delay = delays[name]
        trusted = delay.reliable and name not in dead and bool(clear[name] >= _HEARD_DB)
        return GroupDelay(delay.delay_s, delay.uncertainty_s, delay.polarity, delay.polarity_margin, trusted)

    return Group(names.index(reference), tuple(strokes.times_s.tolist()), tuple(map(heard, names)))
