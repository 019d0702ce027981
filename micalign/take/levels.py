"""Is a take sound? Levels, clipping, noise, hum, offset, silence and doubles of every track: read once and judged.

The meters read all tracks in step, a second at a time; what they say is judged at the end. Memory does not grow with
the length of the take, but for 520 bytes to a second of a track. Peaks are against full scale (dBFS; dBTP between the
samples). Root mean squares are against full scale 1 as well, so a full-scale sine reads -3.01 dBFS (AES17 would say 0);
the noise floor and hum are root mean square too.

Good, quiet, hot, clipped or silent, or broken where nothing else could be read: the working window is common practice,
no source. The loudest peaks between 25 and 75 % of full scale (-12.0 to -2.5 dBFS) leave room for a player who warms
up, and lie far above the noise of any converter.

What is said of a track stands in `micalign.take.track_levels`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from micalign.arrays import Floats
from micalign.take import tuned
from micalign.take.meters import Clipping, Readings, TrackMeter
from micalign.take.noise import Floor, Hum, SteadyNoise, find_hum, loud_power, noise_floor, noise_parts, with_steady
from micalign.take.together import find_doubles
from micalign.take.track_levels import TrackLevels, Verdict, WorkingWindow, remarks_on
from micalign.take.tracks import OVER_WORDS, ROOM_WORDS, Track, is_called, pairs_by_name

__all__ = [
    "measure_levels",
]


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
        Gets how many seconds of the take have been read, about once for every second of it.

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
    judged = _as_pairs([levels for levels, _ in found])
    judged = [replace(one, may_be_bleed=_may_be_bleed(one, judged)) for one in judged]
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
    floor = noise_floor(readings.tenths)
    hum = find_hum(readings.quiet, floor)
    steady = _under_sound(readings)
    parts = noise_parts(floor, readings.quiet, hum, steady)
    floor = with_steady(floor, steady, hum)
    dead = _is_dead(readings, floor, hum)
    verdict = _verdict_on(readings.clicks.peak, readings.clipping, window, dead=dead)
    if readings.broken and verdict == "silent":
        verdict = "broken"  # what comes after may be anything
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
        clicks=readings.clicks,
        gaps=readings.gaps,
        floor=floor,
        noise=parts,
        hum=hum,
        verdict=verdict,
        gain_change_db=window.gain_change_db(readings.clicks.peak, verdict),
        double=None,
        remarks=(),
        outline=readings.outline,
        broken=readings.broken,
    ), readings.tenths


def _under_sound(readings: Readings) -> SteadyNoise | None:
    """Steady noise that other sound stands above: what a track holds alone and loud is what it is for."""
    steady = readings.steady
    return steady if steady and loud_power(readings.tenths) > tuned.STANDS_OUT * steady.power else None


def _as_pairs(judged: Sequence[TrackLevels]) -> list[TrackLevels]:
    """The two sides of a pair with one gain change, that which the louder allows: their balance is the image."""
    out = list(judged)
    for sides in pairs_by_name([levels.name for levels in judged]):
        changes = [change for k in sides if (change := judged[k].gain_change_db) is not None]
        if len(changes) == len(sides):
            for k, mate in (sides, sides[::-1]):
                out[k] = replace(judged[k], gain_change_db=min(changes), mate=judged[mate].name)
    return out


def _may_be_bleed(levels: TrackLevels, take: Sequence[TrackLevels]) -> bool:
    """Whether a track is far below the window where others are not; overheads and rooms are there for all."""
    if is_called(levels.name, OVER_WORDS | ROOM_WORDS):
        return False
    is_far = levels.verdict == "quiet" and (levels.gain_change_db or 0.0) >= tuned.BLEED_DB
    return is_far and any(one.verdict in {"good", "hot", "clipped"} for one in take)


def _verdict_on(peak: float, clipping: Clipping, window: WorkingWindow, *, dead: bool = False) -> Verdict:
    """The verdict on a track whose largest sample is ``peak`` (full scale 1).

    >>> _verdict_on(0.5, Clipping(), WorkingWindow()), _verdict_on(0.9, Clipping(), WorkingWindow())
    ('good', 'hot')
    """
    if dead or peak < tuned.SILENT_PEAK:
        return "silent"
    if clipping.is_cut:
        return "clipped"
    if 100.0 * peak > window.upper_percent:
        return "hot"
    return "quiet" if 100.0 * peak < window.lower_percent else "good"


def _is_dead(readings: Readings, floor: Floor | None, hum: Hum | None) -> bool:
    """Whether there is nothing on a track but steady noise, or steady hum."""
    if floor is None or len(readings.tenths) < 2:
        return False
    loudest = float(np.quantile(readings.tenths, tuned.DEAD_QUANTILE))
    alone = hum is not None and hum.power > tuned.HUM_ALONE * floor.power
    return loudest < tuned.DEAD_SPREAD * floor.power and (loudest < tuned.DEAD_POWER or alone)
