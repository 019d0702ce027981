"""The textbook answers, scored beside the engine: whole-file correlation, PHAT, and two libraries' own."""

from __future__ import annotations

import numpy as np
from bench.delay.sessions import Case


def plain_correlation(case: Case) -> float:
    """The largest magnitude of the whole files' correlation (scipy.signal.correlate gives the same)."""
    return _peak(case, whitened=False)


def phase_transform(case: Case) -> float:
    """Knapp and Carter's PHAT over the whole files."""
    return _peak(case, whitened=True)


def _peak(case: Case, *, whitened: bool) -> float:
    size = 1 << int(np.ceil(np.log2(len(case.reference) + len(case.track))))
    cross = np.conj(np.fft.rfft(case.reference, size)) * np.fft.rfft(case.track, size)
    if whitened:
        cross = cross / np.maximum(np.abs(cross), 1e-12 * np.abs(cross).max())
    values = np.fft.irfft(cross, size)
    reach = min(int(case.options.get("max_delay_s", 0.05) * case.rate), size // 2 - 1)
    lags = np.arange(-reach, reach + 1)
    return float(lags[np.argmax(np.abs(values[lags]))]) / case.rate


def phase_correlation(case: Case) -> float:
    """skimage's phase_cross_correlation, which has no limit of its search; it answers with the opposite sign."""
    from skimage.registration import phase_cross_correlation

    count = min(len(case.reference), len(case.track))
    shift, _, _ = phase_cross_correlation(case.reference[:count], case.track[:count], upsample_factor=10)
    return -float(shift[0]) / case.rate


def library_tdoa(case: Case) -> float:
    """pyroomacoustics' tdoa, which is PHAT with a parabola."""
    from pyroomacoustics.experimental.localization import tdoa

    count = min(len(case.reference), len(case.track))
    return float(tdoa(case.track[:count], case.reference[:count], interp=1, fs=case.rate, phat=True))


BASELINES = {
    "correlation": plain_correlation,
    "PHAT": phase_transform,
    "skimage": phase_correlation,
    "pra tdoa": library_tdoa,
}
