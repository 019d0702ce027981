"""What every table of the scene file has in common."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict

from micalign.scene.fields import number

__all__ = ["Entry", "Gain", "Share"]


class Entry(BaseModel):
    """One table of the file; an unknown key is a fault."""

    model_config = ConfigDict(extra="forbid", frozen=True)


Gain = Annotated[float, number(-200.0, 100.0, "a level in dB lies between -200 and 100")]
Share = Annotated[float, number(0.0, 1.0, "an absorption is a share of the energy, 0 to 1 (30 % is 0.30)")]
