"""How a page comes about: templates that escape every name, one style for screen and paper, nothing from a network.

A page is one file. Its figures are ``<svg>`` elements whose colours follow the page; its scripts and styles are in it,
and a content policy forbids it to ask any other place for anything. On each page with sound stands for how long an ear
may be exposed to a level: 85 dBA for 8 hours, and half the time for each 3 dB more (NIOSH, Criteria for a Recommended
Standard: Occupational Noise Exposure, Publication 98-126, 1998). A guide for healthy adults at work, no promise; local
codes may be stricter.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from functools import cache
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from micalign import __version__
from micalign.figures.style import COLOURS, DARK

__all__ = ["HEARING_WORDS", "LIMIT_DBA", "allowed_minutes", "audio_address", "page", "show_minutes", "variables"]
LIMIT_DBA: Final = 85.0
_WHOLE_DAY_MINUTES: Final = 480.0
_EXCHANGE_DB: Final = 3.0


@cache
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("micalign.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(light=variables(COLOURS), dark=variables(DARK), version=__version__)
    return made


def variables(colours: Mapping[str, str]) -> Markup:
    """The palette as CSS variables.

    >>> variables({"ink": "#000000"})
    Markup('--ink: #000000;')
    """
    return Markup(" ".join(f"--{name}: {colour};" for name, colour in colours.items()))


def page(template: str, values: Mapping[str, Any]) -> str:
    """A page from a template of ours; every value in it is escaped unless it is our own markup.

    Parameters
    ----------
    template : str
        A file of ``micalign/report/templates``.
    values : mapping
        What the template asks for; a missing value is a defect and raises.
    """
    return _environment().get_template(template).render(values)


def audio_address(data: bytes, kind: str = "audio/wav") -> str:
    """The bytes of a sound as an address that a page can hold.

    >>> audio_address(b"RIFF")
    'data:audio/wav;base64,UklGRg=='
    """
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


def allowed_minutes(level_dba: float) -> float:
    """Minutes a day at a level: 480 / 2^((L - 85) / 3).

    >>> allowed_minutes(85.0), allowed_minutes(100.0)
    (480.0, 15.0)
    """
    return float(_WHOLE_DAY_MINUTES / 2.0 ** ((level_dba - LIMIT_DBA) / _EXCHANGE_DB))


def show_minutes(minutes: float) -> str:
    """A time as a table writes it.

    >>> [show_minutes(value) for value in (480.0, 120.0, 15.0, 1.875, 0.46875)]
    ['8 h', '2 h', '15 min', '1 min 53 s', '28 s']
    """
    if minutes >= 60:
        return f"{minutes / 60:g} h"
    whole, seconds = divmod(math.floor(minutes * 60 + 0.5), 60)
    return " ".join([f"{whole} min"] * bool(whole) + [f"{seconds} s"] * bool(seconds))


HEARING_WORDS: Final = (
    f"NIOSH (98-126, 1998) recommends at most 85 dBA for {show_minutes(allowed_minutes(85))} a day, and half the time "
    f"for each 3 dB more: {show_minutes(allowed_minutes(94))} at 94 dBA, {show_minutes(allowed_minutes(100))} at "
    f"100 dBA, {show_minutes(allowed_minutes(109))} at 109 dBA. A kit played hard reaches such levels at the "
    "player's ear; so do headphones. Wear protection beside a kit, and follow local codes where they ask for more."
)
"""The caution that pages print, with the figures worked out."""
