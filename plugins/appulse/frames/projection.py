"""From sky to pixels and back, in ICRF degrees and zero-based pixels, for any celestial WCS.

A WCS in another frame than ICRF (FK5 of any equinox, galactic) is rewritten, not wrapped: both differ by a
rotation of the sphere, and a zenithal projection keeps its shape when its reference point (CRVAL) and the
native longitude of the pole (LONPOLE) are turned with it (Calabretta & Greisen 2002, A&A 395, 1077, section
2.4). What draws or measures with the WCS afterwards need not know what the file had.
"""

import warnings
from functools import lru_cache

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS, WcsError

from appulse.errors import FrameWCSError
from appulse.numerics.spherical import radec_from_unit, unit_from_radec

CONVERGED_PX = 1e-9
"""Where the iteration that inverts a distortion may stop, pixels."""
MAX_ITERATIONS = 60
SAME_DEG = 1e-9
"""How well a rewritten WCS must agree with the turned places of the old one, degrees (4 microarcsec)."""


def pixel_to_sky(wcs: WCS, x, y) -> tuple[np.ndarray, np.ndarray]:
    """Sky places of pixels.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Two axes, ICRF.
    x, y : arrays that broadcast to (...), zero-based pixels

    Returns
    -------
    ra_deg, dec_deg : (...) arrays
        RA in 0 to 360; NaN where the projection does not reach.

    Examples
    --------
    >>> wcs = WCS(fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=0.0, CRVAL2=90.0,
    ...                            CRPIX1=1, CRPIX2=1, CDELT1=-0.01, CDELT2=0.01)))
    >>> ra, dec = pixel_to_sky(wcs, [0.0, 0.0], [0.0, 100.0])
    >>> dec.round(6).tolist()
    [90.0, 89.000102]
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    pixels = np.stack([x.ravel(), y.ravel()], axis=1)
    places = wcs.all_pix2world(pixels, 0) if x.size else pixels
    ra, dec = places[:, wcs.wcs.lng], places[:, wcs.wcs.lat]
    return (ra % 360.0).reshape(x.shape), dec.reshape(x.shape)


def sky_to_pixel(wcs: WCS, ra_deg, dec_deg) -> tuple[np.ndarray, np.ndarray]:
    """Pixels of sky places.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Two axes, ICRF.
    ra_deg, dec_deg : arrays that broadcast to (...), degrees

    Returns
    -------
    x, y : (...) arrays, zero-based pixels
        NaN where the place lies on the side of the sky that the projection does not show, or where a
        distortion polynomial, far outside the frame, has no inverse.

    Examples
    --------
    >>> wcs = WCS(fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=10.0, CRVAL2=0.0,
    ...                            CRPIX1=1, CRPIX2=1, CDELT1=-0.01, CDELT2=0.01)))
    >>> x, y = sky_to_pixel(wcs, [10.0, 190.0], [0.0, 0.0])
    >>> x.tolist()
    [0.0, nan]
    """
    ra, dec = np.broadcast_arrays(np.asarray(ra_deg, dtype=float), np.asarray(dec_deg, dtype=float))
    sky = np.empty((ra.size, 2))
    sky[:, wcs.wcs.lng], sky[:, wcs.wcs.lat] = ra.ravel() % 360.0, dec.ravel()
    sky[~np.isfinite(sky).all(axis=1) | (np.abs(dec.ravel()) > 90.0)] = np.nan
    pixels = _undistort(wcs, _linear_pixels(wcs, sky))
    return pixels[:, 0].reshape(ra.shape), pixels[:, 1].reshape(ra.shape)


def _linear_pixels(wcs: WCS, sky: np.ndarray) -> np.ndarray:
    """Pixels without SIP and look-up tables; NaN where there are none. wcslib inverts TPV itself."""
    pixels = np.full(sky.shape, np.nan)
    good = np.isfinite(sky[:, 0])
    if not good.any():
        return pixels
    try:
        pixels[good] = wcs.wcs_world2pix(sky[good], 0)
    except WcsError:
        # One place whose polynomial has no inverse would cost all others: halve until it is alone.
        index = np.flatnonzero(good)
        if index.size > 1:
            for half in np.array_split(index, 2):
                pixels[half] = _linear_pixels(wcs, sky[half])
    return pixels


def _undistort(wcs: WCS, target: np.ndarray) -> np.ndarray:
    """Solve pix2foc(pixels) = target by fixed-point iteration, each place on its own.

    The steps shrink by the slope of the distortion; the error left after a step is about that step times the
    ratio of the last two.
    """
    if wcs.sip is None and not _has_tables(wcs):
        return target
    pixels = target.copy()
    active = np.flatnonzero(np.isfinite(target[:, 0]))
    before = np.zeros(len(active))
    with np.errstate(all="ignore"):
        for _ in range(MAX_ITERATIONS):
            if not active.size:
                break
            everything = active.size == len(target)
            where = slice(None) if everything else active
            error = wcs.pix2foc(pixels[where], 0) - target[where]
            pixels[where] -= error
            step = np.maximum(np.abs(error[:, 0]), np.abs(error[:, 1]))
            left = step * np.minimum(step / before, 1.0)
            lost = ~np.isfinite(step)
            pixels[active[lost]] = np.nan
            going_on = (left > CONVERGED_PX) & (step > CONVERGED_PX) & ~lost
            # Far outside the frame a double has no 1e-9 px left to settle.
            going_on &= step > 1e-13 * np.abs(target[where, 0])
            active, before = active[going_on], step[going_on]
    pixels[active] = np.nan
    return pixels


def _has_tables(wcs: WCS) -> bool:
    return any(t is not None for t in (wcs.cpdis1, wcs.cpdis2, wcs.det2im1, wcs.det2im2))


def icrf_wcs(wcs: WCS | fits.Header, shape: tuple[int, int]) -> tuple[WCS, list[str]]:
    """The same mapping with ICRF sky.

    Parameters
    ----------
    wcs : astropy.wcs.WCS or astropy.io.fits.Header
        Two axes, celestial. Not altered.
    shape : (int, int)
        (ny, nx) of the frame.

    Returns
    -------
    wcs : astropy.wcs.WCS
        The one given where it is ICRF already, else a new one.
    notes : list of str
        What was turned, with the size of the turn.

    Raises
    ------
    FrameWCSError
        If the WCS has no two celestial axes, or a frame that is no rotation of ICRF (FK4 with its E-terms,
        ecliptic, terrestrial), or is not zenithal and not ICRF.

    Examples
    --------
    >>> header = fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=246.0, CRVAL2=-24.0, CRPIX1=50,
    ...                           CRPIX2=50, CDELT1=-0.001, CDELT2=0.001, RADESYS="FK5", EQUINOX=2000.0))
    >>> turned, notes = icrf_wcs(header, (100, 100))
    >>> turned.wcs.radesys, notes
    ('ICRS', ['WCS turned from FK5, equinox J2000.0, to ICRF (by 0.031 arcsec at the centre)'])
    """
    if isinstance(wcs, fits.Header):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            wcs = WCS(wcs)
    if wcs.naxis != 2 or wcs.wcs.lng < 0 or wcs.wcs.lat < 0:
        raise FrameWCSError(
            f"WCS with axes {list(wcs.wcs.ctype)}: two celestial axes are needed, e.g. RA---TAN and DEC--TAN"
        )
    rotation, words = _rotation(wcs)
    if rotation is None:
        return wcs, []
    if wcs.wcs.cel.theta0 != 90.0:
        raise FrameWCSError(
            f"a {wcs.wcs.ctype[0]} projection in {words} cannot be turned to ICRF: write the WCS in ICRS, or "
            "project the frame to TAN"
        )
    turned = _turned(wcs, rotation)
    return turned, [_checked_turn(wcs, turned, rotation, words, shape)]


def _rotation(wcs: WCS) -> tuple[np.ndarray | None, str]:
    """Matrix from the WCS's own frame to ICRF (None: it is ICRF), and the frame in words."""
    system = wcs.wcs.radesys.strip().upper()
    prefix = wcs.wcs.ctype[wcs.wcs.lng].strip()[:4].strip("-")
    equinox = float(wcs.wcs.equinox)
    if prefix == "RA" and not system:
        # FITS standard 4.0, section 8.3: the equinox decides, without one it is ICRS.
        system = "ICRS" if not np.isfinite(equinox) else "FK4" if equinox < 1984.0 else "FK5"
    if prefix == "RA" and system in ("ICRS", "ICRF"):
        return None, "ICRS"
    if prefix == "RA" and system == "FK5":
        equinox = equinox if np.isfinite(equinox) else 2000.0
        return _matrix("FK5", equinox), f"FK5, equinox J{equinox:.1f},"
    if prefix == "GLON":
        return _matrix("galactic", 0.0), "galactic coordinates"
    kind = f"RADESYS {system}" if prefix == "RA" else f"axes {prefix}"
    raise FrameWCSError(
        f"the WCS has {kind}: RA/Dec in ICRS or FK5 (any equinox) and galactic coordinates are understood; "
        "solve the frame again against a present-day star catalogue, or correct RADESYS and EQUINOX"
    )


