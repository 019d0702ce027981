"""What a whole take is aligned for: the level that own strokes gain in the sum with the overheads.

For each close mic, over its own strokes (5 ms before to 150 ms after), the sum of the mic and the overheads as
`align` without a scene would shift them, against the same sum as recorded, in 60 to 250 and 250 to 2000 Hz. The close
mic is brought to the overheads' level in each band, where a sum gains and loses most. Beside it the most that one shift
and flip of the close mic could gain in both bands together, found by brute force within 10 ms.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from bench.delay import realkit, realtakes

BANDS_HZ = ((60.0, 250.0), (250.0, 2000.0))
BEFORE_S, AFTER_S = 5e-3, 0.15
REACH_S, STEP_S = 10e-3, 1e-5
WORST_DB = -0.3
STRAY_S = 1e-3
FEWEST = 4
REFERENCE = "OHL"


@dataclass(frozen=True)
class Gain:
    """dB of one close mic's sum against as recorded, in each band: with the chosen shifts, and at best.

    Of its take: what all is laid onto, and the mics of drums that are not struck which are moved all the same.
    ``strays``: whether it was laid against its true polarity, and over 1 ms from its true arrival.
    """

    take: str
    drum: str
    shift_ms: float | None
    chosen_db: tuple[float, ...]
    best_db: tuple[float, ...]
    best_ms: float
    onto: str | None = None
    strays: tuple[bool, bool] | None = None
    idle: tuple[str, ...] = ()


Moves = dict[str, tuple[float, int]]
"""By track: the shift in seconds (positive later) and +1 or -1."""


LINE_CHECK = "scene and line check"
UNSAID = "scene, nothing said"
SCENES = ("scene", LINE_CHECK, UNSAID)
ORDERS = ("overhead first", "shuffled", "alphabetical", "anonymous", *SCENES)
"""How `align` gets the tracks: in an order by chance with the kit's own names or with ones that say nothing, or as
``*.wav`` lists the names that engineers give; or with a scene in which all stand where a fit to the truth has them,
perhaps after a line check, or one that says neither what its mics are there to take nor which are a pair."""

PLAIN = {
    "Snare_top": "snare-top",
    "Snare_bottom": "snare-bottom",
    "KdrumL": "kick-left",
    "KdrumR": "kick",
    "Tom1": "tom-1",
    "Tom2": "tom-2",
    "Tom3": "tom-3",
    "Tom4": "floor-tom",
    "Hihat": "hat",
    "RideL": "ride-left",
    "RideR": "ride",
    "OHL": "overhead-left",
    "OHR": "overhead-right",
    "AmbL": "room-left",
    "AmbR": "room-right",
}


def listed(take: realtakes.Take, order: str) -> dict[str, str]:
    """The names that `align` gets, in its order, and the mic of each."""
    mics = [REFERENCE, *(name for name in take.mics if name != REFERENCE)]
    if order in ("shuffled", "anonymous"):
        mics = np.random.default_rng([take.seed, 22, *take.style.encode()]).permutation(mics).tolist()
    if order == "anonymous":
        return {f"t{number:02d}": mic for number, mic in enumerate(mics, 1)}
    if order == "alphabetical":
        return dict(sorted((PLAIN.get(mic, mic), mic) for mic in mics))
    return {mic: mic for mic in mics}


def aligned(take: realtakes.Take, *, order: str = ORDERS[0], left_out: Sequence[str] = ()) -> tuple[Moves, str]:
    """What `align` without a scene does with the take but for some mics, and the track that all is laid onto."""
    from micalign.alignment.network import Constraints
    from micalign.alignment.pairings import measured
    from micalign.alignment.session import planned
    from micalign.take.tracks import Track

    if order in SCENES:
        return _aligned_by_scene(take, left_out, says=order != UNSAID)
    names = {name: mic for name, mic in listed(take, order).items() if mic not in left_out}
    first, *others = (Track.from_array(name, take.mics[mic], take.rate) for name, mic in names.items())
    offsets = planned(measured(first, others, on_strokes=True, over_kit=True), Constraints(first.name))
    moves = {names[one.track]: (one.shift_s, -1 if one.polarity_flip else 1) for one in offsets.shifts if one.applied}
    return moves, names[offsets.onto or offsets.reference]


def _aligned_by_scene(take: realtakes.Take, left_out: Sequence[str], *, says: bool) -> tuple[Moves, str]:
    from bench.delay.realkit_compare import scene_of

    from micalign.alignment import session
    from micalign.scene.model import Pair
    from micalign.take.tracks import Take, Track

    scene = scene_of(take)
    if says:
        scene = replace(scene, pairs=(Pair("overheads", realkit.OVERHEADS),))
    else:
        scene = replace(scene, mics=tuple(replace(mic, on=()) for mic in scene.mics))
    tracks = [Track.from_array(mic.name, take.mics[mic.name], take.rate) for mic in scene.mics]
    tracks = [track for track in tracks if track.name not in left_out]
    names = [track.name for track in tracks]
    reference = REFERENCE if says else session.default_reference(scene, names)
    found = session.measured_scene(scene, Take(tuple(tracks)), reference=reference)
    limits = session.constraints_of(scene, names, reference=reference)
    offsets = session.planned(found, limits)
    moves = {one.track: (one.shift_s, -1 if one.polarity_flip else 1) for one in offsets.shifts if one.applied}
    return moves, offsets.onto or offsets.reference


def gains(
    take: realtakes.Take, moves: Moves | None = None, *, order: str = ORDERS[0], left_out: Sequence[str] = ()
) -> list[Gain]:
    """One row for each close mic whose drum is struck at least four times, moved so, or as `align` does."""
    onto = None
    if moves is None:
        moves, onto = aligned(take, order=order, left_out=left_out)
    drums = [drum for drum, mic in realkit.CLOSE.items() if len(take.of(drum)) >= FEWEST and mic not in left_out]
    over = [mic for mic in realkit.OVERHEADS if mic not in left_out]
    idle = _idle(take, moves)
    return [
        replace(gain_by(take, drum, moves, over), onto=onto, idle=idle, strays=_strays(take, drum, moves, onto))
        for drum in drums
    ]


def _strays(take: realtakes.Take, drum: str, moves: Moves, onto: str | None) -> tuple[bool, bool] | None:
    """Whether a close mic was laid against its true polarity, and over 1 ms from its true arrival at what all is laid
    onto; None where it was not moved or the truth is not known.
    """
    shift_s, sign = moves.get(realkit.CLOSE[drum], (0.0, 1))
    here = [pair for pair in take.pairs if (pair.first, pair.second) == (realkit.CLOSE[drum], onto) and pair.kept]
    if not shift_s or not here or here[0].windows[0].polarity is None:
        return None
    window = here[0].windows[0]
    return sign != window.polarity, window.off_s(shift_s) > STRAY_S


def _idle(take: realtakes.Take, moves: Moves) -> tuple[str, ...]:
    """The mics that are moved though nothing of their own is struck; a snare's are both of its heads."""
    struck = {mic for drum, mic in realkit.CLOSE.items() if take.of(drum)}
    struck |= set(realkit.HEADS) if take.of("snare") else set()
    others = {*struck, *realkit.OVERHEADS, *realkit.ROOMS}
    return tuple(mic for mic, (shift_s, _) in moves.items() if shift_s and mic not in others)


