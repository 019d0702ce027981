"""A first scene by options, in a pipe and on a terminal: what is written passes ``check``."""

from __future__ import annotations

import io
import math
import os
import pty
import select
import sys
import time
from pathlib import Path

import pytest
from commands import micalign

from micalign.acoustics.firstscenes import FIRST_SCENES
from micalign.cli.cmd_new import _USUAL_INPUTS, WHAT
from micalign.files.scenes import read_scene
from micalign.scene.model import Box
from micalign.scene.scene import Scene


@pytest.mark.parametrize("what", WHAT)
@pytest.mark.parametrize("size", ["3.5,3,2.4", "20ft,16ft,9ft"])
def test_every_first_scene_passes_check(what: str, size: str, tmp_path: Path) -> None:
    """With usual places nothing is there to mend, in a small room and in a large one, from one input to many."""
    for inputs in (1, _USUAL_INPUTS[what], 8 if what != "several" else 4):
        path = tmp_path / f"{inputs}.toml"
        said = micalign("new", "--what", what, "--room", size, "--inputs", inputs, "-o", path, "--force", "--json")
        assert said.status == 0, said.err
        assert micalign("check", path, "--json").status == 0
        assert len(said.document["tracks"]) <= max(inputs, 2 if what == "several" else 1)
        assert path.read_text(encoding="utf-8").startswith("# ")


def test_the_command_and_the_library_know_the_same_things() -> None:
    """The choices are told without loading the library; they are its own."""
    assert tuple(FIRST_SCENES) == WHAT
    assert {name: kind.usual_inputs for name, kind in FIRST_SCENES.items()} == _USUAL_INPUTS


def test_a_pipe_is_not_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The options that are missing are named, and nothing is written; --usual answers all."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO())
    said = micalign("new", "--what", "kit")
    assert said.status == 2
    assert "--room, --inputs" in said.err
    assert list(tmp_path.iterdir()) == []
    said = micalign("new", "--usual")
    assert said.status == 0
    assert said.out == "kit.toml\n"
    assert "next: micalign check kit.toml" in said.err
    checked = " ".join(micalign("check", "kit.toml").out.split())
    assert "The positions of 'overheads' are known to 1.3 ms against 'snare'" in checked  # two digits of a guess
    assert "next: micalign check 'my kit.toml'" in micalign("new", "--usual", "-o", "my kit.toml").err
    assert micalign("new", "--usual").status == 2


def test_what_is_given_in_full_is_not_asked_on_a_terminal_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The scene names its take, so that simulate and measure go on from it."""

    class _Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", _Terminal())
    monkeypatch.chdir(tmp_path)
    assert micalign("new", "--what", "voice", "--room", "4,3,2.4", "--inputs", 1, "-q").status == 0
    said = micalign("simulate", "voice.toml", "--seconds", 8, "--json")
    assert said.status == 0, said.err
    assert said.document["folder"] == "voice-take"
    assert micalign("levels", "--scene", "voice.toml").status == 0


def test_two_scenes_never_share_a_take(tmp_path: Path) -> None:
    """The take's folder carries the name of the scene file, not of what is recorded."""
    for name in ("mine", "theirs"):
        assert micalign("new", "--usual", "-o", tmp_path / f"{name}.toml").status == 0
        take = read_scene(tmp_path / f"{name}.toml").take
        assert take is not None
        assert Path(take.folder).name == f"{name}-take"


def test_given_places_and_tapes_stand_in_the_scene(tmp_path: Path) -> None:
    """A place is kept to the letter; three tapes and a height put a mic where they meet."""
    path = tmp_path / "taped.toml"
    places = {"kick": (2.5, 2.0, 0.3), "snare": (2.8, 2.6, 0.7), "floor tom": (2.0, 2.8, 0.6)}
    mic = (2.1, 2.5, 1.9)
    arguments: list[object] = ["--what", "kit", "--room", "6,5,2.6", "--inputs", 2, "-o", path]
    arguments += [word for name, at in places.items() for word in ("--at", f"{name}={at[0]},{at[1]},{at[2]}")]
    for name, at in places.items():
        apart = sum((a - b) ** 2 for a, b in zip(at, mic, strict=True)) ** 0.5
        arguments += ["--tape", f"{name},overhead left={apart:.4f}"]
    assert micalign("new", *arguments, "--at", "overhead left=?,?,1.9").status == 0
    assert read_scene(path).source("kick").position == places["kick"]
    points = micalign("survey", path, "--json").document["points"]
    assert points[0]["name"] == "overhead left"
    assert points[0]["at_m"] == pytest.approx(mic, abs=2e-3)
    box = read_scene(path).mic("overhead left").move
    assert isinstance(box, Box)
    assert box.x == pytest.approx((mic[0] - 0.3, mic[0] + 0.3), abs=2e-3)


