"""How are positions put into words: what tapes or hits have found, and which distance to measure or hit next?

Documents are in metres, tables in the scene's own unit, uncertainties in centimetres or inches. A residual is the
measured distance minus the one between the positions found. Of a planned scene (``check --tapes``), a pair whose
positions leave it unsure whether it keeps its tolerance needs its two tapes; a thing whose place is known worse than a
stick measures needs three, to the things nearest to it that are known. Names are cleaned where they are printed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import combinations
from typing import TYPE_CHECKING, Any, Final

from micalign.acoustics.prediction import Prediction
from micalign.errors import named
from micalign.report.tables import WARNING, bare_table, clean, ruled_table
from micalign.scene.model import Mic, Point, Source
from micalign.scene.scene import Scene
from micalign.units import METRES, show_centimetres, show_length, show_ms, significant

if TYPE_CHECKING:
    from rich.table import Table

    from micalign.acoustics.survey import Survey, SurveyPoint, SurveyTape, WrongTape
    from micalign.compare.location import LocatedMic, Location

__all__ = [
    "advice",
    "hit_table",
    "locate_document",
    "mic_table",
    "needed_tapes",
    "point_table",
    "remarks",
    "rough_words",
    "survey_document",
    "tape_document",
    "tape_table",
    "tape_tables",
    "written_in_doubt",
]

_ROUGH_M: Final = 0.02
"""Metres: a place known worse than this was paced or guessed (judgement, no source)."""
_VAGUE_M: Final = 0.3
"""Metres: a place known worse than 'micalign new' guesses one (judgement, no source)."""

_TO_FIX: Final = 3  # tapes fix a place in a room, up to its mirror image


def survey_document(found: Survey) -> dict[str, Any]:
    """What ``survey --json`` prints; a coordinate that the tapes do not fix is null."""
    wanted = found.next_tape
    return {
        "points": [_point(point) for point in found.points],
        "tapes": [_tape(tape) for tape in found.tapes],
        "spare_tapes": found.spare,
        "frame": list(found.frame) or None,
        "next_tape": None
        if wanted is None
        else {
            "between": list(wanted.between),
            "helps": wanted.point,
            "uncertainty_before_m": round(wanted.before_m, 4),
            "uncertainty_after_m": round(wanted.after_m, 4),
            "decides": wanted.decides,
            "again": wanted.again,
        },
        "wrong_tapes": [_wrong(one) for one in found.wrong],
    }


def _point(point: SurveyPoint) -> dict[str, Any]:
    return {
        "name": point.name,
        "at_m": [None if value is None else round(value, 5) for value in point.at_m],
        "uncertainty_m": None if point.uncertainty_m is None else round(point.uncertainty_m, 5),
        "axis_uncertainty_m": [round(value, 5) for value in point.axis_sigma_m] if point.fixed else None,
        "fixed": point.fixed,
        "fixed_by": list(point.fixed_by),
        "other_m": None if point.other_m is None else [round(value, 5) for value in point.other_m],
    }


def _wrong(one: WrongTape) -> dict[str, Any]:
    return {
        "between": list(one.between),
        "off_m": round(one.off_m, 5),
        "probability": round(one.probability, 3),
        "points": [{"name": name, "at_m": [round(value, 5) for value in at]} for name, at in one.places.items()],
        "next_tape_m": None if one.next_m is None else round(one.next_m, 5),
    }


def _tape(tape: SurveyTape) -> dict[str, Any]:
    return {
        "between": list(tape.between),
        "distance_m": round(tape.distance_m, 6),
        "residual_m": round(tape.residual_m, 5),
        "suspect": tape.suspect,
        "rival": tape.rival,
    }


def _fine(metres: float, unit: str) -> str:
    """A small length to the millimetre, or to two digits and at most a hundredth of an inch."""
    if unit in {"ft", "in"}:
        return f"{significant(round(metres / METRES['in'], 2), 2)} in"
    return f"{metres * 100:.1f} cm"


def point_table(scene: Scene, found: Survey) -> Table | None:
    """The points that were asked for."""
    if not found.points:
        return None
    unit = scene.length_unit
    rows = [
        [
            point.name,
            *("?" if value is None else show_length(value, unit) for value in point.at_m),
            "not fixed" if point.uncertainty_m is None else f"+- {_fine(point.uncertainty_m, unit)}",
        ]
        for point in found.points
    ]
    return ruled_table(
        "Points",
        ["name"],
        ["x, right", "y, back", "z, up", "within"],
        rows,
        caption="Within: the radius that holds the true place in 68 of 100 cases, the given points taken as exact.",
    )


def tape_table(scene: Scene, found: Survey) -> Table | None:
    """Every tape and its residual, suspects first."""
    if not found.tapes:
        return None
    unit = scene.length_unit
    ranked = sorted(found.tapes, key=lambda tape: (not tape.suspect, -abs(tape.residual_m) / tape.plus_minus_m))
    rows = [
        [
            *tape.between,
            show_length(tape.distance_m, unit),
            f"{'-' if tape.residual_m < 0 else '+'}{_fine(abs(tape.residual_m), unit)}",
            "or this" if tape.rival else "SUSPECT" if tape.suspect else "ok",
        ]
        for tape in ranked
    ]
    return ruled_table("Tapes", ["between", "and"], ["measured", "off by", "verdict"], rows)


def remarks(scene: Scene, found: Survey) -> Iterator[str]:
    """What is wrong, what stays open, and which further tape would help most."""
    unit, wanted = scene.length_unit, found.next_tape
    if found.frame:
        origin, along, plane = found.frame
        yield (
            f"No position was given, so '{origin}' is the origin, '{along}' lies on the x axis and '{plane}' in the "
            "plane z = 0; the mirror image of all this fits the tapes as well."
        )
    for point in found.unfixed:
        yield f"'{point.name}' is not fixed by the tapes given{_fixing_words(point)}."
    for point in () if found.wrong else found.doubtful:
        other = ", ".join(show_length(value, unit) for value in point.other_m or ())
        yield f"'{point.name}' may also stand at ({other}), the tapes fit both places{_fixing_words(point)}."
    yield from _suspect_words(scene, found)
    if found.points and not found.suspects and found.spare == 0 and not found.unfixed:
        yield "No tape is to spare, so nothing checks them: a wrong one would not be seen."
    if wanted is not None and wanted.decides:
        ends = f"'{wanted.between[0]}' to '{wanted.between[1]}'"
        reads = ", ".join(show_length(one.next_m, unit) for one in found.wrong if one.next_m is not None)
        yield f"One tape decides: measure {ends}{' again' if wanted.again else ''} (it would read {reads} in turn)."
    elif wanted is not None and not any(point.fixed_by for point in found.points):
        known = f"+- {_fine(wanted.after_m, unit)} instead of {_fine(wanted.before_m, unit)}"
        gain = f" ('{wanted.point}' is then known to {known})"
        said = gain if not found.unfixed and not found.doubtful else ""
        yield f"The further tape that would help most: '{wanted.between[0]}' to '{wanted.between[1]}'{said}."


def written_in_doubt(scene: Scene, found: Survey) -> Iterator[str]:
    """Of each point that is written at one of several places: at which, how sure that is, and what decides."""
    from micalign.acoustics.survey import axis_sigmas_m  # noqa: PLC0415 - only tapes need the solver

    sigmas = axis_sigmas_m(scene, found)
    wanted = found.next_tape
    for point in found.doubtful:
        first = next((one for one in found.wrong if point.name in one.places), None)
        if first is None:
            yield f"'{point.name}' is written at the first of its two places: is it not the other?"
            continue
        known = _fine(sigmas[point.name], scene.length_unit)
        decides = f"; measure '{wanted.between[0]}' to '{wanted.between[1]}', add that tape" if wanted else "; mend it"
        yield (
            f"'{point.name}' is written at the first of the places above, {first.probability:.0%} probable, with "
            f"plus_minus = {known} for each coordinate{decides} and survey again before you trust it."
        )


def rough_words(scene: Scene) -> str:
    """Which places are known so badly that all that is said of them is; empty where none is."""
    rough = [thing for thing in scene.placed() if thing.plus_minus_m > _VAGUE_M]
    if not rough:
        return ""
    unit = scene.length_unit
    shown = ", ".join(f"'{thing.name}' to +- {show_length(thing.plus_minus_m, unit)}" for thing in rough)
    return f"Known only roughly: {shown} in each coordinate. What is said of them is no surer: measure them first."


def _fixing_words(point: SurveyPoint) -> str:
    """What to measure, where distances to known points are enough."""
    count = len(point.fixed_by)
    if not count:
        return "" if point.fixed else ": give a coordinate of it, such as its height"
    if count == 1:
        return f": one distance would fix it, to {named(point.fixed_by)}"
    return f": {count} distances would fix it, to {named(point.fixed_by)}"


def _suspect_words(scene: Scene, found: Survey) -> Iterator[str]:
    """The tape left out has the large residual; others under suspicion fit while it is out."""
    if found.wrong:
        yield "The tapes disagree, and do not show which of them is wrong:"
        yield from (_explained(scene, one) for one in found.wrong)
        return
    off = [tape for tape in found.suspects if abs(tape.residual_m) > 3 * tape.plus_minus_m]
    for tape in off:
        size = _fine(abs(tape.residual_m), scene.length_unit)
        yield f"The tape {_ends(tape)} is off by about {size}: it was left out; measure it again."
    rest = [_ends(tape) for tape in found.suspects if tape not in off]
    if rest:
        yield f"If it reads the same again, the wrong one is among: {', '.join(rest)}."


def _explained(scene: Scene, one: WrongTape) -> str:
    """One explanation in a line: how likely, which tape, and where the points then stand."""
    unit = scene.length_unit
    places = "; ".join(
        f"'{name}' then stands at ({', '.join(show_length(value, unit) for value in at)})"
        for name, at in one.places.items()
    )
    off = f"{_fine(abs(one.off_m), unit)} too {'long' if one.off_m > 0 else 'short'}"
    return f"- {one.probability:.0%}: {_ends(one)} is {off}{f'; {places}' if places else ''}."


def _ends(tape: SurveyTape | WrongTape) -> str:
    return f"'{tape.between[0]}' to '{tape.between[1]}'"


def locate_document(found: Location) -> dict[str, Any]:
    """What ``locate --json`` prints."""
    return {
        "mics": [_mic(mic) for mic in found.mics],
        "hits": [
            {
                "source": one.source,
                "hits": one.hits,
                "tracks": one.tracks,
                "strays": one.strays,
                "residual_s": one.residual_s,
            }
            for one in found.hits
        ],
        "further_hits_m": [list(point) for point in found.further_m],
        "reliable": found.is_reliable,
    }


def _mic(mic: LocatedMic) -> dict[str, Any]:
    return {
        "mic": mic.mic,
        "at_m": _rounded(mic.at_m),
        "uncertainty_m": round(mic.uncertainty_m, 4),
        "axis_uncertainty_m": _rounded(mic.sigma_m),
        "planned_m": None if mic.planned_m is None else _rounded(mic.planned_m),
        "move_m": None if mic.move_m is None else round(mic.move_m, 4),
        "reliable": mic.reliable,
        "reason": mic.reason,
        "mirror_m": None if mic.mirror_m is None else _rounded(mic.mirror_m),
    }


def _rounded(point: Point) -> list[float]:
    return [round(value, 4) for value in point]


def mic_table(found: Location, unit: str) -> Table:
    """One row for each mic: where it stands, how surely, and how far from the plan."""
    table = bare_table("Where the mics stand")
    table.add_column("mic", overflow="fold")
    for heading in ("x", "y", "z", "+-", "from plan"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("verdict", overflow="fold")
    for mic in found.mics:
        cells = [show_length(value, unit) for value in mic.at_m]
        cells.append(show_centimetres(mic.uncertainty_m))
        cells.append("-" if mic.move_m is None else show_centimetres(mic.move_m))
        if not mic.reliable:
            cells = [f"({cell})" for cell in cells]
        verdict = "reliable" if mic.reliable else f"not reliable: {mic.reason}"
        table.add_row(clean(mic.mic), *cells, verdict, style=None if mic.reliable else WARNING)
    return table


def hit_table(found: Location) -> Table:
    """One row for each source that was hit: how well its hits agree with the places."""
    table = bare_table("Hits they rest on")
    table.add_column("source", overflow="fold")
    for heading in ("hits", "heard by", "left out", "left over"):
        table.add_column(heading, justify="right", no_wrap=True)
    for one in found.hits:
        cells = (str(one.hits), f"{one.tracks} mics", str(one.strays), show_ms(one.residual_s))
        table.add_row(clean(one.source), *cells)
    return table


def advice(found: Location, unit: str) -> Iterator[str]:
    """How many further hits, and where, would fix what is loose."""
    if not found.further_m:
        yield "Every mic is known to 2 cm: no further hits are needed."
        return
    count = len(found.further_m)
    places = "; ".join(", ".join(show_length(value, unit) for value in point) for point in found.further_m)
    hits = "Hits at one further place" if count == 1 else f"Hits at {count} further places"
    yield f"{hits} would help most (x, y, z from the floor corner): {places}."
    yield "Measure each place, add it to the scene as a [[source]], clap there three times and record again."


def needed_tapes(scene: Scene, predicted: Prediction) -> frozenset[frozenset[str]]:
    """The ends of the tapes that are still to be measured."""
    tolerances = {pair.name: pair for pair in scene.pairs}
    wanted = {
        frozenset((mic, row.source))
        for row in predicted.pairs
        if row.equal_to and row.uncertainty_s > tolerances[row.pair].tolerance_s
        for mic in tolerances[row.pair].mics
    }
    things = list(scene.placed())
    for rough in (thing for thing in things if thing.plus_minus_m > _ROUGH_M):
        known = sorted(
            (thing for thing in things if thing is not rough and thing.plus_minus_m <= _ROUGH_M),
            key=lambda thing, of=rough: of.metres_to(thing),  # type: ignore[misc]
        )
        wanted |= {frozenset((rough.name, thing.name)) for thing in known[:_TO_FIX]}
    return frozenset(wanted) - {frozenset(tape.between) for tape in scene.tapes}


def tape_document(scene: Scene, needed: Collection[frozenset[str]]) -> dict[str, Any]:
    """Every distance between two named things, metres and in the scene's own unit, and whether it is to be measured."""
    rows = [
        {
            "between": [a.name, b.name],
            "distance_m": round(metres, 6),
            "shown": show_length(metres, scene.length_unit),
            "needed": frozenset((a.name, b.name)) in needed,
        }
        for a, b, metres in _distances(scene)
    ]
    return {"scene": scene.title, "tapes": rows}


