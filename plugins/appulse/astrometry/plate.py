"""Is the plate right? Its stars against their catalogue, and the zero point where the body is.

All offsets are observed (by the frame's own WCS) minus catalogue, east and north, arcsec: subtract them from
a measured place.
"""

import numpy as np
from astropy import units as u
from astropy.table import QTable, Table

from appulse.astrometry.matching import Match, match
from appulse.astrometry.plate_check import PlateCheck
from appulse.astrometry.plate_model import fit_plate
from appulse.astrometry.plate_stars import fit_stars, with_units
from appulse.astrometry.survey import Survey, survey

__all__ = ["PlateCheck", "check_plate"]

MIN_STARS = 3
NEAR_ARCSEC, FAR_ARCSEC = 20.0, 420.0
"""Shifts that are looked for first, and at most."""
GROSS_ARCSEC = 20.0


def check_plate(frame, star_table, *, survey_of=None, max_order: int = 3) -> PlateCheck:
    """Hold a frame's stars against a catalogue.

    Parameters
    ----------
    frame : SolvedFrame
    star_table : StarTable or None
        None: no check, no correction, and the notes say so.
    survey_of : Survey, optional
        Where the frame has been looked at already.
    max_order : int
        Highest order of the distortion.

    Returns
    -------
    PlateCheck
        Without correction where fewer than three stars can be matched: the notes say why.

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel.
    """
    looked = survey_of if survey_of is not None else survey(frame)
    nothing = PlateCheck(
        0, np.full(2, np.nan), np.full((2, 2), np.nan), QTable(), None, (), "none", "UNK", looked,
        pixel_scale=frame.pixel_scale, _frame=frame,
    )  # fmt: skip
    if star_table is None or len(star_table) == 0:
        nothing.notes = (
            *looked.notes,
            "no reference stars: the plate is not checked and nothing is corrected",
        )
        return nothing
    nothing.catalogue, nothing.ades_code = star_table.catalogue, star_table.ades_code
    places = star_table.at_epoch(frame.exposure.mid)
    catalogue = _on_frame(frame, places)
    nothing.n_catalogue = int(np.sum(catalogue["inside"]))
    notes = [*looked.notes, *places.meta.get("notes", [])]
    nothing.field_stars = catalogue["name", "g", "x", "y"]
    found = _match(frame, looked, catalogue)
    if found is None or len(found.star) < MIN_STARS:
        matched = 0 if found is None else len(found.star)
        notes.append(
            f"{nothing.n_catalogue} catalogue stars on the frame, {matched} of them recognised among "
            f"{len(looked.sources)} sources: {MIN_STARS} are needed, so nothing is corrected"
        )
        nothing.notes = tuple(notes)
        return nothing
    return _solve(frame, looked, catalogue, found, nothing, notes, max_order)


def _on_frame(frame, places) -> Table:
    """Catalogue stars by the WCS, brightest first, on the frame or within the largest shift of it."""
    ra, dec = np.asarray(places["ra"].value), np.asarray(places["dec"].value)
    x, y = frame.to_pixel(ra, dec)
    ny, nx = frame.shape
    margin = FAR_ARCSEC / frame.pixel_scale
    seen = np.isfinite(x) & (x > -margin) & (x < nx + margin) & (y > -margin) & (y < ny + margin)
    table = Table()
    table["row"] = np.flatnonzero(seen)
    table["name"] = np.asarray(places["name"])[seen]
    table["g"] = np.asarray(places["g"].value, dtype=float)[seen]
    for name, values in (("ra", ra), ("dec", dec), ("x", x), ("y", y)):
        table[name] = values[seen]
    table["sigma_ra"] = np.asarray(places["sigma_ra"].to_value(u.arcsec))[seen]
    table["sigma_dec"] = np.asarray(places["sigma_dec"].to_value(u.arcsec))[seen]
    table["inside"] = (
        (table["x"] > -0.5) & (table["x"] < nx - 0.5) & (table["y"] > -0.5) & (table["y"] < ny - 0.5)
    )
    return table[np.argsort(np.where(np.isfinite(table["g"]), table["g"], 99.0), kind="stable")]


