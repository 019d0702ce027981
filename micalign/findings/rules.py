"""The table of rules: each turns the figures of a scene into findings, with its source or "common practice".

`RULES` is the one list that ``check``, ``check --rules`` and the README read; each rule is one short function.

Each rule proposes what mends it, as changes of the scene, but for seven that no change of a scene mends: *unit*
(whose lengths are meant is the user's to say), *near-field*
(where on a face a mic belongs is heard, not calculated), *pile-up* and *transition* (they are the room's own),
*air-range* and *air-loss* (the weather's, and an equaliser's), *no-task* (what a mic is for is the user's to say).

A remedy is worth giving where it was tried: applied to a copy of the scene, on which every rule is run again. It holds
where its finding is gone, nothing of the finding's rank or worse is new or has grown worse, and no limit of the scene
is broken: `equal_to`, `move` and `reach`, keep-outs, walls. Of several that hold the one with the least effort is
given, those that bring nothing worse than a note before the others. Where none does, the finding says so and what else
there is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, TypeAlias

import numpy as np

from micalign.acoustics.prediction import Prediction, predict
from micalign.errors import SceneError
from micalign.findings import mics, odd_unit, one_source, pairs, rooms
from micalign.findings.finding import SEVERITIES, Finding, Remedy, allowed, rank
from micalign.findings.tuned import ABOVE_M, MOST_FAILURES, MOST_OF_ONE, MOST_TRIALS, ON_FLOOR_M, OVERHEAD_M, WORK
from micalign.scene.model import Mic
from micalign.scene.scene import Change, Scene, changed

__all__ = [
    "RULES",
    "Rule",
    "Run",
    "cautions",
    "every_finding",
    "findings",
    "found",
    "holds",
    "is_wrong",
    "mended",
    "most_trials",
    "reported",
    "tried",
    "with_remedies",
]

Check: TypeAlias = Callable[[Scene, Prediction], Iterator[Finding]]

_PRACTICE: Final = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: its short name, what it says, where that comes from, and the function that holds a scene to it."""

    name: str
    says: str
    source: str
    check: Check
    most_notes: int = 2


