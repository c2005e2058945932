"""appulse: when a minor body passes a deep-sky object, and whether the dot on the frame is that body.

The package knows nothing of glue, Qt or notebooks; :mod:`glue_appulse` brings it into the viewer and
:mod:`appulse.cli` to the command line. Importing it costs next to nothing: each room is imported by
its own name, e.g. ``from appulse.frames import read_frame``.
"""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("appulse")
except PackageNotFoundError:  # running from a source tree that was never installed
    __version__ = "0+unknown"

__all__ = ["__version__"]
