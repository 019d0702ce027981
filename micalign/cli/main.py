"""The ``micalign`` command: names its subcommands, loads the one that is called, and turns errors into words.

Exit status: 0 done; 1 done, and something was found wrong; 2 the command or its input cannot be used.
"""

from __future__ import annotations

import errno
import gc
import importlib
import os
import signal
import sys
import warnings
from types import FrameType
from typing import Any, Final

import click

from micalign import __version__
from micalign.cli.output import ready
from micalign.errors import MicalignError, nearest
from micalign.files.whole import ENDING

__all__ = ["COMMANDS", "help_command", "main", "run"]

COMMANDS: Final = {
    "new": "Make a first scene by questions or options.",
    "comb": "Two distances to one sound: delay, notches, what to move. No scene is needed.",
    "check": "Arrival times, comb notches, spacing rule, reflections and room of a scene.",
    "survey": "Find coordinates from distances measured with a tape.",
    "place": "Find better positions for the mics that may move.",
    "draw": "Draw a scene: plan and side view, arrivals, comb curves.",
    "plan": "Make a page of a scene on which mics and sources are moved by hand.",
    "simulate": "Make the take that a scene would give, with its true delays.",
    "click": "Make clicks or a sweep for a loopback or a loudspeaker; read a recorded sweep.",
    "linecheck": "Read a line check: who heard whom; dead, inverted, swapped or late lines.",
    "levels": "Check tracks for level, clipping, noise, hum and doubles.",
    "measure": "Measure delay and polarity between tracks, with uncertainty.",
    "align": "Measure, then write offsets and aligned audio.",
    "compare": "Hold a take against its scene: moved or swapped mics, flipped polarity.",
    "locate": "Find where the mics stand from a recording of hits at known points.",
    "explain": "Make a lesson on comb filtering: page, figures and sounds.",
    "report": "Make one self-contained page of all of it.",
    "demo": "Do the whole job on a scene and a take made on the spot.",
    "schema": "Print the JSON Schema of the scene file, or its keys in words.",
    "help": "Show what a command does; with --all every one of them.",
}
"""Every subcommand with its one line of help, so that ``--help`` loads none of them."""

_HOME: Final = {
    "help": "main",
    **dict.fromkeys(("schema", "demo"), "cmd_new"),
    **dict.fromkeys(("comb", "explain"), "cmd_check"),
    **dict.fromkeys(("survey", "locate", "place"), "cmd_positions"),
    **dict.fromkeys(("draw", "plan", "simulate", "report"), "cmd_made"),
    "measure": "cmd_align",
    **dict.fromkeys(("click", "levels", "linecheck", "compare"), "cmd_recorded"),
}
"""The files of commands that share one, since they answer one question; each other command has its own."""

_KEPT_BYTES: Final = 8 << 20  # bytes, above the blocks that tracks are read in


