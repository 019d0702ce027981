"""Do the arrivals of several mics on one performance agree all the way round?

With a DI and two mics there are three pairs; the way round must come back to 0. A loop that stays open by more than
`OPEN_S` has a wrong leg: the one whose tracks are least alike (a mic that followed a drum's bleed) is distrusted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from micalign.alignment.onepath.recognise import recognise
from micalign.take.model import Track
from micalign.tdoa.measure import Delay, measure_pair

__all__ = ["OPEN_S", "doubted"]

OPEN_S: Final = 0.3e-3
_REACH_S: Final = 0.02


@dataclass(frozen=True)
class _Leg:
    names: tuple[str, str]
    delay_s: float
    coherence: float


def doubted(reference: Track, tracks: Sequence[Track], arrivals: Mapping[str, Delay]) -> dict[str, str]:
    """Of the tracks that arrived reliably, those not to be trusted after all, each with the reason.

    Parameters
    ----------
    reference : Track
    tracks : sequence of Track
    arrivals : mapping of name to Delay
        Arrival of each track against the reference.
    """
    sure = [track for track in tracks if arrivals[track.name].reliable]
    direct = {
        track.name: _Leg(
            (reference.name, track.name),
            arrivals[track.name].delay_s,
            recognise(reference, track, arrivals[track.name].delay_s).coherence,
        )
        for track in sure
    }
    said: dict[str, str] = {}
    for one, other in combinations(sure, 2):
        across = _across(one, other, direct)
        if across is None:
            continue
        open_s = direct[one.name].delay_s + across.delay_s - direct[other.name].delay_s
        worst = min((direct[one.name], direct[other.name], across), key=lambda leg: leg.coherence)
        if abs(open_s) > OPEN_S and worst is not across:
            said[worst.names[1]] = (
                f"the way round over '{(one if worst.names[1] == other.name else other).name}' stays open by "
                f"{abs(open_s) * 1e3:.2f} ms, and these two are the least alike"
            )
    return said


def _across(one: Track, other: Track, direct: Mapping[str, _Leg]) -> _Leg | None:
    expected_s = direct[other.name].delay_s - direct[one.name].delay_s
    found = measure_pair(one, other, prior_s=expected_s, max_delay_s=_REACH_S, close="neither")
    if not found.reliable:
        return None
    return _Leg((one.name, other.name), found.delay_s, recognise(one, other, found.delay_s).coherence)
