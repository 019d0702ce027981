"""The coherent-gain study on held-out cabinets and players, held to its bars; the whole table is printed.

The smoke of it runs daily on a few cases; all of them by ``pytest -m bench -s``.
"""

from __future__ import annotations

import numpy as np
import pytest
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


@pytest.mark.slow
def test_one_case_of_each_cabinet_sums_as_it_should():
    found = study("held-out", every=17)
    mean = {name: np.mean(rows, axis=0) for name, rows in found.gains.items()}
    assert np.all(mean["best sum"] >= mean["brute best sum"] - 0.6)
    assert not found.refused
