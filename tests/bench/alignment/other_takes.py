"""How many tracks of another take in the same folder are told so, and how many of the same take.

    python tests/bench/alignment/other_takes.py --realkit KIT --half development --seeds 52 53

Takes of the real kit on all its mics, against an overhead, a drum's mic and a room mic in turn; then the same with some
mics of another take beside them, of another style. Then both with each rule of `fits_nowhere._of_another_take` left
out.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.delay import grooves, realkit, score_real

from micalign.alignment import fits_nowhere
from micalign.take.tracks import Track
from micalign.tdoa.measure import measure_many
from micalign.tdoa.strokes import Listened, listen

REFERENCES = ("OHL", "Snare_top", "AmbL")
OTHERS = ("OHL", "OHR", "KdrumR", "Snare_top", "Hihat", "AmbR")


def _fewer(one: Listened, other: Listened) -> bool:
    return fits_nowhere._share(one, other) + fits_nowhere._share(other, one) < 1.0


RULES = {
    "as it stands": {},
    "surely so": {"_never_together": _fewer},
    "sounds with the lead": {"_follows": lambda one, lead, rather_than: True},
}


def takes(kit: realkit.RealKit, half: str, seed: int) -> Iterator[tuple[list[Listened], list[Listened]]]:
    """The tracks of a take, and some of one of another style."""
    specs = list(score_real.specs([seed], list(grooves.STYLES), isolated=False))
    for number, spec in enumerate(specs):
        own, other = (score_real.rendered(kit, one, half) for one in (spec, specs[(number + 3) % len(specs)]))
        others = {f"2 {name}": other.mics[name] for name in OTHERS}
        yield tuple(
            [listen(Track.from_array(name, sound, own.rate)) for name, sound in mics.items()]
            for mics in (own.mics, others)
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--realkit", required=True)
    parser.add_argument("--half", default="development", choices=realkit.HALVES)
    parser.add_argument("--seeds", type=int, nargs="+", default=[52])
    chosen = parser.parse_args()
    kit = realkit.real_kit(chosen.realkit, realkit.CUT_S)
    told, count = Counter[tuple[str, ...]](), Counter[tuple[str, ...]]()
    for own, other in (both for seed in chosen.seeds for both in takes(kit, chosen.half, seed)):
        for reference in (one for one in own if one.name in REFERENCES):
            tracks = [one for one in (*own, *other) if one is not reference]
            delays = dict(zip((one.name for one in tracks), measure_many(reference, tracks), strict=True))
            for (title, instead), some in product(RULES.items(), (tracks[: len(own) - 1], tracks)):
                with patch.dict(vars(fits_nowhere), instead):
                    found = fits_nowhere._of_another_take(reference, some, delays)
                for track in some:
                    whose = "own" if some is not tracks else "of two takes, " + ("own", "other")[track in other]
                    count[title, str(reference.name), whose] += 1
                    told[title, str(reference.name), whose] += track.name in found
    for (title, name, whose), every in count.items():
        left_out = title if title == "as it stands" else f"without {title}"
        print(f"{left_out:28s} against {name:10s} {whose:20s} {told[title, name, whose]:4d} of {every} told")


if __name__ == "__main__":
    main()
