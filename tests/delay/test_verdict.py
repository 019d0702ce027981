"""What evidence is worth and which is believed: each rule on either side of its border, evidence made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micalign.delay import verdict
from micalign.delay.evidence import Evidence
from micalign.delay.listening import Listened, listen, same_samples, shared_strokes
from micalign.delay.peak import Peak
from micalign.delay.verdict import choose, judge, nearer_is_second, surely_close
from micalign.take.model import Track

RATE = 1000
NOTHING = listen(Track.from_array("nothing", np.zeros(2000), RATE))


def evidence(kind="strokes", **changes) -> Evidence:
    """A clear peak of height 1 at 2 ms, found by all of eight groups, noise 20 times below, no rivals."""
    plain = Evidence(
        kind=kind,
        best=Peak(0.002, 0.4),
        peaks=(Peak(0.002, 1.0),),
        height=1.0,
        noise=0.05,
        own_best_s=np.full(8, 0.002),
        nearby_s=np.full(8, 0.002),
        error_s=0.0,
        frames=40,
        reach_s=0.05,
        centre_s=0.0,
        lobe_s=5e-5,
    )
    return replace(plain, **changes)


def rival(height: float, at_s: float = 0.004) -> dict:
    return {"peaks": (Peak(0.002, 1.0), Peak(at_s, height))}


def stray(groups: int, of: int = 8) -> dict:
    """So many of the groups find another delay."""
    return {"own_best_s": np.where(np.arange(of) < groups, 0.01, 0.002), "nearby_s": np.full(of, 0.002)}


def test_clear_evidence_is_believed_wholly():
    found = judge(evidence())
    assert (found.reason, found.confidence, found.polarity_margin) == (None, 1.0, 1.0)
    assert found.uncertainty_s == 0.0


def test_the_uncertainty_is_the_peaks_own_or_what_the_groups_scatter_beyond_it():
    assert judge(evidence(error_s=3e-6, **rival(-0.5))).uncertainty_s == 3e-6
    nearby = np.array([1.0, 3.0, 1.0, 3.0]) * 1e-6  # standard deviation 2/sqrt(3), its mean's half of that
    assert judge(evidence(nearby_s=nearby)).uncertainty_s == pytest.approx(1e-6 / np.sqrt(3))
    assert judge(evidence(nearby_s=nearby, error_s=1e-6)).uncertainty_s == 1e-6


def test_the_margin_of_polarity_is_what_the_best_of_the_other_sign_leaves():
    peaks = (Peak(0.002, 1.0), Peak(0.004, -0.3), Peak(0.006, 0.7), Peak(0.00235, -0.9))
    assert judge(evidence(peaks=peaks)).polarity_margin == pytest.approx(0.7)  # 0.35 ms away is a lobe, no rival
    inverted = tuple(Peak(peak.lag_s, -peak.height) for peak in peaks)
    assert judge(evidence(peaks=inverted, best=Peak(0.002, -0.4))).polarity_margin == pytest.approx(0.7)


def test_confidence_falls_with_rivals_agreement_and_noise():
    assert judge(evidence(**rival(0.65))).confidence == pytest.approx(1.0)
    assert judge(evidence(**rival(0.85))).confidence == pytest.approx(0.5)
    assert judge(evidence(**stray(2))).confidence == pytest.approx(0.75)
    assert judge(evidence(noise=1 / 4.5)).confidence == pytest.approx(0.5)
    assert judge(evidence(noise=0.0)).confidence == 1.0


BORDER = "the best delay lies at the border of the search"
NOISE = "no delay stands out of the noise"
PARTS = "parts of the tracks suggest different delays"
OTHER = "another delay fits nearly as well"


@pytest.mark.parametrize(
    ("kind", "changes", "reason"),
    [
        ("strokes", {"reach_s": 0.00251}, None),
        ("strokes", {"reach_s": 0.00249}, BORDER),
        ("strokes", {"centre_s": 0.0045, "reach_s": 0.0031}, None),
        ("strokes", {"centre_s": 0.0045, "reach_s": 0.0029}, BORDER),
        ("strokes", {"noise": 1 / 3.6}, None),
        ("strokes", {"noise": 1 / 3.4}, NOISE),
        # Agreement: 5 of 8 do for strokes and not for stretches, 6 of 8 for both.
        ("strokes", stray(3), None),
        ("strokes", stray(4), PARTS),
        ("stretches", stray(2), None),
        ("stretches", stray(3), PARTS),
        # A sharp peak amid reflections may be outvoted by half: contrast over 12, the next at 0.3 to 0.6 of it.
        ("stretches", {**stray(4), **rival(0.45)}, None),
        ("stretches", {**stray(5), **rival(0.45)}, PARTS),
        ("stretches", {**stray(4), **rival(0.45), "noise": 1 / 11}, PARTS),
        ("stretches", {**stray(4), **rival(0.29)}, PARTS),
        ("stretches", {**stray(4), **rival(0.61)}, PARTS),
        ("strokes", {**stray(4), **rival(0.45)}, PARTS),
        ("strokes", rival(0.81), None),
        ("strokes", rival(0.83), OTHER),
        ("stretches", rival(0.74), None),
        ("stretches", rival(-0.76), OTHER),
        ("stretches", rival(0.99, at_s=0.0024), None),  # nearer than 0.4 ms: a lobe
        ("strokes", {**stray(0, of=2), **rival(0.59)}, None),
        ("strokes", {**stray(0, of=2), **rival(0.61)}, OTHER),
        ("strokes", {**stray(0, of=3), **rival(0.61)}, None),
        # Strokes need more contrast the nearer the rival comes: 6.5 times its share.
        ("strokes", {**rival(0.7), "noise": 1 / 4.6}, None),
        ("strokes", {**rival(0.7), "noise": 1 / 4.5}, OTHER),
        ("stretches", {**rival(0.7), "noise": 1 / 8.6}, None),
        # The whole take needs more contrast than strokes, unless the search is narrow.
        ("stretches", {"noise": 1 / 8.6}, None),
        ("stretches", {"noise": 1 / 8.4}, NOISE),
        ("stretches", {"noise": 1 / 3.6, "reach_s": 0.019}, None),
        ("stretches", {"noise": 1 / 3.4, "reach_s": 0.019}, NOISE),
        # One hit in a long take: a quarter of the parts will do where the peak stands 30 times over the noise, alone.
        ("stretches", {**stray(6), **rival(0.29), "noise": 1 / 31}, None),
        ("stretches", {**stray(7), **rival(0.29), "noise": 1 / 31}, PARTS),
        ("stretches", {**stray(6), **rival(0.29), "noise": 1 / 29}, PARTS),
        ("stretches", {**stray(6), **rival(0.31), "noise": 1 / 31}, PARTS),
        ("strokes", {**stray(6), **rival(0.29), "noise": 1 / 31}, PARTS),
    ],
)
def test_reasons_not_to_act(kind, changes, reason):
    found = judge(evidence(kind, **changes)).reason
    assert found is None if reason is None else found is not None and found.startswith(reason)


def listened(struck=(), closeness=0.0, gap=10.0, start_s=0.0) -> Listened:
    track = Track.from_array("a", np.zeros(10), RATE, start_s=start_s)
    return replace(NOTHING, track=track, struck=np.array(struck, dtype=np.intp), closeness_db=closeness, gap_db=gap)


def test_shared_strokes_are_those_within_thirty_milliseconds_on_the_takes_clock():
    near = listened([100, 200, 300])
    assert shared_strokes(near, listened([71, 129, 400, 171])) == 0.75
    assert shared_strokes(near, listened([70, 130, 331, 169])) == 0.0  # 30 samples of 1 ms are no longer within
    assert shared_strokes(near, listened([0, 100, 200], start_s=0.1)) == 1.0
    assert shared_strokes(listened([0, 100, 200], start_s=0.1), near) == 1.0
    assert shared_strokes(near, listened([])) == 0.0
    assert shared_strokes(listened([]), near) == 0.0


def test_the_same_samples_are_told_from_like_ones():
    samples = np.random.default_rng(1).standard_normal(400)
    heard = [
        listen(Track.from_array(name, s, RATE, start_s=start))
        for name, s, start in [
            ("a", samples, 0.0),
            ("b", samples, 0.0),
            ("later", samples, 0.1),
            ("short", samples[:-1], 0.0),
            ("flipped", -samples, 0.0),
            ("louder", 2 * samples, 0.0),
        ]
    ]
    assert [same_samples(heard[0], other) for other in heard[1:]] == [True, False, False, False, False]


FEW = list(range(1000, 5000, 1000))  # four strokes
MANY = list(range(1000, 9000, 1000))


def test_the_closer_by_its_score_is_the_close_mic():
    assert nearer_is_second(listened(closeness=1.0), listened(closeness=2.0))
    assert not nearer_is_second(listened(closeness=2.0), listened(closeness=1.0))
    assert not nearer_is_second(listened(), listened())


@pytest.mark.parametrize(
    ("ahead_db", "knows", "second"),
    [
        # The second's four strokes are all the first's; the first's others are unknown to it: the second is close.
        (-3.9, MANY, True),
        (-9.9, MANY, True),
        (-10.1, MANY, False),
        (-9.9, [*FEW, 5000], False),  # only a fifth more: too little where the scores are 4 dB apart
        (-3.9, [*FEW, 5000], False),
        (-3.9, [*FEW, 5000, 6000], True),  # a third more
        (-4.1, [*FEW, 5000, 6000], False),
    ],
)
def test_where_scores_are_near_whose_strokes_the_other_knows_decides(ahead_db, knows, second):
    first, other = listened(knows, closeness=-ahead_db), listened(FEW)
    assert nearer_is_second(first, other) is second
    assert nearer_is_second(other, first) is not second


def test_of_few_strokes_nothing_is_concluded():
    assert not nearer_is_second(listened(MANY, closeness=1.0), listened(FEW[:3]))


@pytest.mark.parametrize(
    ("ahead_db", "gap_db", "far", "sure"),
    [
        (20.1, 4.1, FEW, True),
        (20.1, 4.0, FEW, False),
        (19.9, 10.0, FEW, False),
        (12.1, 10.0, [*FEW, 9500, 9600], True),  # two thirds shared
        (12.1, 10.0, [*FEW[:3], 9500], False),  # three quarters
        (11.9, 10.0, [*FEW, 9500, 9600], False),
        (2.1, 10.0, [*FEW, 9500, 9600, 9700], True),  # four of seven
        (2.1, 10.0, [*FEW[:3], 9500, 9600], False),  # three of five
        (1.9, 10.0, [9500], False),
    ],
)
def test_surely_close(ahead_db, gap_db, far, sure):
    assert surely_close(listened(FEW, closeness=ahead_db, gap=gap_db), listened(far)) is sure


def long(**changes) -> Evidence:
    """Stretches that suggest 5 ms."""
    return evidence("stretches", **{"best": Peak(0.005, 0.4), "peaks": (Peak(0.005, 1.0),),
                                    "own_best_s": np.full(8, 0.005), **changes})  # fmt: skip


STRANGE = [9000 + 100 * i for i in range(6)]  # six strokes that the near track does not know
HALF = [1000, 2000, 3000, 9000, 9100, 9200]


def test_one_kind_of_evidence_is_taken_and_none_is_none():
    assert choose(None, None, NOTHING, NOTHING) is None
    assert choose(evidence(), None, NOTHING, NOTHING).evidence.kind == "strokes"
    assert choose(None, long(), NOTHING, NOTHING).evidence.kind == "stretches"


def test_a_mic_that_is_surely_close_is_asked_for_its_strokes():
    assert choose(evidence(), long(), listened(FEW), listened(FEW), close_is_certain=True).evidence.kind == "strokes"


@pytest.mark.parametrize(
    ("by_strokes", "by_stretches", "near", "far", "kind", "doubted"),
    [
        # Few shared strokes, another delay, a sharp one: the near mic's own.
        (evidence(), long(), {"gap": 3.0}, STRANGE, "strokes", False),
        (evidence(), long(), {"gap": 3.0}, STRANGE[:5], "stretches", False),  # too few to tell
        (evidence(), long(), {"gap": 3.0}, HALF, "stretches", False),  # half are shared
        (evidence(lobe_s=1.1e-4), long(), {"gap": 3.0}, STRANGE, "stretches", False),  # a dull peak
        (evidence(), long(best=Peak(0.005, 0.48)), {"gap": 3.0}, STRANGE, "stretches", False),  # alike all along
        (evidence(**rival(0.5, at_s=0.0051)), long(), {"gap": 3.0}, STRANGE, "stretches", False),  # its second says so
        # The whole take in doubt, the strokes not, at a gap of 4 dB: the strokes.
        (evidence(), long(noise=0.5), {"gap": 4.0}, FEW, "strokes", False),
        (evidence(), long(noise=0.5), {"gap": 3.9}, FEW, "stretches", True),
        (evidence(noise=0.5), long(noise=0.5), {"gap": 4.0}, FEW, "stretches", True),
        (evidence(lobe_s=1.1e-4), long(noise=0.5), {"gap": 4.0}, FEW, "stretches", True),
        # All strokes shared: the whole take; where the strokes say another thing sharply they are the better guess.
        (evidence(), long(), {"gap": 4.0}, FEW, "strokes", True),
        (evidence(noise=1 / 4.4), long(), {"gap": 4.0}, FEW, "stretches", True),
        (evidence(noise=1 / 4.6), long(), {"gap": 4.0}, FEW, "strokes", True),
        (evidence(), long(), {"gap": 3.9}, FEW, "stretches", False),
        (evidence(lobe_s=1.1e-4), long(), {"gap": 4.0}, FEW, "stretches", False),
        (evidence(), long(best=Peak(0.005, 0.48)), {"gap": 4.0}, FEW, "stretches", False),
        # Half shared: perhaps a close mic; believed where sharp, clear and of one voice.
        (evidence(), long(), {"gap": 4.0}, HALF, "strokes", False),
        (evidence(lobe_s=1.9e-4), long(), {"gap": 4.0}, HALF, "strokes", False),
        (evidence(lobe_s=2.1e-4), long(), {"gap": 4.0}, HALF, "strokes", True),
        (evidence(**stray(2)), long(), {"gap": 4.0}, HALF, "strokes", False),
        (evidence(**stray(3)), long(), {"gap": 4.0}, HALF, "strokes", True),
        (evidence(**rival(0.9), noise=1 / 6.1), long(), {"gap": 4.0}, HALF, "strokes", True),
        (evidence(**rival(0.9), noise=1 / 5.9), long(), {"gap": 4.0}, HALF, "strokes", True),
        (evidence(**rival(0.9, at_s=0.005), lobe_s=3e-4), long(), {"gap": 4.0}, HALF, "stretches", False),
    ],
)
def test_whom_to_believe(by_strokes, by_stretches, near, far, kind, doubted):
    found = choose(by_strokes, by_stretches, listened(FEW, **near), listened(far))
    assert found.evidence.kind == kind
    assert (found.reason is not None) is doubted


@pytest.mark.parametrize(
    ("by_strokes", "by_stretches", "told", "kind", "doubted"),
    [
        # Own strokes louder against the far track than its others, and levels that differ: they are believed.
        (evidence(), long(), "both", "strokes", False),
        (evidence(), long(best=Peak(0.0023, 0.7)), "both", "strokes", False),
        (evidence(best=Peak(0.002, 0.7)), long(best=Peak(0.0023, 0.7)), "both", "strokes", False),
        (evidence(), long(best=Peak(0.00209, 0.4)), "both", "stretches", False),  # the same: the whole take's number
        (evidence(), long(best=Peak(0.00209, 0.4), noise=0.5), "both", "strokes", False),
        (evidence(lobe_s=1.1e-4), long(), "both", "strokes", True),  # a dull peak
        (evidence(noise=0.5), long(), "both", "stretches", True),  # they say nothing
        (evidence(noise=0.5), long(best=Peak(0.0021, 0.4)), "both", "stretches", False),  # the same
        # One of the two alone: sharp and sure strokes are believed, but of one path the whole take tells the lobe.
        (evidence(), long(), "_hears_one_drum", "strokes", False),
        (evidence(best=Peak(0.002, 0.7)), long(best=Peak(0.0023, 0.7)), "_hears_one_drum", "stretches", False),
        (evidence(noise=0.5), long(), "_hears_one_drum", "stretches", False),
        (evidence(), long(), "levels_apart", "strokes", False),
        (evidence(best=Peak(0.002, 0.7)), long(best=Peak(0.0023, 0.7)), "levels_apart", "stretches", False),
        (evidence(lobe_s=1.1e-4), long(), "levels_apart", "stretches", False),
        (evidence(noise=0.5), long(), "levels_apart", "stretches", False),
    ],
)
def test_levels_tell_a_close_mic(monkeypatch, by_strokes, by_stretches, told, kind, doubted):
    for name in ("_hears_one_drum", "levels_apart") if told == "both" else (told,):
        monkeypatch.setattr(verdict, name, lambda *_, **__: True)
    found = choose(by_strokes, by_stretches, listened(FEW, gap=3.0), listened(FEW))
    assert found.evidence.kind == kind
    assert (found.reason is not None) is doubted


@pytest.mark.parametrize(("gap", "kind"), [(-4.9, "strokes"), (-5.1, "stretches")])
def test_what_is_louder_between_the_strokes_than_in_them_is_held_and_no_drum(gap, kind):
    # Few strokes shared and another delay: of a drum the strokes would be believed, doubtful as they are.
    near, far, doubtful = listened(FEW, gap=gap), listened(STRANGE), evidence(**rival(0.9))
    assert choose(doubtful, long(), near, far).evidence.kind == kind
    assert choose(evidence(), long(), near, far).evidence.kind == "strokes"
    assert choose(doubtful, long(noise=0.5), near, far).evidence.kind == "strokes"  # neither is sure, both agree
    assert choose(evidence(**{**rival(0.9), **stray(3)}), long(noise=0.5), near, far).evidence.kind == kind


@pytest.mark.parametrize(("height", "kind"), [(0.61, "stretches"), (0.59, "strokes")])
def test_what_is_alike_throughout_is_told_by_the_whole_take(monkeypatch, height, kind):
    monkeypatch.setattr(verdict, "_hears_one_drum", lambda *_, **__: True)
    monkeypatch.setattr(verdict, "levels_apart", lambda *_, **__: True)
    doubtful, alike = evidence(**rival(0.9)), long(best=Peak(0.005, height))
    assert choose(doubtful, alike, listened(FEW, gap=3.0), listened(FEW)).evidence.kind == kind
    assert choose(doubtful, replace(alike, noise=0.5), listened(FEW, gap=3.0), listened(FEW)).evidence.kind == "strokes"


def test_doubt_halves_the_confidence_and_keeps_an_older_reason():
    clear = choose(evidence(noise=1 / 5.5), long(), listened(FEW, gap=4.0), listened(FEW))
    assert clear.confidence == pytest.approx(0.375)  # half of (5.5 - 2.5) / 4
    assert clear.reason == "the loudest strokes and the whole take suggest different delays"
    noisy = choose(evidence(noise=0.5, lobe_s=2.1e-4), long(noise=0.5), listened(FEW, gap=4.0), listened(HALF))
    assert noisy.reason == NOISE
