"""Which combs does a scene make in the blend, and how do they look?

A pair matters for a source where at least one of its mics is there for that source and the weaker copy lies within
12 dB of the stronger. The band round each curve is one standard deviation of the difference of arrival.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from micalign.acoustics.differences import Difference
from micalign.acoustics.prediction import Prediction
from micalign.figures.comb import Copy, draw_comb
from micalign.figures.style import headline, stacked
from micalign.scene.model import Scene
from micalign.units import show_ms_known, show_plus_minus

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["pair_combs_figure", "pairs_that_matter"]

_WITHIN_DB: Final = 12.0
_NO_COMB_S: Final = 20e-6  # later copies than this have their first notch below 25 kHz


def pairs_that_matter(scene: Scene, prediction: Prediction, *, most: int = 6) -> tuple[Difference, ...]:
    """The rows whose combs colour the blend, those that both mics are there for first, then the deepest.

    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Mic, Source
    >>> mics = tuple(Mic(name, (x, 2.0, 1.8), on=("snare",)) for name, x in (("left", 1.0), ("right", 3.0)))
    >>> scene = Scene(sources=(Source("snare", (2.2, 1.5, 0.7)),), mics=mics)
    >>> [row.mics for row in pairs_that_matter(scene, predict(scene))]
    [('left', 'right')]
    """
    on = {mic.name: mic.on for mic in scene.mics}

    def wanted(row: Difference) -> int:
        return sum(row.source in on[name] for name in row.mics)

    rows = [row for row in prediction.differences if wanted(row) and _combs(row)]
    return tuple(sorted(rows, key=lambda row: (-wanted(row), abs(row.level_difference_db)))[:most])


def _combs(row: Difference) -> bool:
    return abs(row.level_difference_db) <= _WITHIN_DB and abs(row.difference_s) > _NO_COMB_S


def pair_combs_figure(scene: Scene, prediction: Prediction, *, most: int = 4) -> Figure | None:
    """A comb curve for each pair that matters, with its uncertainty; None where no pair makes one.

    Examples
    --------
    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Mic, Source
    >>> mics = tuple(Mic(name, (x, 2.0, 1.8), on=("snare",)) for name, x in (("left", 1.0), ("right", 3.0)))
    >>> scene = Scene(sources=(Source("snare", (2.2, 1.5, 0.7)),), mics=mics)
    >>> len(pair_combs_figure(scene, predict(scene)).axes)
    1
    """
    rows = pairs_that_matter(scene, prediction, most=most)
    if not rows:
        return None
    figure, panels = stacked(len(rows), panel_in=1.75, gap_in=0.75, top_in=0.85)
    for axes, row in zip(panels, rows, strict=True):
        draw_comb(axes, [_copy(row)], title=f"{row.source}: {row.mics[0]} with {row.mics[1]}")
        axes.set_xlabel("frequency (Hz)" if axes is panels[-1] else "")
    headline(figure, "combs in the blend; shaded: one standard deviation")
    return figure


def _copy(row: Difference) -> Copy:
    known = f"{show_ms_known(abs(row.difference_s), row.uncertainty_s)} ± {show_plus_minus(row.uncertainty_s)}"
    late = f"{known}, {abs(row.level_difference_db):.1f} dB apart"
    inverted = ", inverted" if row.polarity < 0 else ""
    return Copy(row.difference_s, row.level_difference_db, row.polarity, row.uncertainty_s, late + inverted)
