"""A DI and its mic: recognised, laid where they add up best, and turned within bounds. Oracles: exhaustive search and
scipy's own filters."""

from __future__ import annotations

import gc
import io
import weakref
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from bench.delay.sessions import kit, overhead_pair
from di_takes import RATE, bass_line, bass_take, best_sum, delayed, reamp_take
from rich.console import Console
from scipy.signal import butter, group_delay, sosfilt

from micalign.alignment import best_sum as sums
from micalign.alignment.best_sum import group_delay_s
from micalign.alignment.di_and_mics import THIRDS_HZ, doubted, in_better_polarity, one_path_sum, ways_to_add
from micalign.alignment.gain import BlendTrack, bins_hz, section_coefficients, spectra, sum_gain
from micalign.alignment.one_performance import crossed, framed, may_be_one_path, recognise
from micalign.alignment.pairings import measured
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.alignment.tuned import LINE_BANDS_HZ, MOST_GROUP_DELAY_S
from micalign.report.measure_words import advice, sum_lines, sum_rows, sum_table, sum_words
from micalign.scene.model import Di, Mic, Source
from micalign.scene.scene import Scene
from micalign.take.tracks import Take, Track
from micalign.tdoa.measure import Delay, measure_pair

UNKNOWN = Delay(0.0, 0.05, 1, 0.0, 0.0, False, "not looked for")


def tracks(take, names=("di", "mic")):
    return Track.from_array(names[0], take.di, RATE), Track.from_array(names[1], take.mic, RATE)


def gain_db(di, mic, delay_s, polarity, low_hz, high_hz):
    """Coherent gain by whole-take spectra, both at equal energy."""
    size = 1 << (2 * len(di)).bit_length()
    hz = np.fft.rfftfreq(size, 1 / RATE)
    one, other = (np.fft.rfft(x / np.sqrt(np.sum(x**2)), size) for x in (di, mic))
    inside = (hz >= low_hz) & (hz <= high_hz)
    total = np.sum(np.abs(one + polarity * other * np.exp(2j * np.pi * hz * delay_s))[inside] ** 2)
    return 10 * np.log10(total / np.sum((np.abs(one) ** 2 + np.abs(other) ** 2)[inside]))


@cache
def bass(seed):
    """A take of eight seconds, its DI and its mic, and what is measured and found of the two."""
    take = bass_take(seed, seconds=8.0)
    di, mic = tracks(take)
    delay = measure_pair(di, mic)
    return take, di, mic, delay, one_path_sum(di, mic, delay)


def test_a_bass_and_its_cabinet_sum_within_0_3_db_of_an_exhaustive_search_and_swapped_they_say_the_same():
    take, di, mic, _, found = bass(5)
    assert found is not None
    assert (found.di, found.mic) == ("di", "mic")
    _, _, most_db = best_sum(take.di, take.mic, low_hz=60, high_hz=2500)
    best = gain_db(take.di, take.mic, found.best.delay_s, found.best.polarity, 60, 2500)
    assert best >= min(most_db, 3.0) - 0.3
    turned = one_path_sum(mic, di, measure_pair(mic, di))
    assert turned.best.delay_s == pytest.approx(-found.best.delay_s, abs=2e-5)
    assert (turned.di, turned.best.polarity) == ("di", found.best.polarity)


def test_a_reamp_later_than_50_ms_is_found_without_a_word_from_the_user():
    take = reamp_take(4, seconds=10.0, distorted=True)
    assert take.delay_s > 0.06
    found = one_path_sum(*tracks(take), UNKNOWN)
    assert found is not None
    assert found.arrival_s == pytest.approx(take.delay_s, abs=0.5e-3)
    assert found.best.delay_s == pytest.approx(take.delay_s, abs=7.5e-3)


def test_who_says_how_far_to_look_is_not_overruled():
    take = reamp_take(4, seconds=10.0, distorted=True)
    assert one_path_sum(*tracks(take), UNKNOWN, max_delay_s=0.02) is None


