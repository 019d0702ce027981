"""Several mics on one performance with a kit in the same room: a close and a far mic, two cabs, a DI and two mics.

Players and kit are synthesised (`bench.delay.sounds`), cabinets are measured (`bench.alignment.cabinets`). The far mic
hears the kit earlier than the close one, so that who follows the drums has the far mic early where it is late. Delays
are positive: later in the second track.

    PYTHONPATH=tests python -m bench.alignment.bled held-out
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from bench.alignment.cabinets import HALVES, response
from bench.alignment.cases import amplified, delayed
from bench.delay.sessions import groove
from bench.delay.sounds import RATE, bass_line, guitar
from scipy.signal import fftconvolve

from micalign.alignment.pairings import measured
from micalign.take.tracks import Track

SECONDS = 10.0
SETUPS = ("close and far", "two cabs", "DI and two mics")
RIGHT_S = 0.5e-3


@dataclass(frozen=True)
class Bled:
    """Tracks by name, the reference first, and when each arrives; ``bleed_s``: when the kit does."""

    label: str
    tracks: dict[str, np.ndarray]
    arrival_s: dict[str, float]
    bleed_s: dict[str, float]


def bled(half: str, *, seed: int = 0) -> Iterator[Bled]:
    """Every setup with every instrument and cabinet of a half, the kit 24 to 6 dB below the far mic's cab."""
    for number, instrument, setup in product(HALVES[half], ("bass", "guitar"), SETUPS):
        yield _case(number, instrument, setup, HALVES[half], seed)


def _case(number: int, instrument: str, setup: str, half: tuple[int, ...], seed: int) -> Bled:
    rng = np.random.default_rng([seed, number, SETUPS.index(setup), instrument == "bass", 81])
    dry = bass_line(rng, SECONDS) if instrument == "bass" else guitar(rng, SECONDS)
    driven = amplified(rng, dry, str(rng.choice(["clean", "driven"])))
    kit = sum(groove(rng, SECONDS).values())[: len(dry)]
    kit = kit / np.std(kit)
    other = half[(half.index(number) + 1) % len(half)] if setup == "two cabs" else number
    places = {"close": (number, rng.uniform(0, 0.5e-3), -24.0), "far": (other, rng.uniform(1.5e-3, 4e-3), -6.0)}
    if setup == "two cabs":
        places["far"] = (other, rng.uniform(0, 0.5e-3), -24.0)
    sound, arrival, bleed = {}, {}, {}
    if setup == "DI and two mics":
        sound["di"], arrival["di"] = 0.4 * dry + 1e-4 * rng.normal(size=len(dry)), 0.0
    kit_late = rng.uniform(4e-3, 7e-3)
    for name, (cabinet, late, bleed_db) in places.items():
        heard, lead_s = response(cabinet, RATE)
        own = delayed(fftconvolve(driven, heard), late, len(dry))
        arrival[name] = late + lead_s
        bleed[name] = kit_late if name == "close" else kit_late - 2.1e-3
        level = np.std(own) * 10 ** ((bleed_db - rng.uniform(0, 6)) / 20)
        track = own + level * delayed(kit, bleed[name], len(dry))
        sound[name] = 0.5 * track / np.abs(track).max() + 1e-4 * rng.normal(size=len(dry))
    return Bled(f"cabinet {number} {instrument} {setup}", sound, arrival, bleed)


@dataclass
class Told:
    """One pair of a case: what is off, whether it is to be acted on, and what the bleed would have said."""

    label: str
    off_s: float
    from_bleed_s: float
    reliable: bool
    reason: str | None

    @property
    def on_bleed(self) -> bool:
        """Whether it is the kit's delay and not the cab's."""
        return abs(self.from_bleed_s) <= RIGHT_S < abs(self.off_s)


def told(case: Bled) -> list[Told]:
    """What is found of each track against the first, by arrival."""
    first, *rest = (Track.from_array(name, sound, RATE) for name, sound in case.tracks.items())
    out = []
    for row in measured(first, rest, by="arrival").tracks:
        true_s = case.arrival_s[row.track] - case.arrival_s[first.name]
        bleed_s = case.bleed_s[row.track] - case.bleed_s.get(first.name, np.inf)
        out.append(
            Told(
                f"{case.label}: {first.name} to {row.track}",
                row.delay.delay_s - true_s,
                row.delay.delay_s - bleed_s,
                row.delay.reliable,
                row.delay.reason,
            )
        )
    return out


def summary(rows: list[Told]) -> str:
    """How many were relied on, and how many of those are off."""
    sure = [one for one in rows if one.reliable]
    wrong = sum(abs(one.off_s) > RIGHT_S for one in sure)
    return (
        f"{len(rows)} pairs, {len(sure)} relied on, {wrong} of them off by 0.5 ms or more, "
        f"{sum(one.on_bleed for one in sure)} on the bleed"
    )


def main(half: str) -> None:
    rows = []
    for case in bled(half):
        for one in told(case):
            verdict = "relied on" if one.reliable else "refused"
            print(f"{one.label:52s} {one.off_s * 1e3:+8.3f} ms off, {verdict} {one.reason or ''}", flush=True)
            rows.append(one)
    print(summary(rows))


if __name__ == "__main__":
    main(sys.argv[1])
