"""Any arguments end in work done or in sentences, in every command: no other error, no hang, nothing lost."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Iterator
from pathlib import Path

import hostile
import numpy as np
import pytest
import soundfile
from commands import micalign

from micalign.cli.main import COMMANDS, main

_HEAVY = ["place", "draw", "report", "explain", "demo"]
"""What searches or draws, and takes seconds where its arguments are good ones."""

_LIGHT = [name for name in COMMANDS if name not in _HEAVY]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    made = tmp_path_factory.mktemp("arguments")
    hits = np.random.default_rng(3).standard_normal(4000) * np.exp(-np.arange(4000) / 400) * 0.2
    soundfile.write(made / "ref.wav", hits, 8000, "PCM_16")
    soundfile.write(made / "late.wav", np.roll(hits, 9), 8000, "PCM_16")
    soundfile.write(made / "two.wav", np.stack([hits, -hits], axis=1), 8000, "PCM_16")
    (made / "text.wav").write_text("no sound")
    (made / "scene.toml").write_text(
        '[[source]]\nname = "kick"\nat = [1, 1, 1]\n[[mic]]\nname = "room"\nat = [2, 1, 1]\n[[mic]]\nname = "=1+1"\n'
        'at = [1, 2, 1]\n[take]\n[take.tracks]\nroom = "ref.wav"\n"=1+1" = "late.wav"\n'
    )
    os.mkfifo(made / "pipe.wav")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _: None)  # the disk's pace is not what is tested here
        patch.chdir(made)
        yield made


def _options(name: str) -> list[str]:
    command = main.get_command(main.make_context("micalign", [name], resilient_parsing=True), name)
    assert command is not None
    return sorted({option for one in command.params for option in one.opts if option.startswith("-")})


def _arguments(name: str, draws: random.Random) -> list[str]:
    files = [
        "ref.wav",
        "late.wav",
        "two.wav",
        "two.wav:2",
        "text.wav",
        "pipe.wav",
        "scene.toml",
        "missing",
        ".",
        "",
        "ref.wav:9",
    ]
    values = [str(hostile.anything(draws)), "out\0", "0.5", "1", "out", draws.choice(files)]
    words = [draws.choice(files) for _ in range(draws.randrange(4))]
    for option in draws.sample(_options(name), k=min(draws.randrange(4), len(_options(name)))):
        # Folders of its own for all that is written, so that what was there can be looked at.
        written = option in {"-o", "--out", "--write"}
        words += [option, f"out/{draws.randrange(9)}" if written else draws.choice([*values, "--json"])]
    return words


def _tried(folder: Path, name: str, words: list[str], *, most_s: float = 5.0) -> int:
    before = {path: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    begun = time.process_time()
    said = micalign(name, *words)
    assert said.status in {0, 1, 2}, said
    assert "defect" not in said.err, (name, words, said.err)
    assert "Traceback" not in said.err
    assert "\x1b" not in said.out + said.err
    told = any(line.startswith("micalign: ") for line in said.err.splitlines())
    # Of several songs each is told in the document or the table; what one of them was refused for stands there.
    assert said.status != 2 or told or said.out.startswith(("Songs\n", '{\n  "songs"'))
    assert time.process_time() - begun < most_s
    assert {path: path.read_bytes() for path in before} == before
    return said.status


@pytest.mark.parametrize("name", _LIGHT)
def test_any_arguments_end_in_work_or_words(folder: Path, name: str) -> None:
    """A quick share of the long run."""
    draws = random.Random(f"quick {name}")
    for _ in range(8):
        _tried(folder, name, _arguments(name, draws))


@pytest.mark.parametrize("name", _HEAVY)
@pytest.mark.parametrize("word", ["missing/scene.toml", "text.wav", "pipe.wav", ".", "--nope", "\udcff", "x\0y"])
def test_the_commands_that_draw_refuse_what_is_no_scene(folder: Path, name: str, word: str) -> None:
    """Before they draw anything."""
    assert _tried(folder, name, [word]) == 2


@pytest.mark.slow
@pytest.mark.parametrize("name", _LIGHT)
def test_three_thousand_sets_of_arguments(folder: Path, name: str) -> None:
    """Some three hundred for each command, from one seed."""
    draws = random.Random(f"long {name}")
    for _ in range(3000 // len(_LIGHT) + 1):
        _tried(folder, name, _arguments(name, draws))


@pytest.mark.slow
@pytest.mark.parametrize("name", _HEAVY)
def test_hostile_values_for_what_searches_and_draws(folder: Path, name: str) -> None:
    """One seed each, as many sets as fit into four seconds; every other one begins with what the command wants."""
    draws, begun, tried = random.Random(f"heavy {name}"), time.process_time(), 0
    wanted = [] if name in {"explain", "demo"} else ["scene.toml"]
    while tried < 250 and time.process_time() - begun < 4.0:
        options = [word for word in _arguments(name, draws) if tried % 2 or word not in {"scene.toml", "ref.wav"}]
        _tried(folder, name, [*wanted, *options] if tried % 2 == 0 else options, most_s=25.0)
        tried += 1
    assert tried > 0