@pytest.mark.parametrize(
    "cases",
    [
        lambda: kit(1),
        pytest.param(lambda: kit(2, live=True), marks=pytest.mark.slow),
        pytest.param(lambda: overhead_pair(3), marks=pytest.mark.slow),
    ],
    ids=["kit", "live", "overheads"],
)
def test_no_pair_of_a_kit_is_taken_for_a_di_and_its_cabinet(cases):
    for case in cases():
        first, second = (Track.from_array(n, x, case.rate) for n, x in (("a", case.reference), ("b", case.track)))
        assert not recognise(first, second, case.low_s).one_path, case.label
        assert one_path_sum(first, second, UNKNOWN) is None, case.label


def test_tones_that_never_change_and_strangers_are_no_di_and_cab(rng):
    time = np.arange(6 * RATE) / RATE
    hum = 0.1 * sum(np.sin(2 * np.pi * 50 * k * time) / k for k in range(1, 6))
    noise = rng.standard_normal((2, len(time))) * 1e-3
    pairs = [(hum + noise[0], np.roll(hum, 200) + noise[1]), (bass_take(1).di, bass_take(2).mic)]
    for one, other in pairs:
        assert one_path_sum(Track.from_array("a", one, RATE), Track.from_array("b", other, RATE), UNKNOWN) is None


def test_the_veto_keeps_a_loud_band_where_it_was(rng):
    """Lows in step as recorded, highs turned over: the best sum would give up the lows, the veto does not."""
    low, high = (
        sosfilt(butter(4, band, "bandpass", fs=RATE, output="sos"), rng.standard_normal(6 * RATE))
        for band in ([90, 150], [500, 1000])
    )
    high *= 0.8 * np.std(low) / np.std(high)
    di, mic = Track.from_array("di", low + high, RATE), Track.from_array("mic", low - high, RATE)
    frames = framed(di, mic, 0.0)
    recorded = sums.gains_db(frames, sums.GROUPS_HZ, 0.0, 1)
    kept = sums.best_sum(frames, 0.0, recorded)
    after = sums.gains_db(frames, sums.GROUPS_HZ, kept.delay_s, kept.polarity)
    counts = sums.loud_groups(frames)
    assert recorded[1] > 2.5
    assert np.all(after[counts] >= recorded[counts] - sums.ALLOWED_DB - 1e-6)
    assert kept.losses == ()


def test_where_every_choice_costs_a_band_the_loss_is_told():
    frames = framed(*tracks(bass_take(5, seconds=5.0)), 0.02)
    told = sums.best_sum(frames, 0.02, np.full(len(sums.GROUPS_HZ), 3.01))
    assert told.losses
    assert all(loss < -sums.ALLOWED_DB for _, loss in told.losses)


def test_group_delay_of_sections_is_what_scipy_says_and_stays_below_20_ms():
    sections = [(70.0, 0.9), (300.0, 0.5)]
    hz = np.geomspace(20, 5000, 2000)
    true = sum(
        group_delay((sos[:3], sos[3:]), hz, fs=RATE)[1] / RATE
        for sos in (section_coefficients(f, q, sample_rate=RATE) for f, q in sections)
    )
    assert group_delay_s(sections) == pytest.approx(true.max(), rel=0.01)
    found = bass(3)[-1]
    assert found.phase is not None
    assert found.phase.group_delay_s <= MOST_GROUP_DELAY_S
    assert found.turned.whole_db > found.plain.whole_db


def test_each_way_to_add_is_told_with_one_recommended_and_why():
    found = bass(3)[-1]
    lines = sum_lines(found)
    ways = ["as recorded", "arrival, kept", "arrival, flipped", "delay", "all-pass"]
    assert [one["way"] for one in lines] == ways
    assert sum(one["recommended"] for one in lines) == 1
    assert "dB" in advice(found)
    assert not any("no delay mends" in sentence for sentence in sum_words(found))


