from __future__ import annotations

import outside
import pytest

from micalign.report.page import HEARING_WORDS, allowed_minutes, show_minutes

ROWS = outside.rows(13, "niosh_")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["id"])
def test_recommended_exposure_is_that_of_niosh(row: dict) -> None:  # type: ignore[type-arg]
    """Recommended time a day from 85 to 115 dBA."""
    outside.confirm(
        row["quantity"],
        60.0 * allowed_minutes(row["inputs"]["L_dBA"]),
        row["expected"],
        within=row["tolerance"]["abs"],  # the formula against itself, worked out elsewhere
        source=row["source"],
        unit="s",
    )


# The table as NIOSH prints it, rounded to a second: 98-126, table 1-1.
@pytest.mark.parametrize(
    ("level_dba", "printed"),
    [(85, "8 h"), (88, "4 h"), (94, "1 h"), (97, "30 min"), (100, "15 min"), (103, "7 min 30 s"),
     (106, "3 min 45 s"), (109, "1 min 53 s"), (112, "56 s"), (115, "28 s")],
)  # fmt: skip
def test_times_are_shown_as_the_table_prints_them(level_dba: float, printed: str) -> None:
    assert show_minutes(allowed_minutes(level_dba)) == printed


def test_the_caution_on_every_page_holds_the_published_figures() -> None:
    for words in ("85 dBA for 8 h", "1 h at 94 dBA", "15 min at 100 dBA", "1 min 53 s at 109 dBA", "98-126"):
        assert words in HEARING_WORDS
