"""How far may the top of a peak lie from the truth? As far as the phases around it do not fit.

At the right delay of a single path every frequency of the cross-spectrum is in phase. What is left over, noise and
above all the reflections of a room, which no number of takes averages away, pushes the peak as its phases happen to
fall. Frequencies near one another err together, those in different cells do not: the spread of the cells' pushes is
the standard error of the delay. It counts what the scatter of stretches cannot see, for all stretches share one room.
Ten cells to the width of the band: an early reflection's pushes undo each other over 1 kHz and more, but too few cells
know too little of their spread. Delays are in seconds, frequencies in hertz.

Source: H. White, "A heteroskedasticity-consistent covariance matrix estimator", Econometrica 48(4), 817-838, 1980; for
cells whose members err together K.-Y. Liang and S. L. Zeger, "Longitudinal data analysis using generalized linear
models", Biometrika 73(1), 13-22, 1986.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from micalign.arrays import Complexes, Floats

__all__ = ["line_sigma_s", "one_sigma_s", "phase_error_s"]

_CELLS: Final = 10
_CELL_HZ: Final = (100.0, 400.0)
_BEYOND: Final = 1.5
_FEWEST: Final = 3
_TOGETHER: Final = 4  # frames that overlap by half share noise with their neighbours alone
_CELLS_OF_A_LINE: Final = 12


def phase_error_s(spectrum: Complexes, frequencies_hz: Floats, lag_s: float) -> float:
    """One standard deviation of the lag at which a weighted cross-spectrum peaks.

    Parameters
    ----------
    spectrum : complex, shape (B,)
        The cross-spectrum, weighted as it was where its peak was looked for.
    frequencies_hz : float, shape (B,)
        Evenly spaced and rising.
    lag_s : float
        Where it peaks.

    Returns
    -------
    float
        Seconds; infinity where there is no peak.

    Examples
    --------
    >>> f = np.arange(100.0, 8000.0, 10.0)
    >>> direct = np.exp(-2j * np.pi * f * 0.003)
    >>> phase_error_s(direct, f, 0.003) < 1e-12
    True
    >>> wall = 0.1 * np.exp(-2j * np.pi * f * 0.005)
    >>> 5e-8 < phase_error_s(direct + wall, f, 0.003) < 1e-6
    True
    """
    omega = 2.0 * np.pi * frequencies_hz
    turned = spectrum * np.exp(1j * omega * lag_s)
    height, bend = abs(float(turned.real.sum())), abs(float((omega**2 * turned.real).sum()))
    if not bend > 0 < height:
        return float("inf")
    cell_hz = np.clip(np.sqrt(bend / height) / (2.0 * np.pi * _CELLS), *_CELL_HZ)
    pushes = np.bincount((frequencies_hz / cell_hz).astype(np.intp), omega * turned.imag)
    return float(np.sqrt((pushes**2).sum()) / bend)


def one_sigma_s(error_s: float, groups_s: Floats) -> float:
    """The standard deviation of a delay: its phases' own, or what groups of frames scatter beyond that.

    Eight groups of one delay scatter by a quarter more or less than they should; those of a player who moves, or of
    two clocks, by far more.

    Parameters
    ----------
    error_s : float
        `phase_error_s`.
    groups_s : float, shape (G,)
        The delay by each group of frames alone; fewer than three tell nothing.

    Examples
    --------
    >>> one_sigma_s(1e-6, np.array([1e-6, -1e-6, 2e-6, 0.0]))
    1e-06
    >>> round(one_sigma_s(1e-6, np.array([9e-6, -9e-6, 9e-6, -9e-6])) * 1e6, 1)
    5.1
    """
    if len(groups_s) < _FEWEST:
        return error_s
    scatter_s = float(np.std(groups_s, ddof=1) / np.sqrt(len(groups_s)))
    return float(np.sqrt(error_s**2 + max(scatter_s**2 - (_BEYOND * error_s) ** 2, 0.0)))


def line_sigma_s(pushes: Floats, bends: Floats, times_s: Floats) -> float:
    """One standard deviation of a straight line of delay at time zero, by what its frames pull it off.

    The line is that of the least squares, from which the frames' pulls add up to none. Neighbouring frames err
    together: every four are a cell, and the lines without one cell each scatter as the line itself does (the jackknife:
    B. Efron and C. Stein, "The jackknife estimate of variance", Annals of Statistics 9(3), 586-596, 1981). No count of
    what overlaps is needed, and a loud cell that draws the line to itself is seen to do so.

    Parameters
    ----------
    pushes, bends : float, shape (K,)
        First and second derivative of each frame's likeness with respect to its delay, the second positive as a rule.
    times_s : float, shape (K,)
        The frames' times, in seconds.

    Returns
    -------
    float
        Seconds; infinity where the frames are too few for a line.

    Examples
    --------
    >>> times = np.arange(-200.0, 200.0)
    >>> noise = np.random.default_rng(1).normal(size=400)
    >>> 0.04 < line_sigma_s(noise, np.ones(400), times) < 0.06
    True
    >>> line_sigma_s(noise[:2], np.ones(2), times[:2])
    inf
    """
    together = int(np.clip(len(times_s) // _CELLS_OF_A_LINE, 1, _TOGETHER))
    cells = np.arange(0, len(times_s) - together + 1, together)
    if len(cells) < _FEWEST:
        return float("inf")
    moments = np.stack([pushes, pushes * times_s, bends, bends * times_s, bends * times_s**2])
    sums = np.add.reduceat(moments, cells, axis=1)
    push, turn, flat, tilt, curve = sums.sum(axis=1, keepdims=True) - sums
    whole = flat * curve - tilt**2
    if not (np.minimum(flat, whole) > 0).all():
        return float("inf")
    without = (push * curve - turn * tilt) / whole
    return float(np.sqrt((len(cells) - 1) * np.var(without)))
