"""Sixty takes with known faults: every one is found, and none is invented."""

from __future__ import annotations

import faulty_takes
import pytest
from faulty_takes import RATE, TAKES, FaultyTake

from micalign.take.levels import measure_levels
from micalign.take.tracks import Track


def told(take: FaultyTake, seed: int) -> set[tuple[str, str]]:
    arrays = take.tracks(seed)
    tracks = [Track.from_array(name, sound, RATE) for name, sound in arrays.items()]
    files = [name if not take.same_file else name in {"snare", "room"} or name for name in arrays]
    return {(levels.name, remark.rule) for levels in measure_levels(tracks, files=files) for remark in levels.remarks}


def test_there_are_sixty_takes_and_every_fault_is_among_them_alone():
    assert len(TAKES) == 60
    assert {fault for take in TAKES[:12] for fault in take.faults["bass"]} == set(faulty_takes.FAULTS)


@pytest.mark.parametrize("number", range(len(TAKES)), ids=[take.name for take in TAKES])
def test_every_fault_is_found_and_none_is_invented(number):
    assert told(TAKES[number], seed=number) == TAKES[number].expected


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_said_of_a_clean_take(seed):
    assert told(FaultyTake("clean"), seed=seed) == set()
