"""What can go wrong, by name.

Every message says what was got, what is allowed and what to do. The command line turns
:class:`InputError` into exit code 2 and one line on standard error.
"""


class AppulseError(Exception):
    """Base of every error that appulse raises on purpose."""


class InputError(AppulseError, ValueError):
    """Something that the user gave cannot be used as it is."""


class ProblemListError(InputError):
    """Several problems of one file; the message has a line for each, and their number last."""


class FrameError(InputError):
    """A frame's file, header or pixels cannot be used."""


class FrameFileError(FrameError):
    """A frame's file is cut short, damaged, no FITS or not to be read: nothing in it can be believed."""


class FrameWCSError(FrameError):
    """A frame has no celestial WCS, or one that cannot be right."""


class FrameTimeError(FrameError):
    """A frame's time is missing, ambiguous or contradictory."""


class FrameSiteError(FrameError):
    """A frame does not say where it was taken from, or says two things."""


class SiteError(InputError):
    """An observing site that cannot be understood."""


class TimeError(InputError):
    """A time that cannot be understood, or that lies where no time scale reaches."""


class OrbitError(InputError):
    """An orbit that is incomplete, contradictory or not a number."""


class DesignationError(OrbitError):
    """A designation that is unknown, malformed or means two bodies."""


class EphemerisSpanError(InputError):
    """A time outside the span that an ephemeris, kernel or table covers."""


class TableError(InputError):
    """A table lacks a column, mixes units or carries words where numbers belong."""


class OutputExistsError(AppulseError, FileExistsError):
    """An output is already there and ``--overwrite`` was not given."""


class ConvergenceError(AppulseError, ArithmeticError):
    """An iteration did not settle; no number is returned in its place."""


class MeasurementError(AppulseError, RuntimeError):
    """A body or star could not be measured; the message is the reason printed in the ``flag`` column."""


class ServiceError(AppulseError, ConnectionError):
    """A network service did not answer, refused, or answered with nonsense."""


class MissingExtraError(AppulseError, ImportError):
    """An optional dependency is not installed; the message names the extra that brings it."""


class AppulseWarning(UserWarning):
    """Something to know about a result that nevertheless stands."""
