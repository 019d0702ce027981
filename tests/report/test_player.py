"""The player of before and after in a real browser: its audio graph while it plays, switches and loops."""

from __future__ import annotations

import io
from base64 import b64decode
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from browser import Page, browser
from commands import micalign

from micalign.take.loudness import k_weighted

pytestmark = pytest.mark.slow

SCENES = Path(__file__).parents[2] / "scenes"
PLAYING = "micalign.player.state.playing && micalign.player.nodes().length >= 2"


@pytest.fixture(scope="module")
def tab() -> Iterator[Page]:
    with browser() as page:
        yield page


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("player")
    scene = folder / "kit.toml"
    scene.write_text((SCENES / "jazz-kit.toml").read_text().replace("../takes/jazz-kit", "take"))
    assert micalign("simulate", scene, "--seconds", "15", "-q").status == 0
    said = micalign("report", scene, "-o", folder / "kit.html", "-q")
    assert said.status in {0, 1}, said.err
    return folder / "kit.html"


def play(tab: Page) -> None:
    tab.value("document.getElementById('player-play').click()")
    tab.until(PLAYING)


def choose(tab: Page, name: str, value: object) -> None:
    tab.value(
        f"(() => {{ const e = document.getElementById('{name}'); if (e.type === 'checkbox') e.checked = {value};"
        f" else e.value = '{value}'; e.dispatchEvent(new Event('change')); }})()"
    )


def gains(tab: Page) -> list[float]:
    return tab.value("micalign.player.gains().map((one) => one.gain.value)")


def test_there_is_the_blend_and_each_source(tab: Page, report: Path) -> None:
    tab.open(report)
    titles = tab.value("micalign.player.items.map((one) => one.title)")
    assert titles[0] == "the whole blend"
    assert {"kick", "snare", "ride"} <= set(titles[1:])
    assert tab.value("document.querySelectorAll('#player').length") == 1
    assert tab.messages == []


def test_both_sounds_are_equally_loud_and_quiet_and_flac(tab: Page, report: Path) -> None:
    """K-weighted, to a tenth of a decibel; at most -20 dBFS RMS; the page says how loud."""
    tab.open(report)
    for item in tab.value("micalign.player.items.map((one) => one.sounds)"):
        loud = []
        for address in item:
            assert address.startswith("data:audio/flac;base64,")
            samples, rate = soundfile.read(io.BytesIO(b64decode(address.split(",", 1)[1])))
            loud.append(10 * np.log10(np.mean(k_weighted(samples, rate) ** 2)))
            assert np.sqrt(np.mean(samples**2)) < 0.2
        assert loud[0] == pytest.approx(loud[1], abs=0.1)
    assert "All at -" in tab.value("document.querySelector('#player .chosen').textContent")


def test_the_switch_leaves_the_sounds_running(tab: Page, report: Path) -> None:
    """Key B: the same two loops go on, in step; only which of them is let through changes."""
    tab.open(report)
    play(tab)
    tab.value("window.kept = micalign.player.nodes()")
    assert gains(tab) == [1, 0]
    tab.key("b")
    tab.until("micalign.player.gains()[1].gain.value > 0.999")
    assert gains(tab)[0] < 0.001
    assert tab.value("micalign.player.nodes().every((node, n) => node === window.kept[n])")
    assert tab.value("micalign.player.nodes().every((node) => node.loop)")
    assert "aligned" in tab.value("document.getElementById('player-words').textContent")
    assert tab.value("document.querySelectorAll('[name=player-side]')[1].checked")
    tab.value("document.getElementById('player-play').click()")
    assert tab.value("micalign.player.nodes().length") == 0


def test_a_switch_makes_no_gap_and_no_step(tab: Page, report: Path) -> None:
    """With one and the same tone on both sides, what comes out is that tone, through every switch."""
    tab.open(report)
    out = tab.value(
        """(async () => {
          const rate = 48000, off = new OfflineAudioContext(1, rate, rate), really = off.resume.bind(off);
          off.resume = async () => {};
          window.AudioContext = function () { return off; };
          const tone = new AudioBuffer({ length: rate, sampleRate: rate });
          const sine = (_, n) => 0.5 * Math.sin(2 * Math.PI * 500 * n / rate);
          tone.copyToChannel(Float32Array.from({ length: rate }, sine), 0);
          micalign.player.items[0].buffers = [tone, tone];
          document.getElementById('player-play').click();
          while (micalign.player.nodes().length < 2) await new Promise((done) => setTimeout(done, 5));
          for (const at of [0.2, 0.31, 0.5, 0.72]) {
            off.suspend(at).then(() => {
              document.dispatchEvent(new KeyboardEvent('keydown', { key: 'b', bubbles: true }));
              really();
            });
          }
          const made = await off.startRendering();
          return Array.from(made.getChannelData(0));
        })()"""
    )
    samples = np.array(out)
    start = round(0.02 * 48000)
    expected = 0.5 * np.sin(2 * np.pi * 500 * np.arange(len(samples) - start) / 48000)
    assert np.max(np.abs(samples[start:] - expected)) < 1e-3


