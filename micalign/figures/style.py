"""How every figure looks: one quiet style, words beside points, and one way to turn a figure into a file's bytes.

Where matplotlib is loaded for us alone, the user's settings for it are set aside; else nothing here touches its global
state: figures are made by `new_figure`, axes are dressed by `dress`, text from users passes through `words`. The
colours keep their order of lightness in a grey print, and every series has its own dash as well, so that colour is
never the only difference. Small words are put where they cover neither a point nor each other, nor an outline if that
can be.
"""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

_IS_GUEST: Final = "matplotlib" in sys.modules  # a program that draws by itself has its own settings

import matplotlib as mpl  # noqa: E402
from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from matplotlib.font_manager import FontProperties  # noqa: E402
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator  # noqa: E402

from micalign.arrays import Floats  # noqa: E402
from micalign.errors import OutputError  # noqa: E402

if not _IS_GUEST:
    mpl.rcdefaults()  # a user's own style or TeX must not change a page

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "COLOURS",
    "DARK",
    "DASHES",
    "SERIES",
    "Tag",
    "dress",
    "frequency_axis",
    "headline",
    "inline_svg",
    "legend",
    "new_figure",
    "place_tags",
    "render",
    "stacked",
    "words",
]

COLOURS: Final = {
    "paper": "#fdfdfb",
    "ink": "#1d2b36",
    "soft": "#5f6c76",
    "line": "#cfd5d8",
    "wash": "#eceff0",
    "blue": "#1f6690",
    "amber": "#d4831a",
    "umber": "#8a5308",
    "plum": "#57264f",
    "sea": "#6fae9b",
    "brick": "#ab3f2b",
}
"""The palette on a light page: paper and ink, then the series; umber is amber dark enough for words."""

DARK: Final = {
    "paper": "#151b20",
    "ink": "#e4eaee",
    "soft": "#a3b0b9",
    "line": "#3d4952",
    "wash": "#222b32",
    "blue": "#64aee0",
    "amber": "#f0b25c",
    "umber": "#f3c079",
    "plum": "#f2d2ee",
    "sea": "#4fae93",
    "brick": "#ec8f7a",
}
"""The same names on a dark page."""

SERIES: Final = ("blue", "amber", "plum", "sea")
DASHES: Final = ("solid", (0, (5, 1.6)), (0, (1.2, 1.4)), (0, (6, 1.5, 1.2, 1.5)))
"""Offset and lengths of each series' dashes, in line widths, in the order of `SERIES`."""

_SUFFIXES: Final = (".png", ".svg", ".pdf")

SMALL: Final = 9.0  # points: numbers, names, legends
NORMAL: Final = 10.0  # points: axis labels, titles of panels
LARGE: Final = 11.5  # points: headlines

_FONTS: Final = "'DejaVu Sans', 'Bitstream Vera Sans', Verdana, sans-serif"
_TICKS_HZ: Final = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)  # 1, 2, 5 of each decade that is heard
_DPI: Final = 150  # dots an inch: sharp on a screen, small as a file

_METADATA: Final[dict[str, dict[str, Any]]] = {
    ".png": {"Software": "micalign"},
    ".svg": {"Date": None, "Creator": "micalign"},
    ".pdf": {"CreationDate": None, "Creator": "micalign", "Producer": None},
}
_DESCRIPTION: Final = {".png": "Description", ".svg": "Description", ".pdf": "Subject"}


def new_figure(width_in: float, height_in: float) -> Figure:
    """An empty figure on our paper, with a canvas of its own.

    >>> new_figure(4.0, 3.0).get_size_inches().tolist()
    [4.0, 3.0]
    """
    figure = Figure(
        figsize=(width_in, height_in),
        dpi=_DPI,
        facecolor=COLOURS["paper"],
    )
    FigureCanvasAgg(figure)
    return figure


def stacked(
    rows: int,
    *,
    panel_in: float,
    gap_in: float = 0.0,
    top_in: float = 0.45,
    width_in: float = 7.6,
    margins_in: tuple[float, float] = (0.8, 0.25),
) -> tuple[Figure, list[Axes]]:
    """A figure of panels of one width, one above the other; their margins hold labels of the style's size.

    Laid out by hand: the automatic layout costs more than the drawing itself.

    >>> figure, panels = stacked(2, panel_in=2.0, gap_in=0.4)
    >>> len(panels), round(float(figure.get_figheight()), 2)
    (2, 5.45)
    """
    (left_in, right_in), bottom_in = margins_in, 0.6
    height_in = top_in + rows * panel_in + (rows - 1) * gap_in + bottom_in
    figure = new_figure(width_in, height_in)
    width = (width_in - left_in - right_in) / width_in
    feet_in = [bottom_in + (rows - 1 - row) * (panel_in + gap_in) for row in range(rows)]
    spots = [(left_in / width_in, foot / height_in, width, panel_in / height_in) for foot in feet_in]
    return figure, [figure.add_axes(spot) for spot in spots]


