"""``click`` as a user runs it: what it writes, the caution, a loopback's latency, a recorded sweep beside its plan."""

from __future__ import annotations

from pathlib import Path

import chunks
import numpy as np
import pytest
import soundfile
from commands import micalign

KIT = Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"
RATE = 48000


def test_clicks_begin_low_and_the_caution_stands_first(tmp_path):
    """Peak of -30 dBFS unless asked for, at most -6; nothing is replaced unasked."""
    out = tmp_path / "click.wav"
    said = micalign("click", "-o", out)
    assert said.status == 0
    assert said.err.startswith("Caution.")
    sound, rate = soundfile.read(out)
    assert rate == RATE
    assert 20 * np.log10(np.abs(sound).max()) == pytest.approx(-30.0, abs=0.1)
    assert micalign("click", "-o", out).status == 2
    assert micalign("click", "-o", out, "--force", "--level-dbfs", -3).status == 2
    assert micalign("click", "-o", out, "--force", "-q").status == 0
    document = micalign("click", "-o", tmp_path / "sweep.wav", "--sweep", 2, "--json").document
    assert document["signal"] == "sweep"
    assert "Turn the monitors down" in document["caution"]


def test_a_recording_is_never_replaced(tmp_path):
    """What is no sound of ours stays, whatever is forced."""
    soundfile.write(tmp_path / "take.wav", np.zeros(100), RATE)
    said = micalign("click", "-o", tmp_path / "take.wav", "--force")
    assert said.status == 2
    assert "is not replaced" in said.err


def test_the_clicks_tell_a_loopbacks_latency(tmp_path):
    """Played, recorded 311.5 samples later with a little hiss, and measured."""
    out = tmp_path / "click.wav"
    micalign("click", "-o", out, "-q")
    sound = soundfile.read(out)[0]
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(1 << 18) * 311.5)
    back = np.fft.irfft(np.fft.rfft(sound, 1 << 18) * turn)[: len(sound)]
    back += 1e-5 * np.random.default_rng(3).normal(size=len(back))
    soundfile.write(tmp_path / "back.wav", back, RATE, subtype="PCM_24")
    said = micalign("measure", out, "--loopback", tmp_path / "back.wav", "--json")
    assert said.document["tracks"][0]["delay_samples"] == pytest.approx(311.5, abs=0.05)


def test_what_of_a_recorded_sweep_is_not_read_is_told(swept):
    """The recorder was stopped and started: a second chunk of samples, of half a second."""
    samples = (soundfile.read(swept[0])[0] * (1 << 15)).astype("<i2").tobytes()
    joined = [(b"fmt ", chunks.fmt(bits=16)), (b"data", samples), (b"data", bytes(RATE))]
    swept[0].write_bytes(chunks.riff(joined))
    said = micalign("click", "--sweep", 2, "--recorded", swept[0])
    assert "0.500 s" in said.err
    assert "export it anew" in said.err
    assert micalign("click", "--sweep", 2, "--recorded", swept[0], "-q").err == ""


@pytest.fixture
def swept(tmp_path) -> list[Path]:
    """A sweep through two mics: 6.5 ms late with a bounce, and inverted 1.4 ms after."""
    micalign("click", "--sweep", 2, "-o", tmp_path / "sweep.wav", "-q")
    sound = soundfile.read(tmp_path / "sweep.wav")[0]
    paths = []
    for name, first, sign in (("one", 312, 1), ("two", 312 + 67, -1)):
        impulse = np.zeros(1200)
        impulse[[first, first + 200]] = sign, 0.4 * sign
        rec = np.convolve(sound, impulse)[: len(sound)] + 1e-6 * np.random.default_rng(5).normal(size=len(sound))
        paths.append(tmp_path / f"{name}.wav")
        soundfile.write(paths[-1], rec, RATE, subtype="PCM_24")
    return paths


def test_a_recorded_sweep_is_read(swept):
    """Arrival, polarity and reflection of each recording."""
    said = micalign("click", "--sweep", 2, "--recorded", swept[0], "--recorded", swept[1], "--json")
    assert said.status == 0
    one, two = said.document["recordings"]
    assert one["arrival_s"] == pytest.approx(312 / RATE, abs=1e-5)
    assert two["later_than_first_s"] == pytest.approx(67 / RATE, abs=1e-6)
    assert (one["polarity"], two["polarity"]) == (1, -1)
    assert one["reflections"][0]["delay_s"] == pytest.approx(200 / RATE, abs=1e-5)
    assert one["reflections"][0]["level_db"] == pytest.approx(20 * np.log10(0.4), abs=0.3)
    shown = micalign("click", "--sweep", 2, "--recorded", swept[0], "--recorded", swept[1]).out
    assert "NEGATIVE" in shown


def test_the_plan_stands_beside_what_was_recorded(swept):
    """The scene's delay between the two mics, its reflections and its reverberation."""
    plan = ["--scene", KIT, "--source", "snare", "--mic", "overhead left", "--mic", "overhead right"]
    said = micalign("click", "--sweep", 2, "--recorded", swept[0], "--recorded", swept[1], *plan, "--json")
    row = next(
        one
        for one in micalign("check", KIT, "--json").document["differences"]
        if one["source"] == "snare" and set(one["mics"]) == {"overhead left", "overhead right"}
    )
    sign = 1 if row["mics"][0] == "overhead left" else -1
    planned = said.document["recordings"][1]["planned_later_than_first_s"]
    assert planned == pytest.approx(sign * row["difference_s"], abs=1e-9)
    assert said.document["recordings"][0]["planned_reflections"]
    assert said.document["planned_reverberation_s"] > 0.1


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["-o", "click.mp3"], "end it in .wav"),
        (["--recorded", "no.wav"], "no.wav"),
        (["--scene", KIT], "go together"),
        (["--scene", KIT, "--source", "snare"], "goes with --recorded"),
        (["--level-dbfs", "0"], "0 is out of reach: give a number from -80 to -6"),
        (["--sweep", "nan"], "finite"),
    ],
    ids=str,
)
def test_what_cannot_be_is_refused_in_a_sentence(tmp_path, monkeypatch, arguments, word):
    """Exit status 2 and no traceback."""
    monkeypatch.chdir(tmp_path)
    said = micalign("click", *arguments)
    assert said.status == 2
    assert word in said.err
    assert "Traceback" not in said.err


def test_another_file_is_no_sweep(swept, tmp_path):
    """Told by name, with what to do."""
    said = micalign("click", "--sweep", 6, "--recorded", swept[0])
    assert said.status == 2
    assert "give --sweep as it was when the file was made" in said.err