def gain_by(take: realtakes.Take, drum: str, moves: Moves, over: Sequence[str] = realkit.OVERHEADS) -> Gain:
    """What some moves gain on a drum's own strokes in the sum of its mic and what hangs over the kit."""
    close = realkit.CLOSE[drum]
    hz, spectra = _spectra(take, take.of(drum), (close, *over))
    bands = [(hz >= low) & (hz < high) for low, high in BANDS_HZ]
    mic, rest = spectra[0], np.sum(spectra[1:], axis=0)
    grid = np.arange(-REACH_S, REACH_S + STEP_S / 2, STEP_S)
    best = np.array([_against_recorded(hz, band, mic, rest, grid) for band in bands])  # (bands, 2, shifts)
    sign, at = np.unravel_index(np.argmax(best.sum(axis=0)), best.shape[1:])
    told = [_after(hz, band, spectra, [moves.get(name, (0.0, 1)) for name in (close, *over)]) for band in bands]
    shift = moves.get(close)
    return Gain(
        take.name,
        drum,
        None if shift is None else 1e3 * shift[0],
        tuple(told),
        tuple(float(value) for value in best[:, sign, at]),
        float(1e3 * grid[at]),
    )


def _spectra(take: realtakes.Take, times: Sequence[float], names: Sequence[str]) -> tuple[np.ndarray, list[np.ndarray]]:
    """Spectra (strokes, bins) of each mic's own strokes."""
    before, count = int(BEFORE_S * take.rate), int((BEFORE_S + AFTER_S) * take.rate)
    starts = [max(int(at * take.rate) - before, 0) for at in times]
    size = 1 << int(np.ceil(np.log2(count + 4 * REACH_S * take.rate)))
    found = []
    for name in names:
        cut = np.zeros((len(starts), count))
        for k, start in enumerate(starts):
            piece = take.mics[name][start : start + count]
            cut[k, : len(piece)] = piece
        found.append(np.fft.rfft(cut, size))
    return np.fft.rfftfreq(size, 1 / take.rate), found


