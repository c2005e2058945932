"""A batch of frames: one bad frame costs only itself, and the end says how many were what."""

import os
import re
import textwrap
from pathlib import Path

from appulse.cli import common

MOST_NAMED = 8
"""More frames than this are counted and not named: each had its own line already."""
REASON_LENGTH = 60


def frame_by_frame(paths, words: str, work, failed: dict):
    """Do the same to every frame; of one that fails there is a line on stderr, and the others go on.

    Parameters
    ----------
    paths : list of Path
    words : str
        What is being done.
    work : callable
        Takes a path.
    failed : dict of Path to str
        Takes the frames that could not be used, with the reason.

    Yields
    ------
    object
        What `work` returns. What the caller does with it is no frame's fault: an error there ends the batch.

    Examples
    --------
    >>> list(frame_by_frame([Path("a.fits"), Path("b.fits")], "looking", lambda path: path.stem, {}))
    ['a', 'b']
    """
    for path in common.progress(paths, words):
        try:
            done = work(path)
        except common.FRAME_ERRORS as error:
            failed[path] = " ".join(str(error).split())
            common.frame_failed(path, error)
        except Exception as error:
            # A fault of the program in one frame must not cost the others; who debugs wants to see it.
            if os.environ.get("APPULSE_DEBUG", "") not in ("", "0"):
                raise
            failed[path] = f"unexpected {type(error).__name__}: {' '.join(str(error).split())}"
            hint = "set APPULSE_DEBUG=1 and repeat for the details to report"
            common.frame_failed(path, RuntimeError(f"{failed[path]}; {hint}"))
        else:
            yield done


def closing_count(total: int, failed: dict, empty=(), what: str = "frames", done: str = "measured") -> str:
    """How many of a batch were what, in a line.

    Parameters
    ----------
    total : int
    failed : dict of Path to str
        With the reasons.
    empty : sequence of str
        Names of frames that could be used and show none of the bodies.
    what, done : str
        What the parts of the batch are, and what was done to the others.

    Returns
    -------
    str

    Examples
    --------
    >>> closing_count(14, {Path("n/a.fits"): "n/a.fits: no WCS: solve it first"}, ["c.fits"])
    '14 frames: 13 measured, 1 of them without a body seen: c.fits; 1 failed: a.fits (no WCS)'
    >>> closing_count(3, {})
    '3 frames: 3 measured'
    """
    words = f"{total} {what}: {total - len(failed)} {done}"
    if empty:
        words += f", {len(empty)} of them without a body seen: {_named(empty)}"
    if failed:
        told = [f"{path.name} ({_short(reason, path)})" for path, reason in failed.items()]
        words += f"{'; ' if empty else ', '}{len(failed)} failed: {_named(told)}"
    return words


def _named(names) -> str:
    more = len(names) - MOST_NAMED
    return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


def _short(reason: str, path: Path) -> str:
    """A reason without the frame's name and without what to do about it."""
    for name in (str(path), path.name):
        reason = reason.removeprefix(name).removeprefix(":").strip()
    first = re.split(r"; |: | \(", reason)[0]
    return textwrap.shorten(first, REASON_LENGTH, placeholder=" ...") or reason[:REASON_LENGTH]
