"""The lesson in a real browser: mics dragged by hand, guesses, one's own sounds, and the audio graph while it plays."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from browser import Page, browser
from commands import micalign

from micalign.acoustics.comb import notch_depth_db, notches_hz, peak_height_db, peaks_hz

pytestmark = pytest.mark.slow

SPEED = 343.99  # Cramer (1993), 20 degrees, 50 % humidity
HEARD_WITHIN_MS = 30.0
GLIDE_MS = 12.0


@pytest.fixture(scope="module")
def tab() -> Iterator[Page]:
    with browser() as page:
        yield page


@pytest.fixture(scope="module")
def lesson(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lesson") / "l"
    said = micalign("explain", "-o", folder, "--distances", "30 cm", "95 cm", "-q")
    assert said.status == 0, said.err
    return folder / "index.html"


def numbers(tab: Page, which: str = "notches") -> np.ndarray:
    return np.array([float(word) for word in tab.value(f"document.getElementById('{which}').dataset.hz").split()])


def words(tab: Page, name: str) -> str:
    return str(tab.value(f"document.getElementById('{name}').textContent"))


def frame(tab: Page) -> None:
    tab.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")


def set_number(tab: Page, name: str, value: float) -> None:
    tab.value(
        f"(() => {{ const e = document.getElementById('{name}-number'); e.value = {value};"
        " e.dispatchEvent(new Event('input')); e.dispatchEvent(new Event('change')); })()"
    )
    frame(tab)


def press(tab: Page, selector: str) -> None:
    tab.value(f"document.querySelector(`{selector}`).click()")
    frame(tab)


def play(tab: Page) -> None:
    press(tab, "#play")
    tab.until("micalign.lesson.playing() && micalign.lesson.context().currentTime > 0.1")


def mic_on_screen(tab: Page, number: int) -> tuple[float, float]:
    tab.value("document.getElementById('stage').scrollIntoView()")
    x, y = tab.value(
        f"(() => {{ const r = document.querySelector('.mic-{number} .mark').getBoundingClientRect();"
        " return [r.x + r.width / 2, r.y + r.height / 2]; })()"
    )
    return x, y


def test_the_page_begins_with_the_students_own_case(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    delay_s = 0.65 / SPEED
    assert np.allclose(numbers(tab), (np.arange(20) + 0.5) / delay_s, rtol=1e-4)
    assert np.allclose(numbers(tab, "peaks"), (np.arange(20) + 1) / delay_s, rtol=1e-4)
    assert words(tab, "way-words").endswith("both mics at one gain.")


@pytest.mark.parametrize("polarity", [1, -1])
def test_the_sliders_numbers_are_pythons(polarity: int, tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    if polarity < 0:
        press(tab, "#flipped")
    for delay_ms, level_db in itertools.product((0.05, 0.5, 1.0, 1.895, 5.0, 9.99), (0.0, 6.0, 20.0)):
        set_number(tab, "delay", delay_ms)
        set_number(tab, "level", level_db)
        for which, expected in (
            ("notches", notches_hz(delay_ms / 1e3, polarity=polarity)),
            ("peaks", peaks_hz(delay_ms / 1e3, polarity=polarity)),
        ):
            # A hundred times finer than the promised 0.1 %.
            assert np.allclose(numbers(tab, which), expected[:20], rtol=1e-5)
        depth, height = map(float, tab.value("document.getElementById('depth').dataset.db").split())
        assert depth == pytest.approx(max(notch_depth_db(level_db), -200.0), abs=1e-3)
        assert height == pytest.approx(peak_height_db(level_db), abs=1e-3)


def test_two_distances_set_delay_and_level_in_the_students_unit(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    set_number(tab, "first", 50)
    set_number(tab, "second", 150)
    # 1 m at Cramer's 343.99 m/s; 20 log10(3).
    assert numbers(tab)[0] == pytest.approx(343.99 / 2, rel=1e-4)
    assert float(tab.value("document.getElementById('level').value")) == pytest.approx(9.5, abs=0.05)


@pytest.mark.parametrize("touch", [False, True], ids=["mouse", "finger"])
def test_a_dragged_mic_carries_distance_delay_level_and_words_with_it(touch: bool, tab: Page, lesson: Path) -> None:
    """Both panels say one delay, and it is that of the distances."""
    tab.open(lesson, width=1000)
    start = mic_on_screen(tab, 1)
    tab.drag(start, (start[0] + 90, start[1] + 20), touch=touch)
    frame(tab)
    end = mic_on_screen(tab, 1)
    assert tab.value("Math.hypot(...micalign.lesson.state.places[1])") != pytest.approx(0.95, abs=0.01)
    near, far = tab.value("[0, 1].map(n => micalign.lesson.distance(n))")
    late = (far - near) / SPEED
    assert end[0] > start[0]
    assert numbers(tab)[0] == pytest.approx(0.5 / late, rel=1e-4)
    for name in ("copy-words", "way-words", "comb-words"):
        assert f"{1e3 * late:.3f} ms" in words(tab, name)
    assert float(tab.value("document.getElementById('delay').value")) == pytest.approx(1e3 * late, abs=2e-3)
    assert tab.value("micalign.lesson.state.level_db") == pytest.approx(20 * np.log10(far / near), abs=1e-6)


def test_arrow_keys_move_a_mic_by_a_centimetre_and_with_shift_by_ten(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    tab.value("document.querySelector('.mic-0').focus()")
    before = tab.value("micalign.lesson.state.places[0]")
    tab.key("ArrowRight")
    tab.key("ArrowUp", shift=True)
    after = tab.value("micalign.lesson.state.places[0]")
    assert np.subtract(after, before) == pytest.approx([0.01, 0.10], abs=1e-9)
    frame(tab)
    assert "arrow keys move it" in tab.value("document.querySelector('.mic-0').getAttribute('aria-label')")


def test_the_drawn_comb_is_the_closed_form_and_dense_notches_are_an_envelope(tab: Page, lesson: Path) -> None:
    tab.open(lesson, width=1000)
    set_number(tab, "delay", 5)
    set_number(tab, "level", 6)
    line, band = tab.value(
        "['.comb-line', '.comb-band'].map(c => document.querySelector('#comb ' + c).getAttribute('d'))"
    )
    x20, x20k, y0, y30 = tab.value(
        "(() => { const l = [...document.querySelectorAll('#comb .grid line')];"
        " const at = (e, n) => Number(e.getAttribute(n));"
        " const v = l.filter(e => at(e, 'x1') === at(e, 'x2')), h = l.filter(e => at(e, 'y1') === at(e, 'y2'));"
        " const zero = h.find(e => e.classList.contains('zero'));"
        " return [at(v[0], 'x1'), at(v.at(-1), 'x1'), at(zero, 'y1'), at(h[0], 'y1')]; })()"
    )

    def points(path: str) -> tuple[np.ndarray, np.ndarray]:
        spots = np.array(
            [list(map(float, part.split())) for part in path.replace("M", "L").replace("Z", "").split("L") if part]
        )
        return 20 * 1000 ** ((spots[:, 0] - x20) / (x20k - x20)), -30 * (spots[:, 1] - y0) / (y30 - y0)

    hertz, level = points(line)
    smooth = hertz < 600  # further up a pixel holds a good part of a tooth, and the tooth's own depth is drawn
    expected = 20 * np.log10(np.abs(1 + 10 ** (-6 / 20) * np.exp(-2j * np.pi * hertz * 0.005)))
    assert np.percentile(np.abs(level - expected)[smooth], 90) < 0.3
    hertz, level = points(band)
    # Notch and peak of 6 dB: closed forms.
    high = hertz > 5000
    assert level[high].min() == pytest.approx(20 * np.log10(1 - 10 ** (-0.3)), abs=0.1)
    assert level[high].max() == pytest.approx(20 * np.log10(1 + 10 ** (-0.3)), abs=0.1)
    assert np.all((np.abs(level[high] - level[high].min()) < 0.2) | (np.abs(level[high] - level[high].max()) < 0.2))
    assert "notches too dense to draw" in tab.value("document.querySelector('#comb .legend').textContent")


def test_at_no_delay_and_flipped_the_words_say_silence_and_it_is_silent(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    play(tab)
    set_number(tab, "level", 0)
    set_number(tab, "delay", 0)
    press(tab, "#flipped")
    assert words(tab, "comb-words").startswith("Silence")
    peak = (
        "(() => { const a = micalign.lesson.playing().analysers[1], s = new Float32Array(a.fftSize);"
        " a.getFloatTimeDomainData(s); return Math.max(...s.map(Math.abs)); })()"
    )
    tab.until(f"{peak} < 1e-4")
    press(tab, "#flipped")
    assert words(tab, "comb-words") == "No delay, no comb: every pitch +6.0 dB."
    tab.until(f"{peak} > 1e-2")
    press(tab, "#play")


STEPS = """(async () => {
  const delay = micalign.lesson.playing().delay.delayTime, slider = document.getElementById('delay'), took = [];
  for (let n = 0; n < 12; n += 1) {
    const target = [1, 1.5, 0.7, 3, 1.2, 2.4][n % 6], before = performance.now(), from = delay.value;
    slider.value = target;
    slider.dispatchEvent(new Event('input'));
    const handled = performance.now() - before;
    // The reading side must not wait for a timer: the value is the sound's own, as of its last 128 samples.
    const left = () => Math.abs(delay.value - target / 1e3) / Math.abs(from - target / 1e3);
    while (left() > 0.05 && performance.now() - before < 500);
    took.push([handled, performance.now() - before]);
    await new Promise(done => setTimeout(done, 60));
  }
  return took;
})()"""


def test_a_step_of_the_slider_is_heard_within_30_ms_and_the_loop_goes_on(tab: Page, lesson: Path) -> None:
    """What the page takes to answer, the glide (held to it by the next test) and the sound's own latency.

    Their sum is asked for: how long other programs hold the sound's thread up is not the page's.
    """
    tab.open(lesson)
    play(tab)
    tab.value("window.first = micalign.lesson.playing().source")
    handled_ms, gone_ms = np.median(tab.value(STEPS), axis=0)
    latency_ms = 1e3 * tab.value("micalign.lesson.context().baseLatency")
    print(f"\nslider step: page {handled_ms:.1f} ms, 95 % of the way {gone_ms:.1f} ms, output {latency_ms:.1f} ms")
    assert handled_ms + GLIDE_MS + latency_ms < HEARD_WITHIN_MS
    assert tab.value("window.first === micalign.lesson.playing().source")
    assert tab.value("micalign.lesson.context().sampleRate") == 96000
    press(tab, "#play")


def rendered(tab: Page, body: str) -> tuple[np.ndarray, np.ndarray]:
    """The page's own graph in an offline context of 96 kHz: the first alone, and both with ``body`` done to it."""
    made = tab.value(
        f"""(async () => {{
          const s = micalign.lessonSound, rate = 96000, out = [];
          for (const side of [0, 1]) {{
            const context = new OfflineAudioContext(1, 2 * rate, rate), kind = s.made('noise', rate);
            const sum = {{ delay_s: 0.001, level_db: 0, polarity: 1, side }};
            const graph = s.graph(context, [kind, kind], sum, context.destination, 0.02);
            graph.start(0);
            if (side === 1) {{ {body} }}
            out.push(Array.from((await context.startRendering()).getChannelData(0)));
          }}
          return out;
        }})()"""
    )
    return np.array(made[0]), np.array(made[1])