def test_measure_tells_arrival_and_best_sum_and_by_arrival_keeps_the_first():
    _, di, mic, delay, _ = bass(5)
    by_sum, by_arrival = (measured(di, [mic], by=by) for by in ("sum", "arrival"))
    told = by_sum.sum_of("mic")
    assert by_sum.tracks[0].delay.delay_s == told.best.delay_s
    assert by_arrival.tracks[0].delay.delay_s == delay.delay_s == told.arrival_s
    assert told.arrival_uncertainty_s >= 0.1e-3


def test_a_loop_that_stays_open_distrusts_the_leg_that_is_least_alike(rng):
    """The far mic is said to be 2.1 ms early, as a drum's bleed would have it; the way over the close mic knows."""
    take = bass_take(5, seconds=6.0)
    di, close = tracks(take, ("di", "close"))
    far = np.concatenate([np.zeros(103), take.mic])[: len(take.mic)]
    far = Track.from_array("far", far + 0.2 * np.std(far) * rng.standard_normal(len(far)), RATE)
    arrivals = {one.name: measure_pair(di, one, one_path=True) for one in (close, far)}
    assert doubted(di, [close, far], arrivals) == {}
    wrong = Delay(arrivals["far"].delay_s - 4.2e-3, 1e-5, 1, 1.0, 1.0, True, None)
    told = doubted(di, [close, far], arrivals | {"far": wrong})
    assert told["far"][0]
    assert "stays open by 4.2" in told["far"][1]
    # A DI hears no drums: then it is the leg between the two mics that is not followed, and that is said.
    refused, words = doubted(di, [close, far], arrivals | {"far": wrong}, dis={"di"})["far"]
    assert not refused
    assert "stays open by 4.2" in words


def _thirds_of_windows(way):
    """What two tracks as they are laid sum to in each third octave, in windows of a third of a second."""
    hz = bins_hz(RATE)
    met, apart = np.zeros(len(hz)), np.zeros(len(hz))
    gains = [10 ** (one.gain_db / 20) for one in way]
    for first, second in spectra(*way):
        met += np.abs(gains[0] * first + gains[1] * second) ** 2
        apart += np.abs(gains[0] * first) ** 2 + np.abs(gains[1] * second) ** 2
    inside = {centre: (hz >= centre * 10**-0.05) & (hz < centre * 10**0.05) for centre in THIRDS_HZ}
    return {centre: 10 * np.log10(met[band].sum() / apart[band].sum()) for centre, band in inside.items()}


def test_what_is_played_of_a_pair_is_what_its_lines_tell_whichever_is_the_reference():
    """By windows as long as the lines' own, which leak alike; bands of little sound are left to chance."""
    _, di, mic, _, straight = bass(3)
    turned = one_path_sum(mic, di, measure_pair(mic, di))
    for one, other, found in ((di, mic, straight), (mic, di, turned)):
        ways = ways_to_add(found, one, other)
        assert list(ways) == ["as recorded", "delay", "all-pass"]
        for line, way in zip((found.recorded, found.plain, found.turned), ways.values(), strict=True):
            true = _thirds_of_windows(way)
            told = dict(zip(THIRDS_HZ, line.thirds_db, strict=True))
            for centre in [hz for hz in THIRDS_HZ if 60 < hz < 900]:
                assert told[centre] == pytest.approx(true[centre], abs=0.35)


@pytest.mark.parametrize("seed", [3, 5])
def test_what_the_two_sum_to_at_the_arrival_is_told_in_either_polarity(seed):
    """By the spectra of the whole take, whichever of the two is moved by the arrival."""
    _, di, mic, _, found = bass(seed)
    assert found.arrival_s != found.best.delay_s
    told = {one["way"]: one for one in sum_lines(found)}
    for name, polarity in (("arrival, kept", 1), ("arrival, flipped", -1)):
        moved = BlendTrack(
            mic, gain_db=found.level_db, shift_samples=-found.arrival_s * mic.sample_rate, polarity=polarity
        )
        low_hz, high_hz = LINE_BANDS_HZ[0]
        true = sum_gain((BlendTrack(di), moved))
        bands = [band for band in true.bands if low_hz < band.centre_hz < high_hz]
        line = found.at_arrival[0 if polarity > 0 else 1]
        for band in bands:
            assert dict(zip(THIRDS_HZ, line.thirds_db, strict=True))[band.centre_hz] == pytest.approx(
                band.after_db, abs=0.35
            )
        assert min(band.after_db for band in bands) <= told[name]["lows_db"] <= max(band.after_db for band in bands)
        assert not told[name]["recommended"]