def headline(figure: Figure, text: str) -> None:
    """A title at the upper left of a stacked figure."""
    width, height = figure.get_size_inches()
    figure.text(0.12 / width, 1 - 0.14 / height, text, fontsize=LARGE, color=COLOURS["ink"], ha="left", va="top")


def dress(axes: Axes, *, x: str = "", y: str = "", title: str = "", grid: str = "both") -> Axes:
    """Give axes their labels, a thin frame and a faint grid (``both``, ``x``, ``y`` or an empty string)."""
    axes.set_facecolor("none")
    for side, spine in axes.spines.items():
        spine.set_visible(side in {"left", "bottom"})
        spine.set_color(COLOURS["soft"])
        spine.set_linewidth(0.8)
    axes.tick_params(which="both", labelsize=SMALL, color=COLOURS["soft"], labelcolor=COLOURS["ink"], width=0.8)
    axes.set_xlabel(x, fontsize=NORMAL, color=COLOURS["ink"])
    axes.set_ylabel(y, fontsize=NORMAL, color=COLOURS["ink"])
    # With a place of its own no title is looked for one above the ticks: that costs a tenth of the drawing.
    axes.set_title(title, fontsize=NORMAL, color=COLOURS["ink"], loc="left", pad=6, y=1.0)
    axes.set_axisbelow(True)
    if grid:
        axes.grid(True, axis=grid, color=COLOURS["line"], linewidth=0.6)  # type: ignore[arg-type]
    return axes


def frequency_axis(axes: Axes, *, lower_hz: float = 20.0, upper_hz: float = 20000.0) -> Axes:
    """Make x a frequency axis: every octave equally wide, with the trade's labels (50, 100, 200, 500, 1k ...)."""
    axes.set_xscale("log", base=2)
    axes.set_xlim(lower_hz, upper_hz)
    axes.xaxis.set_major_locator(FixedLocator([hz for hz in _TICKS_HZ if lower_hz <= hz <= upper_hz]))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(_trade_label))
    axes.set_xlabel("frequency (Hz)", fontsize=NORMAL, color=COLOURS["ink"])
    return axes


def _trade_label(hertz: float, _position: object = None) -> str:
    return f"{hertz / 1000:g}k" if hertz >= 1000 else f"{hertz:g}"


def words(text: str, *, longest: int = 40) -> str:
    """A user's text made harmless for a figure: no formula, no missing glyph, not too long.

    >>> words("cost: $5 and $6"), words("a" * 50, longest=8)
    ('cost: \\\\$5 and \\\\$6', 'aaaaaaa…')
    """
    shown = "".join(char if ord(char) in _glyphs() else "\u25a1" for char in text)
    if len(shown) > longest:
        shown = shown[: longest - 1] + "…"
    return shown.replace("$", r"\$")


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import FontProperties, findfont, get_font  # noqa: PLC0415 - 50 ms, only for names

    return frozenset(get_font(findfont(FontProperties())).get_charmap())


def render(figure: Figure, suffix: str, *, description: str = "") -> bytes:
    """The bytes of a PNG, SVG or PDF file; the same figure always gives the same bytes.

    Parameters
    ----------
    figure : Figure
    suffix : {".png", ".svg", ".pdf"}
    description : str
        Kept in the file's metadata.

    Raises
    ------
    OutputError
        If the suffix is none of ``.png``, ``.svg``, ``.pdf``.

    Examples
    --------
    >>> render(new_figure(1.0, 1.0), ".png")[1:4]
    b'PNG'
    """
    if suffix.lower() not in _SUFFIXES:
        raise OutputError(f"a figure cannot be written as '{suffix}': end the file's name in .png, .svg or .pdf")
    kind = suffix.lower()
    metadata = _METADATA[kind] | ({_DESCRIPTION[kind]: description} if description else {})
    return _saved(figure, kind[1:], metadata)


