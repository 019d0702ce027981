"""A line check of a real kit: isolated hits, then a groove. How right is what is read from the hits?

    python tests/bench/delay/realkit_linecheck.py FOLDER [--half held-out] [--seeds 3] [--part PART]

*arrivals*: first wavefronts of each drum alone against the truth's kept pairs: the share within 0.1 ms of the window,
the share of errors (against the truth's middle) within one and two stated sigma, polarity where the truth has one.
*stretches*: line checks followed by grooves: how many of the stretches found hold one drum alone (precision), how many
drums of the line check are found, more than half of their time (recall).
*align*: the groove alone, the groove with its line check told, and with what is found by itself: what each close mic's
strokes in the groove gain in the sum with the overheads, against the best single shift of that mic (`sum_gain`).
*faults*: line checks with one planted fault (two close lines swapped, one dead, one 5 ms late, an overhead inverted, or
none), under a scene without places: what `linecheck` tells as a problem.

The truth is the first wavefront as six estimators read it from isolated hits; its windows are 0.1 to 0.3 ms wide.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, realtakes, sum_gain

from micalign.alignment.network import own_tracks
from micalign.alignment.pairings import Measured
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.compare.linecheck import checked_lines
from micalign.scene.model import Mic, Pair, Source
from micalign.scene.quantities import AloneStretch
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track
from micalign.tdoa.alone import found_stretches, heard_alone
from micalign.tdoa.delays import Alone, Wanted

NEAR_S = 1e-4


@dataclass(frozen=True)
class Read:
    """One pair of one drum, read from a line check: seconds off the truth's middle and off its window."""

    source: str
    pair: str
    seed: int
    error_s: float
    off_s: float
    sigma_s: float
    reliable: bool
    polarity: int
    truth_polarity: int | None
    margin: float


def arrivals(kit: realkit.RealKit, half: str, seeds: int) -> list[Read]:
    """Every kept pair of every drum, by line checks of eight hits."""
    out = []
    for seed in range(seeds):
        for source in _struck(kit, half):
            take = realtakes.isolated(kit, source, 8, seed=seed, half=half)
            tracks = tuple(Track.from_array(name, sound, take.rate) for name, sound in take.tracks)
            names = tuple(track.name for track in tracks)
            seconds = tracks[0].duration_s
            close = realkit.CLOSE.get(source)
            told = heard_alone(Alone(source, tracks, ((0.0, seconds),)), Wanted(source, names, close)).delays
            delays = {(pair.reference, pair.track): pair.delay for pair in told.pairs}
            for pair, row in kit.truth[source].items():
                first, second = pair.split(">")
                if not row["kept"] or not {first, second} <= set(names):
                    continue
                delay, sign = delays.get((first, second)), 1
                if delay is None:
                    delay, sign = delays[second, first], -1
                value = sign * delay.delay_s
                off = max(row["lo_s"] - value, value - row["hi_s"], 0.0)
                said = (delay.uncertainty_s, delay.reliable, delay.polarity, row["polarity"], delay.polarity_margin)
                out.append(Read(source, pair, seed, value - row["delay_s"], off, *said))
    return out


def _struck(kit: realkit.RealKit, half: str) -> list[str]:
    """The sources of which there are hits: a packed kit lacks some."""
    return [source for source in realkit.SOURCES if kit.hits(source, half)]


def told_arrivals(reads: list[Read]) -> str:
    """The figures in words."""
    near = np.array([one.off_s <= NEAR_S for one in reads])
    sure = np.array([one.reliable for one in reads])
    z = np.array([abs(one.error_s) / one.sigma_s for one in reads])
    signs = [one.polarity == one.truth_polarity for one in reads if one.truth_polarity]
    lines = [
        f"{near.sum()} of {len(near)} kept pairs within 0.1 ms of the window ({near.mean():.1%})",
        f"{near[sure].sum()} of the {sure.sum()} reliable ones ({near[sure].mean():.1%})",
        f"within one sigma {np.mean(z[sure] < 1):.0%}, within two {np.mean(z[sure] < 2):.0%} of the reliable ones",
        f"polarity right in {sum(signs)} of {len(signs)}",
    ]
    for pair in sorted({(one.source, one.pair) for one in reads}):
        own = [one for one in reads if (one.source, one.pair) == pair]
        if any(one.off_s > NEAR_S for one in own):
            said = ", ".join(f"{1e3 * one.error_s:+.2f}{'' if one.reliable else '?'}" for one in own)
            lines.append(f"  {pair[0]}: {pair[1]}: off by {said} ms")
    return "\n".join(lines)


