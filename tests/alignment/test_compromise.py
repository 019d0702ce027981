"""One set of shifts for many sources: what must close, what stays together, what is never applied."""

from __future__ import annotations

import pytest

from micalign.alignment.compromise import agreed
from micalign.alignment.network import Constraints, HeardSource, Link
from micalign.alignment.offsets import Shift, followed
from micalign.errors import TakeError
from micalign.tdoa.delays import Expected

RATE = 48000
TRACKS = ["snare mic", "kick mic", "left", "right"]
ON = {"snare mic": ("snare",), "kick mic": ("kick",), "left": ("snare", "kick"), "right": ("snare", "kick")}


def kit(kick_polarity: int = 1) -> list[HeardSource]:
    """Arrivals in ms: snare at 0.2, 1.5, 3.0, 3.2; kick at 1.6, 0.3, 4.0, 4.4."""
    arrivals = {"snare": (0.2e-3, 1.5e-3, 3.0e-3, 3.2e-3), "kick": (1.6e-3, 0.3e-3, 4.0e-3, 4.4e-3)}
    levels = {"snare": (1.0, 0.1, 0.1, 0.1), "kick": (0.1, 1.0, 0.08, 0.08)}
    heard = []
    for source, times in arrivals.items():
        late = dict(zip(TRACKS, times, strict=True))
        links = [
            Link(a, b, late[b] - late[a], 1e-6, kick_polarity if "kick mic" in (a, b) else 1)
            for i, a in enumerate(TRACKS)
            for b in TRACKS[i + 1 :]
        ]
        heard.append(HeardSource(source, tuple(links), dict(zip(TRACKS, levels[source], strict=True))))
    return heard


def test_close_mics_meet_the_overheads_with_their_own_source():
    offsets = agreed(TRACKS, kit(), Constraints("left", (("left", "right"),), ON), sample_rate=RATE)
    # The pair moves as one, so each close mic is laid between its source's arrivals at the two.
    assert offsets.shift("snare mic").shift_s == pytest.approx(2.9e-3, abs=2e-6)
    assert offsets.shift("kick mic").shift_s == pytest.approx(3.9e-3, abs=2e-6)
    assert offsets.shift("left").shift_s == offsets.shift("right").shift_s == 0.0


def test_a_split_pair_may_move_apart():
    offsets = agreed(TRACKS, kit(), Constraints("left", (), ON), sample_rate=RATE)
    assert -0.4e-3 <= offsets.shift("right").shift_s <= -0.2e-3  # between what snare and kick ask for


def test_for_a_source_the_shifts_suit_it_alone():
    offsets = agreed(TRACKS, kit(), Constraints("left", (), ON, for_source="kick"), sample_rate=RATE)
    remains = [one for one in offsets.remains if one.source == "kick"]
    assert len(remains) == 3
    assert all(abs(one.remain_s) < 1e-6 for one in remains)  # a fiftieth of a sample


def test_what_remains_closes_and_names_its_notch():
    offsets = agreed(TRACKS, kit(), Constraints("left", (("left", "right"),), ON), sample_rate=RATE)
    snare = {one.track: one for one in offsets.remains if one.source == "snare"}
    assert snare["left"].against == "snare mic"
    assert snare["right"].remain_s - snare["left"].remain_s == pytest.approx(0.2e-3, abs=1e-9)
    assert snare["right"].first_notch_hz == pytest.approx(0.5 / 0.1e-3, rel=0.02)


def test_a_room_mic_is_laid_onto_the_others_and_pulls_none_of_them():
    far = Link("left", "room", 8e-3, 1e-6)
    heard = [HeardSource(one.source, (*one.links, far), {**one.amplitudes, "room": 0.2}) for one in kit()]
    limits = Constraints("left", (("left", "right"),), {**ON, "room": ("snare", "kick")})
    offsets = agreed([*TRACKS, "room"], heard, limits, sample_rate=RATE)
    assert offsets.shift("snare mic").shift_s == pytest.approx(2.9e-3, abs=1e-5)  # half a sample of where it was
    assert offsets.shift("room").shift_s < -7e-3
    assert offsets.shift("room").applied