def _saved(figure: Figure, kind: str, metadata: dict[str, Any], *, glyphs: str = "path") -> bytes:
    buffer = BytesIO()
    # Only while this file is written: ids that do not change from run to run; glyphs as outlines, or text as text.
    with mpl.rc_context({"svg.hashsalt": "micalign", "svg.fonttype": glyphs, "pdf.fonttype": 42}):
        # The default level of compression takes a third of the whole drawing's time to save a tenth of the bytes.
        faster: dict[str, Any] = {"pil_kwargs": {"compress_level": 2}} if kind == "png" else {}
        figure.savefig(buffer, format=kind, metadata=metadata, dpi=_DPI, **faster)
    return buffer.getvalue()


# No date in any of them: a figure that has not changed makes no new file.


def inline_svg(figure: Figure) -> str:
    """The figure as an ``<svg>`` element for a page, its colours left to the page's style (``--paper``, ``--ink`` ...).

    The colours of `COLOURS` become CSS variables, so that one figure serves the light and the dark page. Words stay
    text that can be found, copied and read aloud; Verdana has the widths of the font that the figure was laid out in.
    """
    text = _saved(figure, "svg", _METADATA[".svg"], glyphs="none").decode("utf-8")
    body = text[text.index("<svg") :]
    body = re.sub(r"font-family: [^;\"]*", f"font-family: {_FONTS}", body)
    for name, colour in COLOURS.items():
        body = body.replace(colour, f"var(--{name})")
    return body


def legend(axes: Axes, *, where: str = "best", columns: int = 1, handles: Sequence[Any] | None = None) -> None:
    """A legend without a frame, in the style's own size; none where no curve has a name."""
    if handles is None and not axes.get_legend_handles_labels()[0]:
        return
    extra: dict[str, Any] = {} if handles is None else {"handles": list(handles)}
    extra |= {"loc": where, "ncols": columns}
    extra |= {"facecolor": COLOURS["paper"], "edgecolor": "none", "framealpha": 0.85}
    axes.legend(fontsize=SMALL, labelcolor=COLOURS["ink"], **extra)


_RINGS_PT: Final = (9.0, 12.0, 15.0, 19.0, 24.0, 30.0, 37.0, 46.0, 58.0, 72.0)  # how far a word is tried from its point
_DIRECTIONS: Final = 24  # in which it is tried, every 15 degrees
_LEADER_FROM_PT: Final = 16.0  # further out than this, a thin line joins word and point
_DOT_PT: Final = 4.5  # half the size of a marker
_STEP_PT: Final = 1.5  # outlines are held against words at steps of this
_COVERED_PT2: Final = 1.0  # a long word that covers more than this of another gives way to its short one,
_CROSSED_PT: Final = 90.0  # and one that crosses more of outlines: its own mic's lobe it may,
_NEAR_PT: Final = 38.0  # and one that would lie further out
_CROSSING: Final = 1.0  # a point of line under a word is as bad as so many square points covered


@dataclass(frozen=True, slots=True)
class Tag:
    """A word for a point (metres, as the view sees it); ``reach`` 0 means it may lie on the point itself.

    Words of lower ``rank`` choose their place before the others. Where ``text`` finds no free place, ``short`` is
    written.
    """

    at: tuple[float, float]
    text: str
    colour: str
    reach: float = 1.0
    rank: int = 0
    short: str = ""


def place_tags(
    axes: Axes,
    tags: Sequence[Tag],
    *,
    taken: Iterable[tuple[float, float]],
    outlines: Iterable[Floats] = (),
    unit_m: float = 1.0,
) -> None:
    """Write each tag near its point, in points of paper; the most crowded tags find their place first.

    ``outlines`` (each (N, 2), metres) are better not crossed.
    """
    lines = np.concatenate([np.zeros((0, 2)), *(_strokes(axes, outline, unit_m) for outline in outlines)])
    dots = _on_paper(axes, np.array(list(taken)).reshape(-1, 2), unit_m)
    boxes = [np.concatenate([dot - _DOT_PT, dot + _DOT_PT]) for dot in dots]
    corner = axes.transAxes.transform([(0.0, 0.0), (1.0, 1.0)]) * _points_per_pixel(axes)
    for tag in sorted(tags, key=lambda tag: (tag.rank, tag.reach == 0.0, _farness(tag, dots, axes, unit_m))):
        spot = _on_paper(axes, tag.at, unit_m)
        for text in filter(None, (tag.text, tag.short)):
            half, offsets = _half_size_pt(axes, text), _offsets(tag)
            covered = _cost(spot + offsets, half, np.array(boxes).reshape(-1, 4), corner)
            # A word on a line, such as a length, had better stay on its line.
            crossed = tag.reach * _CROSSING * _STEP_PT * _inside(spot + offsets, half, lines)
            distance = np.hypot(*offsets.T)
            best = int(np.argmin(covered + crossed + 0.02 * distance))
            if covered[best] <= _COVERED_PT2 and crossed[best] <= _CROSSED_PT and distance[best] <= _NEAR_PT:
                break
        offset = offsets[best]
        boxes.append(np.concatenate([spot + offset - half, spot + offset + half]))
        _write(axes, replace(tag, text=text), offset, unit_m)