@pytest.mark.parametrize("width", [100, 80])
def test_the_ways_to_add_stand_in_a_row_each_where_a_terminal_is_narrow(width):
    out = io.StringIO()
    Console(file=out, width=width).print(sum_table(bass(3)[-1]))
    lines = out.getvalue().splitlines()
    for words in ("as recorded", "at arrival, polarity kept", "at arrival, flipped", "best delay and polarity"):
        (row,) = (line for line in lines if line.startswith(words))
        assert row.count(" dB") == 4
        assert len(row.rstrip()) <= width


def test_ways_that_show_the_same_are_one_row():
    found = bass(3)[-1]
    heard = {row[0]: row[1:] for row in sum_rows(found)}
    told = sum_rows(replace(found, plain=found.at_arrival[0]))
    assert len(told) == len(heard) - 1
    (both,) = (row for row in told if " = " in row[0])
    assert both[0].startswith("at arrival, polarity kept = best delay and polarity")
    assert both[1:] == heard["at arrival, polarity kept"]


def test_two_mics_of_a_scene_stay_together_where_their_di_adds_up_best_with_one_of_them(rng):
    """One DI has one place; by their arrivals against the DI the far mic would be laid twice, and perhaps flipped."""
    take = bass_take(2, seconds=8.0)
    di, close = tracks(take, ("di", "close"))
    far = -np.concatenate([np.zeros(300), take.mic])[: len(take.mic)]
    far = Track.from_array("far", far + 0.02 * np.std(far) * rng.standard_normal(len(far)), RATE)
    cab = Source("cab", (3.0, 2.0, 0.6))
    mics = (Mic("close", (3.0, 2.1, 0.6), on=("cab",)), Mic("far", (3.0, 4.25, 0.6), on=("cab",)))
    scene = Scene(sources=(cab,), mics=mics, dis=(Di("di", "cab"),))
    names = ["di", "close", "far"]
    told = []
    found = measured_scene(scene, Take((di, close, far)), progress=lambda words, share: told.append((share, words)))
    assert [words for _, words in told] == [*(f"listening to {name}" for name in names), "measuring cab on its own"]
    assert [share for share, _ in told] == [0.0, 0.25, 0.5, 0.75]
    laid = planned(found, constraints_of(scene, names, reference=found.reference))
    shift = {name: laid.shift(name) for name in names}
    assert (shift["close"].shift_s - shift["far"].shift_s) * RATE == pytest.approx(300, abs=0.5)
    assert shift["close"].polarity_flip != shift["far"].polarity_flip
    best = found.sums[0]
    way = 1 if best.reference == "di" else -1
    assert shift["di"].shift_s - shift["close"].shift_s == pytest.approx(way * best.best.delay_s, abs=1e-4)


def test_a_di_and_two_mics_without_a_scene_keep_the_mics_together(rng):
    """The far mic is the close one 300 samples later and inverted: so it stays, wherever the DI adds up best."""
    take = bass_take(2, seconds=8.0)
    di, close = tracks(take, ("di", "close"))
    far = -np.concatenate([np.zeros(300), take.mic])[: len(take.mic)]
    far = Track.from_array("far", far + 0.02 * np.std(far) * rng.standard_normal(len(far)), RATE)
    found = {row.track: row.delay for row in measured(di, [close, far]).tracks}
    assert (found["far"].delay_s - found["close"].delay_s) * RATE == pytest.approx(300, abs=2)
    assert found["far"].polarity == -found["close"].polarity
    assert all(delay.reliable for delay in found.values())


