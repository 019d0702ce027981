from __future__ import annotations

import numpy as np
import pytest

from micalign.report.align_words import recorded_sum
from micalign.take.tracks import Track

RATE = 48000


@pytest.mark.parametrize(("recorded_db", "fader_db"), [(-6.0, 0.0), (-20.0, 14.0)])
def test_the_recorded_sum_of_hits_has_the_comb_of_its_delay(rng, recorded_db: float, fader_db: float) -> None:
    """Bursts and a copy 1 ms later, 6 dB down in the blend: 20 log10(1 -+ 0.5) at 500 Hz and 1 kHz."""
    dry = np.zeros(4 * RATE)
    for hit in range(8):
        start = RATE // 4 + hit * RATE // 2
        dry[start : start + 480] = rng.standard_normal(480) * np.exp(-np.arange(480) / 100)
    late = 10 ** (recorded_db / 20) * np.concatenate([np.zeros(48), dry[:-48]])
    tracks = Track.from_array("near", dry, RATE), Track.from_array("far", late, RATE)
    hertz, level = recorded_sum(*tracks, gain_db=fader_db)
    for centre, expected in ((500, 20 * np.log10(1 - 10**-0.3)), (1000, 20 * np.log10(1 + 10**-0.3))):
        assert float(np.interp(centre, hertz, level)) == pytest.approx(expected, abs=0.8)
