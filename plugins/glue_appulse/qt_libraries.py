"""System libraries that Qt's wheels leave to the machine: which are missing, and what brings them."""

import ctypes
import sys

#: Library to package on Debian and Ubuntu, from the NEEDED lists of Qt's own libraries.
HEADLESS = {
    "libEGL.so.1": "libegl1",
    "libGL.so.1": "libgl1",
    "libfontconfig.so.1": "libfontconfig1",
    "libfreetype.so.6": "libfreetype6",
    "libglib-2.0.so.0": "libglib2.0-0",
    "libdbus-1.so.3": "libdbus-1-3",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libX11.so.6": "libx11-6",
}
#: What a window on an X11 screen needs besides.
X11 = {
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
}


def missing(libraries):
    """Libraries that the system's loader does not find.

    Parameters
    ----------
    libraries : dict of str to str
        Library to package.

    Returns
    -------
    list of str
        Empty on systems other than Linux, where Qt's wheels bring all they need.

    Examples
    --------
    >>> missing({"libc.so.6": "libc6"})
    []
    """
    return [name for name in libraries if not _loads(name)] if sys.platform.startswith("linux") else []


def _loads(name):
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def apt_line(libraries, wanted):
    """The line that brings libraries on Debian and Ubuntu.

    Parameters
    ----------
    libraries : dict of str to str
        Library to package.
    wanted : list of str
        Keys.

    Returns
    -------
    str

    Examples
    --------
    >>> apt_line(HEADLESS, ["libEGL.so.1", "libGL.so.1"])
    'apt-get install -y libegl1 libgl1'
    """
    return " ".join(["apt-get install -y", *(libraries[name] for name in wanted)])


def state():
    """What is there and what is missing, in words.

    Returns
    -------
    found, wrong : list of str
        Without a screen the libraries of X11 are no fault, and only told.
    """
    import os

    found, wrong = [], []
    for libraries, purpose, needed in (
        (HEADLESS, "Qt", True),
        (X11, "Qt on an X11 screen", bool(os.environ.get("DISPLAY"))),
    ):
        lacks = missing(libraries)
        if not lacks:
            found.append(f"system libraries of {purpose}: all {len(libraries)} are there")
            continue
        line = f"system libraries of {purpose} are missing: {', '.join(lacks)}: {apt_line(libraries, lacks)}"
        (wrong if needed else found).append(line if needed else f"{line} (of use with a screen only)")
    return found, wrong
