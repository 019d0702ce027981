"""Is a take as its scene says, if not what is the simplest reason, and what to do about it now?

Hears the groups of sounds in the take (`micalign.compare.groups`), asks which beliefs about the scene explain their
delays and polarities (`micalign.compare.fit`), and gives it row by row and in plain words, the most useful first.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Final

import numpy as np

from micalign.compare.comparison import Comparison, Explanation, Flips, flips_of, is_hazy, rows_of
from micalign.compare.fit import (
    Fit,
    MovedPlace,
    Sightings,
    Taken,
    Verdict,
    fitted,
    moved_places,
    sightings_of,
    verdict_on,
)
from micalign.compare.groups import Group, groups_by_place, groups_by_source, groups_placed
from micalign.compare.priors import Beliefs, Cause, beliefs_of
from micalign.compare.tuned import BLIND_C, OPEN_C, SEEN_C, SHOWN_SHARE
from micalign.errors import TakeError
from micalign.findings.finding import WAYS, Finding, Remedy, Severity
from micalign.findings.rules import with_remedies
from micalign.scene.model import Point
from micalign.scene.scene import Change, Scene
from micalign.take.tracks import Take
from micalign.tdoa.delays import Alone
from micalign.units import many, show_centimetres, show_ms

__all__ = [
    "compare",
    "compared",
    "findings_of",
    "left_or_put_back",
    "move_words",
]

_ONE_AFTER_ANOTHER: Final = (
    "Record a few single hits of each source, one source after the other, say under [take.alone] where they are, and "
    "compare again."
)
_FURTHER: Final = (*(tuple(f"further {way}" for way in ways) for ways in WAYS[:2]), ("higher", "lower"))
"""Words for the two ways along each axis: across, away, up."""


def move_words(moved_m: Point, ways: Sequence[tuple[str, ...]] = _FURTHER) -> str:
    """A displacement in the words of somebody at the stand, its larger parts only.

    >>> move_words((0.01, 0.0, -0.09))
    '9 cm lower'
    >>> move_words((0.1, -0.12, 0.0))
    '12 cm further toward the front and 10 cm further to the right'
    >>> move_words((0.0, 0.0, 0.09), WAYS)
    '9 cm up'
    """
    largest = max(map(abs, moved_m))
    parts = sorted(zip(moved_m, ways, strict=True), key=lambda part: -abs(part[0]))
    said = [
        f"{show_centimetres(abs(value))} {words[value < 0]}"
        for value, words in parts
        if largest > 0 and abs(value) >= SHOWN_SHARE * largest
    ]
    return said[0] if len(said) == 1 else ", ".join(said[:-1]) + f" and {said[-1]}" if said else "where it was planned"


def _cause_words(cause: Cause) -> str:
    """A cause without its numbers, for naming it beside another."""
    name = f"'{cause.names[0]}'" if cause.names else ""
    if cause.kind == "swapped":
        return f"'{cause.names[0]}' and '{cause.names[1]}' are swapped"
    return {
        "moved": f"{name} stands elsewhere",
        "source moved": f"{name} sounds elsewhere",
        "late": f"{name} is late by a constant",
        "temperature": "the air has another temperature",
        "units": f"the scene is in {cause.words}",
    }[cause.kind]


def _explanation_of(scene: Scene, taken: Taken, verdict: Verdict, before: Beliefs, seen: Sightings) -> Explanation:
    """A cause with what the fit says of it."""
    cause, fit = taken.cause, verdict.fit
    rivals = tuple(map(_cause_words, taken.rivals))
    if cause.kind in {"moved", "source moved"}:
        return _moved(scene, taken, verdict, before, seen, rivals)
    if cause.kind == "late":
        late_s = _late(scene, cause, verdict.beliefs, fit)
        words = f"'{cause.names[0]}' is {show_ms(abs(late_s))} {'late' if late_s > 0 else 'early'} throughout"
        return Explanation(cause.kind, cause.names, taken.gain, words, rivals, late_s=late_s)
    if cause.kind == "temperature":
        found_c = _temperature(scene, before, fit)
        words = f"sound travels as at {found_c:.0f} degrees Celsius, not {scene.air.temperature_c:.0f}"
        return Explanation(cause.kind, cause.names, taken.gain, words, rivals, temperature_c=found_c)
    return Explanation(cause.kind, cause.names, taken.gain, _cause_words(cause), rivals)


def _moved(
    scene: Scene, taken: Taken, verdict: Verdict, before: Beliefs, seen: Sightings, rivals: tuple[str, ...]
) -> Explanation:
    """Where it stands now, and where it may stand as well."""
    cause, layout = taken.cause, before.layout
    if cause.kind == "moved":
        where = layout.mic([mic.name for mic in scene.mics].index(cause.names[0]))
    else:
        where = layout.source([source.name for source in scene.sources].index(cause.names[0]))
    first, *others = moved_places(before, where, verdict.beliefs, seen, verdict.fit)
    moved, other = _as_point(first), others[0] if others else None
    words = f"'{cause.names[0]}' {'stands' if cause.kind == 'moved' else 'sounds'} {move_words(moved)} than planned"
    return Explanation(
        cause.kind,
        cause.names,
        taken.gain,
        words,
        rivals,
        moved_m=moved,
        moved_sigma_m=first.sigma_m,
        other_m=_as_point(other) if other else None,
        other_probability=other.probability if other else None,
    )


def _as_point(place: MovedPlace) -> Point:
    x, y, z = place.moved_m.tolist()
    return (x, y, z)


def _late(scene: Scene, cause: Cause, beliefs: Beliefs, fit: Fit) -> float:
    ears = scene.track_names
    return float(fit.unknowns[beliefs.layout.late(ears.index(cause.names[0]))])


def _temperature(scene: Scene, before: Beliefs, fit: Fit) -> float:
    kelvin = 273.15 + scene.air.temperature_c
    return float(kelvin / (1.0 + fit.unknowns[before.layout.slow]) ** 2 - 273.15)


def findings_of(
    explanations: Iterable[Explanation],
    flips: Flips,
    *,
    explained: bool,
    unheard: tuple[str, ...],
    heard: tuple[int, int],
    silent: tuple[str, ...] = (),
    foreign: tuple[str, ...] = (),
    hidden_c: float = 0.0,
) -> tuple[Finding, ...]:
    """What to do now, the most useful first; ``heard`` counts the delays that fit no source, and all.

    ``silent``: tracks in which no delay is clear; of these the take says nothing. ``foreign``: a sentence for each
    group of sounds of which the source is not sure.

    Where the take is not explained no cause is advised on: what gains most in a take whose sounds were not told apart
    may be anything, and nobody should turn a cable round for it.

    ``hidden_c`` is by how much the scene's temperature may be wrong without the take showing it.
    """
    causes = tuple(explanations)
    out: list[Finding] = []
    if not heard[1]:
        out.append(_nothing_heard())
    elif explained:
        out += [_finding(one) for one in causes if one.kind == "swapped"]
        out += _flip_findings(flips)
        out += [_finding(one) for one in causes if one.kind != "swapped"]
    else:
        out.append(_unexplained(causes, flips))
    if unheard and heard[1]:
        out.append(_unheard(unheard))
    if explained and is_hazy(*heard):
        out.append(_hazy(*heard))
    if not out:
        but = f", but for {heard[0]} of {heard[1]} delays, which fit nothing and do not count" if heard[0] else ""
        message = f"The take is as the scene says{but}.{_hidden_words(hidden_c)}"
        out.append(Finding("as-planned", "note", (), message, "Nothing needs to be moved or turned over."))
    if explained and silent:
        out.append(_silent(silent))
    out += [Finding("not-ascribed", "note", (), words, _ONE_AFTER_ANOTHER) for words in foreign]
    return tuple(out)


def _hidden_words(hidden_c: float) -> str:
    """What the take cannot tell of the air."""
    if hidden_c >= BLIND_C:
        return " Of the air's temperature it shows nothing: a wrong one would pass unseen."
    return f" A temperature wrong by up to {hidden_c:.0f} C would not show in it." if hidden_c >= SEEN_C else ""


def _finding(one: Explanation) -> Finding:
    either = f" It could also be that {' or that '.join(one.rivals)}." if one.rivals else ""
    message = f"{one.words[0].upper()}{one.words[1:]}{_doubt(one)}.{either}"
    severity: Severity = "problem" if one.kind in {"swapped", "units"} else "warning"
    return Finding(one.kind.replace(" ", "-"), severity, one.names, message, _advice(one))


def _doubt(one: Explanation) -> str:
    if one.moved_m is None or one.moved_sigma_m is None:
        return ""
    total, sure = math.hypot(*one.moved_m), show_centimetres(one.moved_sigma_m)
    other = ""
    if one.other_m is not None and one.other_probability is not None:
        other = f"; or, {one.other_probability:.0%} probable, {move_words(one.other_m)}"
    return f" ({show_centimetres(total)} in all, give or take {sure}{other})"


def _is_vague(one: Explanation) -> bool:
    """Whether a move is told less exactly than it is long: few delays say so, and most ways would do."""
    return one.moved_m is not None and one.moved_sigma_m is not None and one.moved_sigma_m > math.hypot(*one.moved_m)


def _advice(one: Explanation) -> str:
    name = one.names[0] if one.names else ""
    if one.kind == "swapped":
        return f"Swap the inputs of '{one.names[0]}' and '{one.names[1]}', or rename their tracks."
    if one.kind == "moved" and one.other_m is not None:
        return f"Measure one distance to '{name}' with a tape: it shows which of the two places is right."
    if _is_vague(one):
        return (
            f"Measure the place of '{name}' with a tape and write that into the scene: the take tells that it is "
            "another, and hardly which."
        )
    if one.kind == "moved" and one.moved_m is not None:
        x, y, z = one.moved_m
        return (
            f"Move '{name}' {move_words((-x, -y, -z), WAYS)}, or measure its place again and write that into the scene."
        )
    if one.kind == "source moved":
        return f"Measure where '{name}' stands and write that into the scene."
    if one.kind == "late" and one.late_s is not None:
        return (
            f"Look for what delays '{name}': a plug-in, a digital mic or its converter. "
            f"Shift it {show_ms(abs(one.late_s))} {'earlier' if one.late_s > 0 else 'later'} if it stays."
        )
    if one.kind == "temperature" and one.temperature_c is not None:
        return "Read the thermometer where the mics are and write it under [air]."
    return "Check 'length_unit' and the tape that the distances were read from."


def left_or_put_back(scene: Scene, one: Explanation) -> Iterator[Remedy]:
    """What may be done about a mic that stands elsewhere: the scene follows it, or it goes back."""
    if one.moved_m is None or one.moved_sigma_m is None or one.other_m is not None or _is_vague(one):
        return
    name, (x, y, z) = one.names[0], one.moved_m
    at = tuple(round(was + by, 3) for was, by in zip(scene.mic(name).position, one.moved_m, strict=True))
    back = f"ove '{name}' {move_words((-x, -y, -z), WAYS)}, back to where it was planned"
    yield Remedy(
        f"Leave '{name}' and write where it stands into the scene (to {show_centimetres(one.moved_sigma_m)}): no rule "
        f"minds it there. Or m{back}.",
        (Change("mic", name, "at", at, "m"),),
        0.0,
    )
    yield Remedy(f"M{back}: where it stands, it breaks a limit or a rule of the scene.", (), math.hypot(x, y, z))


def _flip_findings(flips: Flips) -> list[Finding]:
    if not flips.tracks:
        return []
    shown = " and ".join(f"'{name}'" for name in flips.tracks)
    counted = f"{flips.against} of {flips.agreeing + flips.against} measured polarities are against the scene"
    if flips.instead:
        others = " and ".join(f"'{name}'" for name in flips.instead)
        message = f"Either {shown} or {others} is inverted: {counted}, and the take cannot tell which."
        advice = f"Flip the polarity of {shown} or of {others}, whichever has the wrong cable or switch."
        return [Finding("flipped", "problem", (*flips.tracks, *flips.instead), message, advice)]
    verb = "is" if len(flips.tracks) == 1 else "are"
    message = f"{shown} {verb} inverted: {counted}."
    advice = f"Flip the polarity of {shown} at the preamp, or look for a cable with crossed pins."
    return [Finding("flipped", "problem", flips.tracks, message, advice)]


def _unexplained(causes: Sequence[Explanation], flips: Flips) -> Finding:
    names = dict.fromkeys([*(name for one in causes for name in one.names), *flips.tracks])
    shown = " and ".join(f"'{name}'" for name in names)
    most = f" It fits worst at {shown}, which is too unsure to act on." if names else ""
    message = f"No cause explains the whole take: too many delays are far from any that the scene allows.{most}"
    advice = (
        "Record a few single hits of each source, one source after the other, and read them with 'micalign linecheck'; "
        "check that the take belongs to this scene."
    )
    return Finding("unexplained", "problem", (), message, advice)


def _nothing_heard() -> Finding:
    message = "No delay in the take is clear enough to be held against the scene: nothing is told of it, good or bad."
    return Finding("nothing-heard", "problem", (), message, _ONE_AFTER_ANOTHER)


def _hazy(strays: int, sightings: int) -> Finding:
    message = (
        f"{strays} of {sightings} delays fit no source of the scene, or are not surely of the one that they fit: that "
        "the rest agree proves little."
    )
    advice = (
        "Record a few single hits of each source, one source after the other, and compare again before you trust it."
    )
    return Finding("hazy", "note", (), message, advice)


def _unheard(sources: tuple[str, ...]) -> Finding:
    shown = ", ".join(f"'{name}'" for name in sources)
    message = f"By its delays no sound of the take could be told to be {shown}."
    advice = (
        "Record a few single hits or notes of each, one source after the other, say under [take.alone] where they are, "
        "and compare again."
    )
    return Finding("unheard", "note", sources, message, advice)


def _silent(tracks: tuple[str, ...]) -> Finding:
    shown = ", ".join(f"'{name}'" for name in tracks)
    message = f"Of {shown} the take says nothing: no delay there is clear enough."
    advice = "Record a few single hits of what each is there to take, and compare again."
    return Finding("not-heard", "note", tracks, message, advice)


def compare(scene: Scene, take: Take, alone: Sequence[Alone] = ()) -> Comparison:
    """Hold a take against its scene.

    Parameters
    ----------
    scene : Scene
        With every position known.
    take : Take
        Tracks named after the scene's mics and DIs, on one clock.
    alone : sequence of Alone
        Where a source sounds alone, as somebody said.

    Returns
    -------
    Comparison
        Rows, explanations and what to do.

    Raises
    ------
    TakeError
        If the take has fewer than two tracks, or no sound that two of them share.
    SceneError
        If a position is not known.
    """
    if len(take.tracks) < 2:
        raise TakeError("one track has no other to be compared with: name at least two under [take.tracks]")
    names = tuple(track.name for track in take.tracks)
    groups = groups_by_place(take) if not alone else ()
    found = compared(scene, names, groups) if groups else None
    if found is None or not found.explained:
        groups = groups_by_source(scene, take, alone)
        found = compared(scene, names, groups) if groups else found
    if found is not None and found.explained:
        found = _with_placed(scene, take, found, groups)
    if found is None:
        raise TakeError(
            "no sound was found that two tracks share: are these tracks of one take, with hits or notes in them?"
        )
    return found


def _with_placed(scene: Scene, take: Take, found: Comparison, groups: tuple[Group, ...]) -> Comparison:
    """With the sources that have no mic of their own and were not heard everywhere, where the take bears them out."""
    own = {mic.on[0] for mic in scene.mics if len(mic.on) == 1} | {di.of for di in scene.dis}
    missing = {row.source for row in found.rows if row.measured_s is None} - own
    placed = groups_placed(scene, take, missing) if missing else {}
    if not placed:
        return found
    kept = [group for group, source in zip(groups, found.heard_as, strict=True) if source not in placed]
    again = compared(scene, tuple(track.name for track in take.tracks), (*kept, *placed.values()))
    return again if again.explained and _heard(again) > _heard(found) else found


def _heard(found: Comparison) -> int:
    """How many rows were heard and count."""
    return sum(row.measured_s is not None and not row.is_stray for row in found.rows)


def compared(scene: Scene, tracks: tuple[str, ...], groups: tuple[Group, ...]) -> Comparison:
    """The comparison of a scene with groups of sounds that were already heard."""
    planned = beliefs_of(scene, tracks)
    seen = sightings_of(groups)
    verdict = verdict_on(scene, tracks, planned, seen)
    flips = flips_of(scene, tracks, groups, verdict.beliefs, seen, verdict.fit)
    explanations = tuple(_explanation_of(scene, taken, verdict, planned, seen) for taken in verdict.taken)
    strays = int((verdict.fit.weight <= 0.5).sum())
    unheard = _heard_nowhere(scene, seen, verdict.fit)
    return Comparison(
        rows=rows_of(scene, tracks, groups, planned, seen, verdict, explanations),
        explanations=explanations,
        flips=flips,
        explained=verdict.explained,
        strays=strays,
        sightings=len(seen.delay_s),
        unheard=unheard,
        heard_as=tuple(
            "" if foreign else scene.sources[index].name
            for index, foreign in zip(verdict.fit.source_of, verdict.foreign, strict=True)
        ),
        findings=_tried(
            scene,
            findings_of(
                explanations,
                flips,
                explained=verdict.explained,
                unheard=unheard,
                heard=(strays, len(seen.delay_s)),
                silent=tuple(name for index, name in enumerate(tracks) if index not in {*seen.track, *seen.reference}),
                foreign=_foreign_words(scene, tracks, seen, verdict),
                hidden_c=_hidden_temperature_c(scene, planned, seen),
            ),
            explanations,
        ),
    )


def _tried(scene: Scene, findings: tuple[Finding, ...], explanations: tuple[Explanation, ...]) -> tuple[Finding, ...]:
    """What is advised on a mic that was moved is tried on the scene as `check` tries its remedies; cables, switches,
    clocks and thermometers are no part of a scene, so advice on them changes none.
    """
    moved = {one.names: one for one in explanations if one.kind == "moved"}
    asked = [
        replace(one, propose=partial(left_or_put_back, scene, moved[one.where]))
        if one.rule == "moved" and one.where in moved
        else one
        for one in findings
    ]
    return with_remedies(scene, asked)


def _hidden_temperature_c(scene: Scene, planned: Beliefs, seen: Sightings) -> float:
    """How wrong the scene's temperature may be without the take showing it: three standard deviations, degrees."""
    kelvin = 273.15 + scene.air.temperature_c
    slow = planned.layout.slow
    fit = fitted(planned.doubting(slow, 0.5 * OPEN_C / kelvin), seen)
    return 3.0 * 2.0 * kelvin * math.sqrt(float(fit.covariance[slow, slow]))


def _foreign_words(scene: Scene, tracks: Sequence[str], seen: Sightings, verdict: Verdict) -> tuple[str, ...]:
    """A sentence for each group that fits a source best, and that another source's own mic hears first."""
    said = []
    for group in np.flatnonzero(verdict.foreign):
        rows = seen.group == group
        first, source = tracks[seen.reference[rows][0]], scene.sources[verdict.fit.source_of[group]].name
        does = "does" if rows.sum() == 1 else "do"
        said.append(
            f"Sounds that '{first}' hears first, which is there for another source, fit '{source}' best: whose they "
            f"are is not sure, and their {many(int(rows.sum()), 'delay')} {does} not count."
        )
    return tuple(said)


def _heard_nowhere(scene: Scene, seen: Sightings, fit: Fit) -> tuple[str, ...]:
    heard = {int(fit.source_of[group]) for group, weight in zip(seen.group, fit.weight, strict=True) if weight > 0.5}
    # Whose sounds they are is known where its own mic leads, whether their delays fit or not.
    heard |= {int(fit.source_of[group]) for group in seen.group if seen.leads[group] >= 0}
    return tuple(source.name for index, source in enumerate(scene.sources) if index not in heard)
