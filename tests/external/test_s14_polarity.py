"""Polarity: an inverted track is told as such, at the delay it had before."""

from __future__ import annotations

import numpy as np
import outside
import pytest

from micalign.take.tracks import Track
from micalign.tdoa.measure import measure_pair

# Positive pressure gives a positive voltage on contact 2 against contact 3 (IEC 60268-12 and AES26, from memory): a
# cable wired the other way round is an inversion of the signal and nothing else.
SOURCE = "definition: inversion is multiplication by -1; contact convention IEC 60268-12, AES26-2001, from memory"


@pytest.mark.parametrize("delay", [0, 61])
def test_an_inverted_copy_reads_minus_one_at_the_same_delay(rng, delay):
    """Polarity of a copy and of an inverted copy, and that the delay is the same."""
    sound = rng.standard_normal(2 * 48000) * 0.1
    late = np.concatenate([np.zeros(delay), sound])[: len(sound)]
    first = Track.from_array("plain", sound, 48000)
    plain = measure_pair(first, Track.from_array("plain late", late, 48000))
    turned = measure_pair(first, Track.from_array("inverted late", -late, 48000))
    outside.confirm("polarity of a copy", plain.polarity, 1, within=0, source=SOURCE)
    outside.confirm("polarity of an inverted copy", turned.polarity, -1, within=0, source=SOURCE)
    # A thousandth of a sample: two maxima of one curve, found from one side and the other.
    outside.confirm(
        "delay of an inverted copy", turned.delay_s * 48000, delay, within=1e-3, source=SOURCE,
        unit="samples",
    )  # fmt: skip
