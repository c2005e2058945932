"""A comet's brightness from frames of one's own, and the law of its total magnitude after it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from appulse.errors import FrameError, InputError
from appulse.workflows.comet_tails import comet_only
from appulse.workflows.sources import BodySource, FailedFrame, StarSource, usable_frames


@dataclass(frozen=True)
class MeasuredBrightness:
    """The total magnitude of a comet on one frame.

    Attributes
    ----------
    name : str
        Of the frame.
    time : Time
        Mid-exposure, UTC.
    light : TotalMagnitude
    mag_calc, sigma_calc : float
        By the law of the orbit, and its spread; NaN where it has none.
    catalogue : str
        Of the stars.
    notes : tuple of str
    filter : str
        As the frame names it; empty where it names none.
    """

    name: str
    time: Any
    light: Any = field(repr=False)
    mag_calc: float
    sigma_calc: float
    catalogue: str
    notes: tuple[str, ...] = ()
    filter: str = ""

    @property
    def sentence(self) -> str:
        """What was found, in a line."""
        light = self.light
        calc = "" if self.mag_calc != self.mag_calc else f", by its law {self.mag_calc:.2f}"
        flag = f"; {light.flag}" if light.flag else ""
        through = f" ({self.filter})" if self.filter else ""
        return (
            f"{self.name}{through}: total magnitude {light.mag:.2f} \u00b1 {light.sigma_mag:.2f} within "
            f"{light.radius_arcsec:.0f}\u2033{calc}{flag}"
        )


@dataclass(frozen=True)
class BrightnessRun:
    """What came of the frames.

    Attributes
    ----------
    measured : tuple of MeasuredBrightness
    failed : tuple of FailedFrame
    table, curves : Table
        A row per frame; a row per ring of each growth curve.
    law : UpdatedLaw or None
        None where no frame gave a magnitude to be trusted, or the orbit has no law.
    orbit : Orbit or None
        With the law put in.
    notes : tuple of str
    """

    measured: tuple[MeasuredBrightness, ...]
    failed: tuple[FailedFrame, ...]
    table: Any = field(repr=False)
    curves: Any = field(repr=False)
    law: Any = None
    orbit: Any = field(default=None, repr=False)
    notes: tuple[str, ...] = ()


def measure_brightness(
    frames: Iterable, bodies: BodySource, stars: StarSource | None = None, *,
    radius_arcsec: float | None = None, reading: dict | None = None, each: Callable | None = None,
    progress=None, cancelled=None, workers=None,
) -> BrightnessRun:  # fmt: skip
    """Measure a comet's total magnitude on frames, and bring the law of its orbit up to date.

    Parameters
    ----------
    frames : iterable of path or SolvedFrame
        Plate-solved, with time and site.
    bodies : BodySource
        Of one comet, with an orbit.
    stars : StarSource, optional
    radius_arcsec : float, optional
        Radius of the circle whose light counts; the coma's edge on each frame when left out.
    reading, each, progress, cancelled, workers
        As for :func:`appulse.workflows.measure_night`.

    Returns
    -------
    BrightnessRun

    Raises
    ------
    InputError
        The body is no comet, there are several, or the radius is not above zero.

    Examples
    --------
    >>> from appulse.workflows import open_bodies
    >>> measure_brightness([], open_bodies("2P")).law is None
    True
    """
    from appulse.bodies import updated_law

    comet_only(bodies)
    if radius_arcsec is not None and not 0.0 < radius_arcsec <= 36_000.0:
        raise InputError(f"a radius of {radius_arcsec:g} arcsec: above 0 and at most 36000 is allowed")
    work = partial(
        _measured, bodies=bodies, stars=stars or StarSource(), radius=radius_arcsec, reading=reading or {}
    )
    measured, failed = usable_frames(frames, work, "measuring", each, progress, cancelled, workers)
    orbit, law, notes = bodies.orbits[0], None, ()
    trusted = [one for one in measured if not one.light.flag and one.light.mag == one.light.mag]
    if orbit.m1 is None:
        notes = (f"{orbit.label} has no M1: there is no law to bring up to date",)
    elif trusted:
        trusted, notes = _of_one_filter(trusted)
        law = updated_law(
            orbit.m1, [one.light.mag - one.mag_calc for one in trusted],
            [one.light.sigma_mag for one in trusted], prior_sigma=orbit.m1_sigma,
        )  # fmt: skip
        orbit = replace(orbit, m1=law.m1, m1_sigma=law.sigma)
    orbit = None if law is None else orbit
    return BrightnessRun(tuple(measured), failed, _table(measured), _curves(measured), law, orbit, notes)


LAW_FILTERS = ("v", "g", "green", "gs", "", "none", "clear", "l", "lum", "luminance", "r", "red", "rc", "rs")
"""Filters whose magnitudes are nearest to a law of total visual magnitude, best first: common practice, no
source."""


def _of_one_filter(measured):
    """The measurements of the filter that the law goes by, and what those of the others say."""
    by_filter = {}
    for one in measured:
        by_filter.setdefault(one.filter.strip().lower(), []).append(one)

    def rank(name):
        known = LAW_FILTERS.index(name) if name in LAW_FILTERS else len(LAW_FILTERS)
        return known, -len(by_filter[name]), name

    best, *others = sorted(by_filter, key=rank)
    if not others:
        return measured, ()
    words = []
    for name in (best, *others):
        off = [one.light.mag - one.mag_calc for one in by_filter[name]]
        words.append(f"{by_filter[name][0].filter or 'no filter'} {sum(off) / len(off):+.2f} ({len(off)})")
    alone = by_filter[best][0].filter or "those without a filter"
    note = f"a comet has another magnitude in each filter; measured less law, frames: {', '.join(words)}"
    return by_filter[best], (f"{note}; the law goes by {alone} alone",)


def _measured(given, bodies, stars, radius, reading) -> MeasuredBrightness:
    from appulse.astrometry import check_plate, total_magnitude
    from appulse.frames import read_frame

    frame = given if hasattr(given, "exposure") else read_frame(given, **reading)
    lacking = [name for name, value in (("time", frame.exposure), ("site", frame.observer)) if value is None]
    if lacking:
        raise FrameError(f"{frame.name} has no {' and no '.join(lacking)}: the comet's place needs both")
    mid, key = frame.exposure.mid.utc, bodies.find(bodies.names[0])
    row = bodies.ephemeris.at(mid, frame.observer, bodies=[key])
    plate = check_plate(frame, stars.around(frame))
    x, y = (float(v) for v in frame.to_pixel(row["ra"].value[0], row["dec"].value[0]))
    light = total_magnitude(frame, plate, x, y, radius_arcsec=radius)
    if names := _under(frame, light):
        words = f"{', '.join(names)} lies in the circle: its light is counted, too"
        light = replace(light, flag="; ".join(filter(None, (light.flag, words))))
    if frame.path is not None:
        frame.release()
    calc, sigma = (_cell(row, name) for name in ("mag", "sigma_mag"))
    notes = (*frame.notes, *plate.notes, *row.meta.get("notes", ()))
    return MeasuredBrightness(
        frame.name, mid, light, calc, sigma, plate.catalogue, notes, frame.filter or ""
    )


FAINTER = 3.0
"""An object so much fainter than the comet adds less than its magnitude's sigma (6 per cent)."""


