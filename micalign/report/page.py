"""How a page comes about: templates that escape every name, one style for screen and paper, nothing from a network.

A page is one file. Its figures are ``<svg>`` elements whose colours follow the page; its scripts and styles are in it,
and a content policy forbids it to ask any other place for anything.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from micalign import __version__
from micalign.figures.style import COLOURS, DARK

__all__ = ["audio_address", "page", "variables"]


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
