"""What once broke micalign, kept: each case with the sentence it ends in now."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import micalign

from micalign.acoustics.room import modes, panel_frame
from micalign.cli.output import print_json
from micalign.files.sets import file_hash
from micalign.scene.document import parse_scene
from micalign.take.tracks import Track
from micalign.tdoa.measure import Delay, measure_pair
from micalign.units import show_hz, show_percent

_SCENE = '[[source]]\nname = "kick"\nat = [1, 1, 1]\n'
_MICS = '[[mic]]\nname = "a"\nat = [2, 1, 1]\n[[mic]]\nname = "b"\nat = [1, 2, 1]\n'


def _hits(seed: int = 5) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    rng = np.random.default_rng(seed)
    hit = rng.standard_normal(6000) * np.exp(-np.arange(6000) / 500)
    return np.tile(hit, 4) * 0.2 / np.abs(hit).max()


def test_a_pipe_keeps_no_command_waiting(tmp_path: Path) -> None:
    """Opening a pipe that nobody writes to would wait for ever."""
    os.mkfifo(tmp_path / "pipe.wav")
    for arguments in (["levels", tmp_path / "pipe.wav"], ["align", "--offsets", tmp_path / "pipe.wav"]):
        said = micalign(*arguments)
        assert said.status == 2
        told = f"{tmp_path / 'pipe.wav'} is a device or a pipe: micalign reads files only, save it to one first"
        assert said.err == f"micalign: {told}\n"
    said = micalign("check", tmp_path / "pipe.wav")
    assert f"{tmp_path / 'pipe.wav'}: this is a device or a pipe" in said.err


def test_a_device_without_end_is_not_hashed() -> None:
    """An offsets file may name any original."""
    with pytest.raises(Exception, match="/dev/zero is a device or a pipe"):
        file_hash(Path("/dev/zero"))


@pytest.mark.parametrize("size_m", [(10_000.0, 10_000.0, 10_000.0), (10_000.0, 4.7, 2.5), (60.0, 30.0, 20.0)])
def test_a_huge_room_does_not_flood_memory_with_modes(size_m: tuple[float, float, float]) -> None:
    """Its modes up to 300 Hz would be beyond number; the lowest are told, none left out among them."""
    found = modes(size_m, 343.0)
    assert 1000 < len(found) < 100_000
    axial = sorted(343.0 / 2 * n / side for side in size_m for n in range(1, 20))
    assert found[0].hz == pytest.approx(axial[0])


def test_a_small_room_has_all_its_modes_to_300_hz() -> None:
    """The limit of huge rooms leaves it alone: as many as counted one by one."""
    counts = [range(int(2 * side * 300 / 343.0) + 1) for side in (6.2, 4.7, 2.5)]
    lowest = [(x / 6.2) ** 2 + (y / 4.7) ** 2 + (z / 2.5) ** 2 for x in counts[0] for y in counts[1] for z in counts[2]]
    assert len(modes((6.2, 4.7, 2.5), 343.0)) == sum(0 < 343.0 / 2 * one**0.5 <= 300 for one in lowest)


def test_a_room_no_one_could_stand_in_is_a_slip(tmp_path: Path) -> None:
    """Figures of it would divide by nothing."""
    (tmp_path / "s.toml").write_text('[room]\nsize = [1e-12, 1e-12, 1e-12]\n[[source]]\nname = "a"\nat = [0, 0, 0]\n'
                                     '[[mic]]\nname = "m"\nat = [1e-12, 0, 0]\n')  # fmt: skip
    said = micalign("draw", tmp_path / "s.toml", "-o", tmp_path / "out")
    assert said.status == 2
    assert "line 1: room: 'size' has a side of less than 10 cm: is the unit right?" in said.err


@pytest.mark.parametrize("normal", ["[5e-324, 0, 0]", "[1e-300, 0, 0]", "[1e300, 1e300, 0]"])
def test_a_panel_faces_one_way_however_long_its_normal_is(normal: str) -> None:
    """Squares of its parts are zero or infinite."""
    panel = f'[[panel]]\nname = "p"\ncentre = [3, 3, 1]\nnormal = {normal}\nsize = [1, 1]\n'
    scene = parse_scene(_SCENE + _MICS + panel)
    assert np.linalg.norm(panel_frame(scene.panels[0]).normal) == pytest.approx(1.0)


def test_a_tolerance_is_one_that_can_be_met(tmp_path: Path) -> None:
    """Its square divides."""
    (tmp_path / "s.toml").write_text(f'{_SCENE}{_MICS}[[pair]]\nname = "p"\nmics = ["a", "b"]\ntolerance_ms = 1e-300\n')
    said = micalign("place", tmp_path / "s.toml")
    assert said.status == 2
    assert "line 13: pair 'p': 'tolerance_ms': 1e-300 is out of range: 0.001 to 1000 ms" in said.err


def test_a_tape_is_not_surer_than_any_tape(tmp_path: Path) -> None:
    """The square of its weight was infinite."""
    tape = '[[tape]]\nbetween = ["kick", "a"]\ndistance = 1\nplus_minus = 1e-300\n'
    (tmp_path / "s.toml").write_text(_SCENE + _MICS.replace("at = [2, 1, 1]\n", "") + tape)
    said = micalign("survey", tmp_path / "s.toml")
    assert said.status == 2
    assert "line 12: tape 1: 'plus_minus': 1e-300 is less than a thousandth of a millimetre" in said.err


def test_tiny_numbers_are_shown_as_nothing() -> None:
    """Three hundred zeros left a figure of a silent track no room for its waveform."""
    assert (show_percent(1e-310), show_percent(5e-324), show_hz(1e-300)) == ("0 %", "0 %", "0 Hz")


def test_json_is_ascii(capsys: pytest.CaptureFixture[str]) -> None:
    """Some terminals obey characters above 127, and not every output's encoding holds them."""
    print_json({"track": "\u202egnp\x9b31m\x1b[0mé"})
    assert capsys.readouterr().out == '{\n  "track": "\\u202egnp\\u009b31m\\u001b[0m\\u00e9"\n}\n'