def tape_tables(scene: Scene, needed: Collection[frozenset[str]], *, everything: bool) -> Iterator[Table | str]:
    """The list to carry into the room: how high and how far out each thing stands, and the distances."""
    unit = scene.length_unit
    yield ruled_table(
        "Places",
        ["name"],
        ["from the left", "from the front", "above the floor"],
        [[thing.name, *(show_length(value, unit) for value in thing.position)] for thing in scene.placed()],
    )
    every = list(_distances(scene))
    shown = every if everything else [row for row in every if frozenset((row[0].name, row[1].name)) in needed]
    if not shown:
        yield f"No tape is needed: every place is known well enough. All {len(every)} distances: --tapes --all."
        return
    rest = "" if everything else f" (all {len(every)} with --all)"
    yield ruled_table(
        f"Distances{rest}" if everything else f"Distances to measure{rest}",
        ["from", "to"],
        ["distance"],
        [[a.name, b.name, show_length(metres, unit)] for a, b, metres in shown],
    )


def _distances(scene: Scene) -> Iterator[tuple[Source | Mic, Source | Mic, float]]:
    """Mics to sources first, then mics to mics, then sources to sources."""
    for mic in scene.mics:
        for source in scene.sources:
            yield mic, source, mic.metres_to(source)
    groups: tuple[tuple[Source | Mic, ...], ...] = (scene.mics, scene.sources)
    for group in groups:
        for a, b in combinations(group, 2):
            yield a, b, a.metres_to(b)
