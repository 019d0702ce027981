"""What turns a DI's phase towards its mic: sections, and the shift and polarity that go with them.

They are fitted in `micalign.alignment.onepath.allpass`; what a section does stands in `micalign.alignment.all_pass`.
"""

from __future__ import annotations

from dataclasses import dataclass

from micalign.alignment.all_pass import Section

__all__ = ["PhaseMatch"]


@dataclass(frozen=True, slots=True)
class PhaseMatch:
    """All-pass sections as (hertz, Q), the extra shift and polarity they go with, and the proof on unseen windows.

    ``polarity`` is -1 where the sections turn the DI over in the band, so that the flip that delay alone asked for is
    taken back (or made). ``before_db`` and ``after_db`` are the loudness-weighted coherent gain of DI plus mic at equal
    loudness. ``against`` names the mic; ``group_delay_s`` is the longest that the sections hold any note back.
    """

    sections: tuple[Section, ...]
    shift_s: float
    polarity: int
    before_db: float
    after_db: float
    band_hz: tuple[float, float]
    against: str = ""
    group_delay_s: float = 0.0
