"""What is played: strokes of a kit's drums in a style, with fills, time that breathes and hands that are not exact."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

Stroke = tuple[str, str | None, float, float]
"""Source, folder (None: any of the source's), time in seconds, level in dB."""

STYLES = ("rock", "swing", "tom-led", "fusion", "ballad", "march", "cymbal-heavy", "disco")
_STEPS = {"swing": 12}  # steps to a bar; 16 where it is not said
_TEMPO = {
    "rock": (92, 138),
    "swing": (110, 190),
    "tom-led": (88, 128),
    "fusion": (96, 126),
    "ballad": (58, 76),
    "march": (96, 120),
    "cymbal-heavy": (100, 150),
    "disco": (108, 128),
}
# One letter a step: X accent, x stroke, o soft, . none; several bars are taken in turn.
_BARS: dict[str, dict[str, tuple[str, ...]]] = {
    "rock": {
        "kick": ("X.......x.x.....", "X..x....x.......", "X.......X.....x."),
        "snare": ("....X.......X...", "....X.......X..o"),
        "closed": ("x.o.x.o.x.o.x.o.",),
    },
    "swing": {
        "ride": ("x..x.ox..x.o", "x..x.ox..x.x"),
        "kick": ("o..o..o..o..", "x..........o"),
        "closed": ("...x.....x..",),
        "snare": (".....o......", "........o..x", "............"),
    },
    "tom-led": {
        "tom 2": ("x..x..x...x..x..", "X.x...x.X.x...x."),
        "tom 3": ("..x..x..x..x..x.", "....x.x.....x.xx"),
        "kick": ("X.......x.......", "X.....x...x....."),
        "closed": ("....o.......o...",),
        "snare": ("............X...", "................"),
    },
    "fusion": {
        "kick": ("x..x..x...x..x..", "x.x....x..x...x.", "..x..x....x.x..x"),
        "snare": (".o.oX.o..o.oX..o", "o..oX..o.oo.X.oo"),
        "closed": ("xoxoxoxoxoxoxoxo", "x.xox.xox.xox.xo"),
        "open": ("..............x.", "......x........."),
        "bell": ("................", "x...x...x...x..."),
    },
    "ballad": {
        "kick": ("x.........o.....", "x..............."),
        "snare": ("........x.......",),
        "ride": ("x...o...x...o...",),
        "tom 3": ("................", "................", "..............x."),
    },
    "march": {
        "snare": ("X.xoxoX.xoxoX.X.", "X.ooX.ooXoxoX...", "X.xxX.xxX.X.xxxx"),
        "kick": ("X.......X.......",),
        "crash": ("................", "................", "x..............."),
    },
    "cymbal-heavy": {
        "crash": ("X.......x.......", "x...x...x...x..."),
        "open": ("..x...x...x...x.", "x...x...x...x..."),
        "ride": ("x.x.x.x.x.x.x.x.",),
        "kick": ("X.....x.X.......", "X..x..x...x....."),
        "snare": ("....X.......X...",),
    },
    "disco": {
        "kick": ("X...X...X...X...",),
        "snare": ("....X.......X...",),
        "closed": ("x.o.x.o.x.o.x.o.", "xo..xo..xo..xo.."),
        "open": ("..x...x...x...x.",),
    },
}
_VOICES = {
    "kick": ("kick R", None),
    "snare": ("snare", None),
    "tom 2": ("tom 2", None),
    "tom 3": ("tom 3", None),
    "closed": ("hihat", "HihatClosed"),
    "open": ("hihat", "HihatOpen"),
    "ride": ("ride R", "RideR"),
    "bell": ("ride R", "RideRBell"),
    "crash": ("crash R", None),
}
_LEVEL_DB = {"X": 1.5, "x": -1.5, "o": -9.0}
_FILLS = (
    {"snare": "............xoxo"},
    {"tom 2": "........X.x.....", "tom 3": "............X.xx"},
    {"snare": "........X.x.....", "tom 2": "..........x.x...", "tom 3": ".............xXx"},
    {"tom 2": "............xx..", "tom 3": "..............xx"},
)


def played(
    rng: np.random.Generator, style: str, seconds: float, *, sparse: bool, bpm: float | None = None
) -> list[Stroke]:
    """The strokes of a style: its bars in turn, a fill each fourth, time that breathes, hands that are not exact."""
    steps = _STEPS.get(style, 16)
    own_bpm = rng.uniform(*_TEMPO[style])
    bar_s = 4 * 60 / (bpm or own_bpm)
    swing, loose_s = rng.choice([0.0, 0.0, rng.uniform(0.1, 0.3)]), rng.uniform(0.002, 0.007)
    bars, at, out = _BARS[style], 0.3 + rng.uniform(0, 0.2), []
    count = 0
    while at < seconds - 0.4:
        fill = dict(_FILLS[rng.integers(len(_FILLS))]) if count % 4 == 3 and not sparse and rng.random() < 0.85 else {}
        if style == "march" and fill:
            fill = {"snare": "....XoxoxoxoX.X."}
        for voice in dict.fromkeys((*bars, *fill)):
            if fill and voice in ("closed", "open", "ride", "bell", "crash") and rng.random() < 0.5:
                continue
            line = (
                _stretched(fill[voice], steps)
                if voice in fill
                else bars.get(voice, ("." * steps,))[rng.integers(len(bars[voice])) if voice in bars else 0]
            )
            out += _line(rng, voice, line, at, bar_s / steps, swing, loose_s, 0.35 if sparse else 1.0)
        if count % 4 == 0 and count and style in ("rock", "fusion", "tom-led", "disco") and rng.random() < 0.7:
            out.append(("crash R", None, at + rng.normal(0, loose_s), -1.0))
        at += bar_s * (1 + rng.normal(0, 0.006))
        count += 1
    return sorted((stroke for stroke in out if 0.05 < stroke[2] < seconds - 0.3), key=lambda stroke: stroke[2])


def _stretched(line: str, steps: int) -> str:
    return line if len(line) == steps else "".join(line[int(k * len(line) / steps)] for k in range(steps))


def _line(rng, voice, line, at, step_s, swing, loose_s, share) -> Iterator[Stroke]:
    source, folder = _VOICES[voice]
    for k, letter in enumerate(line):
        if letter == "." or rng.random() > share:
            continue
        late = swing * step_s if k % 2 else 0.0
        time = at + k * step_s + late + rng.normal(0, loose_s)
        yield source, folder, float(time), _LEVEL_DB[letter] + float(rng.normal(0, 1.5))
