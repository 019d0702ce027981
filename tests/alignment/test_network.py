"""Networks of pairs: times that close, polarities that agree, with oracles by brute force."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from micalign.alignment.network import Link, arrival_times, best_polarity, connected


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(4)


def test_exact_pairs_give_back_the_times_they_came_from(rng):
    times = dict(zip("abcde", rng.uniform(-0.02, 0.02, 5), strict=True))
    links = [Link(a, b, times[b] - times[a], 1e-6) for a, b in combinations("abcde", 2)]
    found = arrival_times("abcde", links)
    for name in "abcde":
        assert found.times_s[name] == pytest.approx(times[name] - times["a"], abs=1e-12)  # float rounding only


def test_one_wrong_pair_does_not_move_the_others(rng):
    times = dict(zip("abcdef", rng.uniform(-0.02, 0.02, 6), strict=True))
    links = [Link(a, b, times[b] - times[a] + rng.normal(0, 1e-6), 1e-6) for a, b in combinations("abcdef", 2)]
    links[3] = Link(links[3].reference, links[3].track, links[3].delay_s + 0.005, 1e-6)
    found = arrival_times("abcdef", links)
    # Five good ways to each track; Huber's weight leaves the bad one a pull of about two of its standard deviations.
    for name in "abcdef":
        assert abs(found.times_s[name] - times[name] + times["a"]) < 4e-6


def test_the_spread_of_a_chain_is_that_of_its_links():
    found = arrival_times("abc", [Link("a", "b", 0.001, 3e-6), Link("b", "c", 0.002, 4e-6)])
    assert found.sigmas_s["b"] == pytest.approx(3e-6, rel=1e-6)
    assert found.sigmas_s["c"] == pytest.approx(5e-6, rel=1e-6)  # 3, 4, 5


def test_times_are_no_surer_than_the_ways_round_agree(rng):
    """Links that scatter by three times what they state: the times are stated wider, and too wide never."""
    stated, times = [], dict(zip("abcdef", rng.uniform(-0.02, 0.02, 6), strict=True))
    for _ in range(40):
        links = [Link(a, b, times[b] - times[a] + rng.normal(0, 3e-6), 1e-6) for a, b in combinations("abcdef", 2)]
        stated.append(arrival_times("abcdef", links).sigmas_s["d"])
    exact = [Link(one.reference, one.track, times[one.track] - times[one.reference], 1e-6) for one in links]
    # What lies beyond two sigma counts as two, so that it is less than three.
    assert 1.5 < np.mean(stated) / arrival_times("abcdef", exact).sigmas_s["d"] < 3.5


def test_swapping_a_pair_changes_nothing(rng):
    links = [Link(a, b, rng.normal(0, 0.01), 1e-5) for a, b in combinations("abcd", 2)]
    turned = [Link(one.track, one.reference, -one.delay_s, one.uncertainty_s) for one in links]
    first, second = arrival_times("abcd", links), arrival_times("abcd", turned)
    assert [first.times_s[n] for n in "abcd"] == pytest.approx([second.times_s[n] for n in "abcd"], abs=1e-12)


def test_parts_that_no_pair_joins_stay_apart():
    links = [Link("a", "b", 0.001, 1e-6), Link("c", "d", 0.004, 1e-6)]
    assert connected("abcd", links, "a") == ("a", "b")
    found = arrival_times("abcd", links)
    assert found.times_s["c"] == 0.0
    assert found.times_s["d"] == pytest.approx(0.004)


@pytest.mark.parametrize("seed", range(8))
def test_polarity_is_the_best_of_all_assignments(seed):
    rng = np.random.default_rng(seed)
    names = "abcdefg"
    links = [
        Link(a, b, 0.0, 1e-6, int(rng.choice([-1, 1])), float(rng.uniform(0.1, 1))) for a, b in combinations(names, 2)
    ]
    found = best_polarity(names, links)

    def agreement(signs):
        return sum(link.clear * link.polarity * signs[link.reference] * signs[link.track] for link in links)

    best = max(agreement(dict(zip(names, (1, *rest), strict=True))) for rest in product((1, -1), repeat=6))
    assert agreement(found) == pytest.approx(best)
    assert found["a"] == 1


def test_polarity_of_many_tracks_is_exact_where_nothing_contradicts(rng):
    names = [f"t{index}" for index in range(30)]
    truth = dict(zip(names, [1, *rng.choice([-1, 1], 29)], strict=True))
    links = [Link(a, b, 0.0, 1e-6, int(truth[a] * truth[b])) for a, b in combinations(names, 2) if rng.random() < 0.4]
    assert best_polarity(names, links) == truth


def test_polarity_of_many_tracks_outvotes_a_few_lies(rng):
    names = [f"t{index}" for index in range(24)]
    truth = dict(zip(names, [1, *rng.choice([-1, 1], 23)], strict=True))
    links = [
        Link(a, b, 0.0, 1e-6, int(truth[a] * truth[b]) * (-1 if rng.random() < 0.1 else 1))
        for a, b in combinations(names, 2)
    ]
    assert best_polarity(names, links) == truth


def test_a_polarity_in_doubt_gives_way_to_a_clear_one() -> None:
    """Two measurements at 0.3 lose to one at 1, four of them win."""
    doubtful = [Link("a", "b", 0.0, 1e-6, -1, clear=0.3), Link("b", "a", 0.0, 1e-6, -1, clear=0.3)]
    assert best_polarity(["a", "b"], [*doubtful, Link("a", "b", 0.0, 1e-6, 1)])["b"] == 1
    assert best_polarity(["a", "b"], [*doubtful, *doubtful, Link("a", "b", 0.0, 1e-6, 1)])["b"] == -1