RULES: Final[tuple[Rule, ...]] = (
    Rule(
        "unit",
        "No other unit makes a usual room of one that is none, or brings every tape to the positions.",
        _PRACTICE,
        odd_unit.another_unit,
    ),
    Rule("keepout", "No mic stands inside a keep-out.", "the scene itself", mics.in_keepout),
    Rule(
        "rear-lobe",
        "No mic takes its own source with its rear lobe, where it hears inverted.",
        "first-order patterns, IEC 60268-4 terms",
        mics.hears_inverted,
    ),
    Rule(
        "off-axis",
        "A mic hears its own source less than 6 dB below its axis.",
        f"first-order patterns; the 6 dB: {_PRACTICE}",
        mics.looks_away,
    ),
    Rule(
        "three-to-one",
        "A mic within 60 cm of its source keeps three times that distance to the next mic, or the source arrives there "
        "9.5 dB weaker.",
        "L. Burroughs, Microphones: Design and Application, 1974 (from memory); both readings",
        one_source.three_to_one,
    ),
    Rule(
        "bleed",
        "A mic within 60 cm of its source hears every other source, the room in it, at least 10 dB below its own.",
        f"Hopkins and Stryker, Proc. IRE 36, 1948; the 10 dB: {_PRACTICE}",
        mics.heard_besides,
        most_notes=1,
    ),
    Rule(
        "near-field",
        "A mic nearer to a source than that is wide hears no point source.",
        "piston on its axis, Kinsler and Frey, Fundamentals of Acoustics, ch. 7 (from memory)",
        mics.near_field,
        most_notes=1,
    ),
    Rule(
        "comb",
        "Two mics on one source that are within 6 dB in the blend stand equally far from it, or are aligned.",
        f"sum of two copies, Everest and Pohlmann ch. 10; the 6 dB: {_PRACTICE}",
        one_source.two_mics_comb,
        most_notes=1,
    ),
    Rule(
        "opposite-sides",
        "Of two close mics on opposite sides of a source, one has its polarity flipped.",
        _PRACTICE,
        one_source.opposite_sides,
    ),
    Rule(
        "late-copy",
        "No source comes back from a second mic more than 30 ms later and less than 10 dB weaker.",
        "H. Haas, Acustica 1, 49, 1951 (from memory)",
        one_source.late_copy,
    ),
    Rule(
        "direct-line",
        "A DI is shifted to meet the mic on its source, and is not inverted against it.",
        "travel time",
        one_source.direct_line_ahead,
    ),
    Rule(
        "pair-equal",
        "A pair's mics are equally far from each source of its equal_to, within its tolerance.",
        "the scene itself",
        pairs.unequal_pair,
    ),
    Rule(
        "pair-polarity",
        "Both channels of a pair hear what it is on in one polarity.",
        "first-order patterns",
        pairs.opposite_channels,
    ),
    Rule(
        "mono-sum",
        "A pair added to mono cancels none of its sources by 6 dB or more.",
        f"sum of two copies; the 6 dB: {_PRACTICE}",
        pairs.mono_sum,
    ),
    Rule(
        "unsure",
        "Positions are known well enough to tell whether a pair keeps its tolerance.",
        "first-order propagation of uncertainty",
        pairs.too_unsure,
    ),
    Rule(
        "reflection",
        "No surface sends a mic's own source back less than 10 dB weaker (a warning from 6 dB).",
        f"image sources, Allen and Berkley 1979; the limits: {_PRACTICE}",
        rooms.strong_reflection,
        most_notes=1,
    ),
    Rule(
        "mode-null",
        "No mic beyond the critical distance sits in the null of a low mode that its source needs.",
        f"modes of a box, Rayleigh; the limits: {_PRACTICE}",
        rooms.in_a_null,
    ),
    Rule(
        "pile-up",
        "Modes of the room do not fall together where single modes are heard.",
        "O. J. Bonello, J. Audio Eng. Soc. 29(9), 1981 (from memory)",
        rooms.crowded_modes,
    ),
    Rule(
        "transition",
        "Below the transition frequency, notches and reflections are a guide only.",
        "M. R. Schroeder, J. Acoust. Soc. Am. 99, 3240, 1996",
        rooms.transition,
    ),
    Rule(
        "pair-heights",
        "A pair over its sources hangs level, within 5 cm or its tolerance, where no equal_to asks for something else.",
        _PRACTICE,
        pairs.uneven_heights,
    ),
    Rule(
        "near-surface",
        "No mic within half a metre of a wall or the ceiling hears its own source back from it less than 20 dB weaker.",
        f"image sources, Allen and Berkley 1979; the limits: {_PRACTICE}",
        rooms.near_surface,
        most_notes=1,
    ),
    Rule(
        "bass-lift",
        "A directional mic lifts 100 Hz of a voice by no more than 6 dB.",
        f"H. F. Olson, Acoustical Engineering, 1957 (from memory); the limit: {_PRACTICE}",
        mics.bass_lift,
    ),
    Rule(
        "room-mic",
        "A mic called one for the room stands beyond the critical distance of what it is on.",
        "W. C. Sabine's absorption; critical distance of a directional mic as by its directivity",
        mics.room_mic_too_near,
    ),
    Rule(
        "null",
        "A tip: the null of a close mic lies on what it hears loudest besides its own source.",
        f"first-order patterns; the limits: {_PRACTICE}",
        mics.null_elsewhere,
        most_notes=1,
    ),
    Rule("tape", "Tapes and positions agree.", "3.5 standard deviations; W. Baarda 1968", pairs.tape_disagrees),
    Rule(
        "air-range",
        "The air is within the range of the formula for the speed of sound.",
        "O. Cramer, J. Acoust. Soc. Am. 93(5), 2510, 1993",
        rooms.air_out_of_range,
    ),
    Rule("air-loss", "The air takes less than 1 dB at 8 kHz.", "ISO 9613-1:1993", rooms.air_takes_treble),
    Rule("no-task", "Every mic says what it is on.", _PRACTICE, mics.without_a_task),
)
"""Every rule, in the order of the printed list."""


