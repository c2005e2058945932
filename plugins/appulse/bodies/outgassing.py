"""How far a comet's jets may have shifted it since the observations that its elements rest on.

An orbit without outgassing, or with that of another apparition, leaves the comet's true path as soon as its
jets push. What jets of usual strength do is integrated beside the orbit and seen from the same place.
"""

import re
from types import SimpleNamespace

import numpy as np

from appulse.bodies.designations import read_name
from appulse.bodies.engine import neighbour_bodies
from appulse.bodies.orbit import NonGrav
from appulse.errors import DesignationError

# au/d^2: medians of |A1| and |A2| of nine comets in JPL Horizons replies of 2024-2025 (2P, 13P, 52P, 55P,
# 87P, 98P, C/2021 A1, C/2021 T4, C/2023 A3).
USUAL_A1, USUAL_A2 = 1.6e-9, 5.9e-10
# Known jets change by this part from one apparition to the next. Common practice, no source.
CHANGE = 0.1
# Shifts below this are not worth a word: no frame of an amateur shows them at once.
NOTED_ARCSEC = 2.0
# Of the integration: what stands in a sentence with two digits need not be known to more.
TOLERANCE = 1e-8
# An orbit of a first apparition, found early, is uncertain by itself: after so long that is said, too.
FIRST_ORBIT_D = 365.25
# Elements so old, d, are of the same apparition: they rest on the observations that matter.
FRESH_D = 45.0
_ARC_END = re.compile(r"arc \S+ to (\d{4}-\d\d-\d\d)")
_DATE = re.compile(r"\d{4}-\d\d-\d\d")


def is_comet(designation: str) -> bool:
    """Whether a designation is a comet's; A/ is an asteroid on a comet's orbit.

    Examples
    --------
    >>> is_comet("2P"), is_comet("C/2023 A3"), is_comet("7"), is_comet("A/2018 C2")
    (True, True, False, False)
    """
    try:
        name = read_name(designation)
    except DesignationError:
        return False
    return name.kind in ("comet", "numbered comet") and not name.designation.startswith("A/")


def is_first_apparition(designation: str) -> bool:
    """Whether a comet has no number: it has been seen at one return only.

    Examples
    --------
    >>> is_first_apparition("C/2023 A3"), is_first_apparition("2P")
    (True, False)
    """
    try:
        return read_name(designation).kind == "comet"
    except DesignationError:
        return False


def rests_on_jd(orbit) -> float:
    """JD up to which observations hold an orbit: the end of its arc, or its date, or its epoch.

    Examples
    --------
    >>> orbit = SimpleNamespace(epoch_jd_tdb=2461400.5, source="arc 2018-11-05 to 2024-08-18", source_date="")
    >>> rests_on_jd(orbit)
    2460540.5
    """
    if arc := _ARC_END.search(str(orbit.source)):
        return _jd(arc[1])
    dated = _DATE.match(str(orbit.source_date or ""))
    # An epoch in the future was reached by integration, one in the past may be where the fit began.
    return min(orbit.epoch_jd_tdb, _jd(dated[0])) if dated else orbit.epoch_jd_tdb


def _jd(date):
    return float(np.datetime64(date).astype("datetime64[D]").astype(float)) + 2_440_587.5


def pushed(orbit, state: np.ndarray, epoch_jd_tdb: float):
    """Three bodies from one heliocentric state: as the orbit has it, with stronger A1, with stronger A2."""
    terms = orbit.nongrav or NonGrav()
    a = np.array([terms.a1, terms.a2, terms.a3])
    extra = CHANGE * np.abs(a[:2]) if np.any(a) else np.array([USUAL_A1, USUAL_A2])
    push = a + np.array([[0.0, 0.0, 0.0], [extra[0], 0.0, 0.0], [0.0, extra[1], 0.0]])
    base = SimpleNamespace(
        nongrav=orbit.nongrav, epoch_jd_tdb=epoch_jd_tdb, number=orbit.number, label=orbit.label
    )
    return neighbour_bodies(base, SimpleNamespace(state=np.array([state] * 3), nongrav=push))


def words(orbit, held_jd: float, when_jd: float, shift_arcsec: float) -> str:
    """The sentence that warns of old elements."""
    years, date = abs(when_jd - held_jd) / 365.25, np.datetime64("1970-01-01") + round(held_jd - 2_440_587.5)
    what = "a change of its jets by a tenth" if orbit.nongrav else "jets of usual strength"
    size = f"{shift_arcsec:.0f} arcsec" if shift_arcsec < 300 else f"{shift_arcsec / 60:.0f} arcmin"
    if is_first_apparition(orbit.designation):
        size += ", and an orbit of a first apparition may be off by more"
    return (
        f"{orbit.label}: its elements are of {date}, {years:.1f} years away, and a comet's jets "
        f"shift it: {what} by about {size}; fetch newer elements with "
        f"'appulse orbits update --body {orbit.designation}'"
    )
