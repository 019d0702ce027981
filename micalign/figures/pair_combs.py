"""Which combs does a scene make in the blend, and how do they look?

A DI and a mic on its source come first: how loud each is in the blend no scene tells, so their comb is drawn for equal
levels, the deepest it can be.

A pair matters for a source where at least one of its mics is there for that source and the weaker copy lies within
12 dB of the stronger. The band round each curve is one standard deviation of the difference of arrival.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from micalign.acoustics.differences import Difference
from micalign.acoustics.direct import DiDifference
from micalign.acoustics.prediction import Prediction
from micalign.figures.comb import Copy, draw_comb
from micalign.figures.style import COLOURS, SMALL, headline, stacked
from micalign.scene.model import Scene
from micalign.units import show_ms_within

if TYPE_CHECKING:
    from matplotlib.axes import Axes
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


@dataclass(frozen=True, slots=True)
class _TitledComb:
    title: str
    copy: Copy


def pair_combs_figure(scene: Scene, prediction: Prediction, *, most: int = 4) -> Figure | None:
    """A comb curve for each pair that matters, with its uncertainty; None where no pair makes one.

    Where there are more than ``most`` the title says how many.

    Examples
    --------
    >>> from micalign.acoustics.prediction import predict
    >>> from micalign.scene.model import Mic, Source
    >>> mics = tuple(Mic(name, (x, 2.0, 1.8), on=("snare",)) for name, x in (("left", 1.0), ("right", 3.0)))
    >>> scene = Scene(sources=(Source("snare", (2.2, 1.5, 0.7)),), mics=mics)
    >>> len(pair_combs_figure(scene, predict(scene)).axes)
    1
    """
    rows = _rows(scene, prediction)
    shown = rows[:most]
    if not shown:
        return None
    figure, panels = stacked(len(shown), panel_in=1.75, gap_in=0.75, top_in=0.85)
    for axes, row in zip(panels, shown, strict=True):
        draw_comb(axes, [row.copy], title=row.title, shades_named=False)
        axes.set_xlabel("frequency (Hz)" if axes is panels[-1] else "")
    count = f"{len(shown)} of {len(rows)} combs" if len(rows) > len(shown) else "combs"
    headline(figure, f"{count} in the blend")
    _name_shades(figure, panels)
    return figure


def _name_shades(figure: Figure, panels: Sequence[Axes]) -> None:
    """Once for all panels: they have the same."""
    shades = {str(one.get_label()): one for axes in panels for one in axes.collections}
    figure.legend(
        handles=list(shades.values()), loc="upper right", ncols=2, frameon=False, fontsize=SMALL,
        labelcolor=COLOURS["ink"],
    )  # fmt: skip


def _rows(scene: Scene, prediction: Prediction) -> list[_TitledComb]:
    """All that matter, those with a DI first."""
    direct = [
        _TitledComb(f"{one.source}: {one.di} with {one.mic}", _di_copy(one))
        for one in prediction.di_differences
        if abs(one.difference_s) > _NO_COMB_S or one.polarity < 0
    ]
    pairs = pairs_that_matter(scene, prediction, most=len(prediction.differences))
    return direct + [_TitledComb(f"{row.source}: {row.mics[0]} with {row.mics[1]}", _copy(row)) for row in pairs]


def _di_copy(row: DiDifference) -> Copy:
    late = f"{show_ms_within(abs(row.difference_s), row.uncertainty_s)}, as if equally loud"
    return Copy(row.difference_s, 0.0, row.polarity, row.uncertainty_s, late + _inverted(row.polarity))


def _inverted(polarity: int) -> str:
    return ", inverted" if polarity < 0 else ""


def _copy(row: Difference) -> Copy:
    known = show_ms_within(abs(row.difference_s), row.uncertainty_s)
    late = f"{known}, {abs(row.level_difference_db):.1f} dB apart{_inverted(row.polarity)}"
    return Copy(row.difference_s, row.level_difference_db, row.polarity, row.uncertainty_s, late)
