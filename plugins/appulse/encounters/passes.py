"""A pass of a body by an object, and what it is called."""

from __future__ import annotations

import re
from dataclasses import dataclass

from astropy.time import Time

from appulse.encounters.outline_pass import Crossing


@dataclass(frozen=True)
class Pass:
    """One body by one object, once.

    Attributes
    ----------
    id : str
        Stable: designation, object and UTC date of least separation.
    designation, name : str
    target : Outline
    time : Time
        UTC of least separation from the object's centre.
    separation_arcsec : float
        Of the centres.
    crossing : Crossing or None
        Against the outline; None for an object without one.
    in_sizes : float
        Separation in units of the object's semi-major axis; NaN for a point.
    delta, r, phase, elongation, mag, rate, motion_pa : float
        au, au, degrees, degrees, magnitudes, arcsec/h, degrees; at that time.
    row : int
        Row of the body in the catalogue.
    """

    id: str
    designation: str
    name: str
    target: object
    time: Time
    separation_arcsec: float
    crossing: Crossing | None
    in_sizes: float
    delta: float
    r: float
    phase: float
    elongation: float
    mag: float
    rate: float
    motion_pa: float
    row: int

    @property
    def inside_outline(self):
        """The body goes inside the outline."""
        return self.crossing is not None and self.crossing.inside


def slug(words):
    """Letters and digits of a name, as they stand in an encounter's id.

    Examples
    --------
    >>> slug("IC 4603")
    'IC4603'
    """
    return re.sub(r"[^0-9A-Za-z]+", "", words)


def make_id(designation, target, isot):
    """Stable id of an encounter: body, object, UTC date of least separation.

    Examples
    --------
    >>> make_id("2020 AB", "IC 4603", "2027-05-04T22:35:43.000")
    '2020AB-IC4603-20270504'
    """
    return "-".join((slug(designation), slug(target), isot[:10].replace("-", "")))