def test_polarity_is_flipped_once_and_for_all_sources():
    offsets = agreed(TRACKS, kit(kick_polarity=-1), Constraints("left", (), ON), sample_rate=RATE)
    assert [offsets.shift(name).polarity_flip for name in TRACKS] == [False, True, False, False]
    assert all(one.polarity == 1 for one in offsets.remains)


@pytest.mark.parametrize(("clear", "flipped"), [(0.1, False), (0.9, True)])
def test_where_every_polarity_of_a_track_is_in_doubt_it_is_kept(clear, flipped):
    heard = [HeardSource("snare", (Link("left", "snare mic", -2.8e-3, 1e-6, -1, clear),))]
    offsets = agreed(["left", "snare mic"], heard, Constraints("left"), sample_rate=RATE)
    assert offsets.shift("snare mic").polarity_flip is flipped
    assert offsets.shift("snare mic").applied


def test_a_track_without_a_reliable_pair_is_left_alone():
    heard = [HeardSource("snare", (Link("left", "snare mic", -2.8e-3, 1e-6),))]
    offsets = agreed(["left", "snare mic", "kick mic"], heard, Constraints("left"), sample_rate=RATE)
    left_alone = offsets.shift("kick mic")
    assert not left_alone.applied
    assert not left_alone.reliable
    assert left_alone.shift_s == 0.0
    assert offsets.shift("snare mic").applied
    assert "kick mic" in offsets.compromise


def test_a_shift_beyond_the_largest_is_not_applied():
    offsets = agreed(TRACKS, kit(), Constraints("left", (), ON, max_shift_s=3e-3), sample_rate=RATE)
    assert offsets.shift("snare mic").applied
    assert not offsets.shift("kick mic").applied
    assert "larger than the 3 ms" in (offsets.shift("kick mic").reason or "")


def test_every_applied_shift_takes_its_delay_out():
    offsets = agreed(TRACKS, kit(), Constraints("left", (), ON), sample_rate=RATE)
    reference = offsets.shift("left").shift_s
    assert all(one.delay_s + one.shift_s - reference == pytest.approx(0.0, abs=1e-15) for one in offsets.shifts)


def test_an_unknown_reference_is_refused():
    with pytest.raises(TakeError, match="the reference 'nobody' is not among the tracks"):
        agreed(TRACKS, kit(), Constraints("nobody"), sample_rate=RATE)


def test_an_unreliable_single_delay_is_never_followed():
    doubtful = Shift("b", 0.004, 1e-3, -0.004, polarity_flip=True, reliable=False, applied=True, reason="noise")
    offsets = followed([doubtful], reference="a", sample_rate=RATE)
    kept = offsets.shift("b")
    assert (kept.shift_s, kept.polarity_flip, kept.applied) == (0.0, False, False)
    assert "nothing was moved" in offsets.compromise


def test_a_source_of_which_nothing_is_known_is_told_with_what_the_scene_makes_likely():
    """By hand: the tom is 1.78 ms later in the left than in the right, and the pair moves as one."""
    on = {**ON, "left": ("snare", "kick", "tom"), "right": ("snare", "kick", "tom")}
    heard = [*kit(), HeardSource("tom", ())]
    arrivals = {"left": Expected(6.46e-3, 1e-4), "right": Expected(4.68e-3, 1e-4), "snare mic": Expected(3.6e-3, 1e-4)}
    limits = Constraints("left", (("left", "right"),), on, expected={"tom": arrivals})
    words = agreed(TRACKS, heard, limits, sample_rate=RATE).compromise
    assert "of 'tom' nothing reliable is known (by the scene, likely 1.8 ms remains between right and left)" in words
    bare = agreed(TRACKS, heard, Constraints("left", (("left", "right"),), on), sample_rate=RATE).compromise
    assert bare.endswith("of 'tom' nothing reliable is known")
    assert "nothing reliable" not in agreed(TRACKS, kit(), limits, sample_rate=RATE).compromise