def session(kit: realkit.RealKit, seed: int, half: str) -> tuple[realtakes.Take, list[tuple[str, float, float]]]:
    """Each drum alone, five to nine hits, then 25 s of a groove; the spans of the line check."""
    rng = np.random.default_rng([seed, 77])
    strokes: list[grooves.Stroke] = []
    spans, at = [], 0.6
    for source in rng.permutation(_struck(kit, half)):
        begin = at
        for _ in range(int(rng.integers(5, 10))):
            strokes.append((str(source), None, float(at), float(rng.normal(-2, 2))))
            at += rng.uniform(0.45, 0.95)
        spans.append((str(source), begin, at))
        at += rng.uniform(0.5, 2.0)
    style = str(rng.choice(grooves.STYLES))
    song = grooves.played(rng, style, 25.0, sparse=bool(rng.random() < 0.3))
    strokes += [(source, folder, time + at, db) for source, folder, time, db in song]
    take = realtakes.recorded(kit, rng, strokes, at + 25.0, style, f"line check, {style} {seed}", seed, half, -80.0)
    return take, spans


def stretches(kit: realkit.RealKit, half: str, seeds: int) -> tuple[float, float, str]:
    """Precision and recall of the stretches that are found by themselves, and both in words."""
    right = wrong = found = asked = 0
    lines = []
    for seed in range(seeds):
        take, spans = session(kit, seed, half)
        told = found_stretches([Track.from_array(name, sound, take.rate) for name, sound in take.tracks])
        for one in told:
            inside = {source for source, at in take.strokes if one.begin_s <= at + 0.002 < one.end_s}
            right += len(inside) == 1
            wrong += len(inside) != 1
            if len(inside) != 1:
                lines.append(f"  {take.name}: {one.begin_s:.1f}-{one.end_s:.1f} s holds {sorted(inside)}")
        for source, begin, end in spans:
            covered = sum(max(0.0, min(end, one.end_s) - max(begin, one.begin_s)) for one in told)
            found += covered > 0.5 * (end - begin)
            asked += 1
            if covered <= 0.5 * (end - begin):
                lines.append(f"  {take.name}: {source} at {begin:.1f}-{end:.1f} s is not found")
    precision = right / max(right + wrong, 1)
    head = f"precision {right} of {right + wrong} ({precision:.1%}), recall {found} of {asked} ({found / asked:.1%})"
    return precision, found / asked, "\n".join([head, *lines])


def scene_of(take: realtakes.Take) -> Scene:
    """The close mics, overheads and rooms of a take, without places: who is there for whom."""
    struck = [source for source in realkit.SOURCES if take.of(source)]
    close = [Mic(mic, on=(source,)) for source, mic in realkit.CLOSE.items() if source in struck]
    far = [Mic(mic, on=tuple(struck)) for mic in (*realkit.OVERHEADS, *realkit.ROOMS)]
    return Scene(
        sources=tuple(Source(source) for source in struck),
        mics=(*close, *far),
        pairs=(Pair("overheads", realkit.OVERHEADS), Pair("rooms", realkit.ROOMS)),
    )


def aligned(kit: realkit.RealKit, seed: int, half: str) -> dict[str, list[sum_gain.Gain]]:
    """What `align` gains on the groove of one session, by what it knew."""
    take, spans = session(kit, seed, half)
    song_s = max(end for _, _, end in spans)
    scene = scene_of(take)
    names = [mic.name for mic in scene.mics]

    def tracks(first_s: float) -> Take:
        cut = int(first_s * take.rate)
        return Take(tuple(Track.from_array(name, take.mics[name][cut:], take.rate) for name in names))

    whole = tracks(0.0)
    alone = [Alone(source, whole.tracks, ((begin - 0.05, end),)) for source, begin, end in spans]
    strike = [AloneStretch.parse(f"0-{len(take.mics[names[0]]) / take.rate:.2f}")]
    found = {
        "song": measured_scene(scene, tracks(song_s), struck=strike),
        "song, stretches found": measured_scene(scene, tracks(song_s)),
        "found": measured_scene(scene, whole),
        "told": measured_scene(scene, whole, alone=alone, struck=strike),
    }
    groove = replace(take, strokes=tuple(stroke for stroke in take.strokes if stroke[1] >= song_s))
    return {way: _gains(groove, scene, one) for way, one in found.items()}