class LazyGroup(click.Group):
    """A group that imports a subcommand's module when it is called, not before."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """All names, in the order of a day's work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load one subcommand from its file."""
        if cmd_name not in COMMANDS:
            return None
        _silence_figures()
        module = importlib.import_module(f"micalign.cli.{_HOME.get(cmd_name, f'cmd_{cmd_name}')}")
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the subcommand, or name the one that was perhaps meant."""
        if args[0] not in COMMANDS and not args[0].startswith("-"):
            near = _nearest(args[0])
            mend = f"did you mean '{near[0]}'?" if near else "'micalign --help' lists those there are"
            ctx.fail(f"there is no command '{args[0]}': {mend}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the subcommands from the table alone."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


def _silence_figures() -> None:
    """The figures' library reports where its cache went and how it finds the user's settings: nothing to mend here."""
    import logging  # noqa: PLC0415 - milliseconds that --help must not pay for

    logging.getLogger("matplotlib").setLevel(logging.CRITICAL)
    os.environ.pop("MPLBACKEND", None)  # a notebook's; a name that this installation lacks would stop the import
    os.environ["MATPLOTLIBRC"] = os.devnull  # figures look alike for everybody, and a damaged file stops none


def _nearest(name: str) -> list[str]:
    from difflib import get_close_matches  # noqa: PLC0415 - only a slip needs it

    return get_close_matches(name, COMMANDS, n=1)


@click.group(
    cls=LazyGroup,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, "-V", "--version", prog_name="micalign")
@click.pass_context
def main(context: click.Context) -> int:
    """Microphones around a sound, and what happens when they are added together.

    Plan with a scene file (check, place, draw), record, then measure and align the tracks. 'micalign demo' shows
    the whole job; 'micalign COMMAND --help' explains each.

    Exit status: 0 done; 1 done, and something was found wrong; 2 the command or its input cannot be used.
    """
    if context.invoked_subcommand is None:
        sys.stderr.write(f"{context.get_help()}\n")
        return 2
    return 0


@click.command("help")
@click.argument("name", required=False, metavar="[COMMAND]")
@click.option("--all", "everything", is_flag=True, help="Every command's help, to read or to print.")
def help_command(name: str | None, *, everything: bool) -> int:
    """Show what a COMMAND does and takes: the same as 'micalign COMMAND --help'.

    \b
    Examples:
      micalign help check
      micalign help --all | less
    """
    context = click.get_current_context().find_root()
    if name is not None:
        click.echo(_help_of(context, name))
        return 0
    click.echo(main.get_help(context))
    for one in COMMANDS if everything else ():
        click.echo(f"\n\n{one.upper()}\n\n{_help_of(context, one)}")
    return 0


def _help_of(context: click.Context, name: str) -> str:
    named, found, _ = main.resolve_command(context, [name])
    if found is None:
        raise click.UsageError(f"there is no command '{name}'")
    return found.get_help(click.Context(found, info_name=named, parent=context))


def run(arguments: list[str] | None = None) -> None:
    """Run the command line and exit; no traceback reaches the user."""
    results = ready()
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # what a library warns of is nothing a user could mend
    obey_signals()
    keep_freed_memory()
    status = status_of(arguments)
    for number in ENDING:
        signal.signal(number, signal.SIG_IGN)  # one that was lost and comes again would end what has ended
    if results is not None and results.reader_gone and status == 1:
        status = 0  # nobody heard what was found wrong
    if status > 128:
        gc.collect()  # a block that the signal met on its way in clears up when it is let go
    # What is left ends with the process; the interpreter would look through all of it for cycles before it goes.
    gc.freeze()
    sys.exit(status)


def keep_freed_memory() -> None:
    """Have freed blocks of samples used again instead of being handed back to the system and asked for anew.

    Fresh pages cost a system call and a fault each, up to ten times what is done to the samples in them. The C library
    of Linux keeps back as much as the largest block that was ever let go (``mallopt``, its thresholds): here one that
    nobody touched.
    """
    bytearray(_KEPT_BYTES)


def obey_signals() -> None:
    """End by an exception at a signal that asks for it, so that what was begun is cleared."""
    for number in ENDING:
        # What was started so that it ignores a signal (nohup) goes on ignoring it.
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _end)
    sys.unraisablehook = _end_after_all


_met: list[int] = []
"""Signals that came: a library in C may make its own error of one and leave no way back to it."""


class _EndedError(KeyboardInterrupt):
    """A signal asked the run to end."""

    def __init__(self, number: int) -> None:
        self.number = number


def _end(number: int, _frame: FrameType | None) -> None:
    _met.append(number)
    for other in ENDING:
        signal.signal(other, signal.SIG_IGN)  # clearing up is not interrupted; KILL always works
    raise _EndedError(number)


def _end_after_all(unraised: Any) -> None:
    """A signal that fell into a callback of the interpreter's own (a weak reference's) was lost there: once more."""
    number = _signal_behind(unraised.exc_value)
    if number is None:
        sys.__unraisablehook__(unraised)
        return
    import threading  # noqa: PLC0415 - hardly ever needed

    signal.signal(number, _end)
    # Late enough that this hook has ended on a busy machine too: here it would be lost again.
    threading.Timer(0.05, signal.raise_signal, (number,)).start()


def status_of(arguments: list[str] | None = None) -> int:
    """Run the command line and return the exit status."""
    _met.clear()
    try:
        result: Any = main.main(args=arguments, prog_name="micalign", standalone_mode=False)
        sys.stdout.flush()
    except MicalignError as error:
        return _refused(error.faults)
    except click.ClickException as error:
        return _refused([_usage_sentence(error, sys.argv[1:] if arguments is None else arguments)], usage=_usage(error))
    except (click.Abort, KeyboardInterrupt) as error:
        return _stopped(_signal_behind(error) or signal.SIGINT)
    except BrokenPipeError:
        return 0  # the reader of a pipe has gone: say nothing
    except (OSError, MemoryError) as error:
        return _refused([_system_sentence(error)])
    except Exception as error:
        if _met:
            return _stopped(_met[0])
        if os.environ.get("MICALIGN_TRACEBACK"):
            raise
        return _refused([_surroundings_sentence(error) or _defect_sentence(error)])
    return result if isinstance(result, int) else 0


def _signal_behind(error: BaseException | None) -> int | None:
    """The signal that an error goes back to: a library may turn the exception of one into its own."""
    while error is not None and not isinstance(error, _EndedError):
        error = error.__cause__ or error.__context__
    return None if error is None else error.number


def _stopped(number: int) -> int:
    sys.stderr.write("micalign: stopped; nothing half-written is left\n")
    return 128 + number


def _refused(faults: list[str] | tuple[str, ...], usage: str = "") -> int:
    from micalign.cli.output import clean, shortened  # noqa: PLC0415 - only an error needs it

    for fault in faults:
        sys.stderr.write(f"micalign: {shortened(clean(fault))}\n")
    if usage:
        sys.stderr.write(f"{usage}\n")
    return 2


def _usage_sentence(error: click.ClickException, arguments: list[str]) -> str:
    """What cannot be used; of a file whose name begins with a dash, as `*.wav` may give it, how to name it."""
    if isinstance(error, click.NoSuchOption):
        files = (one for one in arguments if one.startswith("-") and os.path.exists(one))  # noqa: PTH110 - no pathlib
        name = next(files, None)
        return _no_option(error) if name is None else f"'{name}' is read as an option: write './{name}' for the file"
    if isinstance(error, click.BadParameter) and not isinstance(error, click.MissingParameter):
        return error.format_message().removeprefix("Invalid value for ").removeprefix("Invalid value: ")
    return error.format_message()


def _no_option(error: click.NoSuchOption) -> str:
    """The option that was perhaps meant is sought without its dashes, which would make short ones alike."""
    known = error.ctx.command.get_params(error.ctx) if error.ctx else []
    names = [name for one in known for name in (*one.opts, *one.secondary_opts) if name.startswith("--")]
    meant = nearest(error.option_name.lstrip("-"), [name.lstrip("-") for name in names]).replace("'", "'--", 1)
    return f"there is no option '{error.option_name}'{meant}"


def _usage(error: click.ClickException) -> str:
    context = getattr(error, "ctx", None)
    return f"Try '{context.command_path} --help'." if isinstance(context, click.Context) else ""


def _surroundings_sentence(error: Exception) -> str | None:
    """What lies outside the program: a package that is missing, a figure's settings in the working folder."""
    if isinstance(error, ModuleNotFoundError) and not (error.name or "micalign").startswith("micalign"):
        return (
            f"the Python package '{error.name}' is not installed where micalign runs: install micalign again with all "
            "it needs (pip install .), or start it from its own environment"
        )
    if isinstance(error, UnicodeDecodeError) and os.path.exists("matplotlibrc"):  # noqa: PTH110 - no pathlib for a slip
        return "matplotlibrc in this folder is no text in UTF-8, so no figure can be drawn: rename it, or go elsewhere"
    return None


def _defect_sentence(error: Exception) -> str:
    return (
        f"this is a defect of micalign, not of your files ({type(error).__name__}: {str(error)[:200]}): please report "
        "it with the command you gave and what MICALIGN_TRACEBACK=1 makes it print"
    )


def _system_sentence(error: OSError | MemoryError) -> str:
    if isinstance(error, MemoryError):
        return "there is not enough memory for this: try fewer or shorter tracks"
    if isinstance(error, FileNotFoundError) and not error.filename:
        return "the folder you stand in was deleted: change into one that exists"
    if error.errno == errno.EMFILE:
        return "too many files are open at once: give fewer tracks, or raise the system's limit (ulimit -n)"
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}{error.strerror or error}"