def _under(frame, light) -> list[str]:
    """Objects of the catalogue whose light a circle about the comet holds."""
    import numpy as np

    from appulse.catalogues import objects_near
    from appulse.numerics import separation_rad, unit_from_radec

    ra, dec = (float(v) for v in frame.to_sky(light.x, light.y))
    radius = light.radius_arcsec / 60.0
    found = []
    for outline in objects_near(ra, dec, radius / 60.0 + 0.01):
        apart = np.degrees(separation_rad(unit_from_radec(ra, dec), unit_from_radec(outline.ra, outline.dec)))
        reach = radius + (outline.major_arcmin or 0.0) / 2.0
        bright = outline.mag is None or not outline.mag > light.mag + FAINTER
        if bright and float(apart) * 60.0 < reach:
            found.append(outline.name)
    return found[:3]


def _cell(row, name) -> float:
    """A number of the one row of an ephemeris; NaN where it is unknown."""
    from appulse.overlays import plain_column

    return float(plain_column(row, name)[0]) if name in row.colnames else float("nan")


def _table(measured):
    """A row per frame."""
    import numpy as np
    from astropy import units as u
    from astropy.table import Table

    table = Table()
    table["frame"] = [one.name for one in measured]
    table["time"] = [one.time.isot for one in measured]
    table["filter"] = [one.filter for one in measured]
    columns = (
        ("mag_obs", "mag", 3, u.mag, "total magnitude within the radius, band of the star table"),
        ("sigma_mag", "sigma_mag", 3, u.mag, "its sigma: light, sky and zero point"),
        ("radius", "radius_arcsec", 1, u.arcsec, "of the circle, to the coma's edge or as given"),
        ("sky", "sky", 2, None, "stored units per pixel"),
        ("x", "x", 2, u.pix, "of the nucleus, zero-based"),
        ("y", "y", 2, u.pix, "of the nucleus, zero-based"),
    )
    for name, key, digits, unit, words in columns:
        values = np.array([getattr(one.light, key) for one in measured], dtype=float)
        table[name] = _numbers(values, digits, unit, words)
    calc = np.array([one.mag_calc for one in measured], dtype=float)
    table["mag_calc"] = _numbers(calc, 3, u.mag, "by the orbit's law")
    table["n_stars"] = [one.light.n_stars for one in measured]
    table["flag"] = [one.light.flag for one in measured]
    table.meta["stars"] = ", ".join(dict.fromkeys(one.catalogue for one in measured))
    return table


def _numbers(values, digits, unit, words):
    """A column, masked where a number is not known."""
    import numpy as np
    from astropy.table import MaskedColumn

    unknown = ~np.isfinite(values)
    rounded = np.round(np.where(unknown, 0.0, values), digits)
    return MaskedColumn(rounded, mask=unknown, unit=unit, description=words)


def _curves(measured):
    """All growth curves, a row per ring."""
    import numpy as np
    from astropy.table import Table, vstack

    parts = []
    for one in measured:
        part = Table(one.light.curve, copy=True)
        for name in part.colnames:
            part[name] = np.ma.masked_invalid(np.round(np.asarray(part[name], dtype=float), 4))
        part.add_column([one.name] * len(part), name="frame", index=0)
        parts.append(part)
    return vstack(parts) if parts else Table(names=("frame", "radius", "mag", "sigma_mag", "surface"))