def _gains(groove: realtakes.Take, scene: Scene, found: Measured) -> list[sum_gain.Gain]:
    names = [found.reference, *(one.track for one in found.tracks)]
    shifts = planned(found, constraints_of(scene, names, reference=found.reference)).shifts
    moves = {one.track: (one.shift_s, -1 if one.polarity_flip else 1) for one in shifts if one.applied}
    drums = [drum for drum in realkit.CLOSE if len(groove.of(drum)) >= sum_gain.FEWEST]
    return [sum_gain.gain_by(groove, drum, moves) for drum in drums]


FAULTS = ("none", "swapped", "dead", "late", "inverted")


def faulty(kit: realkit.RealKit, seed: int, half: str) -> tuple[str, set[str], dict[str, set[str]]]:
    """A line check with one fault: its kind, the lines it is on, and the problems that are told, by rule."""
    rng = np.random.default_rng([seed, 5])
    take, spans = session(kit, 100 + seed, half)
    cut = int((max(end for _, _, end in spans) + 0.2) * take.rate)
    scene = scene_of(take)
    names = [mic.name for mic in scene.mics]
    sounds = {name: take.mics[name][:cut].copy() for name in names}
    kind = FAULTS[seed % len(FAULTS)]
    one, other = (str(name) for name in rng.choice([m.name for m in scene.mics if len(m.on) == 1], 2, replace=False))
    lines = {one}
    if kind == "swapped":
        sounds[one], sounds[other], lines = sounds[other], sounds[one], {one, other}
    elif kind == "dead":
        sounds[one] = 1e-4 * rng.normal(size=cut)
    elif kind == "late":
        sounds[one] = np.concatenate([np.zeros(220), sounds[one][:-220]])
    elif kind == "inverted":
        lines = {str(rng.choice(realkit.OVERHEADS))}
        sounds |= {name: -sounds[name] for name in lines}
    else:
        lines = set()
    tracks = tuple(Track.from_array(name, sound, take.rate) for name, sound in sounds.items())
    alone = [Alone(source, tracks, ((begin - 0.05, min(end, cut / take.rate)),)) for source, begin, end in spans]
    told: dict[str, set[str]] = {}
    for line in checked_lines(tracks, alone, scene=scene, own=own_tracks(scene, names)).lines:
        for remark in line.remarks:
            if remark.severity == "problem":
                told.setdefault(remark.rule, set()).add(line.track)
    return kind, lines, told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?")
    parser.add_argument("--half", choices=realkit.HALVES, default="development")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--part", choices=("arrivals", "stretches", "align", "faults"), default="arrivals")
    asked = parser.parse_args()
    folder = realkit.given_folder(asked.folder)
    if folder is None:
        sys.exit(f"no kit: name its folder as an argument or in {realkit.VARIABLE}")
    kit = realkit.real_kit(folder)
    if asked.part == "arrivals":
        print(told_arrivals(arrivals(kit, asked.half, asked.seeds)))
    elif asked.part == "faults":
        for seed in range(asked.seeds):
            kind, lines, found = faulty(kit, seed, asked.half)
            verdict = "as planted" if found == ({kind: lines} if lines else {}) else f"told {found}"
            print(f"{seed}: {kind} on {sorted(lines)}: {verdict}", flush=True)
    elif asked.part == "align":
        told: dict[str, list[sum_gain.Gain]] = {}
        for seed in range(asked.seeds):
            for way, rows in aligned(kit, seed, asked.half).items():
                told.setdefault(way, []).extend(rows)
        for way, rows in told.items():
            print(f"\n{way}")
            sum_gain.gain_table(rows)
    else:
        print(stretches(kit, asked.half, asked.seeds)[2])


if __name__ == "__main__":
    main()
