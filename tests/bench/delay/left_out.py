"""Rules of `align`, each left out in turn, to see what it gains on whole takes and whom it keeps from harm.

    python tests/bench/delay/score_real.py --realkit FOLDER --only-gain --seeds 30 31 --without RULE ...
    python tests/bench/delay/score_real.py --realkit FOLDER --only-gain --order scene --without "scene: ..." ...

A rule is left out by giving the number that it stands on a value at which it never speaks, or its function an answer
that changes nothing; what stays is the rest of `micalign.alignment`. What each kind of evidence is worth that two mics
stand over a kit says ``fit_over.py``.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from importlib import import_module
from typing import Any
from unittest.mock import patch

from micalign.alignment import own_strokes, session
from micalign.alignment.close_mics import LaidMics
from micalign.alignment.offsets import Offsets

_Change = tuple[str, str, Any]
"""Module of `micalign.alignment`, name in it, what stands there instead."""


def _by_sum_alone(best: own_strokes.CloseMic, there: Any, recorded: Any) -> own_strokes.CloseMic:
    return _DECIDED(best, None if there is not None and there.is_likely else there, recorded)


def _hears_all(scene: Any, names: Any) -> dict[str, frozenset[str]]:
    return {source.name: frozenset(names) for source in scene.sources}


def _apart(*given: Any, **asked: Any) -> Any:
    return _CONSTRAINTS(*given, **(asked | {"split_pairs": True}))


def _as_agreed(offsets: Offsets, *_: Any) -> LaidMics:
    return LaidMics(offsets.shifts, (), ())


_DECIDED = own_strokes._decided
_CONSTRAINTS = session.constraints_of

RULES: dict[str, tuple[_Change, ...]] = {
    "harm: both bands of the choice": (("own_strokes", "HARM_DB", -99.0),),
    "harm: the best of what does none": (("own_strokes", "_harmless", lambda total_db, _: total_db),),
    "surely: the scatter of strokes": (("own_strokes", "SURELY", 0.0),),
    "worth: a best sum must gain": (("own_strokes", "WORTH_DB", 0.0),),
    "turn: a sure polarity": (("own_strokes", "TURN_DB", 0.5),),
    "beyond: near the arrival": (("laid_kit", "BEYOND_S", 10e-3),),
    "struck: what hardly stands out stays": (("laid_kit", "_bleed", lambda *_: []),),
    "struck: what another hears first stays": (("laid_kit", "_led", lambda *_: {}),),
    "span: near the other mics' arrivals": (("laid_kit", "_span", lambda *_: None),),
    "likely: a doubtful arrival says where": (("laid_kit", "LIKELY", 1.1),),
    "likely: taken where it sums alike": (("own_strokes", "_decided", _by_sum_alone),),
    "mate: onto both overheads": (("laid_kit", "mates_of", lambda *_: []),),
    "rooms stay": (("laid_kit", "rooms_of", lambda *_: set()),),
    "over: alike levels stay": (("laid_kit", "OVER_DB", -1.0),),
    "early: who hears it first is no overhead": (("laid_kit", "_is_early", lambda *_: False),),
    "over: late after every drum's own mic": (("over_kit", "_drums", lambda *_: {}),),
    "over: likelier than all else": (("over_kit", "OVER_CHANCE", 0.0),),
    "soft: far softer than the overheads stays": (("laid_kit", "_soft", lambda *_: []),),
    "names: over few mics": (("laid_kit", "_close_by_name", lambda *_: []),),
    "names": (("over_kit", "is_called", lambda *_: False),),
    "names: one that never rises with the drums is none": (("over_kit", "_never_follows", lambda *_: False),),
    "one path: coherent": (("one_performance", "LEAST_COHERENCE", 0.0),),
    "one path: steady notes": (("one_performance", "LEAST_STEADY", 0.0),),
    "one path: a loudspeaker is dark": (("one_performance", "DARK_DB", 99.0),),
    "one path: shape and smoothness": (
        ("one_performance", "LEAST_SHAPE_DB", 0.0),
        ("one_performance", "MOST_ROUGH", 9.0),
    ),
    # With a scene (--order scene, or after a line check).
    "scene: faint bleed joins nothing": (("session", "well_heard", _hears_all),),
    "scene: a pair moves as one": (("session", "constraints_of", _apart),),
    "scene: what a mic is there for": (("network", "BESIDE_THE_POINT", 1.0),),
    "scene: rooms follow": (("compromise", "FOLLOWING", 1.0),),
    "scene: close mics by own strokes": (("session", "laid_close_mics", _as_agreed),),
    "network: a wrong link loses weight": (("network", "HUBER", 1e9),),
    "solo: found by itself": (("session", "found_alone", lambda *_, **__: ()),),
    "solo: outranks the song": (("session", "outranked", lambda song, _: song),),
}


@contextmanager
def without_rule(rule: str) -> Iterator[None]:
    """Leaves out one of `RULES`; the empty name leaves out nothing."""
    with ExitStack() as stack:
        for module, name, instead in RULES.get(rule, ()):
            stack.enter_context(patch.object(import_module(f"micalign.alignment.{module}"), name, instead))
        yield
