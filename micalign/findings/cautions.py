"""What to mind where the work that a scene plans can hurt someone.

Common sense of the trade; hearing figures are those of NIOSH 98-126 (1998). Local codes and licensed people decide.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from micalign.scene.model import Mic, Scene

__all__ = ["OVERHEAD_M", "cautions"]

OVERHEAD_M: Final = 1.7
_ABOVE_M: Final = 0.3
_DRUMS: Final = re.compile(r"kick|snare|tom|hi-?hat|ride|crash|cymbal|drum|kit", re.IGNORECASE)
_AMPLIFIERS: Final = re.compile(r"\b(amp|amplifier|cab|cabinet)\b", re.IGNORECASE)


def cautions(scene: Scene) -> tuple[str, ...]:
    """Cautions that fit a scene, in sentences.

    >>> from micalign.scene.model import Mic, Source
    >>> kit = Scene(sources=(Source("snare", (2.0, 2.0, 0.7)),), mics=(Mic("overhead", (2.0, 2.0, 2.1)),))
    >>> [caution.split(":")[0] for caution in cautions(kit)]
    ['Overhead stands', 'Hearing']
    """
    return tuple(_cautions(scene))


def _hangs_over(scene: Scene, mic: Mic) -> bool:
    """A stand that reaches over people: high, and not merely before the mouth of somebody who stands."""
    if not mic.is_placed or mic.position[2] < OVERHEAD_M:
        return False
    heights = [source.position[2] for source in scene.sources if source.name in mic.on and source.is_placed]
    return not heights or mic.position[2] - min(heights) >= _ABOVE_M


def _cautions(scene: Scene) -> Iterator[str]:
    sounds = " ".join([source.name for source in scene.sources] + [source.sound or "" for source in scene.sources])
    if any(_hangs_over(scene, mic) for mic in scene.mics):
        yield (
            "Overhead stands: put a leg under the load, weigh the base down, tighten and tie what hangs over people."
        )
    if _DRUMS.search(sounds):
        yield (
            "Hearing: a kit reaches 100 dBA and more near the player; NIOSH allows 15 minutes a day at that. Wear "
            "protection, and mute monitors and headphones before any gain or cable is touched."
        )
    if _AMPLIFIERS.search(sounds):
        yield (
            "Mains: never lift a protective earth to cure hum, never run a valve amplifier without its loudspeaker or "
            "load; leave its inside to a licensed technician and follow local codes."
        )
