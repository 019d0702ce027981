"""The coherent-gain study: DI and cabinet added up by every method, at equal loudness, on measured cabinets.

``PYTHONPATH=tests python -m bench.alignment.study held-out`` prints the table; a number behind it takes every so many
cases only.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from dataclasses import dataclass
from itertools import islice

import numpy as np
from bench.alignment.cases import RATE, Case, cases
from bench.alignment.gains import BROAD_HZ, LOWS_HZ, Choice, Pair

from micalign.alignment.di_and_mics import PairSum, one_path_sum
from micalign.take.tracks import Track
from micalign.tdoa.measure import Delay, measure_pair

OFF_BY_A_PERIOD_S = 0.010  # from the arrival: beyond any reach, and less than a period of the lowest note
WORSE_DB = 0.5


@dataclass
class Study:
    """What the methods gave, case by case."""

    gains: dict[str, list[tuple[float, float]]]
    arrival_errors: list[tuple[float, float]]
    refused: list[str]
    off: list[str]
    worse_unsaid: list[str]
    group_delays_s: list[float]
    told: list[tuple[float, float]]


def study(half: str, *, every: int = 1, say=lambda _: None) -> Study:
    """All methods on every case of a half."""
    out = Study(defaultdict(list), [], [], [], [], [], [])
    for case in islice(cases(half), 0, None, every):
        _one(case, out)
        say(case.label + "".join(f"  {name} {rows[-1][0]:+.1f}/{rows[-1][1]:+.1f}" for name, rows in out.gains.items()))
    return out


def _one(case: Case, out: Study) -> None:
    pair = Pair(case.di, case.mic, RATE)
    di, mic = Track.from_array("di", case.di, RATE), Track.from_array("mic", case.mic, RATE)
    reference, track = (di, mic) if case.di_first else (mic, di)
    delay = measure_pair(reference, track)
    found = one_path_sum(reference, track, delay)
    brute = pair.best(BROAD_HZ)
    plain, turned = _choices(found, case)
    choices = {
        "as recorded": Choice(),
        "by arrival": _by_arrival(delay, case),
        "highest correlation": pair.best((0.0, RATE / 2)),
        "brute best sum": brute,
        "best within 1 ms": pair.best(BROAD_HZ, around_s=case.arrival_s, reach_s=0.001),
        "two sections, unbounded": pair.best_sections(brute, BROAD_HZ),
        "best sum": plain,
        "with all-pass": turned,
    }
    for name, choice in choices.items():
        out.gains[name].append((pair.gain_db(choice, LOWS_HZ), pair.gain_db(choice, BROAD_HZ)))
    if found is None:
        out.refused.append(case.label)
        return
    sign = 1 if case.di_first else -1
    out.arrival_errors.append((sign * found.arrival_s - case.arrival_s, found.arrival_uncertainty_s))
    if abs(plain.delay_s - case.arrival_s) > OFF_BY_A_PERIOD_S:
        out.off.append(case.label)
    lost = out.gains["as recorded"][-1][0] - out.gains["best sum"][-1][0]
    if lost > WORSE_DB and not found.best.losses and found.recommended != "as recorded":
        out.worse_unsaid.append(case.label)
    if found.phase is not None:
        out.group_delays_s.append(found.phase.group_delay_s)
    out.told.append((found.plain.bands_db[0], out.gains["best sum"][-1][0]))


def _by_arrival(delay: Delay, case: Case) -> Choice:
    if not delay.reliable:
        return Choice()
    return Choice(delay.delay_s if case.di_first else -delay.delay_s, delay.polarity)


def _choices(found: PairSum | None, case: Case) -> tuple[Choice, Choice]:
    if found is None:
        return Choice(), Choice()
    delay_s = found.best.delay_s if case.di_first else -found.best.delay_s
    plain = Choice(delay_s, found.best.polarity)
    # Sections go on the DI; where it was taken for the mic they do not help.
    if found.phase is None or found.phase.against != "mic":
        return plain, plain
    phase = found.phase
    return plain, Choice(delay_s + phase.shift_s, plain.polarity * phase.polarity, phase.sections)


def table(out: Study) -> str:
    """Mean gain in two bands, and how often the lows cancel."""
    lines = [f"{'method':<26}{'60-250 Hz':>11}{'60-2500 Hz':>12}   lows cancel   lows worse than recorded by 0.5 dB"]
    recorded = np.array(out.gains["as recorded"])[:, 0]
    for name, rows in out.gains.items():
        values = np.array(rows)
        lows, broad = values.mean(axis=0)
        worse = int((values[:, 0] < recorded - WORSE_DB).sum())
        cancel = int((values[:, 0] < 0).sum())
        lines.append(f"{name:<26}{lows:>+8.2f} dB{broad:>+9.2f} dB   {cancel:>3} of {len(values):<8} {worse:>3}")
    errors = np.array(out.arrival_errors)
    inside = [float(np.mean(np.abs(errors[:, 0]) <= k * errors[:, 1])) for k in (1, 2)]
    told = max(abs(one - other) for one, other in out.told)
    lines.append(f"refused {len(out.refused)} {out.refused}; off by a period {len(out.off)} {out.off}")
    lines.append(f"lows worse unsaid {len(out.worse_unsaid)} {out.worse_unsaid}")
    lines.append(f"arrival: median {np.median(np.abs(errors[:, 0])) * 1e3:.2f} ms off, ")
    lines[-1] += f"{inside[0]:.0%} within one sigma, {inside[1]:.0%} within two"
    lines.append(f"group delay of the sections: at most {max(out.group_delays_s, default=0.0) * 1e3:.1f} ms")
    lines.append(f"told and true lows differ by at most {told:.1f} dB")
    return "\n".join(lines)


if __name__ == "__main__":
    step = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    print(table(study(sys.argv[1], every=step, say=lambda words: print(words, flush=True))))
