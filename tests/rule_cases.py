"""A good scene, and for every rule one that breaks it."""

from __future__ import annotations

from dataclasses import replace

from micalign.acoustics.prediction import predict
from micalign.findings.finding import Finding
from micalign.findings.rules import findings
from micalign.scene.model import Absorption, Air, Di, Keepout, Mic, Pair, Room, Source, Tape
from micalign.scene.scene import Scene


def found_by(scene: Scene, rule: str) -> list[Finding]:
    return [finding for finding in findings(scene, predict(scene)) if finding.rule == rule]


GOOD = Scene(
    title="a kit that stands well",
    room=Room((7.0, 5.5, 3.4), Absorption(0.35, 0.35, 0.3, 0.3, 0.3, 0.3)),
    sources=(
        Source("kick", (3.2, 2.6, 0.4), range_hz=(40, 5000)),
        Source("snare", (3.5, 2.9, 0.75), range_hz=(120, 9000)),
    ),
    mics=(
        Mic("kick mic", (3.2, 2.5, 0.4), aim="kick", pattern="cardioid", on=("kick",)),
        Mic("snare mic", (3.53, 2.98, 0.80), aim="snare", pattern="hypercardioid", on=("snare",)),
        Mic("overhead left", (3.005, 3.2, 1.6), aim="snare", pattern="cardioid", on=("snare",), plus_minus_m=0.003),
        Mic("overhead right", (3.995, 3.2, 1.6), aim="snare", pattern="cardioid", on=("snare",), plus_minus_m=0.003),
    ),
    pairs=(Pair("overheads", ("overhead left", "overhead right"), ("snare",)),),
)


def _with_mic(**changes: object) -> Scene:
    """The good scene with its snare mic changed."""
    mics = tuple(replace(mic, **changes) if mic.name == "snare mic" else mic for mic in GOOD.mics)  # type: ignore[arg-type]
    return replace(GOOD, mics=mics)


TWO_ON_A_CAB = Scene(
    sources=(Source("cab", (2.0, 1.0, 0.5)),),
    mics=(
        Mic("centre", (2.0, 1.1, 0.5), aim="cab", pattern="cardioid", on=("cab",)),
        Mic("edge", (2.15, 1.15, 0.5), aim="cab", pattern="cardioid", on=("cab",), gain_db=6.4),
    ),
)


SINGERS = Scene(
    sources=(Source("alto", (1.0, 1.0, 1.2)), Source("tenor", (2.0, 1.0, 1.2))),
    mics=(Mic("alto mic", (1.0, 1.5, 1.2), on=("alto",)), Mic("tenor mic", (2.0, 1.2, 1.2), on=("tenor",))),
)


LOW_ROOM = Scene(
    room=Room((5.0, 4.0, 2.4), Absorption(*[0.1] * 6)),
    sources=(Source("voice", (2.0, 2.0, 1.5), range_hz=(30, 9000)),),
    mics=(Mic("mic", (3.5, 2.0, 1.6), on=("voice",)),),
)


