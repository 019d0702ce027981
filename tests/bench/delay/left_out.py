"""Rules of `align`, each left out in turn, to see what it gains on whole takes and whom it keeps from harm.

    python tests/bench/delay/score_real.py --realkit FOLDER --only-gain --seeds 30 31 --without RULE ...

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

from micalign.alignment import own_strokes

_Change = tuple[str, str, Any]
"""Module of `micalign.alignment`, name in it, what stands there instead."""


def _by_sum_alone(best: own_strokes.CloseMic, there: Any, recorded: Any) -> own_strokes.CloseMic:
    return _DECIDED(best, None if there is not None and there.is_likely else there, recorded)


_DECIDED = own_strokes._decided

RULES: dict[str, tuple[_Change, ...]] = {
    "harm: both bands of the choice": (("own_strokes", "HARM_DB", -99.0),),
    "surely: the scatter of strokes": (("own_strokes", "SURELY", 0.0),),
    "worth: a best sum must gain": (("own_strokes", "WORTH_DB", 0.0),),
    "turn: a sure polarity": (("own_strokes", "TURN_DB", 0.5),),
    "beyond: near the arrival": (("laid_kit", "BEYOND_S", 10e-3),),
    "struck: what is not stays": (("laid_kit", "_bleed", lambda *_: []),),
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
}


@contextmanager
def without_rule(rule: str) -> Iterator[None]:
    """Leaves out one of `RULES`; the empty name leaves out nothing."""
    with ExitStack() as stack:
        for module, name, instead in RULES.get(rule, ()):
            stack.enter_context(patch.object(import_module(f"micalign.alignment.{module}"), name, instead))
        yield