def _match(frame, looked: Survey, catalogue) -> Match | None:
    stars = np.column_stack([catalogue["x"], catalogue["y"]])
    sources = np.column_stack([looked.sources["x"], looked.sources["y"]])
    tolerance = max(1.5, 0.7 * looked.psf.fwhm)
    scale = frame.pixel_scale
    near = max(NEAR_ARCSEC / scale, 3 * tolerance)
    ny, nx = frame.shape
    # A frame full of catalogue stars too faint to show would only add wrong votes.
    keep = slice(0, max(60, 3 * len(sources)))
    return match(
        stars[keep], sources, tolerance=tolerance, near=near, far=max(FAR_ARCSEC / scale, 2 * near),
        centre=((nx - 1) / 2, (ny - 1) / 2),
    )  # fmt: skip


def _solve(frame, looked, catalogue, found, plate, notes, max_order) -> PlateCheck:
    stars = fit_stars(frame, looked, catalogue, found)
    if len(stars) < MIN_STARS:
        notes.append(f"only {len(stars)} stars could be fitted: {MIN_STARS} are needed, nothing is corrected")
        plate.notes = tuple(notes)
        return plate
    ny, nx = frame.shape
    sigmas = np.column_stack([stars["sigma_ra"], stars["sigma_dec"]])
    offsets = np.column_stack([stars["xi"], stars["eta"]])
    model, used = fit_plate(
        np.asarray(stars["x"]), np.asarray(stars["y"]), offsets, sigmas, ((nx - 1) / 2, (ny - 1) / 2),
        max(nx, ny) / 2, max_order,
    )  # fmt: skip
    basis = model.terms(np.asarray(stars["x"]), np.asarray(stars["y"]))
    stars["left_dra"], stars["left_ddec"] = (
        offsets[:, 0] - basis @ model.east,
        offsets[:, 1] - basis @ model.north,
    )
    stars["used"] = used
    stars.remove_columns(["xi", "eta"])
    plate.stars = with_units(stars)
    plate.n_stars, plate.model, plate.found = int(used.sum()), model, found
    centre = (nx - 1) / 2, (ny - 1) / 2
    shown = found.apply(np.column_stack([catalogue["x"], catalogue["y"]]))
    plate.field_stars = Table([catalogue["name"], catalogue["g"], *shown.T], names=("name", "g", "x", "y"))
    dra, ddec, plate.covariance = plate.local_offset(*centre)
    plate.offset = np.array([dra, ddec])
    plate.notes = tuple(notes + _words(plate, frame))
    return plate


def _words(plate: PlateCheck, frame) -> list[str]:
    """What the check found, in sentences."""
    found, (dra, ddec) = plate.found, plate.offset
    words = []
    size = float(np.hypot(dra, ddec))
    if found.how == "turned":
        mirrored = np.linalg.det(found.matrix) < 0
        angle = np.degrees(np.arctan2(found.matrix[1, 0], found.matrix[0, 0]))
        what = "mirrored and turned" if mirrored else "turned"
        words.append(
            f"gross error of the WCS: the stars lie {what} against it by {angle:+.2f} degrees, scale "
            f"{np.sqrt(abs(np.linalg.det(found.matrix))):.4f}; solve the plate again"
        )
    elif size > GROSS_ARCSEC:
        words.append(
            f"gross error of the WCS: the stars lie {size:.1f} arcsec ({size / frame.pixel_scale:.1f} px) "
            "from where it puts them; solve the plate again"
        )
    sigma = np.sqrt(np.diag(plate.covariance))
    orders = ("a shift", "shift, scale, turn and skew", "quadratic distortion", "cubic distortion")
    words.append(
        f"zero point from {plate.n_stars} of {len(plate.stars)} stars ({orders[plate.model.order]}): "
        f"{dra:+.3f} ± {sigma[0]:.3f}, {ddec:+.3f} ± {sigma[1]:.3f} arcsec (observed minus catalogue)"
    )
    return words