def _against_recorded(hz, band, mic, rest, shifts) -> np.ndarray:
    """dB of |level * mic shifted + rest| over as recorded, for both signs and every shift: (2, shifts)."""
    level = np.sqrt(np.sum(np.abs(rest[:, band]) ** 2) / np.sum(np.abs(mic[:, band]) ** 2))
    cross = level * np.sum(mic[:, band] * np.conj(rest[:, band]), axis=0)
    apart = 2 * np.sum(np.abs(rest[:, band]) ** 2)
    swing = 2 * np.real(np.exp(-2j * np.pi * shifts[:, None] * hz[band]) @ cross)
    recorded = apart + 2 * np.real(np.sum(cross))
    return 10 * np.log10(np.maximum(np.array([apart + swing, apart - swing]), 1e-9 * apart) / recorded)


def _after(hz, band, spectra, moves) -> float:
    mic, *over = (one[:, band] for one in spectra)
    level = np.sqrt(np.sum(np.abs(sum(over)) ** 2) / np.sum(np.abs(mic) ** 2))
    parts = (level * mic, *over)
    moved = sum(
        sign * part * np.exp(-2j * np.pi * hz[band] * shift) for part, (shift, sign) in zip(parts, moves, strict=True)
    )
    return float(10 * np.log10(np.sum(np.abs(moved) ** 2) / np.sum(np.abs(sum(parts)) ** 2)))


def gain_table(rows: Sequence[Gain]) -> None:
    """By drum and in all: mics moved, mean dB gained and possible in each band, share reached, worst loss."""
    onto = {one.take: one.onto for one in rows if one.onto is not None}
    if onto:
        over = sum(name in realkit.OVERHEADS for name in onto.values())
        print(f"laid onto an overhead: {over} of {len(onto)} takes")
        idle = {one.take: len(one.idle) for one in rows}
        print(f"mics of drums that are not struck moved: {sum(idle.values())} in {len(idle)} takes")
    laid = np.array([one.strays for one in rows if one.strays is not None]).reshape(-1, 2)
    if len(laid):
        turned, far = laid.sum(axis=0)
        print(f"laid against the truth: {turned} turned over, {far} over 1 ms off, of {len(laid)} moved and known")
    print("sum of each close mic and the overheads on own strokes, dB against as recorded: gained / possible")
    head = "   ".join(f"{low:.0f}-{high:.0f} Hz  share worst" for low, high in BANDS_HZ)
    print(f"{'drum':10s}    n moved   {head}   below {WORST_DB} dB")
    for drum in [*realkit.CLOSE, "all"]:
        here = [one for one in rows if drum in (one.drum, "all")]
        if not here:
            continue
        text = f"{drum:10s} {len(here):4d} {sum(one.shift_ms is not None for one in here):5d} "
        for k in range(len(BANDS_HZ)):
            got, possible = ([getattr(one, side)[k] for one in here] for side in ("chosen_db", "best_db"))
            # Where nothing can be gained there is no share of it.
            share = f"{np.sum(got) / np.sum(possible):5.0%}" if np.mean(possible) > 0.05 else "    -"
            text += f"  {np.mean(got):5.2f}/{np.mean(possible):5.2f}  {share} {np.min(got):5.2f}"
        print(f"{text}   {sum(min(one.chosen_db) < WORST_DB for one in here):3d}")
