"""The entry point ``appulse``: loads the module of the command asked for, and turns errors into one line.

Exit codes: 0 done; 1 some frames or steps failed and the others are done; 2 the input cannot be used as it
is, or nothing was done; 70 a fault of the program itself; 74 the screen or a pipe could not be written to;
130 interrupted; 141 the reader of a pipe went away; 143 asked to end by a signal.

Standard output and error of a command: nothing that was read can steer the terminal, nor end the run.

Names of files, designations and keys come from others: escape sequences, and marks that turn the direction
of writing, are shown as what they are. A screen that is closed, or a full disk behind it, stops no
measurement: the outputs are finished first, and the exit code says that something could not be shown.
"""

import argparse
import contextlib
import gc
import importlib
import os
import re
import signal
import sys
import threading
import warnings
from typing import NamedTuple, NoReturn

from appulse.cli.common import kernels_of
from appulse.errors import (
    AppulseError,
    AppulseWarning,
    InputError,
    MissingExtraError,
    OutputExistsError,
    ProblemListError,
    ServiceError,
)
from appulse.files import harmless, shortened

EXIT_DONE, EXIT_PARTIAL, EXIT_INPUT, EXIT_FAULT, EXIT_SCREEN = 0, 1, 2, 70, 74
EXIT_INTERRUPTED, EXIT_PIPE, EXIT_TERMINATED = 130, 141, 143


class Command(NamedTuple):
    """One sub-command: its name, the module that holds it, and its line in ``appulse --help``."""

    name: str
    module: str
    help: str


COMMANDS = (
    Command("demo", "appulse.cli.demo", "measure the sample frames and compare with the known answers"),
    Command("predict", "appulse.cli.predict", "where a body stands: an ephemeris table"),
    Command("field", "appulse.cli.field", "what should be in a frame: bodies and deep-sky objects"),
    Command("tails", "appulse.cli.tails", "where a comet's tail lies: antisolar line, syndynes, synchrones"),
    Command("brightness", "appulse.cli.brightness", "a comet's total magnitude by growth curves"),
    Command("residuals", "appulse.cli.residuals", "measure bodies in frames: observed minus calculated"),
    Command("movers", "appulse.cli.movers", "what else moves across the frames, known or not"),
    Command("improve", "appulse.cli.improve", "correct an orbit by measured places"),
    Command("together", "appulse.cli.together", "nights of several observers: distance by parallax, clocks"),
    Command("first-orbit", "appulse.cli.first_orbit", "an orbit from few nights, as a sample; where to look"),
    Command("encounters", "appulse.cli.encounters", "which bodies pass which objects, months ahead"),
    Command("plan", "appulse.cli.plan", "how to photograph a pass: night, framing, exposures, sheet"),
    Command("campaign", "appulse.cli.campaign", "check a campaign file and sum it up"),
    Command("picture", "appulse.cli.picture", "stacks, composite and animation of a night"),
    Command("facts", "appulse.cli.facts", "what a caption may say, each figure with its source"),
    Command("entries", "appulse.cli.entries", "a set of pictures to send in: sheet, rules, manifest"),
    Command("view", "appulse.cli.view", "open frames, tracks and outlines in glue"),
    Command("orbits", "appulse.cli.orbits", "what orbits are at hand; import and update them"),
    Command("online", "appulse.cli.online", "ask services: reference stars, known bodies, places"),
    Command("frame", "appulse.cli.frame", "what a frame's header says: time, site, scale, camera"),
    Command("guide", "appulse.cli.guide", "the guide, page by page"),
    Command("doctor", "appulse.cli.doctor", "check the installation and say what is missing"),
)

_EPILOG = """\
first steps:
  appulse demo                          six sample frames, measured, with the answers beside
  appulse frame night/*.fits            is time, site and plate solution understood?
  appulse residuals night/*.fits --body 7 --out night/measured
  appulse view night/*.fits --body 7    the same in glue

Each command has its own help with examples: appulse COMMAND --help.
Set APPULSE_DEBUG=1 to see a traceback where an error is reported in one line.
"""