def _holds_its_mics(scene: Scene) -> None:
    for mic in scene.mics:
        if isinstance(mic.move, Box):
            for low, at, high in zip(mic.move.low, mic.position, mic.move.high, strict=True):
                assert low - 1e-6 <= at <= high + 1e-6, mic.name


def test_a_kit_without_toms_is_one_of_kick_and_snare(tmp_path: Path) -> None:
    """What is left out has neither place nor mic, and no overhead is on it; the rest passes check."""
    path = tmp_path / "small.toml"
    toms = ("--without", "rack tom", "--without", "floor tom")
    assert micalign("new", "--usual", *toms, "--inputs", 6, "-o", path).status == 0
    scene = read_scene(path)
    assert [one.name for one in scene.sources] == ["kick", "snare"]
    assert [mic.name for mic in scene.mics] == ["overhead left", "overhead right", "kick mic", "snare mic"]
    assert "tom" not in path.read_text(encoding="utf-8")
    assert micalign("check", path, "--json").status == 0


@pytest.mark.parametrize("inputs", [1, 4, 6])
def test_what_is_not_given_follows_what_is(inputs: int, tmp_path: Path) -> None:
    """Close mics stay as far from their drum as in the usual kit, toms from the drums; a box holds its mic."""
    base = ["new", "--what", "kit", "--room", "6,5,2.6", "--inputs", inputs]
    moves = [] if inputs == 1 else ["--at", "overhead left=2.9,1.6,1.8", "--at", "overhead right=1.7,2.5,1.9"]
    given = ["--at", "kick=1.9,1.5,0.3", "--at", "snare=2.2,2.1,0.7"]
    assert micalign(*base, "-o", tmp_path / "usual.toml").status == 0
    assert micalign(*base, *given, *moves, "-o", tmp_path / "told.toml").status == 0
    usual, told = read_scene(tmp_path / "usual.toml"), read_scene(tmp_path / "told.toml")
    for mic in usual.mics:
        if mic.distance_m is not None:
            before, after = (
                math.dist(one.mic(mic.name).position, one.source(mic.on[0]).position) for one in (usual, told)
            )
            assert after == pytest.approx(before, abs=2e-3)
    for tom in ("floor tom", "rack tom"):
        before, after = (math.dist(one.source(tom).position, one.source("snare").position) for one in (usual, told))
        assert after == pytest.approx(before, abs=0.1)
    for scene in (usual, told):
        _holds_its_mics(scene)