def test_one_hit_is_looped_and_sources_are_chosen(tab: Page, report: Path) -> None:
    tab.open(report)
    choose(tab, "player-item", 1)
    play(tab)
    whole = tab.value("micalign.player.nodes()[0].buffer.duration")
    assert whole == pytest.approx(2.0, abs=0.01)
    choose(tab, "player-hit", "true")
    tab.until("micalign.player.nodes().length === 2 && micalign.player.nodes()[0].buffer.duration < 1")
    edges = tab.value(
        "micalign.player.nodes().map(({ buffer }) => { const s = buffer.getChannelData(0);"
        " return [s[0], s[s.length - 1], Math.max(...s.map(Math.abs))]; })"
    )
    for first, last, most in edges:
        assert first == last == 0
        assert most > 0.01
    choose(tab, "player-item", 0)
    tab.until(PLAYING)
    assert tab.messages == []


def test_the_spectrum_moves_while_it_plays(tab: Page, report: Path) -> None:
    tab.open(report)
    pixels = (
        "(() => { const c = document.getElementById('player-spectrum');"
        " return c.getContext('2d').getImageData(0, 0, c.width, c.height).data"
        ".reduce((a, b) => (a * 31 + b) % 65521, 7); })()"
    )
    still = tab.value(pixels)
    play(tab)
    tab.until(f"{pixels} !== {still}")


def test_without_a_script_the_sounds_are_still_there(tab: Page, report: Path) -> None:
    tab.send("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.open(report)
    finally:
        tab.send("Emulation.setScriptExecutionDisabled", value=False)
    shown = tab.value(
        "[...document.querySelectorAll('#player audio')].every((one) => one.getBoundingClientRect().height > 0)"
    )
    assert shown
    assert tab.value("document.getElementById('player-play').getBoundingClientRect().height") == 0


def test_the_page_is_no_larger_than_eight_megabytes(report: Path) -> None:
    assert report.stat().st_size <= 8_000_000


def test_a_di_and_its_mic_are_played_in_three_versions(tab: Page, tmp_path: Path) -> None:
    """Key B goes round all of them; an item with two versions shows two buttons only."""
    scene = tmp_path / "bass.toml"
    scene.write_text((SCENES / "upright-bass.toml").read_text().replace("simulated/upright-bass", "take"))
    assert micalign("simulate", scene, "--seconds", "10", "-q").status == 0
    assert micalign("report", scene, "-o", tmp_path / "bass.html", "-q").status in {0, 1}
    tab.open(tmp_path / "bass.html")
    labels = tab.value("micalign.player.items.map((one) => one.labels)")
    three = next(number for number, one in enumerate(labels) if len(one) > 2 or one[1] != "aligned")
    assert labels[three][:2] == ["as recorded", "best delay and polarity"]
    choose(tab, "player-item", three)
    play(tab)
    for number in [*range(1, len(labels[three])), 0]:
        tab.key("b")
        tab.until(f"micalign.player.gains()[{number}].gain.value > 0.999")
    choose(tab, "player-item", 0)
    shown = "[...document.querySelectorAll('.sides label')].filter((one) => one.getBoundingClientRect().width).length"
    assert tab.value(shown) == 2
    assert tab.messages == []


def test_before_anything_plays_the_spectrum_shows_the_versions_of_the_whole_moment(tab: Page, report: Path) -> None:
    """Their levels are those of the same windows by numpy; the picture holds lines, and again after a stop."""
    tab.open(report)
    tab.until("micalign.player.items[0].stills")
    for side, address in enumerate(tab.value("micalign.player.items[0].sounds")):
        samples, rate = soundfile.read(io.BytesIO(b64decode(address.split(",", 1)[1])))
        window = (
            0.42 - 0.5 * np.cos(2 * np.pi * np.arange(4096) / 4096) + 0.08 * np.cos(4 * np.pi * np.arange(4096) / 4096)
        )
        starts = np.linspace(0, len(samples) - 4096, 48).round().astype(int)
        power = np.mean([np.abs(np.fft.rfft(window * samples[at : at + 4096]) / 4096) ** 2 for at in starts], axis=0)
        shown = np.array(tab.value(f"[...micalign.player.items[0].stills[{side}].bins]"))
        heard = slice(8, 1500)
        assert shown[heard] == pytest.approx(10 * np.log10(power[heard]), abs=0.5)
        assert tab.value(f"micalign.player.items[0].stills[{side}].step") == pytest.approx(rate / 4096)
    lines = """(() => { const box = document.getElementById('player-spectrum');
      const data = box.getContext('2d').getImageData(0, 0, box.width, box.height).data;
      const coloured = ([r, g, b, a]) => a > 200 && Math.max(r, g, b) - Math.min(r, g, b) > 60;
      const pixels = Array.from({ length: data.length / 4 }, (_, n) => data.slice(4 * n, 4 * n + 4));
      return pixels.filter(coloured).length; })()"""
    assert tab.until(f"{lines} > 500")
    assert tab.value("micalign.player.context()") is None
    play(tab)
    tab.value("document.getElementById('player-play').click()")
    assert tab.until(f"{lines} > 500")
