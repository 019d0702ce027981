"""``micalign check`` as a user runs it: figures against arithmetic of our own, tables, exit statuses."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from commands import micalign
from rich.console import Console

from micalign.acoustics.prediction import predict
from micalign.files.scenes import read_scene
from micalign.report.check_tables import arrival_tables
from micalign.scene.model import PATTERNS

SCALES = {"m": 1.0, "cm": 0.01, "ft": 0.3048, "in": 0.0254}
SHARES = {
    "omni": 1.0,
    "subcardioid": 0.75,
    "cardioid": 0.5,
    "supercardioid": 0.37,
    "hypercardioid": 0.25,
    "figure-8": 0.0,
}

KIT = """
title = "kit"
[room]
size = [7, 5.5, 3.4]
absorption = 0.3
[[source]]
name = "kick"
at = [3.2, 2.6, 0.4]
[[source]]
name = "snare"
at = [3.5, 2.9, 0.75]
range_hz = [120, 9000]
[[mic]]
name = "snare mic"
at = [3.53, 2.98, 0.80]
aim = "snare"
pattern = "hypercardioid"
on = "snare"
[[mic]]
name = "left"
at = [2.95, 3.1, 1.6]
aim = "snare"
pattern = "cardioid"
on = "snare"
[[mic]]
name = "right"
at = [3.995, 3.3, 1.6]
aim = "snare"
pattern = "cardioid"
on = "snare"
[[di]]
name = "trigger"
of = "snare"
latency_ms = 1.0
[[pair]]
name = "overheads"
mics = ["left", "right"]
equal_to = "snare"
"""


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    path = tmp_path / "kit.toml"
    path.write_text(KIT, encoding="utf-8")
    return path


def _random_scene(rng: np.random.Generator, unit: str) -> tuple[str, dict[str, np.ndarray], list[dict]]:
    """The text of a scene in a unit, and what it says in metres."""
    scale = SCALES[unit]
    places = rng.uniform([0.3, 0.3, 0.2], [7.7, 5.7, 2.8], (7, 3)).round(3)
    names = ["s0", "s1", "s2", "m0", "m1", "m2", "m3"]
    lines = [f'length_unit = "{unit}"', "[air]", "temperature_c = 17.5", "humidity_percent = 62.0"]
    mics = []
    for name, place in zip(names, places, strict=True):
        at = ", ".join(repr(float(value / scale)) for value in place)
        lines += [f"[[{'source' if name[0] == 's' else 'mic'}]]", f'name = "{name}"', f"at = [{at}]"]
        if name[0] == "m":
            mic = {
                "name": name,
                "pattern": str(rng.choice(list(SHARES))),
                "gain": round(rng.uniform(-12, 12), 1),
                "polarity": int(rng.choice([1, -1])),
            }
            lines += [f'pattern = "{mic["pattern"]}"', 'aim = "s1"', f"gain_db = {mic['gain']}"]
            lines += [f"polarity = {mic['polarity']}", 'on = "s0"']
            mics.append(mic)
    return "\n".join(lines), dict(zip(names, places, strict=True)), mics


def test_every_pattern_takes_part() -> None:
    """The shares above are written out once more, so that a scene drawn by lot holds every pattern."""
    assert set(SHARES) == set(PATTERNS), "write the new pattern's share into SHARES"


def _cramer(t: float, percent: float) -> float:
    """The speed of sound at sea level, coded from the paper once more."""
    p, kelvin, gas = 101_325.0, t + 273.15, 0.00042519
    saturation = math.exp(1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6.3536311e3 / kelvin)
    x = percent / 100 * (1.00062 + 3.14e-8 * p + 5.6e-7 * t**2) * saturation / p
    return (
        331.5024 + 0.603055 * t - 0.000528 * t**2 + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * gas
        - 2.835149 * x**2 - 2.15e-13 * p**2 + 29.179762 * gas**2 + 0.000486 * x * p * gas
    )  # fmt: skip


@pytest.mark.parametrize("unit", SCALES)
@pytest.mark.parametrize("seed", range(4))
def test_figures_agree_with_arithmetic_of_our_own(unit: str, seed: int, tmp_path: Path) -> None:
    """Paths to 1 mm, 3 us and 0.02 dB, differences and combs likewise, in every unit."""
    rng = np.random.default_rng([seed, len(unit)])
    text, at, mics = _random_scene(rng, unit)
    path = tmp_path / "random.toml"
    path.write_text(text, encoding="utf-8")
    document = micalign("check", path, "--json").document
    speed = _cramer(17.5, 62.0)
    assert document["speed_of_sound_m_s"] == pytest.approx(speed, abs=1e-3)
    blend: dict[tuple[str, str], tuple[float, float, int]] = {}
    rows = {(row["source"], row["mic"]): row for row in document["paths"]}
    assert len(rows) == 12
    for source in ("s0", "s1", "s2"):
        for mic in mics:
            way, axis = at[source] - at[mic["name"]], at["s1"] - at[mic["name"]]
            distance = math.sqrt(float(way @ way))
            share = SHARES[mic["pattern"]]
            gain = share + (1 - share) * float(way @ axis) / distance / math.sqrt(float(axis @ axis))
            level = 20 * math.log10(abs(gain) / distance)
            row = rows[source, mic["name"]]
            assert row["distance_m"] == pytest.approx(distance, abs=1e-3)
            assert row["arrival_s"] == pytest.approx(distance / speed, abs=3e-6)
            assert row["level_db"] == pytest.approx(level, abs=0.02)
            blend[source, mic["name"]] = (
                distance / speed, level + mic["gain"], mic["polarity"] * (1 if gain > 0 else -1),
            )  # fmt: skip
    assert len(document["differences"]) == 3 * 6
    for row in document["differences"]:
        (t_a, l_a, p_a), (t_b, l_b, p_b) = (blend[row["source"], name] for name in row["mics"])
        weaker = 10 ** (-abs(l_b - l_a) / 20)
        assert row["difference_s"] == pytest.approx(t_b - t_a, abs=3e-6)
        assert row["level_difference_db"] == pytest.approx(l_b - l_a, abs=0.02)
        assert row["peak_height_db"] == pytest.approx(20 * math.log10(1 + weaker), abs=0.02)
        assert row["notch_depth_db"] == pytest.approx(20 * math.log10(1 - weaker), abs=0.3, rel=0.01)
        start = 0.5 if p_a * p_b > 0 else 0.0
        tau = abs(t_b - t_a)
        teeth = [(k + start) / tau for k in range(20) if (k + start) / tau <= 20_000]
        assert row["notches_hz"] == pytest.approx(teeth, rel=1e-4, abs=0.01)
        assert row["first_notch_hz"] == (row["notches_hz"][0] if teeth else None)


def test_the_document_holds_what_scripts_rely_on(kit: Path) -> None:
    """Every key of every row, and the words of the findings."""
    said = micalign("check", kit, "--json")
    document = said.document
    wanted = {
        "paths": {"source", "mic", "distance_m", "arrival_s", "level_db", "uncertainty_s"},
        "differences": {
            *("source", "mics", "difference_s", "uncertainty_s", "level_difference_db", "first_notch_hz"),
            *("notches_hz", "peaks_hz", "notch_depth_db", "peak_height_db"),
        },
        "spacing": {
            *("mic", "source", "other_mic", "mic_distance_ratio", "path_ratio", "bleed_db", "passes", "bleed_passes"),
        },
        "reflections": {"source", "mic", "surface", "delay_s", "level_db", "first_notch_hz"},
        "pairs": {"pair", "source", "difference_s", "within_tolerance"},
        "findings": {"rule", "severity", "where", "message", "advice"},
        "di_differences": {"di", "mic", "source", "difference_s"},
    }
    assert document["scene"] == "kit"
    for key, keys in wanted.items():
        assert document[key] or key == "spacing"
        assert all(keys <= row.keys() for row in document[key])
    assert {"volume_m3", "modes", "reverberation_s", "transition_hz"} <= document["room"].keys()
    assert {"hz", "order"} <= document["room"]["modes"][0].keys()
    assert document["room"]["volume_m3"] == pytest.approx(7 * 5.5 * 3.4)
    assert said.err == ""


def test_a_failed_rule_is_status_1_and_notes_alone_are_0(kit: Path, tmp_path: Path) -> None:
    """The overheads are 5 cm unequal: 1. With that pair left out only notes are left: 0."""
    assert micalign("check", kit).status == 1
    calm = tmp_path / "calm.toml"
    calm.write_text(KIT.partition("[[pair]]")[0], encoding="utf-8")
    said = micalign("check", calm, "--json")
    louder = [(one["rule"], one["message"]) for one in said.document["findings"] if one["severity"] != "note"]
    assert (louder, said.status) == ([], 0)


@pytest.mark.parametrize("extra", [[], ["--all"]])
def test_tables_fit_the_terminal_and_name_all(kit: Path, extra: list[str]) -> None:
    """A hundred columns at most; every mic and source, every kind of figure is there."""
    said = micalign("check", kit, *extra)
    assert max(map(len, said.out.splitlines())) <= 100
    for word in ("snare mic", "kick", "Arrivals", "->", "Hearing"):
        assert word in said.out
    tables = ("Sound travels at", "Pair 'overheads'", "Direct lines", "reverberation")
    assert [word in said.out for word in tables] == [bool(extra)] * len(tables)


def test_tables_are_shown_by_name(kit: Path) -> None:
    """Those that are named and no others; a name that is none is refused with those there are."""
    said = micalign("check", kit, "--show", "pairs,room")
    assert "Pair 'overheads'" in said.out
    assert "reverberation" in said.out
    assert "Arrivals" not in said.out
    assert "->" not in said.out
    said = micalign("check", kit, "--show", "pears")
    assert said.status == 2
    assert "no table 'pears': findings, arrivals" in said.err


def test_a_large_kit_is_one_screen(tmp_path: Path) -> None:
    """Seven sources and four mics: at most 40 lines, the verdict first, then what mends it, then when all arrive."""
    scene = tmp_path / "large.toml"
    rng = np.random.default_rng(5)
    names = [f"drum {number}" for number in range(7)]
    text = "[room]\nsize = [6, 5, 2.6]\n"
    for name, at in zip(names, rng.uniform([2, 2, 0.3], [4, 3.5, 1.1], (7, 3)).round(2).tolist(), strict=True):
        text += f'[[source]]\nname = "{name}"\nat = {at}\n'
    for name, at in zip("abcd", rng.uniform([2, 2, 1.2], [4, 3.5, 2.2], (4, 3)).round(2).tolist(), strict=True):
        text += f'[[mic]]\nname = "overhead {name}"\nat = {at}\non = {names}\n'
    scene.write_text(text.replace("'", '"'), encoding="utf-8")
    lines = micalign("check", scene).out.splitlines()
    assert len(lines) <= 40
    assert "to mend" in lines[0]
    assert "->" in "".join(lines[1:6])
    assert any(line.startswith("Arrivals in ms") for line in lines)
    assert len(micalign("check", scene, "--all").out.splitlines()) > 100


def test_names_stay_whole_at_80_columns_in_feet() -> None:
    """As many sources side by side as fit: a mic's name is not folded inside a word."""
    scene = replace(read_scene(Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"), length_unit="ft")
    text = io.StringIO()
    for table in arrival_tables(scene, predict(scene), width=80):
        Console(file=text, width=80).print(table)
    assert text.getvalue().count("overhead left") == text.getvalue().count("overhead right") >= 2
    assert max(map(len, text.getvalue().splitlines())) <= 80


def test_the_list_of_tapes(kit: Path) -> None:
    """Every pair of named things once, in the scene's unit; nothing is judged, so status 0."""
    said = micalign("check", kit, "--tapes", "--json")
    rows = said.document["tapes"]
    assert said.status == 0
    assert len(rows) == 5 * 4 // 2
    first = next(row for row in rows if row["between"] == ["snare mic", "snare"])
    assert first["distance_m"] == pytest.approx(math.dist((3.53, 2.98, 0.80), (3.5, 2.9, 0.75)), abs=1e-6)
    assert first["shown"] == "0.10 m"
    assert "0.10 m" in micalign("check", kit, "--tapes", "--all").out


def test_tapes_are_asked_for_where_something_is_not_known_well(kit: Path) -> None:
    """A pair that may or may not keep its tolerance: its two tapes, but for one that is there; a mic that was paced:
    three; else none.
    """
    rows = micalign("check", kit, "--tapes", "--json").document["tapes"]
    needed = {tuple(row["between"]) for row in rows if row["needed"]}
    assert needed == {("left", "snare"), ("right", "snare")}
    taped = KIT + '[[tape]]\nbetween = ["snare", "left"]\ndistance = 1.5\n'
    kit.write_text(taped, encoding="utf-8")
    rows = micalign("check", kit, "--tapes", "--json").document["tapes"]
    assert [tuple(row["between"]) for row in rows if row["needed"]] == [("right", "snare")]
    kit.write_text(KIT.partition("[[pair]]")[0], encoding="utf-8")
    assert "No tape is needed" in micalign("check", kit, "--tapes").out
    kit.write_text(KIT.partition("[[pair]]")[0].replace("\non = ", "\nplus_minus = 0.1\non = ", 1), encoding="utf-8")
    rows = micalign("check", kit, "--tapes", "--json").document["tapes"]
    assert [row["needed"] for row in rows].count(True) == 3
    assert all("snare mic" in row["between"] for row in rows if row["needed"])


def test_tapes_in_feet_and_inches_as_people_say_them(tmp_path: Path) -> None:
    """A scene in feet: 3 ft 5 in, not 3.417 ft."""
    path = tmp_path / "feet.toml"
    path.write_text(
        'length_unit = "ft"\n[[source]]\nname = "snare"\nat = [6, 6, 2]\n'
        '[[mic]]\nname = "room"\nat = [6, 6, "5 ft 5 in"]\n',
        encoding="utf-8",
    )
    assert micalign("check", path, "--tapes", "--json").document["tapes"][0]["shown"] == "3 ft 5 in"


def test_the_rules_are_listed_without_a_scene() -> None:
    """Name, words and source of each, from the table that also judges."""
    from micalign.findings.rules import RULES

    said = micalign("check", "--rules")
    assert said.status == 0
    for rule in RULES:
        assert rule.name in said.out
    rows = micalign("check", "--rules", "--json").document["rules"]
    assert [(row["rule"], row["source"]) for row in rows] == [(rule.name, rule.source) for rule in RULES]


@pytest.mark.parametrize("columns", [80, 120])
def test_the_rules_are_read_in_whole_lines(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside its name each rule has most of the width, and all of them take a few screens."""
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = micalign("check", "--rules").out.splitlines()
    assert len(lines) < 8000 / columns
    assert max(map(len, lines)) <= columns
    assert sum(len(line.strip()) > columns / 2 for line in lines) > len(lines) / 3


def test_a_pair_over_and_under_a_drum_is_flipped_and_shifted_not_moved(tmp_path: Path) -> None:
    scene = tmp_path / "snare.toml"
    mics = (("top", "[2.35, 2.05, 0.75]"), ("bottom", "[2.3, 2.1, 0.55]"))
    text = '[[source]]\nname = "snare"\nat = [2.3, 2.1, 0.7]\n'
    scene.write_text(text + "".join(f'[[mic]]\nname = "{n}"\nat = {at}\non = "snare"\n' for n, at in mics), "utf-8")
    found = {one["rule"]: one for one in micalign("check", scene, "--json").document["findings"]}
    assert "comb" not in found
    assert found["opposite-sides"]["advice"] == (
        "Flip the polarity of 'bottom' and keep what has more bass; on the take, shift 'top' 0.18 ms later."
    )


def test_second_order_on_request(kit: Path) -> None:
    """Six first bounces, eighteen second ones, for each source and mic."""
    first = micalign("check", kit, "--json").document["reflections"]
    second = micalign("check", kit, "--order", "2", "--json").document["reflections"]
    assert len(second) == 4 * len(first) == 24 * 6


def test_a_scene_with_tapes_is_surveyed_first(tmp_path: Path) -> None:
    """Where a mic's place is left to its tapes, check finds it and says so."""
    tapes = "".join(
        f'[[tape]]\nbetween = ["{name}", "room"]\ndistance = {math.dist(at, (2.0, 2.0, 1.5))!r}\n'
        for name, at in (("a", (0.5, 1, 0.5)), ("b", (4, 1, 0.7)), ("c", (2, 4, 0.4)))
    )
    sources = "".join(
        f'[[source]]\nname = "{name}"\nat = {list(at)}\n'
        for name, at in (("a", (0.5, 1, 0.5)), ("b", (4, 1, 0.7)), ("c", (2, 4, 0.4)))
    )
    path = tmp_path / "taped.toml"
    path.write_text(f'{sources}[[mic]]\nname = "room"\n{tapes}', encoding="utf-8")
    said = micalign("check", path, "--json")
    assert said.document["paths"][0]["distance_m"] == pytest.approx(math.dist((0.5, 1, 0.5), (2, 2, 1.5)), abs=1e-3)
    assert "found from the tapes" in said.err
    lone = tmp_path / "lone.toml"
    lone.write_text(f'{sources}[[mic]]\nname = "room"\n', encoding="utf-8")
    said = micalign("check", lone)
    assert said.status == 2
    assert "mic 'room' has no full position" in said.err


def test_names_cannot_steer_the_terminal(tmp_path: Path) -> None:
    """An escape character in a name is shown, not sent; brackets are no markup."""
    path = tmp_path / "evil.toml"
    path.write_text(
        '[[source]]\nname = "kick\\u001b[31m"\nat = [1, 1, 1]\n[[mic]]\nname = "[bold]m"\nat = [2, 1, 1]\n',
        encoding="utf-8",
    )
    said = micalign("check", path)
    assert "\x1b" not in said.out
    assert "[bold]m" in said.out


def test_mend_writes_the_remedy_and_keeps_comments(tmp_path: Path) -> None:
    """``--mend 1 --write``: the finding is gone from the new scene, comments and other lines are as they were."""
    scene = tmp_path / "cab.toml"
    scene.write_text(
        '# mine\nlength_unit = "in"\n[[source]]\nname = "cab"\nat = [40, 40, 18]\nrange_hz = [80, 6000]\n'
        '[[mic]]\nname = "close"  # black one\nat = [40, 44, 18]\non = "cab"\n'
        '[[mic]]\nname = "other"\nat = [42, 50, 18]  # tall stand\non = "cab"\ngain_db = 5\n',
        encoding="utf-8",
    )
    new = tmp_path / "new.toml"
    before = micalign("check", scene, "--json").document["findings"]
    assert before[0]["rule"] == "comb"
    [change] = before[0]["changes"]
    assert set(change) == {"table", "name", "key", "value", "unit"}
    assert micalign("check", scene, "--mend", "1", "--write", new, "-q").status == 0
    text = new.read_text(encoding="utf-8")
    assert text.startswith("# mine\n")
    assert "# black one" in text
    assert "# tall stand" in text
    after = micalign("check", new, "--json").document["findings"]
    assert [one for one in after if one["rule"] == "comb"] == []
    assert micalign("check", scene, "--mend", "99", "--write", new, "--force").status == 2
    assert micalign("check", scene, "--mend", "1").status == 2


def test_a_remedy_in_a_panel_is_written_as_a_table(tmp_path: Path) -> None:
    """What absorbs is a new [[panel]], read back as it was tried."""
    from micalign.files.scenes import changes_text
    from micalign.scene.document import parse_scene
    from micalign.scene.scene import Change

    changes = [
        Change("panel", "rug at floor", "centre", (2.0, 2.0, 0.01), "m"),
        Change("panel", "rug at floor", "normal", (0.0, 0.0, 1.0)),
        Change("panel", "rug at floor", "size", (0.5, 0.5), "m"),
        Change("panel", "rug at floor", "absorption", 0.6),
    ]
    text = 'length_unit = "cm"\n[room]\nsize = [400, 400, 250]\n[[source]]\nname = "s"\nat = [100, 100, 100]\n'
    text += '[[mic]]\nname = "m"\nat = [100, 200, 100]\n'
    [panel] = parse_scene(changes_text(text, changes), "x").panels
    assert panel.centre == (2.0, 2.0, 0.01)
    assert panel.size == (0.5, 0.5)
    assert panel.absorption == 0.6


def test_no_notch_is_no_notch(tmp_path: Path) -> None:
    """Equal arrivals: no first notch, and so no depth, in the document and in the tables."""
    scene = tmp_path / "pair.toml"
    scene.write_text(
        '[[source]]\nname = "oud"\nat = [2, 2, 1]\n[[mic]]\nname = "a"\nat = [1, 2, 1]\non = "oud"\n'
        '[[mic]]\nname = "b"\nat = [3, 2, 1]\non = "oud"\n[[pair]]\nname = "ab"\nmics = ["a", "b"]\n',
        encoding="utf-8",
    )
    document = micalign("check", scene, "--json").document
    assert document["differences"][0]["first_notch_hz"] is None
    assert document["differences"][0]["notch_depth_db"] is None
    assert document["pairs"][0]["mono_notch_depth_db"] is None
    said = micalign("check", scene, "--all").out
    assert "total" not in said
    assert "none" in said


def test_numbers_that_jump_say_where_the_others_are() -> None:
    """Findings of one kind are told as one: the numbers, which --mend takes, then leave some out."""
    scene = Path(__file__).parents[2] / "scenes" / "jazz-kit.toml"
    found = micalign("check", scene, "--json").document["findings"]
    first = micalign("check", scene, "--show", "findings").out
    numbers = [int(number) for number in re.findall(r"^(\d+)[* ] ", first, flags=re.MULTILINE)]
    assert numbers != list(range(1, len(numbers) + 1))
    assert numbers[-1] <= len(found)
    assert "numbered as in --all" in first.splitlines()[0]
    assert "numbered as" not in micalign("check", scene, "--all").out


def test_a_notch_without_an_upper_end_is_told_in_one_preposition(tmp_path: Path) -> None:
    """Guessed places leave the first notch of a pair nothing but a lower end."""
    path = tmp_path / "kit.toml"
    assert micalign("new", "--what", "kit", "--room", "6.2,4.7,2.5", "--inputs", 4, "-o", path, "-q").status == 0
    said = micalign("check", path, "--show", "findings").out
    assert "first above " in said
    assert "at above" not in said
