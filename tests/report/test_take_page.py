"""What the page of a take says of alignment agrees with what the command says."""

from __future__ import annotations

from types import SimpleNamespace

from micalign.alignment.offsets import Remain
from micalign.report.take_page import take_values


def test_what_remains_is_told_of_the_tracks_that_are_there_for_the_source() -> None:
    """The largest first; a close mic of another drum hears it late whatever is done, and that is no remainder."""
    remains = (
        Remain("snare", "room", "snare mic", 0.00138, 2e-6, 1),
        Remain("ride", "kick mic", "overhead left", 0.00503, 2e-6, 1, is_bleed=True, is_faint=True),
        Remain("ride", "hat mic", "overhead left", 0.00111, 2e-6, 1, is_bleed=True),
        Remain("ride", "overhead right", "overhead left", 0.00257, 2e-6, 1),
    )
    found = SimpleNamespace(
        levels=(),
        is_sound=True,
        unreliable=(),
        measured=SimpleNamespace(sources=(), tracks=(), sums=()),
        offsets=SimpleNamespace(remains=remains, shifts=(), sample_rate=48000, compromise="at most 2.57 ms remains"),
        gain=SimpleNamespace(before_db=None, after_db=None),
        heard=(),
    )
    told = take_values(found, speed_of_sound_m_s=343.0)["remains"]  # type: ignore[arg-type]
    assert told == [
        ("ride", "overhead right", "overhead left", "+2.570 ms", "195 Hz"),
        ("snare", "room", "snare mic", "+1.380 ms", "362 Hz"),
        ("ride", "hat mic (bleed)", "overhead left", "+1.110 ms", "450 Hz"),
    ]
