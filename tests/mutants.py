"""How many small changes to the numerics do the tests notice? A seeded sample of mutants, the same on every machine.

    python tests/mutants.py [--sample 200] [--seed 1] [--children 2] [acoustics alignment tdoa]

Each mutant meets only the quick tests that call the changed function (mutmut finds out which, and keeps what it found
in ``mutants/``). A mutant that runs into the time limit counts as noticed, one that no test calls does not.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
NOTICED = {"killed", "timeout"}


def mutmut(*words: str) -> str:
    command = [str(Path(sys.executable).with_name("mutmut")), *words]
    done = subprocess.run(command, cwd=ROOT, check=False, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    if done.returncode:
        sys.exit(f"mutmut {words[0]} did not get through:\n{done.stdout[-4000:]}")
    return done.stdout


def found() -> dict[str, str]:
    """Every mutant and what became of it."""
    lines = (line.strip().rpartition(": ") for line in mutmut("results", "--all", "true").splitlines())
    return {name: status for name, _, status in lines if name.startswith("micalign.")}


def interval(noticed: int, count: int) -> tuple[float, float]:
    """Wilson's interval of a share, 95 %, in percent."""
    z, share = 1.96, noticed / count
    middle, half = share + z * z / (2 * count), z * (share * (1 - share) / count + (z / (2 * count)) ** 2) ** 0.5
    return 100 * (middle - half) / (1 + z * z / count), 100 * (middle + half) / (1 + z * z / count)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sample", type=int, default=200, help="mutants of each folder (200)")
    parser.add_argument("--seed", type=int, default=1, help="which sample (1)")
    parser.add_argument("--children", type=int, default=2, help="processes at a time (2)")
    parser.add_argument("folders", nargs="*", default=["acoustics", "alignment", "tdoa"])
    asked = parser.parse_args()
    mutmut("run", "--max-children", "1", "micalign.acoustics.comb.x__weaker*")  # makes all mutants, runs a handful
    draw, mutants = random.Random(asked.seed), sorted(found())
    chosen = {}
    for folder in asked.folders:
        of_folder = [name for name in mutants if name.startswith(f"micalign.{folder}.")]
        chosen[folder] = draw.sample(of_folder, min(asked.sample, len(of_folder)))
    mutmut("run", "--max-children", str(asked.children), *(name for names in chosen.values() for name in names))
    status = found()
    print(
        "not noticed:", *(n for names in chosen.values() for n in sorted(names) if status[n] not in NOTICED), sep="\n  "
    )
    for folder, names in chosen.items():
        noticed = sum(status[name] in NOTICED for name in names)
        low, high = interval(noticed, len(names))
        share = 100 * noticed / len(names)
        print(f"{folder}: {noticed} of {len(names)} noticed, {share:.1f} % (95 %: {low:.1f} to {high:.1f})")


if __name__ == "__main__":
    main()