OLD_COMMANDS = {"sequence": "picture"}
OLD_OPTIONS = {
    "encounters": {"--bodies": "--body", "--targets": "--object"},
    "facts": {"--exact-place": "--disclose-site"},
    "field": {"--limit": "--brighter-than"},
    "online": {"--faintest": "--brighter-than", "--share-site": "--disclose-site"},
    "orbits": {"--limit": "--lines"},
}
"""Names of version 0.1, by command: understood for one version more, and shown in no help."""

_NEGATIVE_VALUE = re.compile(r"-\.?\d")


class _Formatter(argparse.RawDescriptionHelpFormatter):
    """Keeps the lines of the examples and leaves room for the longest command."""

    def __init__(self, prog: str, **kwargs):
        kwargs.setdefault("max_help_position", 26)
        super().__init__(prog, **kwargs)


class Parser(argparse.ArgumentParser):
    """An argument parser whose errors are one line and whose examples keep their lines."""

    def __init__(self, *args, **kwargs):
        kwargs.setdefault("formatter_class", _Formatter)
        kwargs.setdefault("allow_abbrev", False)
        super().__init__(*args, **kwargs)

    def error(self, message: str) -> NoReturn:
        """Print the message in one line and exit with code 2."""
        self.exit(EXIT_INPUT, f"{self.prog}: {message} (see {self.prog} --help)\n")


class _VersionAction(argparse.Action):
    """Look the version up only when it is asked for: the metadata machinery is slow to load."""

    def __init__(self, option_strings, dest, **kwargs):
        super().__init__(option_strings, dest, nargs=0, **kwargs)

    def __call__(self, parser, namespace, values, option_string=None):
        import appulse

        print(f"appulse {appulse.__version__}")
        parser.exit(EXIT_DONE)


def join_negative_values(argv: list[str]) -> list[str]:
    """Bind a value that begins with a minus sign to the option before it.

    argparse takes ``-70.8,-23,2400`` for an unknown option, because it is not a single number.

    Parameters
    ----------
    argv : list of str
        Words of the command line.

    Returns
    -------
    list of str
        The same words; ``--site -70.8,-23,2400`` has become ``--site=-70.8,-23,2400``.

    Examples
    --------
    >>> join_negative_values(["predict", "--site", "-70.8,-23,2400", "--overwrite"])
    ['predict', '--site=-70.8,-23,2400', '--overwrite']
    """
    joined: list[str] = []
    for word in argv:
        previous = joined[-1] if joined else ""
        is_option = previous.startswith("--") and len(previous) > 2 and "=" not in previous
        if is_option and _NEGATIVE_VALUE.match(word):
            joined[-1] = f"{previous}={word}"
        else:
            joined.append(word)
    return joined


def present_names(argv: list[str]) -> tuple[list[str], list[str]]:
    """The words of the command line with present names for old ones, and a note on each that was replaced.

    >>> present_names(["sequence", "a.fits", "--out", "b"])[0]
    ['picture', 'a.fits', '--out', 'b']
    >>> present_names(["field", "a.fits", "--limit=14"])[1]
    ['--limit is called --brighter-than now; the old name goes with the next version']
    """
    at = next((place for place, word in enumerate(argv) if not word.startswith("-")), None)
    if at is None:
        return argv, []
    words, replaced = list(argv), {}
    if argv[at] in OLD_COMMANDS:
        words[at] = replaced[argv[at]] = OLD_COMMANDS[argv[at]]
    options = OLD_OPTIONS.get(words[at], {})
    for place, word in enumerate(words):
        name, equals, value = word.partition("=")
        if name in options:
            replaced[name] = options[name]
            words[place] = options[name] + equals + value
    return words, [
        f"{old} is called {new} now; the old name goes with the next version" for old, new in replaced.items()
    ]


