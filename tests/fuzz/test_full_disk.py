"""Every writing command and format with room for all of it, or a little less: whole, or refused and as it was.

Children forked from one process run a command as a user gives it, under a limit on how large a file may grow
(``RLIMIT_FSIZE``), in steps of 1 KB round the sizes of its files, over an older set and in an empty
folder in turn. Prints a table of classes, cases and failures (``-s`` shows it).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from forked import table_of

SCRIPT = """
import contextlib, hashlib, io, json, os, resource, shutil, sys, warnings
from pathlib import Path
import numpy as np
import soundfile
warnings.simplefilter("ignore")
os.fsync = lambda _: None  # the disk's pace is not what is tested here
from micalign.cli import main as cli
import micalign.figures.style, micalign.files.align, micalign.report.page  # noqa: F401

folder, steps = Path(sys.argv[1]), int(sys.argv[2])
os.chdir(folder)
noise = np.random.default_rng(0)
hits = noise.standard_normal(24000) * np.exp(-np.arange(24000) / 2000) * 0.2
CONTAINERS = {suffix: (suffix.upper(), "PCM_24") for suffix in ("wav", "flac", "aiff", "caf", "rf64")}
CONTAINERS |= {"w64": ("W64", "PCM_16"), "au": ("AU", "FLOAT"), "ogg": ("OGG", "VORBIS")}
for suffix, (container, subtype) in CONTAINERS.items():
    for name, sound in (("ref", hits), ("late", np.roll(hits, 30))):
        soundfile.write(f"{name}.{suffix}", sound, 48000, subtype, format=container)
SCENE = '[room]\\nsize = [5, 4, 3]\\n[[source]]\\nname = "clap"\\nat = [1, 1, 1]\\n'
for name, at in (("a", "[2, 1, 1]"), ("b", "[3, 1, 1]")):
    SCENE += f'[[mic]]\\nname = "{name}"\\nat = {at}\\nmove = {{ x = [1.5, 3.5] }}\\n'
SCENE += '[[pair]]\\nname = "two"\\nmics = ["a", "b"]\\nequal_to = ["clap"]\\n'
Path("s.toml").write_text(SCENE)
JOBS = {f"align {suffix}": ["align", f"ref.{suffix}", f"late.{suffix}", "--preview", "0.2", "-o", "out"]
    for suffix in CONTAINERS}
for suffix in ("wav", "flac", "aiff"):
    take = f'[take]\\nfolder = "out"\\n[take.tracks]\\na = "a.{suffix}"\\nb = "b.{suffix}"\\n'
    Path(f"{suffix}.toml").write_text(SCENE + take)
    JOBS[f"simulate {suffix}"] = ["simulate", f"{suffix}.toml", "--seconds", "1"]
for suffix in ("png", "svg", "pdf"):
    JOBS[f"draw {suffix}"] = ["draw", "s.toml", "-o", f"out/plan.{suffix}"]
JOBS |= {
    "levels png": ["levels", "ref.wav", "-o", "out/levels.png"],
    "place": ["place", "s.toml", "--write", "out/new.toml", "--figure", "out/new.png"],
    "place --arrangement": ["place", "--arrangement", "spaced-pair", "--write", "out/new.toml"],
    "survey --write": ["survey", "s.toml", "--write", "out/new.toml"],
    "check --mend": ["check", "s.toml", "--mend", "1", "--write", "out/new.toml"],
    "new": ["new", "--usual", "-o", "out/new.toml"],
    "plan": ["plan", "s.toml", "-o", "out/plan.html"],
    "report": ["report", "s.toml", "--no-take", "-o", "out/page.html"],
    "explain": ["explain", "-o", "out"],
}
ORIGINALS = sorted(path for path in folder.iterdir() if path.is_file())


def digests(paths):
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def found():
    return digests(path for path in sorted(Path("out").rglob("*")) if path.is_file())


def clear():
    shutil.rmtree("out", ignore_errors=True)
    Path("out").mkdir()


def run(words, limit=None):
    pid = os.fork()
    if pid:
        return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    status = 70
    try:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as said:
            if limit:
                resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            status = cli.status_of(words)
        if "defect" in said.getvalue() or "Traceback" in said.getvalue():
            status = 71
        elif status == 2 and "larger than the system allows" not in said.getvalue():
            status = 72  # a refusal for another reason is no case
    finally:
        os._exit(status)


before = digests(ORIGINALS)
table, wrong = {}, []
for name, words in JOBS.items():
    clear()
    status = run([*words, "-q"] if name != "place --arrangement" else words)
    if status not in {0, 1}:
        wrong.append([name, "made nothing", status])
        continue
    older = found()
    shutil.rmtree("kept", ignore_errors=True)
    shutil.copytree("out", "kept")
    sizes = sorted({Path(path).stat().st_size for path in older})
    limits = {max(size + 1024 * step, 64) for size in (sizes[0], sizes[-1]) for step in range(-steps, 3)}
    cases = failures = refused = 0
    for limit in sorted(limits):
        fresh = cases % 2 == 0
        clear()
        if not fresh:
            shutil.rmtree("out")
            shutil.copytree("kept", "out")
        status = run([*words, "--force"], limit)
        now, left = found(), [str(path) for path in Path("out").rglob(".*")]
        whole = status in {0, 1} and set(now) == set(older)
        kept = status == 2 and now == ({} if fresh else older)
        refused += kept
        cases += 1
        if not (whole or kept) or left or digests(ORIGINALS) != before:
            failures += 1
            wrong.append([name, limit, fresh, status, sorted(now), left])
    if not refused:
        wrong.append([name, "no limit was met"])
    table[name] = [cases, failures]
print(json.dumps({"table": table, "wrong": wrong[:20]}))
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_a_nearly_full_disk_leaves_all_or_what_stood(tmp_path: Path) -> None:
    """At each step round the smallest and the largest file: the new set whole, or the older one."""
    table = table_of(SCRIPT, tmp_path, 10, timeout_s=1100)
    assert sum(cases for cases, _ in table.values()) >= 300
