"""What should be in a frame: bodies and deep-sky objects, with their places on it."""

from __future__ import annotations

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, QTable
from astropy.utils.masked import Masked

from appulse.bodies import OrbitCatalogue, bodies_in_field
from appulse.catalogues import objects_near
from appulse.errors import InputError
from appulse.overlays.columns import plain_column
from appulse.overlays.shapes import outline_in_frame, place_in_frame
from appulse.overlays.track import require_time_and_site, separation_deg

COLUMNS = {
    "x": (None, "zero-based pixel"),
    "y": (None, "zero-based pixel"),
    "ra": (u.deg, "right ascension, ICRF; bodies: astrometric at mid-exposure"),
    "dec": (u.deg, "declination, ICRF"),
    "mag": (u.mag, "bodies: by the orbit's own system; objects: V, or B where the note says so"),
    "rate": (u.arcsec / u.hour, "motion on the sky"),
    "motion_pa": (u.deg, "position angle of the motion, north through east"),
    "separation": (u.arcmin, "from the centre of the frame"),
}
MAY_LACK = ("x", "y", "mag", "rate", "motion_pa")
"""Columns that are masked where there is no value."""
BODY = "body"
TRAIL_REACH_DEG_H = 0.5
"""Bodies of a catalogue are looked for this far beyond the frame, per hour of exposure: a trail that begins
outside may end within (1800 arcsec/h is faster than all but the closest passers-by)."""


def field_listing(frame, ephemeris=None, outlines=None, limit_mag=None):
    """What should be in a frame.

    Parameters
    ----------
    frame : SolvedFrame
        With time and observer if there is an ephemeris.
    ephemeris : OrbitCatalogue, NBodyEphemeris, TabulatedEphemeris or alike, optional
        Its bodies are looked for at mid-exposure. A catalogue may be of any size: only what is near the
        frame is integrated.
    outlines : list of Outline, optional
        The deep-sky catalogue by default.
    limit_mag : float, optional
        Faintest magnitude. Bodies of unknown magnitude pass, objects of unknown magnitude if they have a
        size: nebulae have no magnitude that means anything.

    Returns
    -------
    QTable
        Bodies first, brightest first, then objects, largest first: ``kind`` ('body' or the object's type in
        words), ``designation``, ``x, y``, ``ra, dec`` (deg), ``mag``, ``rate`` (arcsec/h), ``motion_pa``
        (deg), ``separation`` (arcmin, from the frame's centre), ``inside`` ('wholly', 'partly', 'centre
        outside'), ``note``. What there is not is masked.

    Raises
    ------
    InputError
        The limit is not a finite number.
    FrameTimeError, FrameSiteError
        Bodies are asked for and the frame has no time or observer.
    EphemerisSpanError
        The ephemeris does not cover mid-exposure.

    Examples
    --------
    >>> from astropy.wcs import WCS
    >>> from appulse.frames.frame import SolvedFrame
    >>> wcs = WCS(naxis=2)
    >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
    >>> wcs.wcs.crval, wcs.wcs.crpix = [246.352, -24.1], [800.5, 600.5]
    >>> table = field_listing(SolvedFrame.from_arrays(np.zeros((1200, 1600)), wcs), limit_mag=12.0)
    >>> [(str(d), str(i)) for d, i in table.iterrows("designation", "inside")]
    [('IC 4604', 'centre outside'), ('IC 4603', 'wholly')]
    """
    if limit_mag is not None and not np.isfinite(limit_mag):
        raise InputError(f"limiting magnitude {limit_mag}: a finite number is needed")
    if outlines is None:
        outlines = objects_near(*frame.centre, frame.radius_deg)
    rows = [] if ephemeris is None else _bodies(frame, ephemeris, limit_mag)
    rows += _objects(frame, outlines, limit_mag)
    return _table(rows, frame)