def test_nothing_further_is_said_of_a_line_that_holds_an_offset_alone(rng):
    """A dead line with a constant offset: no larger delay finds anything in it."""
    note = np.sin(2 * np.pi * 110.0 * np.arange(2 * RATE) / RATE) + 1e-4 * rng.normal(size=2 * RATE)
    dead, alive = Track.from_array("dead", np.full(2 * RATE, 0.3), RATE), Track.from_array("alive", note, RATE)
    for pair in ((dead, alive), (alive, dead)):
        assert measured(pair[0], [pair[1]]).tracks[0].delay.reason == "'dead' is silent"


def test_what_two_tracks_share_is_read_again_only_at_another_delay(rng, monkeypatch):
    noise = rng.normal(size=2 * RATE)
    one, other = (Track.from_array(name, noise[at:], RATE) for name, at in (("one", 48), ("other", 0)))
    fresh = {late_s: crossed(one, other, late_s) for late_s in (0.0, 0.001)}
    recognise(one, other, 0.001)
    for late_s, (hz, cross, at_s) in fresh.items():
        assert at_s == late_s
        assert crossed(one, other, late_s)[1] == pytest.approx(cross)
        assert hz[1] * 2 * (len(hz) - 1) == pytest.approx(RATE)
    monkeypatch.setattr(Track, "read", None)
    assert crossed(one, other, 0.001)[1] == pytest.approx(fresh[0.001][1])
    with pytest.raises(TypeError):
        crossed(one, other, 0.0)


def test_what_was_asked_of_a_track_does_not_keep_it(rng):
    """A notebook that lets go of a take has its memory back, and its files are closed."""
    note = np.sin(2 * np.pi * 110.0 * np.arange(2 * RATE) / RATE)
    tracks = [Track.from_array(name, note + 1e-4 * rng.normal(size=2 * RATE), RATE) for name in ("one", "other")]
    assert may_be_one_path(*tracks)
    assert recognise(*tracks, 0.0).coherence > 0.9
    assert recognise(tracks[0], tracks[0], 0.0).coherence > 0.99
    kept = [weakref.ref(track) for track in tracks]
    tracks.clear()
    gc.collect()
    assert [one() for one in kept] == [None, None]


@pytest.mark.parametrize("polarity", [1, -1])
def test_an_arrival_in_doubt_takes_the_polarity_that_adds_up_to_more(polarity):
    line = bass_line(np.random.default_rng(4), 6.0)
    di, mic = Track.from_array("di", line, RATE), Track.from_array("mic", polarity * delayed(line, 0.003), RATE)
    doubtful = Delay(0.003, 1e-5, -polarity, 0.0, 0.9, True, None)
    told = in_better_polarity(di, mic, doubtful)
    assert (told.polarity, told.is_polarity_clear, told.delay_s) == (polarity, True, 0.003)


@pytest.mark.parametrize(("seed", "late_s"), [(40, 6e-3), (42, 6e-3), (46, 6e-3), (62, 9e-3)])
def test_beyond_a_narrow_search_no_di_is_surely_where_it_seems(seed, late_s):
    """A cab 6 ms away, looked for within 3, was told as if it were sure. Within 10 it is, and is right."""
    take = bass_take(seed, seconds=8.0, latency_s=(late_s, late_s))
    di, mic = Track.from_array("di", take.di, 48000), Track.from_array("mic", take.mic, 48000)
    narrow = measured(di, [mic], max_delay_s=3e-3)
    assert not narrow.sums
    delay = narrow.tracks[0].delay
    assert not delay.reliable
    assert delay.confidence <= 0.5
    assert delay.reason.endswith("the delay may lie beyond the 3 ms that were searched: widen --max-delay-ms")
    wide = measured(di, [mic], max_delay_s=10e-3, by="arrival").tracks[0].delay
    assert wide.reliable
    assert wide.delay_s == pytest.approx(late_s, abs=0.2e-3)
