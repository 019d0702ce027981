"""Which mics stand at a drum that is struck in this take, and when is it struck?

A drum's own mic hears it louder, against any other mic, than it hears the other drums, and before all others do. A mic
whose drum is not struck hears what others play: its strokes hardly stand out of each other, nothing in it comes near to
what stands over the kit, or at its loudest strokes another close mic is as loud against it as at that mic's own, and
hears them first. What it were laid by is another drum's arrival, so that it stays as recorded.

Strokes are seconds on the take's clock.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from micalign.alignment.over_kit import HeardKit, begins_s, heard_db, heard_db_at
from micalign.alignment.own_strokes import evenly
from micalign.alignment.tuned import (
    EARLY_S,
    LED_S,
    MOST_OWN,
    OTHERS_DB,
    OWN_DB,
    PARTED_DB,
    PARTED_WELL_DB,
    SOFT_DB,
)
from micalign.arrays import Floats
from micalign.tdoa.strokes import Listened

__all__ = ["own_strokes", "unstruck"]


def own_strokes(one: Listened, reference: Listened) -> Floats:
    """When a close mic's own drum is struck: its loud strokes, but for what the reference hears about as loud.

    A mic has its own drum louder, against what stands over the kit, than any other drum.
    """
    begins = one.first_wavefronts
    if not len(begins):
        return np.zeros(0)
    rate = one.sample_rate
    times_s = np.asarray(begins / rate + one.start_s, dtype=np.float64)
    over_db = heard_db(one, begins) - heard_db_at(reference, times_s)
    over_db = np.where(np.isfinite(over_db), over_db, -np.inf)
    return times_s[over_db >= np.quantile(over_db, MOST_OWN, method="lower") - OWN_DB]


def unstruck(
    told: HeardKit | None, over: Sequence[Listened], others: Mapping[str, Listened], close: Mapping[str, Listened]
) -> dict[str, str]:
    """The mics at no drum that is struck, and by what that is known.

    Parameters
    ----------
    told : HeardKit or None
        What all tracks hear.
    over : sequence of Listened
        What all is laid onto, the reference first.
    others : mapping of name to Listened
        All tracks but the reference.
    close : mapping of name to Listened
        Those of them that may stand at a drum.
    """
    nothing = "its strokes hardly stand out, and another hears them first: left as recorded"
    softer = f"far softer than '{over[0].name}', as a mic whose drum is not struck: left as recorded"
    led = {
        name: f"its drum is not struck, as '{by}' hears its strokes first and as loud as its own: left as recorded"
        for name, by in _led(over, close).items()
    }
    return led | dict.fromkeys(_soft(over, others), softer) | dict.fromkeys(_bleed(told, over, others), nothing)


def _bleed(told: HeardKit | None, over: Sequence[Listened], others: Mapping[str, Listened]) -> list[str]:
    """The tracks that stand at no drum that is played: their strokes hardly stand out, and another hears them first.

    However sure their arrival is: it is that of another's drum.
    """
    drums = {told.tracks[drum].name for drum in told.drums} if told is not None else set(others)
    return [name for name, one in others.items() if _may_be_bleed(one, over, PARTED_DB) and name not in drums]


def _may_be_bleed(one: Listened, over: Sequence[Listened], parted_db: float) -> bool:
    """Whether strokes stand out of it by less than that, and it is not far louder than what stands over the kit.

    A mic that stands at a drum is as loud as that.
    """
    most = max(_loudest(heard) for heard in over) / 10.0 ** (SOFT_DB / 10.0)
    return 0 < one.strokes.gap_db < parted_db and _loudest(one) < most


def _soft(over: Sequence[Listened], others: Mapping[str, Listened]) -> list[str]:
    """The tracks in which nothing comes near to what stands over the kit: a mic at a drum that is struck is louder."""
    least = min(_loudest(one) for one in over) * 10.0 ** (SOFT_DB / 10.0)
    return [name for name, one in others.items() if _loudest(one) < least]


def _loudest(one: Listened) -> float:
    """The power of its loudest millisecond."""
    return float(one.envelope.power.max())


def _led(over: Sequence[Listened], close: Mapping[str, Listened]) -> dict[str, str]:
    """The mics whose strokes are another's, and which other that is.

    How much louder one of two mics is says of which drum a stroke is, whatever their gains. Mics of one drum agree in
    that too, and the farther is later; its strokes stand out more than bleed's, or it is louder than the overheads.
    What hears its strokes well after them began at another time.
    """
    own = {name: times_s for name, one in close.items() if len(times_s := evenly(own_strokes(one, over[0])))}
    found = {}
    for name, times_s in own.items():
        one = close[name]
        if not _may_be_bleed(one, over, PARTED_WELL_DB):
            continue
        begins = begins_s(one, times_s)
        if max(float(np.median(begins_s(heard, times_s) - begins)) for heard in over) < -EARLY_S:
            continue
        alike = [by for by in own if by != name and _apart_db(one, close[by], times_s, own[by]) < OTHERS_DB]
        before_s = {by: float(np.median(begins - begins_s(close[by], times_s))) for by in alike}
        first = max(before_s, key=lambda by: before_s[by], default=None)
        if first is not None and before_s[first] >= LED_S:
            found[name] = first
    return found


def _apart_db(one: Listened, by: Listened, own_s: Floats, theirs_s: Floats) -> float:
    """By how much more a mic is louder than another at its own strokes than at the other's, in the middle."""
    own_db, theirs_db = (_middle_db(heard_db_at(one, at_s) - heard_db_at(by, at_s)) for at_s in (own_s, theirs_s))
    return own_db - theirs_db


def _middle_db(values: Floats) -> float:
    """The middle of what is known; nan of nothing, which is like nothing."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")
