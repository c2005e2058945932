"""Lines for the user, where glue shows such lines: its error console, fed by standard error.

The button of the console turns red when a line arrives, and nothing waits for a click, so a batch or a
script goes on.
"""

import sys


def say(line):
    """Show one line.

    Parameters
    ----------
    line : str
        What happened and what to do.

    Examples
    --------
    >>> import contextlib, io
    >>> with contextlib.redirect_stderr(io.StringIO()) as shown:
    ...     say("IC4603-3.fits has no site; give one in the set-up panel")
    >>> shown.getvalue()
    'appulse: IC4603-3.fits has no site; give one in the set-up panel\\n'
    """
    sys.stderr.write(f"appulse: {line}\n")