def test_what_is_heard_has_its_notches_where_the_words_say_at_one_power(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    dry, both = (one[96000:] for one in rendered(tab, ""))
    ratio = np.abs(np.fft.rfft(both)) / np.maximum(np.abs(np.fft.rfft(dry)), 1e-9)
    hertz = np.fft.rfftfreq(len(dry), 1 / 96000)

    def at(centre: float) -> float:
        return float(np.median(ratio[np.abs(hertz - centre) < 6]))

    for notch, peak in ((500, 1000), (1500, 2000), (4500, 5000), (9500, 10000)):
        assert at(notch) < 0.06 * at(peak)
    assert np.std(both) == pytest.approx(np.std(dry), rel=0.05)
    assert np.max(np.abs([dry, both])) < 0.75


def test_a_step_glides_without_a_click(tab: Page, lesson: Path) -> None:
    """No jump from sample to sample is larger than the noise has anyway; 12 ms later the new comb is all but there."""
    tab.open(lesson)
    step = "graph.set({ delay_s: 0.00175, level_db: 0, polarity: 1, side }, 1.0);"
    dry, both = rendered(tab, step)
    jumps = np.abs(np.diff(both))
    assert jumps[95000:100000].max() < 1.3 * jumps[20000:90000].max()
    soon = slice(int((1 + GLIDE_MS / 1e3) * 96000), int((1 + 2 * GLIDE_MS / 1e3) * 96000))
    # The noise with a copy 1.75 ms later, at the graph's own gain: within 12 ms it differs by little, and then by less.
    early = dry[soon] + dry[soon.start - 168 : soon.stop - 168]
    assert np.corrcoef(both[soon], early)[0, 1] > 0.95
    late = slice(int(1.03 * 96000), 2 * 96000)
    ratio = np.abs(np.fft.rfft(both[late])) / np.maximum(np.abs(np.fft.rfft(dry[late])), 1e-9)
    hertz = np.fft.rfftfreq(late.stop - late.start, 1 / 96000)
    first = np.median(ratio[np.abs(hertz - 0.5 / 0.00175) < 6])
    assert first < 0.1 * np.median(ratio[np.abs(hertz - 1 / 0.00175) < 6])


def test_one_key_switches_with_and_without_the_copy_and_nothing_stops(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    play(tab)
    tab.value("window.first = micalign.lesson.playing().source")
    gains = "micalign.lesson.playing().sides.map(one => Math.round(one.gain.value * 1000) / 1000)"
    tab.until(f"String({gains}) === '0,1'")
    tab.key("b")
    tab.until(f"String({gains}) === '1,0'")
    frame(tab)
    assert words(tab, "heard") == "You hear: noise, alone."
    tab.key("b")
    tab.until(f"String({gains}) === '0,1'")
    assert tab.value("window.first === micalign.lesson.playing().source")
    press(tab, "#play")
    assert words(tab, "heard").startswith("Chosen")


def test_a_button_of_a_chapter_sets_everything_and_plays(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    tab.value("[...document.querySelectorAll('.hear button')].find(b => b.textContent === 'string, flipped').click()")
    tab.until("micalign.lesson.playing()")
    frame(tab)
    assert words(tab, "heard") == "You hear: string, with its copy 1.000 ms later, equally loud, flipped."
    assert tab.value("document.querySelectorAll('audio').length") == 0
    press(tab, "#play")


def test_every_guess_is_answered_when_the_reader_has_moved_there(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    told = []
    for number in range(tab.value("document.querySelectorAll('.guess').length")):
        card = f"document.querySelectorAll('.guess')[{number}]"
        tab.value(f"{card}.querySelectorAll('input[type=radio]')[0].click()")
        frame(tab)
        verdict = f"{card}.querySelector('.verdict').textContent"
        assert tab.value(verdict).startswith("You say")
        goal = tab.value(f"JSON.parse(document.getElementById('data').textContent).guesses[{number}].goal")
        if "flipped" in goal:
            tab.value(f"{card}.querySelector('[data-bind=flipped]').click()")
        elif number == 5:  # the second mic, told in centimetres: a tenth of a metre beyond the first
            tab.value(
                f"(() => {{ const e = {card}.querySelector('input[type=number]'); e.value = 110;"
                " e.dispatchEvent(new Event('input')); })()"
            )
        else:
            ((low, high),) = goal.values()
            tab.value(
                f"(() => {{ const e = {card}.querySelector('input[type=range]'); e.value = {(low + high) / 2};"
                " e.dispatchEvent(new Event('input')); })()"
            )
        frame(tab)
        told.append(tab.value(verdict))
    assert len(told) == 8
    assert all(text.startswith(("✓ As you said", "✗ You said")) for text in told), told
    assert "it is: 500 Hz." in told[0]


def wav_bytes(*channels: np.ndarray) -> list[int]:
    made = io.BytesIO()
    soundfile.write(made, np.column_stack(channels), 48000, format="WAV", subtype="PCM_16")
    return list(made.getvalue())


def drop(tab: Page, **files: object) -> None:
    items = " ".join(
        f"data.items.add(new File([{f'Uint8Array.from({body})' if isinstance(body, list) else repr(body)}], '{name}'));"
        for name, body in files.items()
    )
    tab.value(
        f"(() => {{ const data = new DataTransfer(); {items}"
        " document.dispatchEvent(new DragEvent('drop', {dataTransfer: data, bubbles: true, cancelable: true})); })()"
    )


def test_a_dropped_file_gives_both_channels_two_files_two_mics_and_no_sound_is_told(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    time = np.arange(9600) / 48000
    left, right = 0.5 * np.sin(2 * np.pi * 200 * time), 0.25 * np.sin(2 * np.pi * 300 * time)
    drop(tab, notes="no sound at all")
    tab.until("document.getElementById('file-words').textContent.includes('holds no sound')")
    drop(tab, stereo=wav_bytes(left, right))
    tab.until("document.getElementById('file-words').textContent.startsWith('stereo: 0.2 s')")
    assert tab.value(
        "[document.getElementById('sound-file').disabled, document.getElementById('sound-two').disabled]"
    ) == [False, False]
    peaks = tab.value("micalign.lesson.own.two.map(t => Math.max(...t))")
    assert peaks == pytest.approx([0.5, 0.25], rel=0.02)
    # Both channels together are their mean.
    assert tab.value("Math.max(...micalign.lesson.own.file)") == pytest.approx(np.max((left + right) / 2), rel=0.02)
    drop(tab, kick=wav_bytes(left), room=wav_bytes(right, right))
    tab.until("document.getElementById('file-words').textContent.startsWith('kick is the first mic, room the second')")
    assert tab.value("micalign.lesson.state.sound") == "two"
    play(tab)
    channels = tab.value("[0, 1].map(n => Math.max(...micalign.lesson.playing().source.buffer.getChannelData(n)))")
    assert channels == pytest.approx([0.5, 0.25], rel=0.02)
    press(tab, "#play")
    assert tab.messages == []


def test_a_recording_by_microphone_becomes_ones_own_sound(tab: Page, lesson: Path) -> None:
    """The browser's own microphone and recorder stand in: their answer is a file as they would give it."""
    tab.open(lesson)
    body = wav_bytes(0.3 * np.sin(np.arange(24000) / 20))
    tab.value(
        f"""(() => {{
          const stream = {{ getTracks: () => [] }};
          navigator.mediaDevices.getUserMedia = async (wanted) => {{ window.wanted = wanted; return stream; }};
          window.MediaRecorder = class {{
            start() {{ this.begun = true; }}
            stop() {{ this.ondataavailable({{ data: new Blob([Uint8Array.from({body})]) }}); this.onstop(); }}
          }};
          const wait = window.setTimeout;
          window.setTimeout = (what, ms) => wait(what, Math.min(ms, 20));
        }})()"""
    )
    press(tab, "#record")
    tab.until("document.getElementById('file-words').textContent.startsWith('your recording: 0.5 s')")
    assert tab.value("window.wanted.audio.echoCancellation") is False
    assert tab.value("micalign.lesson.state.sound") == "file"


def test_the_page_has_thirty_questions_of_twenty_kinds_with_folded_answers(tab: Page, lesson: Path) -> None:
    tab.open(lesson)
    assert tab.value("document.querySelectorAll('.questions li').length") == 30
    assert tab.value("document.querySelectorAll('.questions details[open]').length") == 0


def test_without_script_sentence_figures_sounds_and_answers_are_there(tab: Page, lesson: Path) -> None:
    tab.send("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.open(lesson)
        shown = tab.send("DOM.getDocument", depth=-1)
        text = str(tab.send("DOM.getOuterHTML", nodeId=shown["root"]["nodeId"])["outerHTML"])
        taken = tab.send("Accessibility.getFullAXTree")["nodes"]
    finally:
        tab.send("Emulation.setScriptExecutionDisabled", value=False)
    named = " ".join(str(node.get("name", {}).get("value", "")) for node in taken)
    assert "Without it the text" in named
    assert "I say" not in named
    assert text.count("<audio") >= 20
    assert "The answer without moving" in named


@pytest.mark.parametrize(("width", "dark"), [(1440, False), (800, True), (390, False), (360, True)])
def test_nothing_scrolls_sideways_and_the_mics_stay_on_the_stage(
    width: int, dark: bool, tab: Page, lesson: Path
) -> None:
    tab.open(lesson, width=width, dark=dark)
    for delay_ms in (0.0, 1.0, 9.9):
        set_number(tab, "delay", delay_ms)
        assert tab.value("document.documentElement.scrollWidth") <= width
        inside = tab.value(
            "(() => { const s = document.getElementById('stage').getBoundingClientRect();"
            " return [...document.querySelectorAll('.mic .mark')].every(m => { const r = m.getBoundingClientRect();"
            " return r.left >= s.left && r.right <= s.right && r.top >= s.top && r.bottom <= s.bottom; }); })()"
        )
        assert inside
