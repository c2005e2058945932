"""A fact for a caption, and the formulas behind its figures: sizes, distances, light time, speed.

A :class:`Fact` without a source cannot be made, so that none can be printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from appulse.constants import AU_KM, C_KM_S, LIGHT_TIME_S_AU
from appulse.errors import InputError

EXACT = "exact"
"""Of counts, and of what others defined."""

KEYS = frozenset((
    "date", "begin", "end", "frames", "exposure", "place", "equipment", "body", "body_distance_km",
    "body_distance_au", "sun_distance_au", "body_mag", "elongation", "motion_per_hour",
    "body_light_time", "motion", "motion_hours", "relative_speed", "body_diameter", "object",
    "object_type", "object_mag", "object_width", "object_distance", "object_size", "passing",
    "least_separation", "least_separation_time", "motion_share", "motion_widths", "times_nearer",
    "size_ratio", "size_words", "tail_pa", "tail_angle", "tail_length", "dust_age", "coma_diameter",
    "coma_angle",
))  # fmt: skip
"""Every fact that a template may ask for."""


@dataclass(frozen=True)
class Fact:
    """One figure that may be printed.

    Attributes
    ----------
    key : str
        Name by which a template asks for it.
    value : float or str
    unit : str
    formula, source : str
        How it was computed and who says so; neither may be empty.
    low, high : float or None
        Where the value may lie; None: no uncertainty is known.
    inputs : dict
        What went in, name to value.
    about : bool
        An estimate rather than a measurement: the text says 'about'.
    uncertainty : str
        What is known of the error where no limits are: a number needs limits or these words.

    Raises
    ------
    InputError
        Without source, formula or a word on the error; for a number that is not finite.
    """

    key: str
    value: float | str
    unit: str
    formula: str
    source: str
    low: float | None = None
    high: float | None = None
    inputs: dict = field(default_factory=dict)
    about: bool = False
    uncertainty: str = ""

    def __post_init__(self):
        # Checked here and not where facts are printed: no way around it is left.
        if not self.source.strip() or not self.formula.strip():
            raise InputError(
                f"fact '{self.key}' has no source or no formula; a figure without one is not printed"
            )
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise InputError(
                f"fact '{self.key}' is {self.value}: inputs were {self.inputs}; give finite ones"
            )
        if isinstance(self.value, float) and self.low is None and not self.uncertainty.strip():
            raise InputError(f"fact '{self.key}' says nothing of its error: limits or words are needed")


LIGHT_YEAR_KM = C_KM_S * 86_400 * 365.25
"""Light year (Julian), km. IAU style manual 1989."""

PARSEC_AU = 648_000 / math.pi
"""Parsec, au. IAU 2015 Resolution B2."""

LY_PER_PC = PARSEC_AU * AU_KM / LIGHT_YEAR_KM

UNSTATED = "not stated by the source"
"""Of a figure that others published without an error."""

HUBBLE_KM_S_MPC = 67.66
HUBBLE_ERROR_KM_S_MPC = 0.42
"""Planck Collaboration 2020, A&A 641, A6, table 2 (TT,TE,EE+lowE+lensing+BAO)."""


def _positive(**values):
    for name, value in values.items():
        if value is None or not math.isfinite(value) or value <= 0:
            raise InputError(f"{name} is {value}; a number above 0 is needed")


def _limits(value, error):
    """One sigma to either side; None twice where no error is known."""
    return (None, None) if error is None else (value - error, value + error)


def published_distance(distance_ly, error_ly, source):
    """A distance that others published, light years."""
    return Fact(
        "object_distance", float(distance_ly), "ly", "published", source, *_limits(distance_ly, error_ly),
        {"distance_ly": distance_ly}, about=True, uncertainty=UNSTATED,
    )  # fmt: skip


def body_diameter(h, *, albedo=None, measured_km=None, measured_error_km=None, measured_source=None):
    """Diameter of a minor planet, km: measured, or from its absolute magnitude H and its albedo (V)."""
    # D = 1329 km / sqrt(p) 10^(-H/5): Fowler & Chillemi 1992, in Tedesco et al., The IRAS Minor Planet
    # Survey. Without an albedo the dark C and the bright S types of the main belt set the range (common
    # practice, no source). A measurement wins over both, and needs its source.
    if measured_km is not None:
        _positive(measured_km=measured_km)
        if not measured_source:
            raise InputError(f"a measured diameter of {measured_km} km needs its source")
        return Fact(
            "body_diameter", float(measured_km), "km", "published measurement", measured_source,
            *_limits(measured_km, measured_error_km), {"measured_km": measured_km}, uncertainty=UNSTATED,
        )  # fmt: skip
    if h is None or not math.isfinite(h):
        raise InputError(
            f"absolute magnitude H is {h}; a size needs H, or a measured diameter with its source"
        )

    def diameter(p):
        return 1329.0 / math.sqrt(p) * 10 ** (-h / 5)

    if albedo is not None:
        if not 0 < albedo <= 1:
            raise InputError(f"albedo is {albedo}; it lies between 0 and 1")
        value, low, high, inputs = diameter(albedo), None, None, {"H": h, "albedo": albedo}
    else:
        # The range of albedos is a factor of 5: its geometric middle is as far from both ends.
        low, high = diameter(0.25), diameter(0.05)
        value, inputs = math.sqrt(low * high), {"H": h, "albedo": "0.05 to 0.25"}
    return Fact(
        "body_diameter", value, "km", "1329 km / sqrt(albedo) x 10^(-H/5)",
        "Fowler & Chillemi 1992 (IRAS Minor Planet Survey)", low, high, inputs, about=True,
        uncertainty="of H and of the law; not stated",
    )  # fmt: skip


def light_time_s(distance_au):
    """Light time of a distance, seconds."""
    _positive(distance_au=distance_au)
    return Fact(
        "light_time", distance_au * LIGHT_TIME_S_AU, "s", "distance / c",
        "IAU 2012 Resolution B2; SI speed of light", inputs={"distance_au": distance_au},
        uncertainty="that of the distance",
    )  # fmt: skip


def object_size_ly(angle_arcmin, distance_ly, distance_source, *, distance_error_ly=None):
    """Size of an object across its outline, light years: 2 d tan(angle / 2)."""
    _positive(angle_arcmin=angle_arcmin, distance_ly=distance_ly)
    per_ly = 2 * math.tan(math.radians(angle_arcmin / 60) / 2)
    # the outline has an error too, but no catalogue states it: the limits are those of the distance
    low, high = _limits(distance_ly, distance_error_ly)
    return Fact(
        "object_size", distance_ly * per_ly, "ly", "2 x distance x tan(angular size / 2)", distance_source,
        None if low is None else low * per_ly, None if high is None else high * per_ly,
        {"angular_size_arcmin": angle_arcmin, "distance_ly": distance_ly}, about=True,
        uncertainty="that of distance and outline; not stated",
    )  # fmt: skip


def distance_from_redshift(redshift, source):
    """Distance of a galaxy from its redshift (0.003 to 0.1) by Hubble's law, light years."""
    if redshift is None or not 0.003 <= redshift <= 0.1:
        raise InputError(
            f"redshift {redshift} gives no distance: Hubble's law is used from 0.003 to 0.1 only; give a "
            "published distance with its source"
        )
    # Nearby the galaxies' own motions rule, far away the law is no longer a straight line; both errors add
    # up.
    speed = C_KM_S * redshift
    value = speed / HUBBLE_KM_S_MPC * 1e6 * LY_PER_PC
    share = math.hypot(300.0 / speed, HUBBLE_ERROR_KM_S_MPC / HUBBLE_KM_S_MPC)
    return Fact(
        "object_distance", value, "ly", "c z / H0",
        f"redshift: {source}; H0: Planck Collaboration 2020, A&A 641, A6", value * (1 - share),
        value * (1 + share), {"redshift": redshift, "H0_km_s_Mpc": HUBBLE_KM_S_MPC}, about=True,
    )  # fmt: skip


def relative_speed_km_s(range_au_before, range_au_after, delta_au, rate_arcsec_h, hours):
    """Speed of the body relative to the Earth, km/s, from its range rate and its motion on the sky.

    The ranges (au) are those at both ends of an interval of `hours`, `delta_au` and the rate in its middle.
    """
    _positive(delta_au=delta_au, hours=hours)
    radial = (range_au_after - range_au_before) * AU_KM / (hours * 3600)
    across = math.radians(rate_arcsec_h / 3600) / 3600 * delta_au * AU_KM
    return Fact(
        "relative_speed", math.hypot(radial, across), "km/s",
        "sqrt(range rate^2 + (distance x motion)^2), as seen from the Earth's centre",
        "ephemeris of this run",
        inputs={
            "range_rate_km_s": radial, "across_km_s": across, "distance_au": delta_au,
            "motion_arcsec_h": rate_arcsec_h,
        },
        uncertainty="that of the orbit",
    )  # fmt: skip
