"""Writing commands stopped at any moment, or short of disk: what stood stays or the new stands, whole, and no third.

Children forked from one process that has everything loaded run a command as a user gives it, with every option that
writes more, into a folder that holds an older set or none. Each meets INT, TERM, HUP or KILL at its own random moment,
or a limit on how large a file may grow. Prints a table of classes, cases and failures (``-s`` shows it).
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from forked import table_of

SCRIPT = """
import contextlib, gc, hashlib, io, json, os, random, resource, shutil, signal, sys, time, warnings
from collections import Counter
from pathlib import Path
import numpy as np
import soundfile
warnings.simplefilter("ignore")
os.fsync = lambda _: None  # the disk's pace is not what is tested here
from micalign.cli import main as cli
from micalign.files import whole
import micalign.cli.cmd_align, micalign.cli.cmd_made  # noqa: F401
import micalign.cli.cmd_new  # noqa: F401
import micalign.report.scene_page, micalign.figures.gallery, micalign.files.align  # noqa: F401

folder, rounds = Path(sys.argv[1]), int(sys.argv[2])
os.chdir(folder)
draws = random.Random(20)
noise = np.random.default_rng(0)
hits = noise.standard_normal(48000) * np.exp(-np.arange(48000) / 2000) * 0.2
for kind in ("wav", "flac"):
    soundfile.write(f"ref.{kind}", hits, 48000, "PCM_24")
    soundfile.write(f"late.{kind}", np.roll(hits, 30), 48000, "PCM_24")
Path("s.toml").write_text('[[source]]\\nname = "clap"\\nat = [1, 1, 1]\\n[[mic]]\\nname = "a"\\nat = [2, 1, 1]\\n'
    '[[mic]]\\nname = "b"\\nat = [3, 1, 1]\\n[take]\\nfolder = "take"\\n[take.tracks]\\na = "a.wav"\\nb = "b.flac"\\n')
JOBS = {
    "align WAV": ["align", "ref.wav", "late.wav", "--preview", "0.3", "-o", "out"],
    "align FLAC": ["align", "ref.flac", "late.flac", "--keep-all", "--headroom-db", "3", "-o", "out"],
    "simulate": ["simulate", "s.toml", "--seconds", "1", "-o", "out"],
    "report": ["report", "s.toml", "--no-take", "-o", "out/page.html"],
    "explain": ["explain", "-o", "out"],
}
ORIGINALS = sorted(path for path in folder.iterdir() if path.is_file())


def digests(paths):
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def found():
    return digests(path for path in sorted(Path("out").rglob("*")) if path.is_file() and "micalign-" not in str(path))


def run(words, limit=None):
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()) as told:
        if limit:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        status = cli.status_of([*words, "-q"])
    return status, told.getvalue()


def child(words, limit=None):
    pid = os.fork()
    if pid == 0:
        status = 70
        try:
            cli_ready()
            status, told = run(words, limit)
            if "defect" in told or "Traceback" in told:
                status = 71
        except KeyboardInterrupt:
            status = 130  # before the command began, or after it ended
        except BaseException:
            status = 72
        while True:
            try:
                gc.collect()
                os._exit(status)
            except KeyboardInterrupt:
                status = 130
    return pid


def cli_ready():
    cli.obey_signals()


def clear():
    shutil.rmtree("out", ignore_errors=True)
    Path("out").mkdir()


before = digests(ORIGINALS)
table, wrong = {}, []
for name, words in JOBS.items():
    clear()
    begun = time.monotonic()
    assert run(words)[0] in {0, 1}, run(words)
    usual = time.monotonic() - begun
    wanted = found()
    # An older set that differs, where the command can make one.
    other = {"simulate": ["--seed", "2"], "align WAV": ["--whole-samples"], "align FLAC": ["--whole-samples"]}
    clear()
    assert run([*words, *other.get(name, [])])[0] in {0, 1}
    older = found()
    shutil.rmtree("kept", ignore_errors=True)
    shutil.copytree("out", "kept")
    sizes = [Path(path).stat().st_size for path in older]

    def put_older():
        shutil.rmtree("out", ignore_errors=True)
        shutil.copytree("kept", "out")

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGKILL, None):
        label = "full" if number is None else signal.Signals(number).name[3:]
        cases = failures = 0
        for case in range(rounds):
            fresh = case % 3 == 0
            clear() if fresh else (put_older() if found() != older else None)
            ahead = {} if fresh else older
            limit = max(draws.choice(sizes) - draws.randrange(-1, 9) * 1024, 512) if number is None else None
            pid = child([*words, "--force"], limit)
            if number is not None:
                time.sleep(draws.uniform(0.0, 1.1 * usual))
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, number)
            _, status = os.waitpid(pid, 0)
            now = found()
            left = [str(path) for path in Path("out").rglob(".*") if "micalign-" in path.name]
            # report, explain without an older one of other bytes: the older set is the new one.
            ok = now in (ahead, wanted) and digests(ORIGINALS) == before
            if number is None or number != signal.SIGKILL:
                ok = ok and not left and (not os.WIFEXITED(status) or os.WEXITSTATUS(status) not in {70, 71, 72})
            if not ok and number == signal.SIGKILL:
                heads = {"out/offsets.json", "out/truth.json"} & set(now)
                run([*words])  # the next run, even without --force, finishes what a kill interrupted
                ok = not heads and found() in (ahead, wanted)
            cases += 1
            if not ok:
                failures += 1
                wrong.append([name, label, case, status, sorted(now), left])
        table[f"{name}, {label}"] = [cases, failures]
print(json.dumps({"table": table, "wrong": wrong[:20]}))
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
@pytest.mark.parametrize("rounds", [pytest.param(4, marks=pytest.mark.slow), pytest.param(12, marks=pytest.mark.long)])
@pytest.mark.timeout(1800)
def test_a_run_that_is_stopped_or_runs_out_of_disk_loses_nothing(tmp_path: Path, rounds: int) -> None:
    """25 classes, of 4 cases or before a release 12: five writing commands, four signals and a full disk."""
    table = table_of(SCRIPT, tmp_path, rounds, timeout_s=1500)
    assert sum(cases for cases, _ in table.values()) == 25 * rounds
