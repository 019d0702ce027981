"""Pack a few hits of a real kit small enough for the repository: one FLAC a mic, all hits one after another.

    PYTHONPATH=tests python -m bench.delay.pack_realkit KIT tests/external/realkit

Only hits of the held-out half, so that nothing tuned on the development half has heard them; 16 bit, the first 0.45 s
with a fade of 30 ms, and the mics of the struck drums, the overheads and the rooms.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import soundfile
from bench.delay import realkit

MICS = (*realkit.CLOSE.values(), *realkit.OVERHEADS, *realkit.ROOMS)
COUNTS = {"KdrumR": 3, "Snare": 4, "Tom2": 2, "Tom3": 2, "HihatClosed": 4, "HihatOpen": 0, "RideR": 2, "RideRBell": 1}
LENGTH_S, FADE_S = 0.45, 0.03


def chosen(kit: realkit.RealKit) -> list[realkit.Hit]:
    """The loudest and then every other of each drum's held-out hits, as many as `COUNTS` says."""
    found = []
    for source in realkit.CLOSE:
        for folder in realkit.FOLDERS[source]:
            hits = kit.hits(source, "held-out", folder)
            spread = np.unique(np.linspace(0, len(hits) - 1, min(COUNTS[folder], len(hits))).round().astype(int))
            found += [hits[k] for k in spread]
    return found


def cut(sound: np.ndarray, rate: int) -> np.ndarray:
    short = np.array(sound[: int(LENGTH_S * rate)], dtype=np.float64)
    fade = min(int(FADE_S * rate), len(short))
    short[len(short) - fade :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    return short


def main() -> None:
    source, target = Path(sys.argv[1]), Path(sys.argv[2])
    kit = realkit.real_kit(source)
    hits = chosen(kit)
    rate, at, rows, lanes = hits[0].rate, 0, [], {mic: [] for mic in MICS}
    for hit in hits:
        frames = len(cut(hit.sounds["OHL"], rate))
        rows.append({"folder": hit.folder, "number": hit.number, "start": at, "frames": frames})
        at += frames
        for mic in MICS:
            lanes[mic].append(cut(hit.sounds[mic], rate))
    target.mkdir(parents=True, exist_ok=True)
    for mic, pieces in lanes.items():
        soundfile.write(target / f"{mic}.flac", np.concatenate(pieces), rate, "PCM_16")
    index = {"rate": rate, "mics": list(MICS), "hits": rows}
    (target / realkit.INDEX).write_text(json.dumps(index, indent=1) + "\n", encoding="utf-8")
    keep = {
        name: {pair: row for pair, row in table.items() if set(pair.split(">")) <= set(MICS)}
        for name, table in kit.truth.items()
    }
    (target / "truth.json").write_text(json.dumps(keep, indent=1) + "\n", encoding="utf-8")
    print(f"{len(rows)} hits, {at / rate:.1f} s on {len(MICS)} mics")


if __name__ == "__main__":
    main()
