"""Takes of a real kit in a real room, made of isolated hits that every mic of one session recorded at once.

A hit is added to all mics at one instant, so bleed, near field, reflections and preamps are real; what is ours is when,
how hard and in which order the drums are struck (`bench.delay.grooves`), a little noise, and a channel that is inverted
or late. What such a take lacks: sympathetic ringing, a second kit, quiet cymbals, a drummer who strikes a drum that
still rings.

Conventions: times in seconds, `Window.lo_s` to `hi_s` is where the delay of ``second`` against ``first`` is defensible
(positive: later in the second), polarity is +1, -1 or None where the truth has none. "development" and "held-out"
takes share no hit (`bench.delay.realkit`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from bench.delay.grooves import STYLES, Stroke, played
from bench.delay.realkit import CLOSE, CYMBALS, FAMILY, HEADS, HEADS_POLARITY, OVERHEADS, ROOMS, SOURCES, Hit, RealKit


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


def isolated(
    kit: RealKit, source: str, n_hits: int = 10, seed: int = 0, *, half: str = "held-out", noise_dbfs: float = -85.0
) -> Take:
    """One drum struck ``n_hits`` times in a row, 0.5 to 0.9 s apart, and nothing else."""
    rng = np.random.default_rng([seed, 19, SOURCES.index(source)])
    times = 0.4 + np.cumsum(rng.uniform(0.5, 0.9, n_hits)) - 0.5
    strokes: list[Stroke] = [(source, None, float(at), float(rng.normal(-2, 2.0))) for at in times]
    return recorded(kit, rng, strokes, float(times[-1] + 1.5), "isolated", f"isolated {source}", seed, half, noise_dbfs)


def groove(
    kit: RealKit,
    style: str,
    seed: int = 0,
    *,
    half: str = "held-out",
    seconds: float | None = None,
    bpm: float | None = None,
    cymbals_db: float | None = None,
    sparse: bool = False,
    without: Sequence[str] = (),
    inverted: Iterable[str] = (),
    late_s: Mapping[str, float] | None = None,
    noise_dbfs: float = -80.0,
) -> Take:
    """A groove of one style, 20 to 40 s.

    ``bpm`` is the tempo where the style's own is not wanted, ``cymbals_db`` the level of hat, ride and crash against
    how they were recorded (seeded, -3 to 3, where it is not given), ``sparse`` keeps a third of the strokes,
    ``without`` leaves sources out (to leave a drum out of a fit), ``inverted`` names mics of the other polarity and
    ``late_s`` mics that are later by any fraction of a sample.
    """
    rng = np.random.default_rng([seed, 20, STYLES.index(style)])
    length = float(rng.uniform(20, 40)) if seconds is None else seconds
    level = float(rng.uniform(-3, 3)) if cymbals_db is None else cymbals_db
    strokes = [
        (source, folder, at, db + (level if source in CYMBALS else 0.0))
        for source, folder, at, db in played(rng, style, length, sparse=sparse, bpm=bpm)
        if source not in without
    ]
    take = recorded(kit, rng, strokes, length, style, f"{style} {seed}", seed, half, noise_dbfs)
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


def recorded(kit, rng, strokes, seconds, style, name, seed, half, noise_dbfs) -> Take:
    """The take of some strokes, every hit added to all mics at one instant, with all pairs whose truth is known."""
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