def build_parser(command: Command | None) -> Parser:
    """Build the parser with the options of one command, the others by name only.

    Parameters
    ----------
    command : Command or None
        The command whose module is imported; none for the general help.

    Returns
    -------
    Parser
        Ready for ``parse_args``.

    Examples
    --------
    >>> build_parser(None).prog
    'appulse'
    """
    parser = Parser(
        prog="appulse",
        usage="appulse [-h] [--version] COMMAND ...",
        description="Passes of minor bodies by deep-sky objects: where they are, what is measured.",
        epilog=_list_commands() + _EPILOG,
    )
    parser.add_argument("--version", action=_VersionAction, help="print the version and exit")
    subparsers = parser.add_subparsers(
        prog="appulse", metavar="COMMAND", help=argparse.SUPPRESS, parser_class=Parser
    )
    for entry in COMMANDS:
        if entry is command:
            importlib.import_module(entry.module).add_parser(subparsers)
        else:
            subparsers.add_parser(entry.name, add_help=False)
    return parser


def _list_commands() -> str:
    # argparse's own list breaks the line after a long name, and shows the help of loaded modules only.
    width = max(len(entry.name) for entry in COMMANDS)
    return "commands:\n" + "".join(f"  {entry.name:{width}}  {entry.help}\n" for entry in COMMANDS) + "\n"


