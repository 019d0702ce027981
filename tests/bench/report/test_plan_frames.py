"""How long does a frame of the live plan take while a hand moves? 16 mics and 12 sources, everything unfolded or not.

python -m pytest tests/bench/report/test_plan_frames.py -m bench -s
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from browser import browser
from commands import micalign

FRAMES = 240
PLAYERS, MICS = 12, 16

MEASURED = """(async () => {
  const { layout, frame } = micalign.live, work = [], gaps = [], late = [];
  layout.begin();
  let last = 0;
  for (let n = 0; n < %d; n += 1) {
    const now = await new Promise((done) => requestAnimationFrame(done));
    if (last) gaps.push(now - last);
    last = now;
    const kind = n %% 3 ? "mics" : "sources", began = performance.now();
    const from = layout.start[kind][n %% 5].at;
    layout.moveTo(kind, n %% 5, [from[0] + 0.2 * Math.sin(n / 9), from[1] + 0.2 * Math.cos(n / 7), from[2]]);
    frame();
    work.push(performance.now() - began);
    document.body.getBoundingClientRect();
    late.push(performance.now() - began);
  }
  return { work, gaps, late };
})()"""


def stage() -> str:
    rng = np.random.default_rng(3)
    lines = ['title = "Sixteen mics, twelve sources"', "[room]", "size = [9, 7, 3.2]"]
    for n in range(PLAYERS):
        at = (1 + n % 4 * 1.9 + rng.random() * 0.4, 1 + n // 4 * 1.8 + rng.random() * 0.4, 0.5 + rng.random())
        lines += ["[[source]]", f'name = "player {n}"', f"at = [{at[0]:.2f}, {at[1]:.2f}, {at[2]:.2f}]"]
    for n in range(MICS):
        at = (1.3 + n % 4 * 1.8 + rng.random() * 0.5, 0.8 + n // 4 * 1.4 + rng.random() * 0.4, 0.8 + rng.random())
        lines += ["[[mic]]", f'name = "mic {n}"', f"at = [{at[0]:.2f}, {at[1]:.2f}, {at[2]:.2f}]", "reach = 0.5"]
        lines += [f'aim = "player {n % PLAYERS}"', 'pattern = "cardioid"', f'on = ["player {n % PLAYERS}"]']
    return "\n".join([*lines, '[[pair]]\nname = "pair"\nmics = ["mic 0", "mic 12"]\nequal_to = ["player 0"]'])


@pytest.mark.bench
@pytest.mark.parametrize("unfolded", [False, True], ids=["as opened", "all unfolded"])
def test_frames_while_a_hand_moves(unfolded: bool, tmp_path: Path) -> None:
    (tmp_path / "stage.toml").write_text(stage())
    assert micalign("plan", tmp_path / "stage.toml", "-o", tmp_path / "stage.html", "-q").status == 0
    with browser() as tab:
        tab.open(tmp_path / "stage.html", width=1440)
        if unfolded:
            tab.value("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        found = tab.value(MEASURED % FRAMES)
    for name, words in (("work", "script"), ("late", "script and layout"), ("gaps", "from frame to frame")):
        p50, p95, most = np.percentile(found[name], [50, 95, 100])
        print(f"\n{words:>20}: median {p50:.1f} ms, 95 % {p95:.1f} ms, longest {most:.1f} ms", end="")
    print(f"\n{'frames':>20}: {np.mean(np.array(found['gaps']) < 25):.0%} on time for 60 a second")