def found(scene: Scene, prediction: Prediction) -> tuple[Finding, ...]:
    """Everything the rules find, none left out, no remedy tried: problems first, the heaviest first within each."""
    every = [finding for rule in RULES for finding in rule.check(scene, prediction)]
    return tuple(sorted(every, key=_heaviest))


def findings(scene: Scene, prediction: Prediction) -> tuple[Finding, ...]:
    """What is worth reporting, each with what mends it: see `reported` and `micalign.findings.rules`."""
    return with_remedies(scene, reported(found(scene, prediction)))


def with_remedies(scene: Scene, some: Sequence[Finding]) -> tuple[Finding, ...]:
    """Some findings of a scene, each with what mends it: its remedies are tried against every rule."""
    return tried(scene, some, found)


def mended(scene: Scene, finding: Finding) -> Finding:
    """One finding of a scene with what mends it."""
    return with_remedies(scene, [finding])[0]


def every_finding(scene: Scene, prediction: Prediction) -> tuple[Finding, ...]:
    """Everything the rules find, each with what mends it; the remedies of what is reported are tried first."""
    every = found(scene, prediction)
    first = {finding.key for finding in reported(every)}
    order = sorted(every, key=lambda finding: finding.key not in first)
    return tuple(sorted(tried(scene, order, found), key=_heaviest))


def reported(every: Sequence[Finding]) -> tuple[Finding, ...]:
    """Of findings that are alike the heaviest, of one rule three failures and a note or two.

    The last of a rule says how many more there are.
    """
    most = {rule.name: rule.most_notes for rule in RULES}
    kept: list[Finding] = []
    for name in dict.fromkeys(finding.rule for finding in every):
        heads = _heads([finding for finding in every if finding.rule == name])
        failures = [finding for finding in heads if finding.severity != "note"]
        notes = [finding for finding in heads if finding.severity == "note"]
        kept += [*_cut(failures, MOST_FAILURES), *_cut(notes, most.get(name, 2))]
    return tuple(sorted(kept, key=_heaviest))


def _heaviest(finding: Finding) -> tuple[int, float]:
    return SEVERITIES.index(finding.severity), -finding.weight


def _heads(every: Sequence[Finding]) -> list[Finding]:
    """The heaviest of each kind of findings that are alike, naming where the others are."""
    kinds: dict[tuple[str, tuple[str, ...]], list[Finding]] = {}
    for finding in every:
        kinds.setdefault(finding.kind, []).append(finding)
    return [_with_others(alike[0], alike[1:]) for alike in kinds.values()]


def _with_others(head: Finding, others: Sequence[Finding]) -> Finding:
    names = [name for name in dict.fromkeys(n for one in others for n in one.where) if name not in head.where]
    if not names:
        return head
    also = ", ".join(f"'{name}'" for name in names[:3]) + (" and more" if len(names) > 3 else "")
    return replace(head, message=f"{head.message[:-1]}; likewise {also}.")


def _cut(kept: list[Finding], most: int) -> list[Finding]:
    rest = len(kept) - most
    if rest <= 0:
        return kept
    last = kept[most - 1]
    return [*kept[: most - 1], replace(last, message=f"{last.message} ({rest} more of this kind.)")]


Run: TypeAlias = Callable[[Scene, Prediction], tuple[Finding, ...]]
"""All rules on a scene and its figures: every finding, none left out."""


