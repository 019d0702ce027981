"""Which mistakes does a take carry that its scene knows nothing of?

A moved stand, another temperature, swapped inputs, a flipped polarity, a track that is late by a constant: planted
one or several at a time, so that what should find them can be tried.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from micalign.errors import SceneError
from micalign.scene.model import Coordinates, Scene

__all__ = ["Faults"]


@dataclass(frozen=True, slots=True)
class Faults:
    """What is not as the scene says.

    Parameters
    ----------
    moved : mapping of name to (x, y, z), optional
        Where sources and mics truly stand, metres.
    temperature_c : float, optional
        The true temperature.
    flipped : sequence of str, optional
        Mics and DIs of inverted polarity.
    late_s : mapping of name to float, optional
        How much later than the others a track was written down, seconds.
    swapped : sequence of (str, str), optional
        Mics and DIs whose inputs are exchanged: each one's file holds the other's sound.

    Examples
    --------
    >>> Faults(swapped=(("a", "b"),)).heard_by("a"), Faults().heard_by("a")
    ('b', 'a')
    """

    moved: Mapping[str, Coordinates] = field(default_factory=dict)
    temperature_c: float | None = None
    flipped: tuple[str, ...] = ()
    late_s: Mapping[str, float] = field(default_factory=dict)
    swapped: tuple[tuple[str, str], ...] = ()

    def applied(self, scene: Scene) -> Scene:
        """The scene as it truly is."""
        self._refuse_unknown(scene)
        true = scene.placed_at(self.moved)
        if self.temperature_c is None:
            return true
        return replace(true, air=replace(true.air, temperature_c=self.temperature_c))

    def heard_by(self, name: str) -> str:
        """Whose sound the file of a mic or DI holds."""
        for first, second in self.swapped:
            if name == first:
                return second
            if name == second:
                return first
        return name

    def _refuse_unknown(self, scene: Scene) -> None:
        tracks = set(scene.track_names)
        placed = {thing.name for thing in scene.placed()}
        swapped = {name for pair in self.swapped for name in pair}
        for names, known in ((self.moved, placed), (self.flipped, tracks), (self.late_s, tracks), (swapped, tracks)):
            unknown = sorted(set(names) - known)
            if unknown:
                raise SceneError(f"a fault is planted on '{unknown[0]}', which the scene does not have")