def test_a_place_that_is_not_given_is_a_guess(tmp_path: Path) -> None:
    """Given in full it counts as measured; by tapes, as well as these say; a height alone leaves the rest guessed."""
    path = tmp_path / "kit.toml"
    base = ["new", "--what", "kit", "--room", "600,500,260", "--unit", "cm", "--inputs", 4, "-o", path]
    tapes = [
        f"--tape=snare mic,{name}={cm}"
        for name, cm in (("snare", 5), ("kick", 69), ("rack tom", 42), ("floor tom", 77))
    ]
    given = ["--at", "kick=276,215,32", "--at", "overhead left=260,300,190", "--at", "snare=?,?,70"]
    assert micalign(*base, *given, *tapes).status == 0
    scene = read_scene(path)
    written = {one.name: one.plus_minus_m for one in (*scene.sources, *scene.mics)}
    assert written == {
        "kick": 0.01,
        "snare": 0.15,
        "floor tom": 0.15,
        "rack tom": 0.15,
        "overhead left": 0.01,
        "overhead right": 0.3,
        "kick mic": 0.1,
        "snare mic": 0.01,
    }
    assert "plus_minus = 30\n" in path.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "room", ["4,5,2.5", "4x5x2.5", "4 X 5 × 2.5", "4 x 5 x 2.5 m", "400 x 500 x 250 cm", "4m,5,250cm"]
)
def test_a_room_is_read_as_people_write_it(room: str, tmp_path: Path) -> None:
    """Commas or crosses; one unit behind the last of three crossed lengths is the unit of all."""
    path = tmp_path / "voice.toml"
    assert micalign("new", "--what", "voice", "--inputs", 1, "--room", room, "-o", path).status == 0
    made = read_scene(path).room
    assert made is not None
    assert made.size == pytest.approx((4.0, 5.0, 2.5))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--at", "kazoo=1,1,1"], "'kazoo' is in no such scene: it has 'voice'"),
        (["--at", "voice=9,1,1"], "outside the room"),
        (["--at", "voice=1,1,1", "--at", "voice=2,1,1"], "--at places 'voice' twice"),
        (["--without", "kazoo"], "--without: 'kazoo' is in no such scene: leave out some of 'voice'"),
        (["--without", "voice"], "--without: nothing is left to record"),
        (["--tape", "voice=1"], "--tape voice=1: write two names"),
        (["--tape", "voice,kazoo=1"], "'kazoo' is in no such scene"),
        (["--room", "6,5"], "the height is missing: write all three, such as '6, 5, 2.5'"),
        (["--room", "6 x 5 m"], "the height is missing: write all three, such as '6 m, 5 m, 2.5 m'"),
        (["--room", "13ft x 16ft"], "such as '13ft, 16ft, 8.2 ft'"),
        (["--room", "6"], "write width, depth and height"),
        (["--room", "0.1,5,2"], "is --unit right"),
    ],
)
def test_answers_that_cannot_be_are_refused_in_a_sentence(more: list[str], words: str, tmp_path: Path) -> None:
    """What was met and what was wanted; nothing is written."""
    path = tmp_path / "voice.toml"
    base = ["--what", "voice", "--inputs", "1", "-o", str(path)]
    room = [] if "--room" in more else ["--room", "4,3,2.4"]
    said = micalign("new", *base, *room, *more)
    assert said.status == 2
    assert words in said.err
    assert not path.exists()


def _talk(arguments: list[str], answers: list[str], folder: Path) -> tuple[str, int]:
    """A terminal on which each question is answered."""
    process, terminal = pty.fork()
    if process == 0:
        os.chdir(folder)
        os.execv(sys.executable, [sys.executable, "-m", "micalign", *arguments])
    said = b""
    for answer in answers:
        until = time.monotonic() + 60
        while time.monotonic() < until and not said.rstrip().endswith(b"]:"):
            if select.select([terminal], [], [], 0.1)[0]:
                said += os.read(terminal, 4096)
        os.write(terminal, f"{answer}\n".encode())
        said += b"\n"
    while True:
        try:
            said += os.read(terminal, 4096)
        except OSError:
            return said.decode(), os.waitstatus_to_exitcode(os.waitpid(process, 0)[1])


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")
def test_a_terminal_is_asked_one_thing_at_a_time(tmp_path: Path) -> None:
    """A wrong answer is told why and asked again; return keeps what stands in brackets."""
    answers = ["drumset", "cab-and-di", "cm", "6x5", "600,500,260", "2", "coordinates", "", "300,240,45"]
    said, status = _talk(["new", "-o", "cab.toml"], answers, tmp_path)
    assert status == 0, said
    assert "'drumset' is not one of 'kit', " in said
    assert "Error" not in said
    assert "the height is missing: write all three, such as '6, 5, 250'" in said
    scene = read_scene(tmp_path / "cab.toml")
    assert scene.length_unit == "cm"
    assert scene.mic("cab mic").position == (3.0, 2.4, 0.45)


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:.*multi-threaded.*fork:DeprecationWarning")
def test_what_is_offered_next_follows_what_was_typed(tmp_path: Path) -> None:
    """Only two drums are typed: their mics, the tom and the overheads are offered round them; one tom is not there."""
    answers = ["kit", "m", "4 x 5 x 2.5", "4", "coordinates", "1.9,1.5,0.3", "2.2,2.1,0.7", "none", *[""] * 5]
    said, status = _talk(["new", "-o", "mine.toml"], answers, tmp_path)
    assert status == 0, said
    scene = read_scene(tmp_path / "mine.toml")
    for name in ("kick", "snare"):
        assert 0.04 <= math.dist(scene.mic(f"{name} mic").position, scene.source(name).position) <= 0.07
    assert [one.name for one in scene.sources] == ["kick", "snare", "rack tom"]
    assert math.dist(scene.source("rack tom").position, scene.source("snare").position) < 0.6
    _holds_its_mics(scene)
