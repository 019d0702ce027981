"""A file that began at another time than the rest of its take is said to have, and never laid by chance."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from bench.delay import realkit, realtakes
from kit_takes import kit_take

from micalign.alignment.fits_nowhere import _MOST_MS, _never_together, fit_nowhere, other_beginning
from micalign.alignment.network import Constraints
from micalign.alignment.pairings import measured
from micalign.alignment.session import constraints_of, measured_scene, planned
from micalign.cli.options import max_delay_option
from micalign.take.tracks import Take, Track
from micalign.tdoa.delays import TrackDelay
from micalign.tdoa.measure import Delay
from micalign.tdoa.strokes import listen

LATE_S = 0.9
RATE = 8000
NOTHING = Delay(0.0, 0.0, 1, 0.0, 0.0, False, "nothing fits")
NAMES = {"OHL": "OH L", "OHR": "OH R", "KdrumR": "kick", "Snare_top": "snare"}


@pytest.fixture(scope="module")
def take():
    return _groove("rock", 3)


def _with_snare(take: dict[str, Track], *, cut_front: bool) -> list[Track]:
    sound, rate = take["snare"].read(), take["snare"].sample_rate
    cut = round(LATE_S * rate)
    return [take["OH R"], take["kick"], Track.from_array("snare", sound[cut:] if cut_front else sound[:-cut], rate)]


def _groove(style: str, seed: int, prefix: str = "") -> dict[str, Track]:
    kit = realkit.RealKit(Path(__file__).parents[1] / "external" / "realkit")
    groove = realtakes.groove(kit, style, seed=seed, seconds=14)
    return {name: Track.from_array(prefix + name, groove.mics[mic], groove.rate) for mic, name in NAMES.items()}


@pytest.mark.parametrize(("style", "seed"), [("rock", 4), ("disco", 3), ("swing", 5)])
@pytest.mark.parametrize("on_strokes", [True, False])
def test_tracks_of_another_take_in_the_same_folder_are_told_so_and_left(take, style, seed, on_strokes):
    """Not that an overhead of it hears the same kit, nor that its strokes are too few."""
    own = [take[name] for name in ("OH R", "kick", "snare")]
    alone = measured(take["OH L"], own, on_strokes=on_strokes, over_kit=on_strokes)
    others = list(_groove(style, seed, "2 ").values())
    found = measured(take["OH L"], own + others, on_strokes=on_strokes, over_kit=on_strokes)
    told = {row.track: row.delay for row in found.tracks}
    assert all("at other times than 'OH L'" in (told[other.name].reason or "") for other in others)
    assert not any(told[other.name].reliable for other in others)
    assert [told[row.track].reliable for row in alone.tracks] == [row.delay.reliable for row in alone.tracks]


@pytest.mark.parametrize(("strokes", "told"), [(6, False), (36, True)])
def test_a_third_of_a_few_strokes_in_common_may_be_chance_and_of_many_is_another_take(strokes, told):
    """What rings falls between its strokes, so that it rises at none of another take's but by chance."""
    every = 0.5 * np.arange(1, 5 * strokes // 3 + 1)
    first, second = np.sort(np.concatenate([every[::5], every[1::5], every[2::5]])), np.delete(every, slice(0, None, 5))
    second = np.setdiff1d(second, every[1::5])
    assert (len(first), len(second), len(np.intersect1d(first, second))) == (strokes, strokes, strokes // 3)
    assert _never_together(_struck(first), _struck(second)) is told


def _struck(times_s):
    rng, ring = np.random.default_rng(len(times_s)), np.exp(-np.arange(2 * RATE) / 2560)
    sound = 1e-5 * rng.normal(size=round((max(times_s) + 2.0) * RATE))
    for time_s in times_s:
        sound[round(time_s * RATE) :][: len(ring)] += rng.normal(size=len(ring)) * ring
    return listen(Track.from_array(f"from {times_s[0]:g} s", sound, RATE))


def test_two_mics_of_one_drum_that_were_muted_between_its_strokes_are_of_this_take():
    """They do not rise where all else is struck, but all else does where they are."""
    take = _groove("disco", 3)
    sound, rate = take["snare"].read(), take["snare"].sample_rate
    loud = np.abs(sound) > 0.2 * np.abs(sound).max()
    is_open = np.convolve(loud, np.ones(rate // 8), "full")[: len(sound)] > 0
    gated = [Track.from_array(name, gain * sound * is_open, rate) for name, gain in (("top", 1.0), ("bottom", 0.7))]
    delays = {track.name: NOTHING for track in gated}
    assert fit_nowhere(take["OH L"], gated, delays, max_delay_s=0.05) == {}


@pytest.mark.parametrize("on_strokes", [True, False])
def test_a_close_mic_whose_file_began_later_is_not_laid_by_chance_and_told_by_how_much(take, on_strokes):
    others = _with_snare(take, cut_front=True)
    found = measured(take["OH L"], others, on_strokes=on_strokes, over_kit=on_strokes)
    told = {row.track: row.delay for row in found.tracks}
    assert list(told) == ["OH R", "kick", "snare"]
    assert not told["snare"].reliable
    assert told["snare"].delay_s == pytest.approx(-LATE_S, abs=0.005)
    assert "it fits as a file that began about 0.90 s after that of 'OH L'" in told["snare"].reason
    assert "--max-delay-ms 1000" in told["snare"].reason
    assert "snare" not in found.basis
    # The rest of the kit is laid as without it.
    apart = measured(take["OH L"], others[:2], on_strokes=on_strokes, over_kit=on_strokes)
    assert [told[row.track].delay_s for row in apart.tracks] == [row.delay.delay_s for row in apart.tracks]


def test_of_overheads_alone_one_that_began_later_is_not_called_their_image(take):
    sound, rate = take["OH R"].read(), take["OH R"].sample_rate
    late = Track.from_array("OH R", sound[round(LATE_S * rate) :], rate)
    found = measured(take["OH L"], [late], on_strokes=True, over_kit=True)
    (right,) = (row.delay for row in found.tracks)
    assert not right.reliable
    assert "it fits as a file that began about 0.90 s after that of 'OH L'" in right.reason
    assert not found.basis
    (whole,) = (row.delay for row in measured(take["OH L"], [take["OH R"]], on_strokes=True, over_kit=True).tracks)
    assert "that is their image" in whole.reason


def test_of_a_reference_that_is_meant_it_is_said_as_well(take):
    sound, rate = take["OH L"].read(), take["OH L"].sample_rate
    late, others = Track.from_array("OH L", sound[round(LATE_S * rate) :], rate), list(take.values())
    others = [track for track in others if track.name != "OH L"]
    for first, is_late in ((late, True), (take["OH L"], False)):
        found = measured(first, others, on_strokes=True, over_kit=True, stays=True)
        said = planned(found, Constraints("OH L")).compromise
        assert ("it fits as a file that began about 0.90 s after that of 'OH R'" in said) is is_late


def test_what_is_advised_finds_it(take):
    found = measured(take["OH L"], _with_snare(take, cut_front=True), on_strokes=True, over_kit=True, max_delay_s=1.0)
    (snare,) = (row.delay for row in found.tracks if row.track == "snare")
    assert snare.reliable
    assert snare.delay_s == pytest.approx(-LATE_S, abs=0.005)


def test_a_file_that_merely_stopped_earlier_is_laid_as_ever(take):
    rows: list[dict[str, TrackDelay]] = []
    for others in (_with_snare(take, cut_front=False), [take[name] for name in ("OH R", "kick", "snare")]):
        found = measured(take["OH L"], others, on_strokes=True, over_kit=True)
        rows.append({row.track: row for row in found.tracks})
    short, whole = (one["snare"].delay for one in rows)
    assert short.reliable
    assert short.delay_s == pytest.approx(whole.delay_s, abs=1e-4)


def test_what_is_placed_by_time_stamps_silent_or_reliable_is_looked_for_nowhere_else(rng):
    sound = rng.normal(size=5 * RATE) * np.repeat(np.arange(20) % 4 == 1, RATE // 4)
    whole, late = Track.from_array("a", sound, RATE), sound[RATE // 2 :]
    looked = {
        name: other_beginning(whole, track, delay, max_delay_s=0.05)
        for name, track, delay in (
            ("late", Track.from_array("b", late, RATE), NOTHING),
            ("placed", Track.from_array("b", late, RATE, start_s=0.5), NOTHING),
            ("silent", Track.from_array("b", np.zeros(len(late)), RATE), NOTHING),
            ("reliable", Track.from_array("b", late, RATE), Delay(0.0, 1e-5, 1, 1.0, 1.0, True, None)),
            ("stranger", Track.from_array("b", rng.normal(size=len(late)), RATE), NOTHING),
        )
    }
    assert [name for name, found in looked.items() if found is not None] == ["late"]


def test_beyond_two_seconds_it_is_found_by_loudness_and_an_earlier_beginning_is_called_so(rng):
    sound = rng.normal(size=12 * RATE) * np.repeat(rng.uniform(size=48) < 0.3, RATE // 4)
    whole, late = Track.from_array("a", sound, RATE), Track.from_array("b", sound[3 * RATE :], RATE)
    for reference, track, way in ((whole, late, "after"), (late, whole, "before")):
        found = other_beginning(reference, track, NOTHING, max_delay_s=0.05)
        assert found is not None
        assert f"about 3.00 s {way} that of '{reference.name}'" in found.reason
        assert "--max-delay-ms 3100" in found.reason


@pytest.mark.parametrize(
    ("late_s", "advice"), [(59.97, "--max-delay-ms 60000"), (61.0, "put 61.00 s of silence before it")]
)
def test_nothing_is_advised_that_the_option_does_not_take(rng, late_s, advice):
    sound = rng.normal(size=150 * RATE) * np.repeat(np.where(rng.uniform(size=600) < 0.3, 1.0, 0.05), RATE // 4)
    whole, late = Track.from_array("a", sound, RATE), Track.from_array("b", sound[round(late_s * RATE) :], RATE)
    found = other_beginning(whole, late, NOTHING, max_delay_s=0.05)
    assert found is not None
    assert found.delay_s == pytest.approx(-late_s, abs=1e-3)
    assert advice in found.reason


def test_the_farthest_that_is_advised_is_what_the_option_takes():
    (option,) = max_delay_option(lambda: None).__click_params__
    assert option.type.max == _MOST_MS


@pytest.mark.parametrize(
    ("lead_in_s", "cut_s", "told"),
    [
        (3.1, 0.0, "3.10 s before that of 'OH L': cut 3.10 s off its beginning and ask again"),
        (0.0, 3.1, "3.10 s after that of 'OH L': put 3.10 s of silence before it and ask again"),
    ],
)
def test_where_no_wide_look_is_sure_it_is_told_by_loudness_and_how_to_bring_the_file_near(take, lead_in_s, cut_s, told):
    sound, rate = take["snare"].read(), take["snare"].sample_rate
    moved = np.concatenate([np.zeros(round(lead_in_s * rate)), sound[round(cut_s * rate) :]])
    found = other_beginning(take["OH L"], Track.from_array("snare", moved, rate), NOTHING, max_delay_s=0.05)
    assert found is not None
    assert not found.reliable
    assert found.reason == f"it fits as a file that began about {told}"


@pytest.mark.parametrize(
    ("pieces", "chance", "off_s", "told"),
    [(0.0, 0.76, 0.01, True), (0.0, 0.74, 0.01, False), (0.0, 0.76, 0.03, False), (0.16, 0.0, 0.03, True)],
)
def test_a_place_in_loudness_counts_by_its_pieces_or_by_a_delay_that_is_shared_there(
    rng, monkeypatch, pieces, chance, off_s, told
):
    """Neither the wide look nor the pieces of loudness are sure: 15 % of these, or a delay of 75 % within 20 ms."""
    whole, late = (Track.from_array(name, rng.normal(size=n), RATE) for name, n in (("a", 9 * RATE), ("b", 6 * RATE)))
    rough = Delay(-3.0, 0.01, 1, 1.0, pieces, False, "doubtful")
    monkeypatch.setattr("micalign.alignment.fits_nowhere.measure_clock", lambda *_, **__: rough)
    closer = Delay(off_s, 1e-4, 1, 1.0, chance, False, "doubtful")
    monkeypatch.setattr("micalign.alignment.fits_nowhere.measure_many", lambda *_, **__: [closer])
    found = other_beginning(whole, late, NOTHING, max_delay_s=0.05)
    assert (found is not None) is told
    if found is not None:
        assert found.delay_s == pytest.approx(-3.0 + (0.0 if pieces else off_s))
        assert "put " in found.reason


@pytest.fixture(scope="module")
def rendered():
    """A kit with its scene, and its snare mic in a file that began later."""
    kit = kit_take(4)
    cut = round(LATE_S * kit.take.sample_rate)
    late = [
        Track.from_array(one.name, one.read()[cut:], one.sample_rate) if one.name == "snare mic" else one
        for one in kit.take.tracks
    ]
    return kit, Take(tuple(late))


def test_with_a_scene_it_is_told_and_not_laid_by_its_strokes(rendered):
    kit, late = rendered
    found = measured_scene(kit.scene, late)
    told = {row.track: row.delay for row in found.tracks}
    assert not told["snare mic"].reliable
    assert told["snare mic"].delay_s == pytest.approx(-LATE_S, abs=0.03)
    assert "put 0.90 s of silence before it and ask again" in told["snare mic"].reason
    limits = constraints_of(kit.scene, [track.name for track in late.tracks], reference=found.reference)
    snare = planned(found, limits).shift("snare mic")
    assert (snare.shift_s, snare.polarity_flip, snare.applied) == (0.0, False, False)
    assert snare.reason == told["snare mic"].reason


def test_with_a_scene_a_file_that_only_ends_earlier_is_told_nothing(rendered):
    kit, _ = rendered
    short = [
        Track.from_array(one.name, one.read()[: -(k + 1) * 9000], one.sample_rate)
        for k, one in enumerate(kit.take.tracks)
    ]
    assert not measured_scene(kit.scene, Take(tuple(short))).unsteady


def test_where_clocks_are_looked_at_it_is_told_as_well(take):
    found = measured(take["OH L"], _with_snare(take, cut_front=True), drift=True)
    (snare,) = (row.delay for row in found.tracks if row.track == "snare")
    assert not snare.reliable
    assert "it fits as a file that began about 0.90 s after that of 'OH L'" in snare.reason