CASES: dict[str, tuple[Scene, str]] = {
    "keepout": (replace(GOOD, keepouts=(Keepout("drummer's head", (3.5, 3.0, 0.8), radius_m=0.3),)), "problem"),
    "rear-lobe": (_with_mic(aim=(3.6, 3.4, 1.2)), "problem"),
    "off-axis": (_with_mic(aim=(3.63, 2.96, 0.8), pattern="cardioid"), "warning"),
    "three-to-one": (SINGERS, "warning"),
    "bleed": (SINGERS, "note"),
    "near-field": (replace(TWO_ON_A_CAB, sources=(Source("cab", (2.0, 1.0, 0.5), size_m=0.3),)), "note"),
    "comb": (TWO_ON_A_CAB, "warning"),
    "opposite-sides": (
        Scene(
            sources=(Source("snare", (2.0, 2.0, 0.7)),),
            mics=(Mic("top", (2.0, 2.0, 0.85), on=("snare",)), Mic("bottom", (2.0, 2.0, 0.5), on=("snare",))),
        ),
        "note",
    ),
    "late-copy": (
        Scene(
            sources=(Source("choir", (2.0, 2.0, 1.5)),),
            mics=(Mic("front", (2.0, 4.0, 1.5), on=("choir",)), Mic("hall", (2.0, 18, 1.5), gain_db=12, on=("choir",))),
        ),
        "warning",
    ),
    "direct-line": (
        Scene(
            sources=(Source("bass", (2.0, 2.0, 0.5)),),
            mics=(Mic("bass mic", (2.0, 2.3, 0.5), on=("bass",)),),
            dis=(Di("bass di", "bass"),),
        ),
        "note",
    ),
    "pair-equal": (GOOD.placed_at({"overhead left": (2.9, 3.1, 1.6)}), "warning"),
    "pair-polarity": (
        replace(GOOD, mics=tuple(replace(m, polarity=-1) if m.name == "overhead left" else m for m in GOOD.mics)),
        "warning",
    ),
    "mono-sum": (
        replace(
            GOOD.placed_at({"overhead left": (2.8, 3.0, 1.6)}),
            pairs=(Pair("overheads", ("overhead left", "overhead right")),),
        ),
        "note",
    ),
    "unsure": (
        replace(GOOD, mics=tuple(replace(mic, plus_minus_m=0.03) for mic in GOOD.mics)),
        "note",
    ),
    "reflection": (LOW_ROOM, "warning"),
    "mode-null": (LOW_ROOM.placed_at({"voice": (0.3, 0.3, 1.5), "mic": (2.5, 0.3, 1.5)}), "warning"),
    "pile-up": (replace(LOW_ROOM, room=Room((4.0, 4.0, 4.0), Absorption(*[0.1] * 6))), "note"),
    "transition": (LOW_ROOM, "note"),
    "tape": (replace(GOOD, tapes=(Tape(("snare", "kick mic"), 0.9),)), "warning"),
    "air-range": (replace(GOOD, air=Air(temperature_c=36.0)), "note"),
    "air-loss": (
        Scene(sources=(Source("horn", (2.0, 2.0, 1.5)),), mics=(Mic("far", (2.0, 22.0, 1.5), on=("horn",)),)),
        "note",
    ),
    "pair-heights": (
        Scene(
            sources=(Source("piano", (2.0, 2.0, 1.0)),),
            mics=(Mic("low", (1.6, 2.0, 1.6), on=("piano",)), Mic("high", (2.4, 2.0, 1.72), on=("piano",))),
            pairs=(Pair("strings", ("low", "high")),),
        ),
        "note",
    ),
    "near-surface": (
        Scene(
            room=Room((6.0, 5.0, 2.4), Absorption(0.9, 0.6, 0.9, 0.9, 0.9, 0.9)),
            sources=(Source("viola", (3.0, 2.5, 1.0), range_hz=(130, 9000)),),
            mics=(Mic("over", (3.0, 2.5, 2.1), pattern="subcardioid", aim="viola", on=("viola",)),),
        ),
        "note",
    ),
    "bass-lift": (
        Scene(
            sources=(Source("singer", (2.0, 2.0, 1.6)),),
            mics=(Mic("voice mic", (2.0, 2.08, 1.6), aim="singer", pattern="cardioid", on=("singer",)),),
        ),
        "note",
    ),
    "room-mic": (
        Scene(
            room=Room((6.0, 5.0, 3.0), Absorption(*[0.4] * 6)),
            sources=(Source("flute", (2.0, 2.0, 1.5)),),
            mics=(Mic("room", (2.6, 2.0, 1.5), on=("flute",)),),
        ),
        "note",
    ),
    "null": (
        Scene(
            sources=(
                Source("snare", (2.0, 2.0, 0.7), level_db=100.0),
                Source("hi-hat", (2.439, 1.949, 0.84), level_db=100.0),
            ),
            mics=(
                Mic("snare mic", (2.08, 2.12, 0.8), aim="snare", pattern="supercardioid", on=("snare",)),
                Mic("hat mic", (2.45, 2.0, 0.97), aim="hi-hat", pattern="cardioid", on=("hi-hat",)),
            ),
        ),
        "note",
    ),
    "unit": (
        Scene(
            room=Room((410.0, 340.0, 238.0)),
            sources=(Source("snare", (215.0, 185.0, 66.0)),),
            mics=(Mic("snare mic", (221.0, 180.0, 75.0), on=("snare",)),),
        ),
        "problem",
    ),
    "no-task": (Scene(sources=(Source("horn", (2.0, 2.0, 1.5)),), mics=(Mic("lone", (2.0, 3.0, 1.5)),)), "note"),
}
