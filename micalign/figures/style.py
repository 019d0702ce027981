"""How every figure looks: one quiet style, and one way to turn a figure into a file's bytes.

Where matplotlib is loaded for us alone, the user's settings for it are set aside; else nothing here touches its global
state: figures are made by `new_figure`, axes are dressed by `dress`, text
from users passes through `words`. The colours keep their order of lightness in a grey print, and every series has its
own dash as well, so that colour is never the only difference.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from functools import cache
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

_IS_GUEST: Final = "matplotlib" in sys.modules  # a program that draws by itself has its own settings

import matplotlib as mpl  # noqa: E402
from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator  # noqa: E402

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
    "SUFFIXES",
    "dress",
    "frequency_axis",
    "headline",
    "inline_svg",
    "legend",
    "new_figure",
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
"""The dash of each series, in the order of `SERIES`."""

SUFFIXES: Final = (".png", ".svg", ".pdf")

SMALL: Final = 9.0
NORMAL: Final = 10.0
LARGE: Final = 11.5

_FONTS: Final = "'DejaVu Sans', 'Bitstream Vera Sans', Verdana, sans-serif"
_TICKS_HZ: Final = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
_DPI: Final = 150

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
    if title:
        axes.set_title(title, fontsize=NORMAL, color=COLOURS["ink"], loc="left", pad=6)
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
    if suffix.lower() not in SUFFIXES:
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
