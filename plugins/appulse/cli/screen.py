"""Standard output and error of a command: nothing that was read can steer the terminal, nor end the run.

Names of files, designations and keys come from others: escape sequences, and marks that turn the direction
of writing, are shown as what they are. A screen that is closed, or a full disk behind it, stops no
measurement: the outputs are finished first, and the exit code says that something could not be shown.
"""

import contextlib
import sys

from appulse.files import harmless, shortened


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
