"""The coherent-gain study on held-out cabinets and players, held to its bars; the whole table is printed.

The smoke of it runs daily on a few cases; all of them by ``pytest -m bench -s``.
"""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from bench.alignment.bled import RIGHT_S, bled, summary, told
from bench.alignment.cabinets import NotToBeHadError, response
from bench.alignment.study import study, table


@pytest.fixture(scope="module", autouse=True)
def _cabinets():
    try:
        response(1, 48000)
    except NotToBeHadError as error:
        pytest.skip(str(error))


@pytest.mark.bench
@pytest.mark.timeout(3000)
def test_a_di_and_its_cabinet_sum_as_well_as_an_exhaustive_search_allows(capsys):
    found = study("held-out")
    with capsys.disabled():
        print("\n" + table(found))
    mean = {name: np.mean(rows, axis=0) for name, rows in found.gains.items()}
    assert np.all(mean["best sum"] >= mean["brute best sum"] - 0.3)
    assert np.all(mean["with all-pass"] >= 2.4)
    assert len(found.refused) <= 3
    assert not found.off
    assert not found.worse_unsaid
    assert sum(lows >= 0 for lows, _ in found.gains["best sum"]) >= 0.95 * len(found.gains["best sum"])


@pytest.mark.bench
@pytest.mark.timeout(3000)
@pytest.mark.xfail(strict=True, reason="1 of 31: a bass on two unlike cabs is taken for a DI and its cab, by the drums")
def test_no_mic_on_a_cab_is_aligned_to_the_drums_that_bleed_into_it(capsys):
    """Close and far, two cabs, a DI and two mics: what is relied on is off by 0.5 ms at most, and never on the kit."""
    rows = [row for case in bled("held-out") for row in told(case)]
    sure = [row for row in rows if row.reliable]
    with capsys.disabled():
        print(f"\n{summary(rows)}")
    assert not [row.label for row in sure if row.on_bleed]
    assert len(sure) >= 0.9 * len(rows)
    assert sum(abs(row.off_s) > RIGHT_S for row in sure) <= 0.05 * len(sure)


@pytest.mark.slow
def test_mics_beside_a_kit_are_laid_by_the_cab():
    rows = [row for case in islice(bled("held-out"), 3, 6) for row in told(case)]
    assert all(row.reliable and abs(row.off_s) <= RIGHT_S for row in rows)


@pytest.mark.slow
def test_one_case_of_each_cabinet_sums_as_it_should():
    found = study("held-out", every=17)
    mean = {name: np.mean(rows, axis=0) for name, rows in found.gains.items()}
    assert np.all(mean["best sum"] >= mean["brute best sum"] - 0.6)
    assert not found.refused
