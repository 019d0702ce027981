"""What does one track read, what is the verdict on it, in which window should its peaks lie, and what is said of it?

Levels are against full scale 1, root mean squares too, so a full-scale sine reads -3.01 dBFS.

One short function says each thing. A problem spoils the track or its place in the mix: clipped, silent, dead, doubled,
an offset of 1 % and more, hum or much noise that would be heard. A note is advice: hot, quiet, weak hum, some noise.
What is heard is judged after the track has been turned up into the working window: above -60 dBFS there is a note,
above -50 dBFS a problem; hum, and the noise of a quiet track, are a problem above -60 dBFS, and hum is no word worth
below -80 dBFS. All limits are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from micalign.errors import TakeError
from micalign.take import tuned
from micalign.take.digital_faults import Clicks, Gaps
from micalign.take.meters import Clipping
from micalign.take.noise import Floor, Hum, NoiseParts
from micalign.take.outline import Outline
from micalign.take.together import Double, Remark, Severity, clock, double_remark
from micalign.units import FAINT_DBFS, db_from_amplitude, db_from_power, show_dbfs, show_hz, show_percent

__all__ = [
    "TrackLevels",
    "Verdict",
    "WorkingWindow",
    "remarks_on",
]


_RANK: Final = (
    "broken",
    "silent",
    "dead",
    "dies",
    "clipped",
    "dropout",
    "double",
    "clicks",
    "offset",
    "hum",
    "rumble",
    "hiss",
    "noise",
)
"""Rules that name a problem, the gravest first."""

_NOISES: Final = frozenset({"rumble", "hiss", "noise"})

Verdict: TypeAlias = Literal["good", "quiet", "hot", "clipped", "silent", "broken"]


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
    clicks : Clicks
        With the peak of the sound without them, by which the track is judged.
    gaps : Gaps
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
    clicks: Clicks
    gaps: Gaps
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
    def verdict_words(self) -> str:
        """The verdict, and what else is wrong or faint, in a few words: the table and the picture say the same."""
        rules = [remark.rule for remark in self.remarks if remark.severity == "problem"]
        faint = [
            f"faint {remark.rule}" for remark in self.remarks if remark.severity == "note" and remark.rule in _NOISES
        ]
        first = "dead" if "dead" in rules else self.verdict
        if first == "good" and "broken" in rules:  # nobody knows what its rest is
            return ", ".join(dict.fromkeys(["broken", *rules]))
        return ", ".join(dict.fromkeys([first, *rules, *faint]))

    @property
    def gravity(self) -> tuple[int, int, int]:
        """Sorts the worst track first: those with problems, the gravest first, then those with notes."""
        problems = [_RANK.index(remark.rule) for remark in self.remarks if remark.severity == "problem"]
        return (min(problems, default=len(_RANK)), -len(problems), -len(self.remarks))

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


_EARTH: Final = (
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


def remarks_on(levels: TrackLevels, window: WorkingWindow, take: Sequence[TrackLevels]) -> tuple[Remark, ...]:
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
        caution = _EARTH
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
    peak = levels.clicks.peak
    at = f"the loudest peak is at {show_percent(100.0 * peak)} of full scale ({show_dbfs(db_from_amplitude(peak))})"
    if levels.over:
        peaks = f"{levels.over} samples lie beyond full scale (up to {show_dbfs(levels.peak_dbfs, sign=True)})"
        look = "this file of floats keeps them; any file of integers cuts them: turn down before you export"
        yield Remark("over", "note", peaks, look)
    change_db = levels.gain_change_db or 0.0
    if levels.gaps.dies_s is not None and levels.verdict == "quiet":
        return  # what it would have held is not known, and no gain follows
    if levels.verdict in {"quiet", "hot"} or (levels.verdict == "good" and change_db):
        yield Remark("pair" if levels.verdict == "good" else levels.verdict, "note", at, _turn(levels, change_db))


def _gaps(levels: TrackLevels, _window: WorkingWindow) -> Iterator[Remark]:
    gaps = levels.gaps
    if gaps.dies_s is not None:
        dead = f"{levels.duration_s - gaps.dies_s:.1f} s"
        said = f"it breaks off at {clock(gaps.dies_s)}: digital zero from there to its end ({dead})"
        look = "a cable, an input or an edit cut it there: where nobody did so on purpose, record it again"
        yield Remark("dies", "problem", said, look)
    if gaps.dropouts:
        times = "a dropout" if gaps.dropouts == 1 else f"{gaps.dropouts} dropouts"
        longest = f"{1e3 * gaps.longest_s:.0f} ms" if gaps.dropouts == 1 else f"longest {1e3 * gaps.longest_s:.0f} ms"
        said = f"{times} of digital zero inside the sound ({longest}), {_first(gaps.first_s)}"
        look = "the recorder lost samples: give it a larger buffer, check its clock and cables, and record it again"
        yield Remark("dropout", "problem", said, look)


def _clicks(levels: TrackLevels, _window: WorkingWindow) -> Iterator[Remark]:
    clicks = levels.clicks
    if clicks.count:
        times = "a click" if clicks.count == 1 else f"{clicks.count} clicks"
        said = f"{times} of one sample, up to {show_dbfs(levels.peak_dbfs)}, {_first(clicks.first_s)}"
        if clicks.peak >= levels.peak:
            said = f"{times} of one sample, {_first(clicks.first_s)}"
        look = "no sound is as short: check the clock that all converters follow, and mend the places before you mix"
        yield Remark("clicks", "problem", f"{said}; the verdict is without them", look)


def _first(places: Sequence[float]) -> str:
    return f"{'at' if len(places) == 1 else 'first at'} {', '.join(clock(at) for at in places)}"


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
    yield Remark("hum", severity, said, look, _EARTH)


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
            said, look = _NOISE_WORDS[kind]
            said = f"{said} at {show_dbfs(db_from_power(power))} behind the sounds"
            if spoils:
                yield Remark(kind, "problem", said, look)
            else:
                yield Remark(kind, "note", f"faint {said}, heard where all else is silent", f"if it disturbs, {look}")


def _raised(levels: TrackLevels, level_dbfs: float, window: WorkingWindow) -> float:
    """What a level becomes when a quiet track is turned up to the middle of the window."""
    if levels.may_be_bleed:  # nobody turns up a mic whose drum is not struck
        return level_dbfs
    middle = window.gain_change_db(levels.clicks.peak, "quiet") or 0.0
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
    _gaps,
    _clicks,
    _level,
    _hum,
    _noise,
    _offset,
)
