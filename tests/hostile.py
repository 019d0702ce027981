"""What people, other programs and ill will put where a name, a number or a length belongs; and damage to text."""

from __future__ import annotations

import json
import random
from typing import Any, Final

NAMES: Final = [
    "snare", "kick", "SNARE", "", " ", ".", "..", "-o", "../../x", "/etc/passwd", "a\\b", "C:\\takes\\a.wav", "a:2",
    "a\nmicalign: all is well", "\t", "\x1b[31mred", "\x9b31m", "\u202egnp.exe", "\u200b", "\ufeff", "\uffff",
    "🥁", "e" + "\u0301" * 90, "n" * 200, "n" * 201, "n" * 255, '<b>&"', "</script><img src=x onerror=alert(1)>",
    "{{ 7 * 7 }}", "=1+1", "@SUM(A1)", "[bold red]x[/]", "$\\frac{1}{0}$", "a_b^c$", "%s{0}", "truth.json",
]  # fmt: skip
NUMBERS: Final = [
    0, -0.0, 1, -1, 0.5, 1.9, 2.5, 0.1, 5e-324, 1e-300, 1e-12, 1e-9, 9999, 10_000.1, -9999, 1e9, 1e300, -1e300, 10**400,
    float("nan"), float("inf"), float("-inf"), True,
]  # fmt: skip
LENGTHS: Final = [
    "41 in", "3 ft 5 1/2 in", "62 cm", "0.62", "-1 m", "--1 m", "1/0 m", "9" * 60 + " m", "1 furlong", "5' 6\"", "٣ m",
    "1,5 m", "m", "1 m 2 m", "1e3 m", "?", "nan", "inf",
]  # fmt: skip
NESTED: Final[list[Any]] = [[], {}, [[]], [1], [1, 2, 3], {"a": 1}, [[1, 2], [3]], "2020-01-01"]


def toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def anything(draws: random.Random) -> Any:
    """A value of any kind."""
    return draws.choice(draws.choice([NAMES, NUMBERS, LENGTHS, NESTED]))


def damaged(text: str, draws: random.Random, words: list[str]) -> str:
    """The text with some places cut, doubled, moved or replaced by ``words``."""
    for _ in range(draws.randrange(1, 5)):
        at = draws.randrange(len(text) + 1)
        match draws.randrange(5):
            case 0:
                text = text[:at] + text[at + draws.randrange(40) :]
            case 1:
                text = text[:at] + draws.choice(words) + text[at:]
            case 2:
                text = text[:at] + text[at - 60 if at > 60 else 0 : at] + text[at:]
            case 3:
                text = (
                    text[:at]
                    + chr(draws.choice([0, 10, 27, 34, 61, 91, 93, 123, 125, 0x202E, 0x1F941]))
                    + text[at + 1 :]
                )
            case _:
                # A value in place of another one, so that the text stays whole.
                lines = text.split("\n")
                row = draws.randrange(len(lines))
                key, sign, _ = lines[row].partition("=")
                lines[row] = f"{key}= {draws.choice(words)}" if sign else lines[row]
                text = "\n".join(lines)
    return text
