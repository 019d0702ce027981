from __future__ import annotations

import gc
import os
import signal
import threading

# One thread to a process: the tests run side by side, and threads of matrix products would wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

# The width of a piped table is the tests' own affair.
os.environ.pop("COLUMNS", None)

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

# One profile for everybody: the same examples on every run, no deadline that a busy machine could miss.
settings.register_profile(
    "steady", derandomize=True, deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("long", parent=settings.get_profile("steady"), max_examples=20_000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))


# A job started in the background ignores interrupts, and what it starts does so too; here they are sent and counted.
if threading.current_thread() is threading.main_thread():
    signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--realkit",
        default=None,
        help="folder of a real kit's hits, for the tests and benches that ask for one; else MICALIGN_REALKIT names it",
    )


def pytest_collection_finish() -> None:
    # Thousands of tests stay to the end: the collector need not look through them again and again.
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def realkit(request: pytest.FixtureRequest):
    """The hits of a real kit, where their folder is named; a test that asks for them is skipped by name without."""
    from bench.delay.realkit import VARIABLE, given_folder, real_kit

    folder = given_folder(request.config.getoption("--realkit"))
    if folder is None:
        pytest.skip(f"no real kit: name its folder by --realkit or in {VARIABLE}")
    return real_kit(folder)


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same on every run."""
    return np.random.default_rng(20)
