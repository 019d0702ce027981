"""Is a take sound? Levels, clipping, noise, hum, offset, silence and doubles of every track, read once.

The meters read all tracks in step, a second at a time; what they say is judged at the end. Memory does not grow with
the length of the take, but for 160 bytes to a second of a track.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from micalign.arrays import Floats
from micalign.take.advice import remarks_on
from micalign.take.doubles import find_doubles
from micalign.take.meters import Readings, TrackMeter
from micalign.take.noise import find_hum, loud_power, noise_floor, noise_parts
from micalign.take.track_levels import TrackLevels, WorkingWindow, is_dead, verdict_on
from micalign.take.tracks import Track

__all__ = ["TrackLevels", "measure_levels"]


def measure_levels(
    tracks: Sequence[Track],
    *,
    window: WorkingWindow | None = None,
    files: Sequence[object] | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[TrackLevels, ...]:
    """Read every track once, all in step, and judge it.

    Parameters
    ----------
    tracks : sequence of Track
        Rates and lengths may differ.
    window : WorkingWindow, optional
        Between which percentages of full scale the loudest peaks should lie: 25 and 75 if left out.
    files : sequence, optional
        Which file each track is a channel of, in any words that can be compared.
    progress : callable, optional
        Told how many seconds of the take have been read, about once for every second of it.

    Returns
    -------
    tuple of TrackLevels
        In the order of the tracks. A track that breaks off, or holds samples that are no numbers, is judged as far
        as it could be read, and a remark says why.

    Examples
    --------
    >>> tone = 0.5 * np.sin(2 * np.pi * 440 * np.arange(48000) / 48000)
    >>> found = measure_levels([Track.from_array("tone", tone, 48000)])[0]
    >>> found.verdict, round(found.peak_dbfs, 1), round(found.rms_dbfs, 1)
    ('good', -6.0, -9.0)
    """
    window = window or WorkingWindow()
    found = [_judged(track, readings, window) for track, readings in zip(tracks, _read(tracks, progress), strict=True)]
    judged = [levels for levels, _ in found]
    tenths = [np.zeros(0) if levels.verdict == "silent" or levels.broken else powers for levels, powers in found]
    for double in find_doubles(tracks, tenths):
        same = files is not None and files[double.first] == files[double.second]
        judged[double.second] = replace(judged[double.second], double=replace(double, same_file=same))
    return tuple(replace(one, remarks=remarks_on(one, window, judged)) for one in judged)


def _read(tracks: Sequence[Track], progress: Callable[[float], None] | None) -> list[Readings]:
    """All tracks in step, a second at a time, so that the channels of one file are decoded once."""
    meters = [TrackMeter(track) for track in tracks]
    while not all(meter.is_done for meter in meters):
        for meter in meters:
            meter.step()
        if progress is not None:
            progress(max(meter.at_s for meter in meters))
    return [meter.finish() for meter in meters]


def _judged(track: Track, readings: Readings, window: WorkingWindow) -> tuple[TrackLevels, Floats]:
    hum = find_hum(readings.quiet)
    floor = noise_floor(readings.tenths)
    dead = is_dead(readings, floor, hum)
    verdict = verdict_on(readings.peak, readings.clipping, window, dead=dead)
    return TrackLevels(
        name=track.name,
        sample_rate=track.sample_rate,
        duration_s=track.duration_s,
        peak=readings.peak,
        true_peak=readings.true_peak,
        mean_square=readings.mean_square,
        loud_power=loud_power(readings.tenths),
        offset=float(np.median(readings.means)) if len(readings.means) else 0.0,
        over=readings.over,
        clipping=readings.clipping,
        floor=floor,
        noise=noise_parts(floor, readings.quiet, hum),
        hum=hum,
        verdict=verdict,
        gain_change_db=window.gain_change_db(readings.peak, verdict),
        double=None,
        remarks=(),
        outline=readings.outline,
        broken=readings.broken,
    ), readings.tenths