@lru_cache(maxsize=64)
def _matrix(name: str, equinox: float) -> np.ndarray:
    from astropy.coordinates import FK5, ICRS, CartesianRepresentation, Galactic

    frame = Galactic() if name == "galactic" else FK5(equinox=f"J{equinox:.6f}")
    axes = frame.realize_frame(CartesianRepresentation(np.eye(3)))
    return axes.transform_to(ICRS()).cartesian.xyz.value


def _axes(ra_deg: float, dec_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """East and north at a place, by its coordinates, so that they are defined at a pole, too."""
    ra, dec = np.radians([ra_deg, dec_deg])
    east = np.array([-np.sin(ra), np.cos(ra), 0.0])
    return east, np.array([-np.sin(dec) * np.cos(ra), -np.sin(dec) * np.sin(ra), np.cos(dec)])


def _turned(wcs: WCS, rotation: np.ndarray) -> WCS:
    """The WCS with CRVAL and LONPOLE turned: north in the old frame has position angle psi in the new one."""
    lng, lat = wcs.wcs.lng, wcs.wcs.lat
    old_ra, old_dec = wcs.wcs.crval[lng], wcs.wcs.crval[lat]
    ra, dec = radec_from_unit(rotation @ unit_from_radec(old_ra, old_dec))
    old_north = rotation @ _axes(old_ra, old_dec)[1]
    east, north = _axes(ra, dec)
    psi = np.degrees(np.arctan2(old_north @ east, old_north @ north))
    new = wcs.deepcopy()
    names, crval = list(new.wcs.ctype), np.array(new.wcs.crval)
    names[lng], names[lat] = "RA--" + names[lng][4:], "DEC-" + names[lat][4:]
    crval[lng], crval[lat] = ra, dec
    new.wcs.ctype, new.wcs.crval = names, crval
    # Phi = phi_p - PA in a zenithal projection: the pole's native longitude grows by psi.
    new.wcs.lonpole = wcs.wcs.lonpole + psi
    new.wcs.radesys, new.wcs.equinox = "ICRS", np.nan
    new.wcs.set()
    return new


def _checked_turn(wcs: WCS, turned: WCS, rotation: np.ndarray, words: str, shape) -> str:
    ny, nx = shape
    x, y = np.array([(nx - 1) / 2, 0.0, nx - 1.0, 0.0]), np.array([(ny - 1) / 2, 0.0, 0.0, ny - 1.0])
    old = unit_from_radec(*pixel_to_sky(wcs, x, y))
    wanted, got = old @ rotation.T, unit_from_radec(*pixel_to_sky(turned, x, y))
    off_deg = np.degrees(np.abs(got - wanted).max())
    if not off_deg < SAME_DEG:
        raise FrameWCSError(
            f"the WCS in {words} could not be turned to ICRF (off by {off_deg * 3600:.3g} arcsec): write it "
            "in ICRS"
        )
    if words.startswith("galactic"):
        return "WCS turned from galactic coordinates to ICRF"
    by = 3600.0 * np.degrees(np.linalg.norm(wanted[0] - old[0]))
    return f"WCS turned from {words} to ICRF (by {by:.3f} arcsec at the centre)"
