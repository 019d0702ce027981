"""What is seen in each figure of a report, in words, for those who cannot see it.

A sentence names the kind of figure, then what it shows of this scene or take: places, first notches, times, gains.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from micalign.acoustics.differences import Difference
from micalign.acoustics.prediction import Prediction
from micalign.figures.comb_curves import pairs_that_matter
from micalign.figures.gallery import slug
from micalign.report.combwords import depth_words, notch_range_words
from micalign.scene.model import Scene
from micalign.units import show_length, show_ms

__all__ = ["seen_words"]

_MOST_PLACES: Final = 12
_MOST_COMBS: Final = 3


def seen_words(
    scene: Scene, prediction: Prediction, names: Iterable[str], take: Mapping[str, Any] | None = None
) -> dict[str, str]:
    """A sentence for each figure of ``names`` (those of `figures.gallery`, ``floor``, and those of the take)."""
    said = {"plan": f"Plan, seen from the front wall and from the left wall, to one scale. {_places(scene)}"}
    said["floor"] = f"Floor plan. {_places(scene)}"
    said["combs"] = _combs(scene, prediction)
    said |= {f"map-{slug(pair.name)}": _map(prediction, pair.name) for pair in scene.pairs}
    said |= {f"arrivals-{slug(source.name)}": _arrivals(prediction, source.name) for source in scene.sources}
    said |= _take(take) if take else {}
    return {name: said.get(name) or _numbered(said, name) for name in names}


def _numbered(said: Mapping[str, str], name: str) -> str:
    """Figures whose names would be one carry a number behind it."""
    return said.get(name.rpartition("-")[0], name)


def _places(scene: Scene) -> str:
    unit = scene.length_unit
    placed = [*scene.mics, *scene.sources]
    listed = [
        f"{one.name} at x {show_length(one.position[0], unit)}, y {show_length(one.position[1], unit)}, height "
        f"{show_length(one.position[2], unit)}"
        for one in placed[:_MOST_PLACES]
    ]
    rest = len(placed) - len(listed)
    return "; ".join([*listed, f"and {rest} more in the tables"] if rest else listed) + "."


def _combs(scene: Scene, prediction: Prediction) -> str:
    rows: Sequence[Difference] = pairs_that_matter(scene, prediction, most=_MOST_COMBS)
    each = [
        f"{row.source} in {row.mics[0]} and {row.mics[1]}: first notch {notch_range_words(row)}, "
        f"depth {depth_words(row.notch_depth_db) or 'none'}"
        for row in rows
    ]
    return f"Comb curves of the pairs that matter, each with a band of one standard deviation. {'; '.join(each)}."


def _map(prediction: Prediction, name: str) -> str:
    wanted = [row for row in prediction.pairs if row.pair == name and row.equal_to]
    each = [
        f"{row.source} is {show_ms(abs(row.difference_s))} apart, {'within' if row.within_tolerance else 'beyond'} the "
        "tolerance"
        for row in wanted
    ]
    return (
        f"A map of where one mic of '{name}' may stand so that both hear a source at the same moment. "
        f"As they stand, {' and '.join(each)}."
    )


def _arrivals(prediction: Prediction, source: str) -> str:
    paths = sorted((path for path in prediction.paths if path.source == source), key=lambda path: path.arrival_s)
    each = ", ".join(f"{path.mic} after {show_ms(path.arrival_s)}" for path in paths)
    return f"When {source} and its reflections arrive at each mic: {each}."


def _take(take: Mapping[str, Any]) -> dict[str, str]:
    levels = "; ".join(f"{row[0]} peaks at {row[1]}, {row[-1]}" for row in take["levels"])
    moved = "; ".join(f"{row[0]} {row[1]}" for row in take["offsets"])
    return {
        "levels": f"Peak, level and noise floor of each track. {levels}.",
        "correlation": "How two tracks resemble each other over delay in the loud moments of the first: dashed the "
        f"delay that was measured, rings its rivals. {_delays(take)}",
        "gain": f"What the sum gains or loses in each band against its parts, before and after. {take['gain']}",
        "spectrum": f"Spectrum of the sum of all tracks, before and after alignment. {take['gain']}",
        "sums": "How each DI and its mic add up by third octave: as recorded, with the best delay and polarity, with "
        f"all-pass. {_sums(take)}",
        "hit": f"One hit in each track, before and after alignment, by which they shift: {moved}.",
    }


def _delays(take: Mapping[str, Any]) -> str:
    each = [f"{row[0]}: {row[1]} {row[3]} against {row[2]}" for row in take["delays"][:_MOST_PLACES]]
    return "; ".join(each) + "." if each else ""


def _sums(take: Mapping[str, Any]) -> str:
    each = [
        f"{one['title']}: " + ", ".join(f"lows {row[1]} {row[0].removesuffix(' *')}" for row in one["rows"])
        for one in take["sums"]
    ]
    return "; ".join(each) + "." if each else ""
