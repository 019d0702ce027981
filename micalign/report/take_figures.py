"""The figures of a take, by name: drawn from what `take_study` found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from micalign.alignment.onepath.pair import THIRDS_HZ, PairSum
from micalign.figures.level_strips import levels_figure
from micalign.figures.take import Likeness, correlation_figure, gain_figure, hit_figure, spectrum_figure, sums_figure
from micalign.report.take_study import TakeStudy
from micalign.report.threelines import WAY_WORDS, named_lines

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["likenesses", "take_figures"]


def take_figures(found: TakeStudy) -> dict[str, Figure]:
    """Levels, likeness over delay, one hit, what the sum gains, its spectrum, and how each DI adds up with its mic."""
    rate = found.take.sample_rate
    hit, around = found.hit, found.around
    figures = {
        "levels": levels_figure(found.levels),
        "hit": hit_figure(hit.before, hit.after, sample_rate=rate, start_s=hit.start_s, of=found.hit_of),
        "gain": gain_figure(found.gain),
        "spectrum": spectrum_figure(around.sum_before, around.sum_after, sample_rate=rate),
    }
    sums = [(f"{one.reference} and {one.track}", _thirds(one)) for one in found.measured.sums]
    if sums:
        figures["sums"] = sums_figure(sums, THIRDS_HZ)
    pairs = likenesses(found)
    return figures | ({"correlation": correlation_figure(pairs)} if pairs else {})


def _thirds(one: PairSum) -> dict[str, tuple[float, ...]]:
    return {WAY_WORDS[name]: line.thirds_db for name, line in named_lines(one)}


def likenesses(found: TakeStudy) -> list[Likeness]:
    """Each source's own track with the two in which the source is measured best; else all with the reference."""
    track = found.take.track
    pairs = [
        Likeness(
            f"{source.source}: {source.reference} to {one.track}", track(source.reference), track(one.track), one.delay
        )
        for source in found.close_sources
        for one in sorted(source.tracks, key=lambda one: -one.delay.confidence)[:2]
    ]
    reference = found.measured.reference
    rest = [
        Likeness(f"{reference} to {one.track}", track(reference), track(one.track), one.delay)
        for one in found.measured.tracks
    ]
    return pairs or rest
