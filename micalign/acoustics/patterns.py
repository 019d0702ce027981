"""How strongly does a microphone hear what comes from an angle?

First-order patterns s = a + (1 - a) cos(angle), with the omni share a of `micalign.scene.model.PATTERNS`; amplitude,
1 on the axis, negative on a rear lobe (there the mic hears inverted). The pattern is taken as the same at every
frequency; real mics are broader below and narrower above.
"""

from __future__ import annotations

from typing import overload

import numpy as np

from micalign.arrays import Floats
from micalign.scene.model import PATTERNS, Mic, Point, Scene

__all__ = ["aims", "gains", "mic_gain", "null_degrees", "response"]


@overload
def response(omni_share: float, cos_angle: float) -> float: ...
@overload
def response(omni_share: float | Floats, cos_angle: Floats) -> Floats: ...
def response(omni_share: float | Floats, cos_angle: float | Floats) -> float | Floats:
    """Signed amplitude of a first-order pattern, 1 on the axis.

    >>> response(0.5, 0.0), response(0.25, -1.0)
    (0.5, -0.5)
    """
    return omni_share + (1.0 - omni_share) * cos_angle


def null_degrees(omni_share: float) -> float | None:
    """The angle off the axis at which a pattern hears nothing; None where it has no null.

    >>> round(null_degrees(0.25), 1), null_degrees(0.75)
    (109.5, None)
    """
    if omni_share > 0.5:
        return None
    return float(np.degrees(np.arccos(-omni_share / (1.0 - omni_share))))


def mic_gain(scene: Scene, mic: Mic, towards: Point) -> float:
    """Signed amplitude with which a mic hears a point: its pattern alone, without distance, gain or polarity.

    >>> from micalign.scene.model import Source
    >>> mic = Mic("overhead", (0.0, 0.0, 2.0), aim="snare", pattern="cardioid")
    >>> scene = Scene(sources=(Source("snare", (0.0, 0.0, 0.7)),), mics=(mic,))
    >>> mic_gain(scene, mic, (0.0, 0.0, 0.7)), mic_gain(scene, mic, (0.0, 1.0, 2.0))
    (1.0, 0.5)
    """
    axis = aims(scene, (mic,))
    share = np.array([PATTERNS[mic.pattern]])
    return float(gains(np.array([towards]), np.array([mic.position]), axis, share)[0, 0])


def aims(scene: Scene, mics: tuple[Mic, ...]) -> Floats:
    """The unit vectors along which mics look, shape (M, 3); zero for an omni that looks nowhere."""
    points = [scene.aim_point(mic) or mic.position for mic in mics]
    axes = np.array(points, dtype=float).reshape(-1, 3) - np.array([mic.position for mic in mics]).reshape(-1, 3)
    length = np.linalg.norm(axes, axis=-1, keepdims=True)
    unit: Floats = np.divide(axes, length, out=np.zeros_like(axes), where=length > 0)
    return unit


def gains(points_m: Floats, mics_m: Floats, axes: Floats, omni_share: Floats) -> Floats:
    """Signed amplitudes with which mics hear points.

    Parameters
    ----------
    points_m : array, shape (..., 3)
        Where the sound comes from; images of sources as well as sources.
    mics_m, axes : array, shape (M, 3)
        Where the mics stand and look (unit vectors).
    omni_share : array, shape (M,)

    Returns
    -------
    array, shape (..., M)
    """
    way = points_m[..., None, :] - mics_m
    length = np.linalg.norm(way, axis=-1)
    along = np.einsum("...mk,mk->...m", way, axes)
    cosine = np.divide(along, length, out=np.ones_like(along), where=length > 0)
    return response(omni_share, np.clip(cosine, -1.0, 1.0))