def test_a_name_cannot_look_like_a_message_of_its_own(tmp_path: Path) -> None:
    """A line break in it is written out."""
    said = micalign("levels", tmp_path / "a\nmicalign: all is well.wav")
    assert said.err.count("\n") == 1
    assert "a\\nmicalign: all is well.wav" in said.err


def _simulated(tmp_path: Path, text: str, *more: object) -> tuple[int, str]:
    (tmp_path / "s.toml").write_text(text)
    said = micalign("simulate", tmp_path / "s.toml", "-o", tmp_path / "take", "--rate", "8000", "--seconds", "1", *more)
    return said.status, said.err


def test_a_scene_of_lines_alone_can_be_played(tmp_path: Path) -> None:
    """There is no mic, so no way through the air."""
    status, err = _simulated(tmp_path, _SCENE + '[[di]]\nname = "d"\nof = "kick"\nlatency_ms = 2\n')
    assert status == 0, err
    assert soundfile.info(tmp_path / "take" / "d.wav").frames == 8000


@pytest.mark.parametrize(
    ("tracks", "sentence"),
    [
        ('a = "x.wav"\nb = "x.wav"', "gives 'a' and 'b' the same channel of 'x.wav': give each its own"),
        (
            'a = "x.wav"\nb = "./X.wav"',
            "names 'x.wav' and './X.wav', one file on many disks: write its name in one way",
        ),
        ('a = "truth.json"', "names 'truth.json': a take is written as .wav, .flac or .aiff"),
        ('a = "../x.wav"', "leads out of the take's folder"),
    ],
)
def test_no_two_tracks_are_written_over_each_other(tmp_path: Path, tracks: str, sentence: str) -> None:
    """Nor over the truth, nor elsewhere; nothing is written at all."""
    status, err = _simulated(tmp_path, f"{_SCENE}{_MICS}[take]\n[take.tracks]\n{tracks}\n")
    assert status == 2
    assert sentence in err
    assert [path.name for path in tmp_path.iterdir()] == ["s.toml"]


def test_a_take_beyond_memory_is_refused_before_it_is_made(tmp_path: Path) -> None:
    """An hour at 192 kHz; the sentence says how long it may be."""
    status, err = _simulated(tmp_path, _SCENE + _MICS, "--seconds", "3600", "--rate", "192000")
    assert status == 2
    assert "would not fit into memory: ask for at most 347 s" in err


