"""Line checks of random kits in random rooms with one planted fault each: is it found, and is nothing invented?

The kits are those of `planted_kits`: every source and mic stands a centimetre off, the air is a degree off, SNR 50 dB.
A simulation of ours proves that we agree with ourselves; what a real kit says is in `realkit_linecheck`.

    python tests/bench/alignment/linecheck_rooms.py [rooms]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from planted_kits import RATE, planted

from micalign.alignment.network import own_tracks
from micalign.compare.linecheck import LineCheck, checked_lines
from micalign.simulate.virtual_take import simulate
from micalign.take.tracks import Track
from micalign.tdoa.delays import Alone

KINDS = ("none", "swapped", "flipped", "late", "dead")
RULES = {"swapped": "swapped", "flipped": "flipped", "late": "late", "dead": "dead"}
SECONDS, SNR_DB = 24.0, 50.0


@dataclass(frozen=True)
class Room:
    """One line check with its planted fault: the kind and the tracks that it is on."""

    kind: str
    names: frozenset[str]
    found: LineCheck

    @property
    def told(self) -> dict[str, set[str]]:
        """The problems that were told, by rule: the lines they are on."""
        out: dict[str, set[str]] = {}
        for line in self.found.lines:
            for one in line.remarks:
                if one.severity == "problem":
                    out.setdefault(one.rule, set()).add(line.track)
        return out

    @property
    def is_found(self) -> bool:
        """Whether the fault is told of the very lines that it is on."""
        return self.kind == "none" or self.told.get(RULES[self.kind]) == set(self.names)

    @property
    def invented(self) -> dict[str, set[str]]:
        """What is told and was not planted."""
        return {rule: lines for rule, lines in self.told.items() if rule != RULES.get(self.kind) or lines != self.names}


def room(kind: str, seed: int) -> Room:
    """A line check in a random room."""
    rng = np.random.default_rng([seed, 2100, KINDS.index(kind)])
    plan = planted("none" if kind == "dead" else kind, rng)
    made = simulate(
        plan.scene, seconds=SECONDS, seed=seed, snr_db=SNR_DB, faults=plan.faults, sample_rate=RATE, together=0.0
    )
    names, samples = plan.names, dict(made.tracks)
    if kind == "dead":
        one = str(rng.choice(list(samples)))
        names, samples[one] = frozenset([one]), 10 ** (-70 / 20) * rng.normal(size=len(samples[one]))
    tracks = tuple(Track.from_array(name, sound, RATE) for name, sound in samples.items())
    stretches = [
        Alone(source, tracks, ((max(float(at[0]) - 0.05, 0.0), float(at[-1]) + 0.3),))
        for source, at in made.moments_s.items()
    ]
    own = own_tracks(plan.scene, list(samples))
    return Room(kind, names, checked_lines(tracks, stretches, scene=plan.scene, own=own))


def main() -> None:
    rooms = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    found = wrong = 0
    for seed in range(rooms):
        one = room(KINDS[seed % len(KINDS)], seed)
        found += one.is_found
        wrong += bool(one.invented)
        if not one.is_found or one.invented:
            print(f"room {seed}, {one.kind} on {sorted(one.names)}: told {one.told}", flush=True)
    print(f"{found} of {rooms} as planted, {wrong} rooms with something invented")


if __name__ == "__main__":
    main()
