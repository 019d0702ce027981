"""Every number that somebody chose for words, tables and pages: unit, reason, and who or what set it.

Sizes on a page and how many rows a table shows stand where they are used, with a word.
"""

from __future__ import annotations

from typing import Final

__all__ = ["CLEAR_POLARITY"]

CLEAR_POLARITY: Final = 0.1
"""Of 1: a polarity whose margin is less is printed with a question mark."""
