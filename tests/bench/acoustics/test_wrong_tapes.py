"""How often a tape that is named alone is the wrong one, over 1,000 random layouts with four to eight tapes.

Half the layouts are named with their truth's tape among all that are told; how the stated probabilities hold is
printed beside.
"""

from __future__ import annotations

import numpy as np
import pytest
import taped_layouts

from micalign.acoustics.survey import survey

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]

LAYOUTS = 1000


def test_a_tape_named_alone() -> None:
    rng = np.random.default_rng(90210)  # no part of any fit
    seen, alone, right, among, stated = 0, 0, 0, 0, []
    for _ in range(LAYOUTS):
        layout = taped_layouts.taped_layout(rng)
        found = survey(layout.scene)
        suspects = [index for index, tape in enumerate(found.tapes) if tape.suspect]
        seen += bool(suspects)
        among += layout.wrong in suspects
        if len(suspects) == 1:
            alone += 1
            right += suspects == [layout.wrong]
        if found.wrong:
            wrong = layout.scene.tapes[layout.wrong].between
            chance = sum(one.probability for one in found.wrong if one.between == found.wrong[0].between)
            stated.append((chance, found.wrong[0].between == wrong))
    chances, held = np.array(stated).T
    print(
        f"\n{LAYOUTS} layouts: the slip is seen in {seen}; one tape is named alone in {alone}, rightly in {right} "
        f"({right / alone:.1%}); the wrong tape is among those told in {among} ({among / seen:.1%} of those seen)"
    )
    print(
        f"where several are told: the likeliest has {chances.mean():.0%} on average and is the wrong one in "
        f"{held.mean():.0%} of {len(held)}"
    )
    assert right >= 0.95 * alone
