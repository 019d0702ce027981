"""Where the views of a plan lie on the sheet, so that all are to one scale and nothing is cut off. Inches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from micalign.figures.views import Extent

__all__ = ["Sheet", "sheet_for"]

_WIDTH: Final = 8.4
_TALLEST_VIEWS: Final = 7.2
_LEFT: Final = 0.78
_RIGHT: Final = 0.25
_GAP_ACROSS: Final = 0.55
_GAP_UP: Final = 0.85  # a title and an axis label between the rows
_TOP: Final = 0.75
_BOTTOM: Final = 0.62
_NARROWEST_SECOND: Final = 2.0  # room for the symbols


@dataclass(frozen=True, slots=True)
class Sheet:
    """A figure's size, the scale and the rectangles of its parts."""

    extent: Extent
    inches_per_metre: float
    width_in: float
    height_in: float
    key_in: float
    left_in: float = _LEFT

    def place(self, name: str) -> tuple[float, float, float, float]:
        """Left, bottom, width and height of a part, as shares of the figure."""
        dx, dy, dz = (length * self.inches_per_metre for length in self.extent.size)
        lower, upper = self.key_in + _BOTTOM, self.key_in + _BOTTOM + dz + _GAP_UP
        second = _LEFT + dx + _GAP_ACROSS
        left, bottom, width, height = {
            "plan": (_LEFT, upper, dx, dy),
            "seen from the front wall": (_LEFT, lower, dx, dz),
            "seen from the left wall": (second, lower, dy, dz),
            "key plan": (second, upper, max(dy, _NARROWEST_SECOND), dy),
            "key": (_LEFT - 0.3, 0.05, self.width_in - _LEFT - _RIGHT + 0.3, self.key_in),
        }[name]
        return (left / self.width_in, bottom / self.height_in, width / self.width_in, height / self.height_in)

    def inches_of(self, name: str) -> tuple[float, float]:
        """Width and height of a part, inches."""
        _, _, width, height = self.place(name)
        return width * self.width_in, height * self.height_in


def sheet_for(extent: Extent, *, key_in: float, narrowest_in: float = _WIDTH) -> Sheet:
    """The largest scale at which the views fit, and the sheet's height with a key of ``key_in`` inches.

    A tall scene leaves the sheet's width empty: it is cut down to ``narrowest_in``, which the key needs.
    """
    dx, dy, dz = extent.size
    scale = min((_WIDTH - _LEFT - _RIGHT - _GAP_ACROSS) / (dx + dy), (_TALLEST_VIEWS - _GAP_UP) / (dy + dz))
    height = _TOP + (dy + dz) * scale + _GAP_UP + _BOTTOM + key_in
    width = max(_LEFT + (dx + max(dy, _NARROWEST_SECOND / scale)) * scale + _GAP_ACROSS + _RIGHT, narrowest_in)
    return Sheet(extent, scale, min(width, _WIDTH), height, key_in)
