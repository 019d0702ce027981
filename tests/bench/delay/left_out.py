"""Rules of `align`, each left out in turn, to see what it gains on whole takes and whom it keeps from harm.

    python tests/bench/delay/score_real.py --realkit FOLDER --only-gain --seeds 30 31 --without RULE ...

A rule is left out by giving the number that it stands on a value at which it never speaks, or its function an answer
that changes nothing; what stays is the rest of `micalign.alignment`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from importlib import import_module
from typing import Any
from unittest.mock import patch

from micalign.alignment.own_strokes import _chosen

_Change = tuple[str, str, Any]
"""Module of `micalign.alignment`, name in it, what stands there instead."""


RULES: dict[str, tuple[_Change, ...]] = {
    "harm: both bands of the choice": (("own_strokes", "HARM_DB", -99.0),),
    "surely: the scatter of strokes": (("own_strokes", "SURELY", 0.0),),
    "worth: a best sum must gain": (("own_strokes", "WORTH_DB", 0.0),),
    "folds: judged on other strokes": (
        ("own_strokes", "_chosen", lambda sums, _strokes, costs_db: _chosen(sums, slice(None), costs_db)),
    ),
    "beyond: near the arrival": (("laid_kit", "BEYOND_S", 10e-3),),
    "per second: near a likely arrival": (("own_strokes", "PER_S_DB", 0.0),),
    "struck: what is not stays": (("laid_kit", "_bleed", lambda *_: []),),
    "span: near the other mics' arrivals": (("laid_kit", "_span", lambda *_: None),),
    "turned: of the likely polarity": (("own_strokes", "TURNED_DB", 0.0),),
    "likely: a doubtful arrival says where": (("laid_kit", "LIKELY", 1.1),),
    "mate: onto both overheads": (("laid_kit", "mates_of", lambda *_: []),),
    "rooms stay": (("laid_kit", "rooms_of", lambda *_: set()),),
    "over: alike levels stay": (("laid_kit", "OVER_DB", -1.0),),
    "early: who hears it first is no overhead": (("laid_kit", "_is_early", lambda *_: False),),
    "closer: leaves out strokes": (("laid_kit", "_closer", lambda *_: True),),
    "late: a drum's mic hears it first": (("over_kit", "LATER_S", -1.0),),
    "hears: most of the kit": (("over_kit", "HEARS_SHARE", 0.0),),
    "nearly: an earlier pair goes first": (("over_kit", "NEARLY", -1.0),),
    "late after every drum's own mic": (("over_kit", "_drums", lambda *_: {}),),
    "meets well: side by side is no pair": (("over_kit", "MEETS_WELL", 1.0),),
    "convincing": (("over_kit", "CONVINCING", -9.0),),
    "names": (("over_kit", "is_called", lambda *_: False),),
}


@contextmanager
def without_rule(rule: str) -> Iterator[None]:
    """Leaves out one of `RULES`; the empty name leaves out nothing."""
    with ExitStack() as stack:
        for module, name, instead in RULES.get(rule, ()):
            stack.enter_context(patch.object(import_module(f"micalign.alignment.{module}"), name, instead))
        yield
