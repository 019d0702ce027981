"""Questions for a class, and their answers, worked out by the same arithmetic as everything else.

The same seed gives the same questions; the kinds come in turn, one on the comb and one on the way of the sound.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from itertools import chain, zip_longest
from typing import Final

from micalign.report.comb_questions import COMB_KINDS
from micalign.report.page import page
from micalign.report.question import Question, told_speed_m_s
from micalign.report.way_questions import WAY_KINDS
from micalign.units import show_speed

__all__ = ["question_page", "questions"]

_KINDS: Final = tuple(kind for kind in chain(*zip_longest(COMB_KINDS, WAY_KINDS)) if kind is not None)


def questions(count: int, *, seed: int = 1, unit: str = "cm") -> tuple[Question, ...]:
    """So many questions, the kinds in turn.

    Parameters
    ----------
    count : int
    seed : int
    unit : {"m", "cm", "mm", "ft", "in"}
        For the lengths.

    Examples
    --------
    >>> questions(1)[0].text == questions(3)[0].text
    True
    >>> len({question.text for question in questions(20)})
    20
    """
    rng = random.Random(seed)
    made: list[Question] = []
    turn = 0
    while len(made) < count:
        question = _KINDS[turn % len(_KINDS)](rng, unit)
        turn += 1
        # Twice the same is no exercise; a very long sheet may run out of new ones.
        if question not in made or turn > 20 * count:
            made.append(question)
    return tuple(made)


def question_page(asked: Sequence[Question], *, answers: bool, seed: int, unit: str = "cm") -> str:
    """The question sheet, or with ``answers`` the answer sheet."""
    title = "Combs: answers" if answers else "Combs: questions"
    speed = show_speed(told_speed_m_s(unit), unit)
    values = {"title": title, "questions": asked, "answers": answers, "seed": seed, "speed": speed}
    return page("questions.html.j2", values)
