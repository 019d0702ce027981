"""Takes of a real kit in a real room, made of isolated hits that every mic of one session recorded at once.

The hits come from a folder outside the repository (``Samples/DRUM/N-DRUM-MIC.flac`` and ``truth.json``), named by
``--realkit FOLDER``, by the argument of a script or by the environment variable ``MICALIGN_REALKIT``; a few of them, in
one file a mic with an index (`bench.delay.pack_realkit`), lie in ``tests/external/realkit``. A hit is added
to all mics at one instant, so bleed, near field, reflections and preamps are real; what is ours is when, how hard and
in which order the drums are struck, a little noise, and a channel that is inverted or late. What such a take lacks:
sympathetic ringing, a second kit, quiet cymbals, a drummer who strikes a drum that still rings.

Conventions: times in seconds, `Window.lo_s` to `hi_s` is where the delay of ``second`` against ``first`` is defensible
(positive: later in the second), polarity is +1, -1 or None where the truth has none. "development" and "held-out"
takes share no hit. Numpy and soundfile alone; nothing here knows the engine.

    python tests/bench/delay/realkit.py FOLDER        which hits are left out, and why
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile

VARIABLE = "MICALIGN_REALKIT"
MICS = (
    *("Snare_top", "Snare_bottom", "KdrumL", "KdrumR", "Tom1", "Tom2", "Tom3", "Tom4"),
    *("Hihat", "RideL", "RideR", "OHL", "OHR", "AmbL", "AmbR"),
)
CLOSE = {
    "kick R": "KdrumR",
    "snare": "Snare_top",
    "tom 2": "Tom2",
    "tom 3": "Tom3",
    "hihat": "Hihat",
    "ride R": "RideR",
}
"""The mic that stands at each source; a crash has none."""
FOLDERS = {
    "kick R": ("KdrumR",),
    "snare": ("Snare",),
    "tom 2": ("Tom2",),
    "tom 3": ("Tom3",),
    "hihat": ("HihatClosed", "HihatOpen"),
    "ride R": ("RideR", "RideRBell"),
    "crash R": ("CrashR",),
}
SOURCES = tuple(FOLDERS)
CYMBALS = ("hihat", "ride R", "crash R")
OVERHEADS, ROOMS = ("OHL", "OHR"), ("AmbL", "AmbR")
INDEX = "hits.json"
HALVES = ("development", "held-out")
FAMILY = {"kick R": "kick", "snare": "snare", "tom 2": "toms", "tom 3": "toms", "hihat": "hat", "ride R": "ride"}

HEADS = ("Snare_top", "Snare_bottom")
HEADS_POLARITY = -1
"""A stroke moves both heads down, away from the upper mic and towards the lower: every hit here begins opposite."""

SHORTEST_S = 0.05  # a hit that is shorter was cut off by mistake
DEAD_DBFS = -100.0  # a peak below it is the converter's own noise
CUT_S = 0.4e-3  # a first wavefront that would lie so far before the file moves every delay read from the hit


@dataclass(frozen=True)
class Window:
    """Where an answer for one source is defensible, and whether the truth is sure enough to score it."""

    source: str
    lo_s: float
    hi_s: float
    polarity: int | None
    kept: bool

    def off_s(self, delay_s: float) -> float:
        """How far outside the window a delay lies; 0 within."""
        return max(self.lo_s - delay_s, delay_s - self.hi_s, 0.0)

    def planted(self, later_s: float, sign: int) -> Window:
        polarity = None if self.polarity is None else self.polarity * sign
        return replace(self, lo_s=self.lo_s + later_s, hi_s=self.hi_s + later_s, polarity=polarity)


@dataclass(frozen=True)
class Pair:
    """Two mics of a take; an answer within any of the windows is right."""

    first: str
    second: str
    family: str
    windows: tuple[Window, ...]

    @property
    def kept(self) -> bool:
        return any(window.kept for window in self.windows)

    def nearest(self, delay_s: float) -> Window:
        """The kept window that a delay is in, or the nearest; any where none is kept."""
        kept = [window for window in self.windows if window.kept] or list(self.windows)
        return min(kept, key=lambda window: window.off_s(delay_s))


@dataclass(frozen=True)
class Take:
    """The mics of one take, (frames,) each, its pairs, and every stroke as (source, time of its file's beginning)."""

    name: str
    style: str
    seed: int
    half: str
    rate: int
    mics: dict[str, np.ndarray]
    pairs: tuple[Pair, ...]
    strokes: tuple[tuple[str, float], ...]
    late_s: dict[str, float] = field(default_factory=dict)
    inverted: tuple[str, ...] = ()

    @property
    def tracks(self) -> list[tuple[str, np.ndarray]]:
        return list(self.mics.items())

    def of(self, source: str) -> list[float]:
        return [at for name, at in self.strokes if name == source]


@dataclass(frozen=True)
class Hit:
    """One stroke of a drum on every mic."""

    source: str
    folder: str
    number: int
    rate: int
    sounds: dict[str, np.ndarray]

    @property
    def name(self) -> str:
        return f"{self.folder} {self.number}"


# ---------------------------------------------------------------- the folder


def given_folder(argument: str | os.PathLike[str] | None = None) -> Path | None:
    """The kit's folder, by argument or by environment; None where neither names one that holds a kit."""
    named = argument or os.environ.get(VARIABLE)
    folder = Path(named) if named else None
    return folder if folder and (folder / "truth.json").is_file() else None


class RealKit:
    """The hits and the truth of one folder; hits are read when first asked for.

    ``cut_s`` is how far a hit may be cut into its own attack before it is left out; infinite takes all as they come.
    """

    def __init__(self, folder: str | os.PathLike[str], *, cut_s: float = CUT_S) -> None:
        self.folder, self.cut_s = Path(folder), cut_s
        self.truth = json.loads((self.folder / "truth.json").read_text(encoding="utf-8"))
        self._hits: dict[str, tuple[Hit, ...]] = {}
        self._left_out: dict[str, tuple[tuple[str, str], ...]] = {}

    def hits(self, source: str, half: str, folder: str | None = None) -> tuple[Hit, ...]:
        """The good hits of one half, softest first: each second one counted from the loudest.

        All of a packed kit's are held-out ones, whichever half is asked for.
        """
        assert half in HALVES, half
        found: list[Hit] = []
        for name in [folder] if folder else FOLDERS[source]:
            good = self._good(source, name)
            found += good if self.is_packed else good[::-1][HALVES.index(half) :: 2][::-1]
        return tuple(found)

    @property
    def is_packed(self) -> bool:
        return (self.folder / INDEX).is_file()

    @property
    def mics(self) -> tuple[str, ...]:
        """The mics that there are, in the order of `MICS`."""
        return tuple(json.loads((self.folder / INDEX).read_text("utf-8"))["mics"]) if self.is_packed else MICS

    def left_out(self) -> list[tuple[str, str]]:
        """Every hit that is not used and the reason."""
        for source, folders in FOLDERS.items():
            for name in folders:
                self._good(source, name)
        return [row for rows in self._left_out.values() for row in rows]

    def _good(self, source: str, folder: str) -> tuple[Hit, ...]:
        if folder not in self._hits:
            good, bad = [], []
            read = _packed_hits if self.is_packed else _read_hits
            for hit in read(self, source, folder):
                reason = self.fault(hit)
                if reason:
                    bad.append((hit.name, reason))
                else:
                    good.append(hit)
            self._hits[folder], self._left_out[folder] = tuple(good), tuple(bad)
        return self._hits[folder]

    def fault(self, hit: Hit) -> str | None:
        """Why a hit cannot stand for its drum, or None."""
        seconds = len(hit.sounds["OHL"]) / hit.rate
        if seconds < SHORTEST_S:
            return f"only {1000 * seconds:.1f} ms long"
        heard = [CLOSE[hit.source]] if hit.source in CLOSE else []
        for mic in (*heard, *OVERHEADS, *ROOMS):
            peak = 20 * np.log10(np.max(np.abs(hit.sounds[mic])) + 1e-12)
            if peak < DEAD_DBFS:
                return f"dead on {mic} ({peak:.0f} dBFS)"
        cut = -self.begins_s(hit)
        return f"cut {1000 * cut:.2f} ms into its own attack" if cut > self.cut_s else None

    def begins_s(self, hit: Hit) -> float:
        """When the drum's own mic (for a crash the right overhead) hears the first wavefront, told by the overheads.

        Negative: before the file begins, so that the attack is cut.
        """
        first = CLOSE.get(hit.source, "OHR")
        told = [
            _onset_s(hit.sounds[mic], hit.rate) - self._later_s(hit.source, first, mic)
            for mic in OVERHEADS
            if mic != first
        ]
        return float(np.mean(told))

    def _later_s(self, source: str, first: str, second: str) -> float:
        table = self.truth[source]
        if f"{first}>{second}" in table:
            return float(table[f"{first}>{second}"]["delay_s"])
        return -float(table[f"{second}>{first}"]["delay_s"])


@lru_cache(maxsize=4)
def real_kit(folder: str | os.PathLike[str], cut_s: float = CUT_S) -> RealKit:
    """The kit of a folder, read once."""
    return RealKit(folder, cut_s=cut_s)


def _read_hits(kit: RealKit, source: str, folder: str) -> Iterator[Hit]:
    place = kit.folder / "Samples" / folder
    for number in sorted({int(path.name.split("-")[0]) for path in place.glob("*-OHL.flac")}):
        read = {mic: soundfile.read(place / f"{number}-{folder}-{mic}.flac", dtype="float32") for mic in MICS}
        yield Hit(source, folder, number, read["OHL"][1], {mic: sound for mic, (sound, _) in read.items()})


def _packed_hits(kit: RealKit, source: str, folder: str) -> Iterator[Hit]:
    index = json.loads((kit.folder / INDEX).read_text("utf-8"))
    for row in index["hits"]:
        if row["folder"] == folder:
            span = {"start": row["start"], "frames": row["frames"], "dtype": "float32"}
            sounds = {mic: soundfile.read(kit.folder / f"{mic}.flac", **span)[0] for mic in index["mics"]}
            yield Hit(source, folder, row["number"], index["rate"], sounds)


def _onset_s(sound: np.ndarray, rate: int, *, share: float = 0.1, within_s: float = 0.02) -> float:
    """The first sample above a share of the peak of the first 20 ms: enough to see a cut, no more."""
    start = np.abs(sound[: int(within_s * rate)])
    return int(np.argmax(start > share * start.max())) / rate


# ---------------------------------------------------------------- what is played

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


def played(rng: np.random.Generator, style: str, seconds: float, *, sparse: bool) -> list[Stroke]:
    """The strokes of a style: its bars in turn, a fill each fourth, time that breathes, hands that are not exact."""
    steps = _STEPS.get(style, 16)
    bar_s = 4 * 60 / rng.uniform(*_TEMPO[style])
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


# ---------------------------------------------------------------- takes


def isolated(
    kit: RealKit, source: str, n_hits: int = 10, seed: int = 0, *, half: str = "held-out", noise_dbfs: float = -85.0
) -> Take:
    """One drum struck ``n_hits`` times in a row, 0.5 to 0.9 s apart, and nothing else."""
    rng = np.random.default_rng([seed, 19, SOURCES.index(source)])
    times = 0.4 + np.cumsum(rng.uniform(0.5, 0.9, n_hits)) - 0.5
    strokes: list[Stroke] = [(source, None, float(at), float(rng.normal(-2, 2.0))) for at in times]
    return _take(kit, rng, strokes, float(times[-1] + 1.5), "isolated", f"isolated {source}", seed, half, noise_dbfs)


def groove(
    kit: RealKit,
    style: str,
    seed: int = 0,
    *,
    half: str = "held-out",
    seconds: float | None = None,
    cymbals_db: float | None = None,
    sparse: bool = False,
    without: Sequence[str] = (),
    inverted: Iterable[str] = (),
    late_s: Mapping[str, float] | None = None,
    noise_dbfs: float = -80.0,
) -> Take:
    """A groove of one style, 20 to 40 s.

    ``cymbals_db`` is the level of hat, ride and crash against how they were recorded (seeded, -3 to 3, where it is not
    given), ``sparse`` keeps a third of the strokes, ``without`` leaves sources out (to leave a drum out of a fit),
    ``inverted`` names mics of the other polarity and ``late_s`` mics that are later by any fraction of a sample.
    """
    rng = np.random.default_rng([seed, 20, STYLES.index(style)])
    length = float(rng.uniform(20, 40)) if seconds is None else seconds
    level = float(rng.uniform(-3, 3)) if cymbals_db is None else cymbals_db
    strokes = [
        (source, folder, at, db + (level if source in CYMBALS else 0.0))
        for source, folder, at, db in played(rng, style, length, sparse=sparse)
        if source not in without
    ]
    take = _take(kit, rng, strokes, length, style, f"{style} {seed}", seed, half, noise_dbfs)
    return planted(take, inverted=inverted, late_s=late_s or {})


VARIANTS = ("plain", "inverted", "late", "loud cymbals", "sparse")


def varied(kit: RealKit, style: str, seed: int = 0, variant: str = "plain", *, half: str = "held-out", **more) -> Take:
    """A groove with one of `VARIANTS`: which mic is inverted or late, and by how much, comes of the seed."""
    rng = np.random.default_rng([seed, 21, STYLES.index(style), VARIANTS.index(variant)])
    mic = str(rng.choice([*CLOSE.values(), *OVERHEADS, *ROOMS]))
    options: dict = {
        "plain": {},
        "inverted": {"inverted": [mic]},
        "late": {"late_s": {mic: float(rng.uniform(-40, 40)) / 44100}},
        "loud cymbals": {"cymbals_db": float(rng.uniform(5, 9))},
        "sparse": {"sparse": True},
    }[variant]
    take = groove(kit, style, seed, half=half, **options, **more)
    return take if variant == "plain" else replace(take, name=f"{take.name} {variant}")


def planted(take: Take, *, inverted: Iterable[str] = (), late_s: Mapping[str, float]) -> Take:
    """The take with mics turned over or later by any fraction of a sample, and its windows with them."""
    signs = {name: (-1 if name in set(inverted) else 1) for name in take.mics}
    late = {name: float(late_s.get(name, 0.0)) for name in take.mics}
    mics = {
        name: signs[name] * (_later(sound, late[name] * take.rate) if late[name] else sound)
        for name, sound in take.mics.items()
    }
    pairs = tuple(
        replace(
            pair,
            windows=tuple(
                window.planted(late[pair.second] - late[pair.first], signs[pair.first] * signs[pair.second])
                for window in pair.windows
            ),
        )
        for pair in take.pairs
    )
    moved = {name: at for name, at in late.items() if at}
    turned = tuple(name for name, sign in signs.items() if sign < 0)
    return replace(take, mics=mics, pairs=pairs, late_s=moved, inverted=turned)


def _take(kit, rng, strokes, seconds, style, name, seed, half, noise_dbfs) -> Take:
    rate = 44100
    mics = {mic: np.zeros(int(seconds * rate), dtype=np.float64) for mic in kit.mics}
    told, last = [], {}
    for source, folder, at, level_db in strokes:
        hits = kit.hits(source, half, folder) or kit.hits(source, half)
        if not hits:  # a packed kit has no crash
            continue
        hit = _drawn(rng, hits, level_db, last.get(source))
        last[source] = hit.name
        start = round(at * rate)
        for mic, out in mics.items():
            sound = hit.sounds[mic][: len(out) - start]
            out[start : start + len(sound)] += 10 ** (min(level_db, 3.0) / 20) * sound
        told.append((source, start / rate))
    # One gain for the whole take: the mics keep the levels that they were recorded at.
    top = max(float(np.max(np.abs(sound))) for sound in mics.values())
    scale = 0.9 / top if top > 0.9 else 1.0
    noise = 10 ** (noise_dbfs / 20)
    mics = {mic: scale * sound + noise * rng.normal(size=len(sound)) for mic, sound in mics.items()}
    struck = [source for source in SOURCES if any(source == one for one, _ in told)]
    return Take(name, style, seed, half, rate, mics, _pairs(kit, struck), tuple(told))


def _drawn(rng, hits: Sequence[Hit], level_db: float, last: str | None) -> Hit:
    """A hit for a stroke: soft strokes from the softer half, and not twice the same where there is another."""
    middle = (len(hits) + 1) // 2
    pool = list(hits[:middle] if level_db < -5 else hits[len(hits) - middle :] if level_db > 0 else hits)
    fresh = [hit for hit in pool if hit.name != last] or [hit for hit in hits if hit.name != last] or pool
    return fresh[rng.integers(len(fresh))]


def _pairs(kit: RealKit, struck: Sequence[str]) -> tuple[Pair, ...]:
    """Each struck drum's mic against overheads and rooms, and the pairs of overheads and rooms by any of the drums."""
    pairs = []
    for source in struck:
        for far in (*OVERHEADS, *ROOMS):
            window = _window(kit, source, f"{CLOSE.get(source)}>{far}")
            if window:
                family = FAMILY[source] if far in OVERHEADS else "room"
                pairs.append(Pair(CLOSE[source], far, family, (window,)))
        for pair in kit.truth[source]:
            first, second = pair.split(">")
            if first == CLOSE.get(source) and second not in (*OVERHEADS, *ROOMS):
                family = "snare heads" if (first, second) == HEADS else "close pair"
                pairs.append(Pair(first, second, family, (_window(kit, source, pair),)))
    for (first, second), family in {
        OVERHEADS: "overhead pair",
        ROOMS: "room pair",
        ("OHL", "AmbL"): "overhead to room",
        ("OHR", "AmbR"): "overhead to room",
    }.items():
        windows = [_window(kit, source, f"{first}>{second}") for source in struck]
        if any(windows):
            pairs.append(Pair(first, second, family, tuple(window for window in windows if window)))
    return tuple(pairs)


def _window(kit: RealKit, source: str, pair: str) -> Window | None:
    row = kit.truth[source].get(pair)
    if row is None:
        return None
    polarity = HEADS_POLARITY if pair == ">".join(HEADS) else row["polarity"]
    return Window(source, row["lo_s"], row["hi_s"], polarity, row["kept"])


def _later(signal: np.ndarray, samples: float) -> np.ndarray:
    """The signal later by any number of samples, by its spectrum."""
    size = len(signal) + abs(int(np.ceil(samples))) + 4096
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) * samples / size)
    return np.fft.irfft(np.fft.rfft(signal, size) * turn, size)[: len(signal)]


def main() -> None:
    folder = given_folder(sys.argv[1] if len(sys.argv) > 1 else None)
    if folder is None:
        sys.exit(f"no kit: name its folder as an argument or in {VARIABLE}")
    kit = real_kit(folder)
    for name, reason in kit.left_out():
        print(f"left out: {name:16s} {reason}")
    for source in SOURCES:
        halves = {half: ", ".join(hit.name for hit in kit.hits(source, half)) for half in HALVES}
        print(f"{source:8s} " + "; ".join(f"{half}: {names}" for half, names in halves.items()))


if __name__ == "__main__":
    main()