def _bodies(frame, ephemeris, limit_mag):
    require_time_and_site(frame)
    exposure = frame.exposure
    at = _places(frame, ephemeris, limit_mag)
    ra, dec = plain_column(at, "ra"), plain_column(at, "dec")
    x, y = frame.to_pixel(ra, dec)
    mag, rate, angle = (plain_column(at, name) for name in ("mag", "rate", "motion_pa"))
    # Half the trail: a body whose trail runs off the frame is partly in it.
    trail_px = np.nan_to_num(rate) * exposure.span_s / 7200.0 / frame.pixel_scale
    away = separation_deg(at, frame.centre) * 60.0
    ny, nx = frame.shape
    with np.errstate(invalid="ignore"):
        edge = np.minimum(np.minimum(x + 0.5, nx - 0.5 - x), np.minimum(y + 0.5, ny - 0.5 - y))
        keep = (edge >= -trail_px) & ~((mag > limit_mag) if limit_mag is not None else False)
    order = np.flatnonzero(keep)
    # bodies of unknown magnitude come last
    order = order[np.argsort(np.nan_to_num(mag[order], nan=99.0), kind="stable")]
    return [
        {
            "kind": BODY, "designation": str(at["designation"][i]), "x": x[i], "y": y[i], "ra": ra[i],
            "dec": dec[i], "mag": mag[i], "rate": rate[i], "motion_pa": angle[i], "separation": away[i],
            "inside": _body_words(edge[i], trail_px[i]),
            "note": "" if np.isfinite(mag[i]) else "magnitude unknown",
        }
        for i in order
    ]  # fmt: skip


def _places(frame, source, limit_mag):
    """Rows at mid-exposure: of a catalogue those near the frame, of an ephemeris all."""
    exposure = frame.exposure
    if not isinstance(source, OrbitCatalogue):
        return source.at(exposure.mid, frame.observer, uncertainty=False)
    # a trail may begin outside the frame and end within
    radius = frame.radius_deg + TRAIL_REACH_DEG_H * exposure.span_s / 3600.0
    return bodies_in_field(
        source, exposure.mid, frame.observer, *frame.centre, min(radius, 180.0), limit_mag=limit_mag
    )


def _body_words(edge_px, trail_px):
    if edge_px < 0:
        return "centre outside"
    return "wholly" if edge_px >= trail_px else "partly"


def _objects(frame, outlines, limit_mag):
    found = []
    for outline in outlines:
        mag = np.nan if outline.mag is None else outline.mag
        if limit_mag is not None and _too_faint(outline, limit_mag):
            continue
        inside = inside_words(frame, outline)
        if inside is None:
            continue
        x, y = place_in_frame(frame, outline) or (np.nan, np.nan)
        notes = [outline.note] if outline.note else []
        notes += ["B magnitude"] if outline.mag_band == "B" else []
        found.append({
            "kind": outline.object_type, "designation": outline.name, "x": x, "y": y, "ra": outline.ra,
            "dec": outline.dec, "mag": mag, "rate": np.nan, "motion_pa": np.nan,
            "separation": _away_arcmin(frame, outline), "inside": inside, "note": "; ".join(notes),
            "size": outline.major_arcmin or 0.0,
        })  # fmt: skip
    return sorted(found, key=lambda row: -row.pop("size"))


def _too_faint(outline, limit_mag):
    # an extended object without magnitude is a nebula: its size counts
    return outline.kind == "point" if outline.mag is None else outline.mag > limit_mag


def inside_words(frame, outline):
    """How an outline lies in a frame: `wholly`, `partly`, `centre outside`; None where no part shows."""
    centre_in = bool(frame.contains(outline.ra, outline.dec))
    if not outline.rings:
        return "wholly" if centre_in else None
    pieces = outline_in_frame(frame, outline)
    if not pieces:
        # The centre of a ragged polygon may lie in the frame and every part of it outside.
        return None
    if _all_in(frame, outline):
        return "wholly"
    return "partly" if centre_in else "centre outside"


def _all_in(frame, outline):
    return all(frame.contains(ring[:, 0], ring[:, 1]).all() for ring in outline.rings)


def _away_arcmin(frame, outline):
    place = QTable({"ra": [outline.ra] * u.deg, "dec": [outline.dec] * u.deg})
    return float(separation_deg(place, frame.centre)[0]) * 60.0


def _table(rows, frame):
    table = QTable()
    for name in ("kind", "designation"):
        table[name] = np.array([row[name] for row in rows], dtype=str)
    for name, (unit, description) in COLUMNS.items():
        values = np.array([row[name] for row in rows], dtype=float)
        lacking = ~np.isfinite(values)
        if unit is None:
            table[name] = MaskedColumn(np.where(lacking, 0.0, values), mask=lacking)
        elif name in MAY_LACK:
            table[name] = Masked(np.where(lacking, 0.0, values), mask=lacking) * unit
        else:
            table[name] = values * unit
        table[name].info.description = description
    for name in ("inside", "note"):
        table[name] = np.array([row[name] for row in rows], dtype=str)
    table.meta["frame"] = frame.name
    table.meta["centre_deg"] = [round(v, 6) for v in frame.centre]
    if frame.exposure is not None:
        table.meta["mid_exposure_utc"] = frame.exposure.mid.utc.isot
    return table