@pytest.mark.parametrize("option", ["--max-delay-ms", "--headroom-db", "--preview", "--max-shift-ms"])
@pytest.mark.parametrize("value", ["nan", "inf"])
def test_no_number_is_no_option(tmp_path: Path, option: str, value: str) -> None:
    """'nan' is neither below nor above any limit."""
    said = micalign("align", tmp_path / "a.wav", tmp_path / "b.wav", option, value)
    assert said.status == 2
    assert said.err.startswith(f"micalign: '{option}'")


def test_a_loopback_is_one_channel(tmp_path: Path) -> None:
    """Of a file of several, the second channel of what was played would have been taken for it."""
    soundfile.write(tmp_path / "two.wav", np.stack([_hits(), -_hits()], axis=1), 8000)
    soundfile.write(tmp_path / "back.wav", _hits(), 8000)
    for command in (["measure"], ["align", "-o", tmp_path / "out"]):
        said = micalign(*command, tmp_path / "two.wav", tmp_path / "back.wav", "--loopback", tmp_path / "back.wav")
        assert said.status == 2
        assert "hold 3 channels, one each is needed: name the channel, as in 'file.wav:1'" in said.err


def _run(*arguments: object, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # type: ignore[call-overload,no-any-return]
        [sys.executable, "-m", "micalign", *map(str, arguments)], text=True, check=False, timeout=120, **more
    )


@pytest.mark.skipif(sys.platform == "win32", reason="closes descriptors before the start")
def test_closed_streams_do_no_harm(tmp_path: Path) -> None:
    """Started with >&- or 2>&-."""
    assert _run("schema", stderr=subprocess.PIPE, preexec_fn=lambda: os.close(1)).returncode == 0
    done = _run("check", tmp_path / "none.toml", stdout=subprocess.PIPE, preexec_fn=lambda: os.close(2))
    assert (done.returncode, done.stdout) == (2, "")


def test_stopped_while_it_still_loads(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Ctrl-C may fall into the loading of the command line itself."""
    import builtins

    from micalign.__main__ import run

    true_import = builtins.__import__

    def stopped(name: str, *rest: object, **more: object) -> object:
        if name == "micalign.cli":
            signal.raise_signal(signal.SIGINT)
        return true_import(name, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", stopped)
    with pytest.raises(SystemExit, match="130"):
        run()
    assert capsys.readouterr().err == "micalign: stopped; nothing half-written is left\n"


def test_two_threads_measure_as_one_does() -> None:
    """No state is shared: every thread comes to the very same answer."""
    pairs = [
        (Track.from_array("a", _hits(seed), 8000), Track.from_array("b", np.roll(_hits(seed), 5 + seed), 8000))
        for seed in range(4)
    ]
    alone = [measure_pair(*pair) for pair in pairs]
    found: dict[int, Delay] = {}

    def measure(index: int) -> None:
        found[index] = measure_pair(*pairs[index])

    threads = [threading.Thread(target=measure, args=(index,)) for index in range(len(pairs))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [found[index] for index in range(len(pairs))] == alone
    assert alone[2].delay_s == pytest.approx(7 / 8000, abs=2e-6)


def test_two_processes_share_a_folder(tmp_path: Path) -> None:
    """One of them makes the set, the other makes it again or says that it exists; each file is whole."""
    soundfile.write(tmp_path / "ref.wav", _hits(), 8000, "PCM_24")
    soundfile.write(tmp_path / "late.wav", np.roll(_hits(), 9), 8000, "PCM_24")
    command = [sys.executable, "-m", "micalign", "align", "ref.wav", "late.wav", "-o", "out", "-q"]
    runs = [
        subprocess.Popen([*command, *more], cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
        for more in ([], ["--force"])
    ]
    errors = [run.communicate(timeout=120)[1] for run in runs]
    assert [run.returncode for run in runs] in ([0, 0], [2, 0]), errors
    assert all("exists: choose another" in error for run, error in zip(runs, errors, strict=True) if run.returncode)
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "late-aligned.wav",
        "offsets.csv",
        "offsets.json",
        "ref-aligned.wav",
    ]
    alone = subprocess.run([*command[:-2], "alone", "-q"], cwd=tmp_path, check=True, capture_output=True)
    assert alone.returncode == 0
    for name in ("ref-aligned.wav", "late-aligned.wav"):
        shared, own = (soundfile.read(tmp_path / folder / name)[0] for folder in ("out", "alone"))
        assert np.array_equal(shared, own)