def most_trials(scene: Scene) -> int:
    """How many remedies are tried in a scene of this size: 150 in a band's, a handful in that of 200 mics.

    >>> most_trials(Scene())
    150
    """
    sources, mics = len(scene.sources), len(scene.mics)
    return min(MOST_TRIALS, WORK // (300 + 6 * sources * mics + mics * mics))


def tried(
    scene: Scene, found: Iterable[Finding], run: Run, *, among: Callable[[Remedy], bool] | None = None
) -> tuple[Finding, ...]:
    """The findings with what mends them: the first remedy that holds, or what else there is.

    ``run`` finds everything that the rules find in a scene, so that what a remedy brings is seen; ``among`` says
    which remedies are asked for at all.
    """
    findings = tuple(found)
    trials = _Trials(scene, run, most_trials(scene), among or (lambda _: True))
    return tuple(trials.advised(finding) for finding in findings)


def holds(finding: Finding, before: Mapping[object, Finding], after: Mapping[object, Finding]) -> tuple[bool, bool]:
    """Whether a finding is gone with nothing of its rank or worse instead; and whether only notes are new or worse."""
    if finding.key in after:
        return False, False
    worse = [rank(one.severity) for key, one in after.items() if _is_worse(before.get(key), one)]
    return not any(one <= rank(finding.severity) for one in worse), not any(one < rank("note") for one in worse)


def _is_worse(before: Finding | None, after: Finding) -> bool:
    return before is None or rank(after.severity) < rank(before.severity)


@dataclass(slots=True)
class _Trials:
    """The trials of one scene, and how many more it allows."""

    scene: Scene
    run: Run
    left: int
    among: Callable[[Remedy], bool]
    before: Mapping[object, Finding] | None = None
    after: dict[tuple[Change, ...], Mapping[object, Finding]] = field(default_factory=dict)
    """What was found after changes that several findings propose."""

    def advised(self, finding: Finding) -> Finding:
        if finding.propose is None:
            return finding
        if self.left <= 0:
            return replace(finding, advice=f"{finding.advice} (No remedy was tried: the scene is large.)")
        asked = [remedy for remedy in finding.propose() if self.among(remedy)]
        proposed = sorted(asked, key=lambda remedy: remedy.effort_m)[:MOST_OF_ONE]
        if self.before is None:
            self.before = self._found(self.scene)
        second: Remedy | None = None
        count = 0
        for remedy in proposed:
            if self.left <= 0:
                break
            count += 1
            fits, is_clean = self._holds(finding, remedy)
            if fits and is_clean:
                return _with_remedy(finding, remedy, count)
            second = second or (remedy if fits else None)
        if second is not None:
            return _with_remedy(finding, second, count)
        return replace(finding, advice=f"{_none_holds(count)}{finding.advice}", tried=count)

    def _holds(self, finding: Finding, remedy: Remedy) -> tuple[bool, bool]:
        self.left -= 1
        if self.before is None:
            return False, False
        if remedy.changes not in self.after:
            try:
                after = changed(self.scene, remedy.changes)
            except SceneError:
                return False, False
            if not keeps_limits(self.scene, after):
                return False, False
            self.after[remedy.changes] = self._found(after)
        return holds(finding, self.before, self.after[remedy.changes])

    def _found(self, scene: Scene) -> Mapping[object, Finding]:
        return {finding.key: finding for finding in self.run(scene, predict(scene, tasks_only=True))}


def keeps_limits(before: Scene, after: Scene) -> bool:
    """Whether every mic that has moved stands where it may; one that is laid on the floor keeps all but the walls."""
    return all(
        old.at == new.at
        or bool(allowed(before, old, np.array(new.position)[None], on_floor=new.position[2] < ON_FLOOR_M)[0])
        for old, new in zip(before.mics, after.mics, strict=True)
    )


def _with_remedy(finding: Finding, remedy: Remedy, count: int) -> Finding:
    return replace(finding, advice=remedy.words, changes=() if remedy.is_measurement else remedy.changes, tried=count)


def _none_holds(count: int) -> str:
    """What is said before the advice where nothing that was tried mends the finding."""
    if count == 0:
        return ""
    return f"No single change mends it ({count} tried). " if count > 1 else "A single change does not mend it. "


def is_wrong(found: tuple[Finding, ...]) -> bool:
    """Whether a rule failed: a warning or a problem is there; notes alone are none.

    >>> is_wrong((Finding("air", "note", (), "It is hot.", "Mind it."),))
    False
    """
    return any(one.severity != "note" for one in found)


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
    return not heights or mic.position[2] - min(heights) >= ABOVE_M


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
