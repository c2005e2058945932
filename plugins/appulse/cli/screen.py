"""Standard output and error of a command: nothing that was read can steer the terminal, nor end the run.

Names of files, designations and keys come from others: escape sequences, and marks that turn the direction
of writing, are shown as what they are. A screen that is closed, or a full disk behind it, stops no
measurement: the outputs are finished first, and the exit code says that something could not be shown.
"""

import contextlib
import re
import sys

_SAFE = "\n\t\r"  # a bar returns to the beginning of its line
_STEERING = {
    *range(0x20), *range(0x7F, 0xA0), 0x061C, 0x200E, 0x200F, *range(0x2028, 0x202F), *range(0x2066, 0x206A)
} - {ord(mark) for mark in _SAFE}  # fmt: skip
_SHOWN = {code: f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" for code in _STEERING}
_LONG = re.compile(r"\S{241,}")


def harmless(text: str) -> str:
    """Text in which nothing steers a terminal.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> print(harmless("night\\x1b[2J.fits"))
    night\\x1b[2J.fits
    """
    return text if text.isascii() and text.isprintable() else text.translate(_SHOWN)


def shortened(text: str) -> str:
    """Words of more than 240 characters cut in their middle.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> len(shortened("x" * 700))
    203
    """
    return _LONG.sub(lambda match: f"{match[0][:120]}...{match[0][-80:]}", text)


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