def _points_per_pixel(axes: Axes) -> float:
    return 72.0 / float(axes.get_figure(root=True).dpi)  # type: ignore[union-attr]


def _half_size_pt(axes: Axes, text: str) -> Floats:
    """Half the width and height of a word as it will be written, with a little air."""
    renderer: Any = axes.get_figure(root=True).canvas.get_renderer()  # type: ignore[union-attr]
    font = FontProperties(size=SMALL, weight="bold")
    width, height, _ = renderer.get_text_width_height_descent(text, font, False)
    return np.array([width, max(height, 1.2 * SMALL / _points_per_pixel(axes))]) * _points_per_pixel(axes) / 2 + 1.2


def _on_paper(axes: Axes, spots: npt.ArrayLike, unit_m: float) -> Floats:
    """One spot (2,) or several (N, 2) in points (1/72 inch) of the sheet."""
    placed: Floats = axes.transData.transform(np.asarray(spots, dtype=float) / unit_m) * _points_per_pixel(axes)
    return placed


def _farness(tag: Tag, dots: Floats, axes: Axes, unit_m: float) -> float:
    """How far its second-nearest neighbour is (the nearest is its own point)."""
    apart = np.sort(np.linalg.norm(dots - _on_paper(axes, tag.at, unit_m), axis=1))
    return float(apart[1]) if len(apart) > 1 else math.inf


def _offsets(tag: Tag) -> Floats:
    """Where a word may lie from its point, the nearest first, shape (N, 2)."""
    turns = 2 * np.pi * (np.arange(_DIRECTIONS) / _DIRECTIONS + 1 / 8)
    round_it = np.column_stack([np.cos(turns), np.sin(turns)])
    rings: Floats = np.concatenate([ring * round_it for ring in _RINGS_PT])
    return rings if tag.reach else np.vstack([np.zeros((1, 2)), rings])


def _cost(centres: Floats, half: Floats, boxes: Floats, corner: Floats) -> Floats:
    """For each centre: square points covered, and much for leaving the axes, shape (N,)."""
    low, high = centres - half, centres + half
    outside = np.maximum(corner[0] - low, 0).sum(axis=1) + np.maximum(high - corner[1], 0).sum(axis=1)
    shared = np.minimum(high[:, None], boxes[None, :, 2:]) - np.maximum(low[:, None], boxes[None, :, :2])
    covered = np.prod(np.maximum(shared, 0.0), axis=-1).sum(axis=1)
    cost: Floats = covered + 50.0 * outside
    return cost


def _strokes(axes: Axes, outline: Floats, unit_m: float) -> Floats:
    """An outline as points a step apart on the paper, shape (P, 2)."""
    corners = _on_paper(axes, outline, unit_m)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    steps = np.arange(0.0, along[-1], _STEP_PT)
    return np.column_stack([np.interp(steps, along, corners[:, axis]) for axis in (0, 1)])


def _inside(centres: Floats, half: Floats, points: Floats) -> Floats:
    """How many of the points lie under a word at each centre, shape (N,)."""
    count: Floats = np.all(np.abs(centres[:, None] - points[None]) < half, axis=-1).sum(axis=1).astype(float)
    return count


def _write(axes: Axes, tag: Tag, offset: Floats, unit_m: float) -> None:
    far = math.hypot(*offset) > _LEADER_FROM_PT
    axes.annotate(
        tag.text,
        xy=(tag.at[0] / unit_m, tag.at[1] / unit_m),
        xytext=tuple(offset),
        textcoords="offset points",
        fontsize=SMALL,
        weight="bold",
        color=COLOURS[tag.colour],
        ha="center",
        va="center",
        zorder=6,
        bbox={"facecolor": COLOURS["paper"], "edgecolor": "none", "pad": 0.6, "alpha": 0.75},
        arrowprops={"arrowstyle": "-", "color": COLOURS["soft"], "linewidth": 0.6, "shrinkA": 0, "shrinkB": 3}
        if far
        else None,
    )
