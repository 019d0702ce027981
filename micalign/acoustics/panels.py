"""Where does a table top, a window or a riser reflect a source into a mic?

A panel is a finite flat rectangle. It mirrors a source at its plane, and the mirrored sound reaches a mic only where
the straight line from the image to the mic passes through the rectangle, source and mic being on one side of it.
Below the frequency where the panel is small against the Fresnel zone it reflects less: J. H. Rindel, "Attenuation of
sound reflections due to diffraction", Nordic Acoustical Meeting 1986 (from memory): f = c a / (2 A cos(angle)) with
a = 2 a1 a2 / (a1 + a2), the lengths of the two ways.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micalign.arrays import Bools, Floats
from micalign.scene.model import Panel

__all__ = ["PanelFrame", "lower_limit_hz", "mirror", "panel_frame", "strikes"]


@dataclass(frozen=True, eq=False)
class PanelFrame:
    """A panel as vectors: ``normal``, ``across`` and ``along`` are unit, ``half`` the half sizes along the last two."""

    centre: Floats
    normal: Floats
    across: Floats
    along: Floats
    half: Floats

    @property
    def area_m2(self) -> float:
        """Its area."""
        return float(4 * self.half[0] * self.half[1])


def panel_frame(panel: Panel) -> PanelFrame:
    """The vectors of a panel: width level and across the normal, height the other way; lying flat: x, then y.

    >>> panel_frame(Panel("table", (1, 1, 0.7), (0, 0, 2), (1.2, 0.8))).across
    array([1., 0., 0.])
    >>> np.round(panel_frame(Panel("window", (0, 1, 1.5), (1, 0, 0), (1.2, 0.8))).along, 6)
    array([0., 0., 1.])
    """
    normal = np.array(panel.normal, dtype=float) / np.linalg.norm(panel.normal)
    level = np.array([-normal[1], normal[0], 0.0])
    length = float(np.linalg.norm(level))
    across = level / length if length > 1e-9 else np.array([1.0, 0.0, 0.0])
    along = np.cross(normal, across)
    turn = np.radians(panel.turn_degrees)
    turned = np.cos(turn) * across + np.sin(turn) * along
    return PanelFrame(
        np.array(panel.centre, dtype=float), normal, turned, np.cross(normal, turned), np.array(panel.size) / 2
    )


def mirror(frame: PanelFrame, points_m: Floats) -> Floats:
    """Points mirrored at the plane of a panel, shape (..., 3).

    >>> mirror(panel_frame(Panel("table", (0, 0, 1), (0, 0, 1), (1, 1))), np.array([[0.2, 0.0, 1.5]]))
    array([[0.2, 0. , 0.5]])
    """
    height = (points_m - frame.centre) @ frame.normal
    image: Floats = points_m - 2 * height[..., None] * frame.normal
    return image


def strikes(frame: PanelFrame, sources_m: Floats, mics_m: Floats) -> Bools:
    """Whether each source reaches each mic by the panel: shapes (S, 3) and (M, 3) to (S, M).

    >>> frame = panel_frame(Panel("table", (0, 0, 0.7), (0, 0, 1), (1.0, 1.0)))
    >>> strikes(frame, np.array([[-0.3, 0, 1.0]]), np.array([[0.3, 0, 1.0], [3.0, 0, 1.0], [0.3, 0, 0.2]]))
    array([[ True, False, False]])
    """
    above_source = ((sources_m - frame.centre) @ frame.normal)[:, None]
    above_mic = ((mics_m - frame.centre) @ frame.normal)[None, :]
    same_side = above_source * above_mic > 1e-12
    share = np.where(same_side, above_source / np.where(same_side, above_source + above_mic, 1.0), 0.0)
    point = sources_m[:, None, :] + share[..., None] * (mics_m[None, :, :] - sources_m[:, None, :]) - frame.centre
    inside: Bools = np.abs(point @ frame.across) <= frame.half[0] + 1e-9
    inside &= np.abs(point @ frame.along) <= frame.half[1] + 1e-9
    return inside & same_side


def lower_limit_hz(frame: PanelFrame, sources_m: Floats, mics_m: Floats, speed_m_s: float) -> Floats:
    """Above which frequency the panel is large enough to reflect in full, shape (S, M)."""
    above_source = np.abs((sources_m - frame.centre) @ frame.normal)[:, None]
    above_mic = np.abs((mics_m - frame.centre) @ frame.normal)[None, :]
    way = np.linalg.norm(mirror(frame, sources_m)[:, None, :] - mics_m[None, :, :], axis=-1)
    cosine = (above_source + above_mic) / np.maximum(way, 1e-9)
    first = way * above_source / np.maximum(above_source + above_mic, 1e-9)
    mean = 2 * first * (way - first) / np.maximum(way, 1e-9)
    limit: Floats = speed_m_s * mean / (2 * max(frame.area_m2, 1e-9) * np.maximum(cosine, 1e-9))
    return limit
