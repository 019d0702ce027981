"""Takes made of a real kit's hits in a real room, against windows that simple pickers of the first wavefront agree on.

The hits are of MuldjordKit v1.0 by L. Muldjord, CC BY 4.0 (``realkit/README.md``): held-out ones, which no constant was
fitted on. Bars: isolated hits right within 0.1 ms of the window in 95 % of the pairs, polarity right wherever it can be
told, 80 % reliable, none wrong though reliable; a groove 90, 75 and 80 % for hat, snare and toms, half of it reliable.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from bench.delay import realkit, realtakes
from bench.delay.estimators import Answer
from bench.delay.score_real import Row, row, scored
from outside import confirm

from micalign.take.tracks import Track
from micalign.tdoa.measure import Delay, measure_many, measure_pair

SOURCE = "MuldjordKit v1.0 (L. Muldjord, CC BY 4.0), first wavefronts by six pickers"
NEAR_S = 1e-4


@pytest.fixture(scope="module")
def kit():
    return realkit.RealKit(Path(__file__).with_name("realkit"))


def _told(take, family, drum, pair, found: Delay) -> Row:
    answer = Answer(found.delay_s, found.uncertainty_s, found.polarity, found.confidence, found.reliable)
    return row("micalign", take, family, drum, pair, answer, 0.0)


def _share_near(rows):
    return sum(one.off_s <= NEAR_S for one in rows) / len(rows)


@pytest.fixture(scope="module")
def isolated(kit):
    """Each drum on its own, ten strokes in a row: its mic against overheads and rooms, one pair at a time."""
    rows = []
    for source in realkit.CLOSE:
        take = realtakes.isolated(kit, source, 10, seed=1)
        for family, drum, pair in scored(take):
            if family == "isolated":
                first, second = (Track.from_array(mic, take.mics[mic], take.rate) for mic in (pair.first, pair.second))
                rows.append(_told(take, family, drum, pair, measure_pair(first, second)))
    return rows


@pytest.fixture(scope="module")
def played(kit):
    """Fifteen seconds of a tom-led groove: each close mic against the two overheads, measured in one go."""
    take = realtakes.groove(kit, "tom-led", seed=5, seconds=15, cymbals_db=0.0)
    tracks = {mic: Track.from_array(mic, sound, take.rate) for mic, sound in take.mics.items()}
    rows = []
    for source in ("hihat", "snare", "tom 2", "tom 3"):
        near = tracks[realkit.CLOSE[source]]
        found = dict(
            zip(realkit.OVERHEADS, measure_many(near, [tracks[mic] for mic in realkit.OVERHEADS]), strict=True)
        )
        mine = [pair for pair in take.pairs if pair.first == near.name and pair.second in found and pair.kept]
        rows += [_told(take, pair.family, source, pair, found[pair.second]) for pair in mine]
    return rows


def test_isolated_hits_are_right(isolated):
    """Drums on their own: the delay lies within 0.1 ms of the window in 95 % of the pairs."""
    assert len(isolated) == 17
    confirm("isolated hits right within 0.1 ms, share", _share_near(isolated), 1.0, within=0.06, source=SOURCE)


def test_isolated_hits_have_the_right_polarity(isolated):
    """Drums on their own: the polarity is right wherever the first wavefronts tell one."""
    signed = [one for one in isolated if one.true_polarity is not None]
    assert len(signed) == 8
    right = sum(not one.turned for one in signed) / len(signed)
    confirm("polarity of isolated hits right, share", right, 1.0, within=0.0, source=SOURCE)


def test_isolated_hits_are_reliable(isolated):
    """Drums on their own: four in five are called reliable."""
    share = sum(one.reliable for one in isolated) / len(isolated)
    confirm("isolated hits reliable, share", share, 1.0, within=0.2, source=SOURCE)


def test_isolated_hits_are_never_wrong_though_reliable(isolated):
    """Drums on their own: none of those that are called reliable is wrong."""
    wrong = sum(not one.right for one in isolated if one.reliable)
    confirm("isolated hits wrong though reliable", wrong, 0, within=0.0, source=SOURCE)


@pytest.mark.parametrize(("family", "share"), [("hat", 0.9), ("snare", 0.75), ("toms", 0.8)])
def test_a_groove_is_right(played, family, share):
    """A groove with all its bleed: a close mic against each overhead lies within 0.1 ms of the window."""
    mine = [one for one in played if one.family == family]
    assert len(mine) >= 2
    what = f"{family} against overheads right within 0.1 ms, share"
    confirm(what, _share_near(mine), 1.0, within=1 - share, source=SOURCE)


def test_a_groove_is_reliable(played):
    """A groove with all its bleed: half of the close mics are called reliable."""
    share = sum(one.reliable for one in played) / len(played)
    confirm("close mics of a groove reliable, share", share, 1.0, within=0.5, source=SOURCE)


def test_a_groove_is_never_wrong_though_reliable(played):
    """A groove with all its bleed: none of the close mics that are called reliable is wrong."""
    wrong = sum(not one.right for one in played if one.reliable)
    confirm("close mics of a groove wrong though reliable", wrong, 0, within=0.0, source=SOURCE)
