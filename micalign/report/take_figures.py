"""The figures of a take, by name: drawn from what `take_study` found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from micalign.figures.levels import levels_figure
from micalign.figures.take import correlation_figure, gain_figure, hit_figure, spectrum_figure
from micalign.report.take_study import TakeStudy

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["take_figures"]


def take_figures(found: TakeStudy) -> dict[str, Figure]:
    """Levels, likeness over delay, one hit, what the sum gains, its spectrum."""
    tracks = [found.take.track(one.track) for one in found.measured.tracks]
    rate = found.take.sample_rate
    reference = found.take.track(found.measured.reference)
    hit, around = found.hit, found.around
    return {
        "levels": levels_figure(found.levels),
        "correlation": correlation_figure(reference, tracks, [one.delay for one in found.measured.tracks]),
        "hit": hit_figure(hit.before, hit.after, sample_rate=rate, start_s=hit.start_s),
        "gain": gain_figure(found.gain),
        "spectrum": spectrum_figure(around.sum_before, around.sum_after, sample_rate=rate),
    }
