"""Is a take sound? Levels, clipping, noise, hum, offset, silence and doubles of every track: read once and judged.

The meters read all tracks in step, a second at a time; what they say is judged at the end. Memory does not grow with
the length of the take, but for 160 bytes to a second of a track. Peaks are against full scale (dBFS; dBTP between the
samples). Root mean squares are against full scale 1 as well, so a full-scale sine reads -3.01 dBFS (AES17 would say 0);
the noise floor and hum are root mean square too.

Good, quiet, hot, clipped or silent, or broken where nothing else could be read: the working window is common practice,
no source. The loudest peaks between 25 and 75 % of full scale (-12.0 to -2.5 dBFS) leave room for a player who warms
up, and lie far above the noise of any converter.

One short function says each thing of a track. A problem spoils the track or its place in the mix: clipped, silent,
dead, doubled, an offset of 1 % and more, hum or much noise that would be heard. A note is advice: hot, quiet, weak hum,
some noise. What is heard is judged after the track has been turned up into the working window: above -60 dBFS there is
a note, above -50 dBFS a problem; hum, and the noise of a quiet track, are a problem above -60 dBFS, and hum is no word
worth below -80 dBFS. All limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np

from micalign.arrays import Floats
from micalign.errors import TakeError
from micalign.take import tuned
from micalign.take.meters import Clipping, Outline, Readings, TrackMeter
from micalign.take.noise import Floor, Hum, NoiseParts, find_hum, loud_power, noise_floor, noise_parts
from micalign.take.together import Double, Remark, Severity, clock, double_remark, find_doubles
from micalign.take.tracks import OVER_WORDS, ROOM_WORDS, Track, is_called, pairs_by_name
from micalign.units import FAINT_DBFS, db_from_amplitude, db_from_power, show_dbfs, show_hz, show_percent

__all__ = [
    "TrackLevels",
    "WorkingWindow",
    "measure_levels",
]


Verdict: TypeAlias = Literal["good", "quiet", "hot", "clipped", "silent", "broken"]


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
    return tuple(replace(one, remarks=_remarks_on(one, window, judged)) for one in judged)


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
    dead = _is_dead(readings, floor, hum)
    verdict = _verdict_on(readings.peak, readings.clipping, window, dead=dead)
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


@dataclass(frozen=True, eq=False)
class TrackLevels:
    """What one track reads, and the verdict on it.

    Parameters
    ----------
    name : str
    sample_rate : int
    duration_s : float
    peak, true_peak : float
        Against full scale 1.
    mean_square : float
        Of all samples.
    loud_power : float
        Mean square of the loudest tenth of the tenths of a second.
    offset : float
        The constant part (DC): the median of the means of tenths of a second.
    over : int
        Samples beyond full scale (files of floats).
    clipping : Clipping
    floor : Floor or None
        None where the quiet parts are digital silence.
    noise : NoiseParts
    hum : Hum or None
    verdict : str
        ``good``, ``quiet``, ``hot``, ``clipped`` or ``silent`` (dead counts as silent); ``broken`` where no
        sound could be read.
    gain_change_db : float or None
        What brings the loudest peak to the middle of the working window; None for a silent track, a least value for
        a clipped one. Of a pair that of the louder one, for both.
    double : Double or None
        Where it repeats an earlier track.
    remarks : tuple of Remark
    outline : Outline
        For a picture.
    broken : str
        Why the track could not be read to its end; all else is of what was read.
    mate : str
        The other side of a pair by their names, which is given the same gain; empty where there is none.
    may_be_bleed : bool
        So much quieter than others that nothing of its own may have been played.
    """

    name: str
    sample_rate: int
    duration_s: float
    peak: float
    true_peak: float
    mean_square: float
    loud_power: float
    offset: float
    over: int
    clipping: Clipping
    floor: Floor | None
    noise: NoiseParts
    hum: Hum | None
    verdict: Verdict
    gain_change_db: float | None
    double: Double | None
    remarks: tuple[Remark, ...]
    outline: Outline
    broken: str = ""
    mate: str = ""
    may_be_bleed: bool = False

    @property
    def peak_dbfs(self) -> float:
        """The largest sample."""
        return db_from_amplitude(self.peak)

    @property
    def true_peak_dbtp(self) -> float:
        """The highest value between samples."""
        return db_from_amplitude(self.true_peak)

    @property
    def rms_dbfs(self) -> float:
        """Root mean square of all samples."""
        return db_from_power(self.mean_square)

    @property
    def crest_db(self) -> float | None:
        """The largest sample against the root mean square."""
        return self.peak_dbfs - self.rms_dbfs if self.peak > 0.0 else None

    @property
    def noise_floor_dbfs(self) -> float | None:
        """What remains in the quiet parts; None for digital silence."""
        return None if self.floor is None else db_from_power(self.floor.power)

    @property
    def snr_db(self) -> float | None:
        """The loud parts against the noise floor."""
        return None if self.floor is None else db_from_power(self.loud_power / self.floor.power)

    @property
    def has_problem(self) -> bool:
        """Whether any remark is more than a note."""
        return any(remark.severity == "problem" for remark in self.remarks)


@dataclass(frozen=True, slots=True)
class WorkingWindow:
    """Between which percentages of full scale the loudest peaks should lie.

    Examples
    --------
    >>> WorkingWindow().middle_percent
    50.0
    >>> round(WorkingWindow().gain_change_db(0.1, "quiet"), 1)
    14.0
    """

    lower_percent: float = tuned.WORKING_PERCENT[0]
    upper_percent: float = tuned.WORKING_PERCENT[1]

    def __post_init__(self) -> None:
        if not 0.0 < self.lower_percent < self.upper_percent <= 100.0:
            raise TakeError(
                f"a working window from {self.lower_percent:g} to {self.upper_percent:g} % of full scale cannot be: "
                "give the lower end first, both above 0 and at most 100"
            )

    @property
    def middle_percent(self) -> float:
        """Where the gain change aims."""
        return (self.lower_percent + self.upper_percent) / 2.0

    def gain_change_db(self, peak: float, verdict: Verdict) -> float | None:
        """What brings a peak to the middle of the window; 0 for a good track, None for a silent or unread one."""
        if verdict in {"silent", "broken"}:
            return None
        if verdict == "good":
            return 0.0
        change = db_from_amplitude(self.middle_percent / 100.0 / peak)
        return min(change, tuned.CLIPPED_DB) if verdict == "clipped" else change


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


EARTH: Final = (
    "Never lift or cut a protective earth to be rid of hum: it keeps people alive. Local electrical codes come first, "
    "and wiring is for a licensed electrician."
)
_MOVE_NEARER: Final = "go nearer with the mic, or choose one with more output, before turning the preamp further up"
_SWITCH_OFF: Final = (
    "switch off fridge, furnace, fan and air for the take; move away from them; a low cut where the instrument allows "
    "it; a soft foot under the stand against what comes through the floor"
)
_NOISE_WORDS: Final = {
    "rumble": ("steady rumble", _SWITCH_OFF),
    "hiss": ("broadband hiss", f"{_MOVE_NEARER}; keep noisy machines out of the room"),
    "noise": ("noise of the room", f"{_MOVE_NEARER}; switch off what runs, shut doors and windows"),
}


def _remarks_on(levels: TrackLevels, window: WorkingWindow, take: Sequence[TrackLevels]) -> tuple[Remark, ...]:
    """All remarks on one track of a take, problems first."""
    found: list[Remark] = []
    if levels.verdict == "silent":
        found = list(_silent(levels))
    elif levels.verdict != "broken":
        found = [remark for ask in _QUESTIONS for remark in ask(levels, window)]
    if levels.broken:
        found.append(Remark("broken", "problem", f"it could not be read to its end: {levels.broken}"))
    if levels.double is not None:
        found.append(double_remark(levels.double, take[levels.double.first].name))
    return tuple(sorted(found, key=lambda remark: remark.severity != "problem"))


def _silent(levels: TrackLevels) -> Iterator[Remark]:
    caution = ""
    if levels.peak_dbfs < FAINT_DBFS:
        said = "nothing but digital silence" if levels.peak == 0.0 else f"no signal: {show_dbfs(levels.peak_dbfs)}"
        look = "was the track armed, and the right input chosen?"
    elif levels.hum is not None and levels.noise.kind == "hum":
        said = f"no signal, only mains hum at {show_dbfs(levels.hum.dbfs)}"
        look = "a cable half plugged in or broken does this: try another cable and input"
        caution = EARTH
    else:
        said = f"no signal, only noise up to {show_dbfs(levels.peak_dbfs)}"
        look = "check cable, phantom power, mute and input, and tap the mic"
    yield Remark("silent" if levels.peak < tuned.EMPTY_PEAK else "dead", "problem", said, look, caution)


def _clipped(levels: TrackLevels, _window: WorkingWindow) -> Iterator[Remark]:
    cut = levels.clipping
    if not cut.is_cut:
        return
    where = "at full scale" if cut.at_full_scale else f"flat at {show_dbfs(levels.peak_dbfs)}, cut before the file"
    places = ", ".join(clock(at) for at in cut.first_s)
    times = "once" if cut.runs == 1 else f"{cut.runs} times"
    parts = [f"{times}, longest {cut.longest_run} samples"] if cut.runs else []
    parts += [f"{cut.heap} single samples at the extreme"] if cut.heap else []
    said = f"clipped {where}: {', '.join(parts)}, first at {places}"
    if levels.loud_power > tuned.SQUARE_LIKE * levels.peak**2:
        said += "; it is flat nearly all the time: a square-like synth wave looks the same, so trust your ears"
    if cut.at_full_scale:
        yield Remark("clipped", "problem", said, "turn the preamp down 6 dB or more and record it again")
    else:
        look = "something in front of the fader is overdriven (preamp, pad, plug-in): turn that down and record again"
        yield Remark("clipped", "problem", said, look)


def _level(levels: TrackLevels, window: WorkingWindow) -> Iterator[Remark]:
    at = f"the loudest peak is at {show_percent(100.0 * levels.peak)} of full scale ({show_dbfs(levels.peak_dbfs)})"
    if levels.over:
        peaks = f"{levels.over} samples lie beyond full scale (up to {show_dbfs(levels.peak_dbfs, sign=True)})"
        look = "this file of floats keeps them; any file of integers cuts them: turn down before you export"
        yield Remark("over", "note", peaks, look)
    change_db = levels.gain_change_db or 0.0
    if levels.verdict in {"quiet", "hot"} or (levels.verdict == "good" and change_db):
        yield Remark("pair" if levels.verdict == "good" else levels.verdict, "note", at, _turn(levels, change_db))


def _turn(levels: TrackLevels, change_db: float) -> str:
    """Which way to turn the gain, and whether that is sure."""
    way = f"turn {'up' if change_db > 0 else 'down'} {abs(change_db):.0f} dB for the next take"
    if levels.mate:
        way = f"{way}, and '{levels.mate}' as much" if change_db else f"leave its gain as that of '{levels.mate}'"
        way += ": a pair has one gain, set by its louder side"
    if levels.may_be_bleed:
        way += ", if what this track is for was played: else it holds the others' sound alone, and no gain follows"
    return f"{way}; for alignment it does not matter" if levels.verdict == "quiet" else way


def _hum(levels: TrackLevels, window: WorkingWindow) -> Iterator[Remark]:
    hum = levels.hum
    if hum is None or _raised(levels, hum.dbfs, window) < tuned.FAINT_HUM_DBFS:
        return
    strongest = max(hum.lines, key=lambda line: line.dbfs)
    said = (
        f"mains hum of {hum.mains_hz} Hz at {show_dbfs(hum.dbfs)}, strongest at {show_hz(strongest.hz)} "
        f"({len(hum.lines)} {'line' if len(hum.lines) == 1 else 'harmonics'})"
    )
    look = (
        "turn pickups and cables away from transformers, use a balanced line or a DI box with its transformer, and "
        "plug what belongs together into one outlet"
    )
    if strongest.hz > tuned.HIGH_HUM * hum.mains_hz:
        look = (
            "mostly harmonics: look for dimmers, supplies and chargers near the cable, try a DI box with its "
            "transformer, one outlet for all, shorter cables"
        )
    is_heard = _raised(levels, hum.dbfs, window) > tuned.AUDIBLE_DBFS and not levels.may_be_bleed
    severity: Severity = "problem" if is_heard else "note"
    yield Remark("hum", severity, said, look, EARTH)


def _noise(levels: TrackLevels, window: WorkingWindow) -> Iterator[Remark]:
    if levels.floor is None or levels.floor.is_bound:
        return
    parts = [("rumble", levels.noise.rumble), ("hiss", levels.noise.hiss)]
    heard = [(kind, power) for kind, power in parts if power > 0.0]
    if not heard and levels.noise.kind != "hum":
        heard = [("noise", levels.floor.power)]
    for kind, power in heard:
        raised = _raised(levels, db_from_power(power), window)
        if raised > tuned.AUDIBLE_DBFS:
            spoils = (raised > tuned.LOUD_NOISE_DBFS or levels.verdict == "quiet") and not levels.may_be_bleed
            said = f"{_NOISE_WORDS[kind][0]} at {show_dbfs(db_from_power(power))} in the pauses"
            yield Remark(kind, "problem" if spoils else "note", said, _NOISE_WORDS[kind][1])


def _raised(levels: TrackLevels, level_dbfs: float, window: WorkingWindow) -> float:
    """What a level becomes when a quiet track is turned up to the middle of the window."""
    if levels.may_be_bleed:  # nobody turns up a mic whose drum is not struck
        return level_dbfs
    middle = window.gain_change_db(levels.peak, "quiet") or 0.0
    return level_dbfs + max(middle, 0.0)


def _offset(levels: TrackLevels, _window: WorkingWindow) -> Iterator[Remark]:
    size = abs(levels.offset)
    if size >= tuned.OFFSET_NOTE:
        severity: Severity = "problem" if size >= tuned.OFFSET_PROBLEM else "note"
        said = f"a constant offset (DC) of {show_percent(100.0 * levels.offset)} of full scale"
        look = "a low cut below 20 Hz takes it away; a mixer or converter that adds it wants service"
        yield Remark("offset", severity, said, look)


_QUESTIONS: Final[tuple[Callable[[TrackLevels, WorkingWindow], Iterator[Remark]], ...]] = (
    _clipped,
    _level,
    _hum,
    _noise,
    _offset,
)