def main(argv: list[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    argv : list of str, optional
        Words after the program's name; ``sys.argv[1:]`` when left out.

    Returns
    -------
    int
        The exit code, see the module's first lines.

    Examples
    --------
    >>> main(["predict", "--nonsense"])
    2
    """
    # One thread for linear algebra: small matrices gain nothing from more, and wait for each other on a
    # busy machine; several processes (--jobs) give the same figures bit for bit. Numpy is not loaded yet.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    argv = join_negative_values(list(sys.argv[1:] if argv is None else argv))
    debug = os.environ.get("APPULSE_DEBUG", "") not in ("", "0")
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")  # a console that lacks a sign shows '?', and goes on
    quiet = _libraries_quiet(debug)
    with (
        warnings.catch_warnings(),
        _ended_by_signals(),
        quiet,
        _rare_collections(),
        harmless_screen() as screen,
    ):
        _print_warnings_in_one_line(debug)
        return _shown(_code_of(argv, debug), screen)


def _code_of(argv: list[str], debug: bool) -> int:
    try:
        return _run(argv)
    except SystemExit as leaving:  # argparse leaves this way, after its own message
        return leaving.code if isinstance(leaving.code, int) else EXIT_DONE
    except Terminated:
        return _say("asked to end by a signal; nothing half-written is left", EXIT_TERMINATED)
    except KeyboardInterrupt:
        return _say("interrupted", EXIT_INTERRUPTED)
    except BrokenPipeError:
        return EXIT_PIPE
    except Exception as error:
        if debug:
            raise
        *first, last = str(error).splitlines() if isinstance(error, ProblemListError) else [error]
        for line in first:
            _say(line, EXIT_INPUT)
        return _say(*_message_and_code(error if last is error else InputError(last)))


def _shown(code: int, screen) -> int:
    """The exit code, once all that was printed has arrived; another where it could not."""
    screen.flush()
    if isinstance(screen.problem, BrokenPipeError) or code == EXIT_PIPE:
        # Python would complain once more when it flushes standard output on the way out.
        os.dup2(os.open(os.devnull, os.O_WRONLY), screen.fileno())
        return EXIT_PIPE
    if screen.problem is None:
        return code
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), screen.fileno())
    words = getattr(screen.problem, "strerror", None) or screen.problem
    said = "all outputs are written" if code == EXIT_DONE else f"else the exit code were {code}"
    return _say(f"standard output could not be written to ({words}); {said}", EXIT_SCREEN)


class Terminated(KeyboardInterrupt):
    """A signal asked the program to end: it cleans up as it does for Ctrl-C."""


@contextlib.contextmanager
def _libraries_quiet(debug: bool):
    """Without what libraries log of their own caches and settings: it is no error of the user's."""
    import logging

    before = logging.root.manager.disable
    if not debug:
        logging.disable(max(before, logging.WARNING))
    try:
        yield
    finally:
        logging.disable(before)


@contextlib.contextmanager
def _rare_collections():
    """Python looks seven times less often for circles of objects: most of a command's stay to its end."""
    # Modules and tables are looked through again and again else: a twentieth of a short command's time.
    before = gc.get_threshold()
    if before[0]:
        gc.set_threshold(max(before[0], 5000), *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)


@contextlib.contextmanager
def _ended_by_signals():
    """SIGTERM and SIGHUP as exceptions within the block; only the main thread of a program may say so."""

    def end(number, frame):
        # Once: the cleaning up itself is not to be cut short.
        for name in before:
            signal.signal(name, signal.SIG_IGN)
        raise Terminated

    names = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {}
    if threading.current_thread() is threading.main_thread():
        # What is ignored on purpose (nohup) or belongs to a host program stays so.
        before = {name: signal.getsignal(name) for name in names if signal.getsignal(name) is signal.SIG_DFL}
    for name in before:
        signal.signal(name, end)
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def _run(argv: list[str]) -> int:
    argv, notes = present_names(argv)
    for words in notes:
        print(f"appulse: note: {words}", file=sys.stderr)
    name = next((word for word in argv if not word.startswith("-")), None)
    command = next((entry for entry in COMMANDS if entry.name == name), None)
    parser = build_parser(command)
    args = parser.parse_args(argv)
    if command is None:
        parser.print_help()
        return EXIT_INPUT
    with kernels_of(args):
        return importlib.import_module(command.module).run(args)


def _message_and_code(error: Exception) -> tuple[str, int]:
    """One line and an exit code for whatever went wrong."""
    if isinstance(error, (InputError, OutputExistsError, MissingExtraError, ServiceError)):
        return str(error), EXIT_INPUT
    if isinstance(error, AppulseError):
        return str(error), EXIT_PARTIAL
    if isinstance(error, OSError) and error.filename is not None:
        return f"{error.filename}: {error.strerror or error}", EXIT_INPUT
    hint = "set APPULSE_DEBUG=1 and repeat for the details to report"
    return f"unexpected {type(error).__name__}: {error}; {hint}", EXIT_FAULT


def _say(message: str, code: int) -> int:
    print("appulse: " + " ".join(str(message).split()), file=sys.stderr)
    return code


def _print_warnings_in_one_line(debug: bool) -> None:
    """Show appulse's own warnings as notes; libraries' warnings only to those who debug."""
    warnings.filterwarnings("always", category=AppulseWarning)
    usual = warnings.showwarning
    said = set()

    def show(message, category, filename, lineno, file=None, line=None):
        if issubclass(category, AppulseWarning):
            if str(message) not in said:
                from appulse.cli import common

                common.note(str(message))
            said.add(str(message))
        elif debug:
            usual(message, category, filename, lineno, file, line)

    warnings.showwarning = show


class Screen:
    """A stream that shows all text harmlessly, and remembers when it could not."""

    def __init__(self, stream, cut: bool = False):
        self.stream, self.cut, self.problem = stream, cut, None

    def write(self, text: str) -> int:
        """Write on; once that has failed, nothing more is tried."""
        shown = harmless(text)
        if self.cut and len(shown) > 240:
            shown = shortened(shown)
        self._try(lambda: self.stream.write(shown), bool(text))
        return len(text)

    def flush(self) -> None:
        """Flush; a failure is remembered likewise."""
        self._try(lambda: self.stream.flush(), False)

    def _try(self, act, missed: bool) -> None:
        if self.problem is not None:
            return
        if self.stream is None:
            self.problem = OSError("it is closed") if missed else None
            return
        try:
            act()
        except (OSError, ValueError) as error:
            self.problem = error

    def __getattr__(self, name):
        return getattr(self.stream, name)


@contextlib.contextmanager
def harmless_screen():
    """Both standard streams as Screens within the block; gives that of standard output."""
    out, err = Screen(sys.stdout), Screen(sys.stderr, cut=True)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        yield out


if __name__ == "__main__":
    sys.exit(main())
