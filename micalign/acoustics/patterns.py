"""How strongly does a microphone hear what comes from an angle, and what comes from everywhere?

First-order patterns s = a + (1 - a) cos(angle), with the omni share a of `micalign.scene.model.PATTERNS`; amplitude,
1 on the axis, negative on a rear lobe (there the mic hears inverted). The pattern is taken as the same at every
frequency; real mics are broader below and narrower above, and no null of theirs is bottomless: `Pattern.heard` says
how strongly a direction is heard at the least. Terms after IEC 60268-4 (from memory): the random energy efficiency is
the power taken from a diffuse field against that of an omni of the same sensitivity on the axis, its inverse the
directivity.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from micalign.arrays import Floats
from micalign.errors import SceneError, unknown
from micalign.scene.model import PATTERNS, Mic, Scene
from micalign.scene.surroundings import Point
from micalign.scene.tuned import REJECTION_DB
from micalign.units import amplitude_from_db

__all__ = ["Pattern", "aims", "gains", "mic_gain"]


@dataclass(frozen=True, eq=False)
class Pattern:
    """The pattern of a mic, or of several: every figure is an array of the shape of ``omni_share``.

    Attributes
    ----------
    omni_share : array
        a in s = a + (1 - a) cos(angle).
    rejection_db : array
        No direction is heard more than this below the axis by a real mic.

    Examples
    --------
    >>> cardioid = Pattern.named("cardioid")
    >>> float(cardioid.gain(np.array(0.0))), float(cardioid.null_degrees)
    (0.5, 180.0)
    >>> round(float(cardioid.random_energy_efficiency), 4), round(float(cardioid.directivity), 3)
    (0.3333, 3.0)
    """

    omni_share: Floats
    rejection_db: Floats

    @classmethod
    def named(cls, name: str, *, rejection_db: float = REJECTION_DB) -> Pattern:
        """The pattern of that name, such as cardioid; `SceneError` where there is none."""
        if name not in PATTERNS:
            raise SceneError(unknown(name, PATTERNS, "pattern"))
        return cls(np.array(PATTERNS[name]), np.array(rejection_db))

    @classmethod
    def of(cls, mics: Iterable[Mic]) -> Pattern:
        """The patterns of M mics, shape (M,)."""
        pairs = np.array([(PATTERNS[mic.pattern], mic.rejection_db) for mic in mics], dtype=float).reshape(-1, 2)
        return cls(pairs[:, 0], pairs[:, 1])

    def gain(self, cos_angle: Floats) -> Floats:
        """Signed amplitude at an angle off the axis, 1 on it; the last axes of ``cos_angle`` are the mics."""
        signed: Floats = self.omni_share + (1.0 - self.omni_share) * cos_angle
        return signed

    def heard(self, gain: Floats) -> Floats:
        """How strongly a real mic hears where the pattern says ``gain``: its size, and no less than the rejection."""
        least: Floats = np.maximum(np.abs(gain), amplitude_from_db(-self.rejection_db))
        return least

    @cached_property
    def random_energy_efficiency(self) -> Floats:
        """Power from a diffuse field against an omni's: the mean of s squared over the sphere, a^2 + (1 - a)^2 / 3."""
        share: Floats = self.omni_share**2 + (1.0 - self.omni_share) ** 2 / 3.0
        return share

    @cached_property
    def directivity(self) -> Floats:
        """By how much more power the axis is heard than the mean of all directions; 1 for an omni."""
        return np.asarray(1.0 / self.random_energy_efficiency)

    @cached_property
    def null_degrees(self) -> Floats:
        """The angle off the axis at which the pattern hears nothing; nan where it has no null."""
        a = np.minimum(self.omni_share, 0.5)
        null: Floats = np.where(self.omni_share <= 0.5, np.degrees(np.arccos(-a / (1.0 - a))), np.nan)
        return null


def mic_gain(scene: Scene, mic: Mic, towards: Point) -> float:
    """Signed amplitude with which a mic hears a point: its pattern alone, without distance, gain or polarity.

    >>> from micalign.scene.model import Source
    >>> mic = Mic("overhead", (0.0, 0.0, 2.0), aim="snare", pattern="cardioid")
    >>> scene = Scene(sources=(Source("snare", (0.0, 0.0, 0.7)),), mics=(mic,))
    >>> mic_gain(scene, mic, (0.0, 0.0, 0.7)), mic_gain(scene, mic, (0.0, 1.0, 2.0))
    (1.0, 0.5)
    """
    axis = aims(scene, (mic,))
    return float(gains(np.array([towards]), np.array([mic.position]), axis, Pattern.of([mic]))[0, 0])


def aims(scene: Scene, mics: tuple[Mic, ...]) -> Floats:
    """The unit vectors along which mics look, shape (M, 3); zero for an omni that looks nowhere."""
    points = [scene.aim_point(mic) or mic.position for mic in mics]
    axes = np.array(points, dtype=float).reshape(-1, 3) - np.array([mic.position for mic in mics]).reshape(-1, 3)
    length = np.linalg.norm(axes, axis=-1, keepdims=True)
    unit: Floats = np.divide(axes, length, out=np.zeros_like(axes), where=length > 0)
    return unit


def gains(points_m: Floats, mics_m: Floats, axes: Floats, pattern: Pattern) -> Floats:
    """Signed amplitudes with which mics hear points.

    Parameters
    ----------
    points_m : array, shape (..., 3)
        Where the sound comes from; images of sources as well as sources.
    mics_m, axes : array, shape (M, 3)
        Where the mics stand and look (unit vectors).
    pattern : Pattern
        Of each mic, shape (M,), or one for all.

    Returns
    -------
    array, shape (..., M)
    """
    way = points_m[..., None, :] - mics_m
    length = np.linalg.norm(way, axis=-1)
    along = np.einsum("...mk,mk->...m", way, axes)
    cosine = np.divide(along, length, out=np.ones_like(along), where=length > 0)
    return pattern.gain(np.clip(cosine, -1.0, 1.0))
