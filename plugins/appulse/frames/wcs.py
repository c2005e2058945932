"""Sky and pixels: the celestial WCS of a header, checked, and the one mapping between ICRF places and pixels.

astropy passes over a CRVAL or CD that stands as a string, and so puts the frame at (0, 0) with a degree a
pixel; a missing scale becomes one degree; SIP coefficients count whether or not CTYPE says so. Here each of
these has its own sentence. The header given is never altered: the WCS is built from a copy of its cards.

A WCS in FK5 or galactic axes is turned to ICRF when a frame is read: both differ by a rotation of the sphere,
and a zenithal projection keeps its shape when its reference point (CRVAL) and the native longitude of the
pole (LONPOLE) are turned with it (Calabretta & Greisen 2002, A&A 395, 1077, section 2.4). What draws or
measures with the WCS afterwards need not know what the file had.
"""

import logging
import re
import warnings
from contextlib import contextmanager
from functools import cached_property, lru_cache, partial
from typing import Protocol

import numpy as np
from astropy.io import fits
from astropy.io.fits.card import Undefined
from astropy.wcs import WCS, WcsError

from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import FrameWCSError
from appulse.frames.header import Cards
from appulse.numerics import axes_from_radec, radec_from_unit, separation_rad, tangent_axes, unit_from_radec

# Where the iteration that inverts a distortion may stop, pixels.
CONVERGED_PX = 1e-9
MAX_ITERATIONS = 60
# How well a rewritten WCS must agree with the turned places of the old one, degrees (4 microarcsec).
SAME_DEG = 1e-9


class SkyMap(Protocol):
    """What joins sky and pixels of a picture, in both directions: frames, grids of stacks, viewers' images.

    Pixels are zero-based (x, y), also outside the picture; sky is (RA, Dec) in ICRF degrees, RA in 0 to 360.
    Both take arrays that broadcast and return two arrays of the common shape.

    A place without a counterpart is NaN in both results: the side of the sky that a projection does not show,
    a pixel that looks past the sky, a place for which a distortion polynomial has no inverse. So is whatever
    is given as NaN, or a declination beyond 90 degrees. Nothing is raised, and one lost place costs no other.

    Examples
    --------
    >>> wcs = WCS(fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=10.0, CRVAL2=0.0,
    ...                            CRPIX1=1, CRPIX2=1, CDELT1=-0.01, CDELT2=0.01)))
    >>> x, y = WcsMap(wcs).to_pixel([10.0, 190.0], [0.0, 0.0])
    >>> x.tolist()
    [0.0, nan]
    >>> (WcsMap(wcs).jacobian(0.0, 0.0).round(3) + 0.0).tolist()
    [[-36.0, 0.0], [0.0, 36.0]]
    """

    def to_pixel(self, ra_deg, dec_deg) -> tuple[np.ndarray, np.ndarray]:
        """Pixels (x, y) of sky places."""

    def to_sky(self, x, y) -> tuple[np.ndarray, np.ndarray]:
        """RA and Dec of pixel places."""

    def jacobian(self, x, y) -> np.ndarray:
        """d(east, north) / d(x, y), arcsec per pixel, (..., 2, 2), by central differences over one pixel."""
        return _jacobian(self.to_sky, x, y)


def _jacobian(to_sky, x, y) -> np.ndarray:
    steps = np.array([[0.0, 0.0], [0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    at = unit_from_radec(*to_sky(x[..., None] + steps[:, 0], y[..., None] + steps[:, 1]))
    # Differences of unit vectors, not of RA and Dec: 0h and the poles are places like any other.
    axes = np.stack(tangent_axes(at[..., 0, :]), axis=-2)
    moved = np.stack([at[..., 1, :] - at[..., 2, :], at[..., 3, :] - at[..., 4, :]], axis=-1)
    return ARCSEC_PER_RAD * axes @ moved


class WcsMap(SkyMap):
    """The map of a FITS WCS: TAN, SIN, TPV and all else that wcslib projects, SIP and look-up tables.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Two celestial axes, of any system that astropy can turn to ICRF.
    reach : (float, float, float), optional
        x, y and radius, px, of a circle beyond which a distortion polynomial means nothing any more: with SIP
        or tables a place outside is NaN. Without it all places count for which the polynomial has an inverse.
    """

    def __init__(self, wcs: WCS, reach: tuple[float, float, float] | None = None):
        self.wcs, self.reach = wcs, reach

    @cached_property
    def _system(self):
        """astropy's frame of the WCS's own axes; None where they are ICRF."""
        if self.wcs.wcs.ctype[self.wcs.wcs.lng].startswith("RA") and self.wcs.wcs.radesys == "ICRS":
            return None
        from astropy.coordinates import ICRS
        from astropy.wcs.utils import wcs_to_celestial_frame

        system = wcs_to_celestial_frame(self.wcs)
        return None if isinstance(system, ICRS) else system

    def to_pixel(self, ra_deg, dec_deg):
        if self._system is not None:
            ra_deg, dec_deg = _turned_places(ra_deg, dec_deg, "icrs", self._system)
        return sky_to_pixel(self.wcs, ra_deg, dec_deg, self.reach)

    def to_sky(self, x, y):
        lon, lat = pixel_to_sky(self.wcs, x, y)
        return (lon, lat) if self._system is None else _turned_places(lon, lat, self._system, "icrs")


def _turned_places(lon_deg, lat_deg, old, new):
    from astropy.coordinates import SkyCoord, UnitSphericalRepresentation

    lon, lat = np.broadcast_arrays(np.asarray(lon_deg, dtype=float), np.asarray(lat_deg, dtype=float))
    lost = ~(np.isfinite(lon) & (np.abs(lat) <= 90.0))  # a SkyCoord takes no such latitude
    sky = SkyCoord(*(np.where(lost, 0.0, value) for value in (lon, lat)), unit="deg", frame=old)
    sphere = sky.transform_to(new).represent_as(UnitSphericalRepresentation)
    return np.where(lost, np.nan, sphere.lon.deg), np.where(lost, np.nan, sphere.lat.deg)


def pixel_to_sky(wcs: WCS, x, y) -> tuple[np.ndarray, np.ndarray]:
    """Longitude (0 to 360) and latitude of pixels, degrees in the WCS's own axes; see :class:`SkyMap`."""
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    pixels = np.stack([x.ravel(), y.ravel()], axis=1)
    places = wcs.all_pix2world(pixels, 0) if x.size else pixels
    ra, dec = places[:, wcs.wcs.lng], places[:, wcs.wcs.lat]
    return (ra % 360.0).reshape(x.shape), dec.reshape(x.shape)


def sky_to_pixel(wcs: WCS, ra_deg, dec_deg, reach=None) -> tuple[np.ndarray, np.ndarray]:
    """Pixels of places in the WCS's own axes, degrees; `reach` as in :class:`WcsMap`."""
    ra, dec = np.broadcast_arrays(np.asarray(ra_deg, dtype=float), np.asarray(dec_deg, dtype=float))
    sky = np.empty((ra.size, 2))
    sky[:, wcs.wcs.lng], sky[:, wcs.wcs.lat] = ra.ravel() % 360.0, dec.ravel()
    sky[~np.isfinite(sky).all(axis=1) | (np.abs(dec.ravel()) > 90.0)] = np.nan
    pixels = _linear_pixels(wcs, sky)
    if wcs.has_distortion:
        if reach is not None:
            pixels[~(np.hypot(*(pixels - reach[:2]).T) < reach[2])] = np.nan
        pixels = _undistort(wcs, pixels)
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
    """Solve pix2foc(pixels) = target by fixed-point iteration, each place on its own."""
    #   pixels --pix2foc--> bent = target      known: target (linear pixels), wanted: pixels
    #   pixels <- pixels - (bent - target)     converges where the distortion's slope is below 1
    # The steps shrink by the slope of the distortion; the error left after a step is about that step times
    # the ratio of the last two.
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


def icrf_wcs(wcs: WCS | fits.Header, shape: tuple[int, int]) -> tuple[WCS, list[str]]:
    """The same mapping with ICRF sky."""
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


def _turned(wcs: WCS, rotation: np.ndarray) -> WCS:
    """The WCS with CRVAL and LONPOLE turned: north in the old frame has position angle psi in the new one."""
    lng, lat = wcs.wcs.lng, wcs.wcs.lat
    old_ra, old_dec = wcs.wcs.crval[lng], wcs.wcs.crval[lat]
    ra, dec = radec_from_unit(rotation @ unit_from_radec(old_ra, old_dec))
    old_north = rotation @ axes_from_radec(old_ra, old_dec)[1]
    east, north = axes_from_radec(ra, dec)
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


_AXIS = re.compile(r"(CTYPE|CUNIT|CRVAL|CRPIX|CDELT|CROTA)(\d)")
MATRIX_CARD = re.compile(r"(CD|PC)(\d)_(\d)")
_PARAMETER = re.compile(r"(PV|PS)(\d)_(\d+)")
_SIP = re.compile(r"(A|B|AP|BP)_(ORDER|\d+_\d+)")
_FRAME = ("RADESYS", "EQUINOX", "LONPOLE", "LATPOLE")
_SOURCE_LINE = re.compile(r"\s*(ERROR )?\d+ in \w+\(\) at line")
_LATITUDE = re.compile(r"DEC-|[A-Z]LAT")
_CELESTIAL = re.compile(r"(RA--|DEC-|[GE]L(ON|AT)|[A-Z]LON|[A-Z]LAT)")
# Pixel scales that some instrument has, arcsec; astropy's default for a missing scale is 3600.
SCALE_ARCSEC = (1e-3, 3599.0)

REMEDY = "solve the frame, or give a header with its WCS by --wcs-from FILE"


def has_celestial(header: fits.Header) -> bool:
    """Whether a header names two celestial axes."""
    return len(celestial_axes(header)) == 2


def celestial_axes(header: fits.Header) -> list[int]:
    """Numbers of the axes with a celestial CTYPE."""
    names = [str(header.get(f"CTYPE{axis}", "")).strip().upper() for axis in range(1, 10)]
    return [axis for axis, name in enumerate(names, start=1) if _CELESTIAL.match(name)]


def gather_cards(name: str, cards: Cards, axes: list[int]) -> fits.Header:
    """A header of the WCS cards only, numbers checked to be some."""
    pixel = {str(axis): str(new) for new, axis in enumerate(axes, start=1)}
    is_swapped = _LATITUDE.match(str(cards.header[f"CTYPE{axes[0]}"]).strip().upper()) is not None
    world = dict(zip(pixel, ("2", "1"), strict=True)) if is_swapped else pixel
    header = fits.Header()
    for key in dict.fromkeys(cards.header):
        target = _renumbered(key, world, pixel)
        if target is None:
            continue
        try:
            value = cards.header[key]
        except fits.VerifyError as error:
            raise FrameWCSError(f"{name}: the card {key} cannot be read (is it NaN?): {REMEDY}") from error
        if isinstance(value, Undefined) or value is None:
            continue
        if key not in _FRAME[:2] and not key.startswith(("CTYPE", "CUNIT", "PS")):
            value = _number(name, key, value)
        elif isinstance(value, float) and not np.isfinite(value):
            value = str(value)  # which no card may hold as a number
        header[target] = value
    if is_swapped:
        _keep_diagonal(name, header)
    _frame_cards(name, cards, header)
    return header


def _keep_diagonal(name: str, header: fits.Header) -> None:
    """Latitude first: what goes without saying (PCi_i = 1) must be said once rows are exchanged."""
    if any(key.startswith("CD") and MATRIX_CARD.fullmatch(key) for key in header):
        return
    if any(key.startswith("CROTA") for key in header):
        raise FrameWCSError(f"{name}: latitude first together with CROTA: write the WCS with a CD matrix")
    for key, value in (("PC1_1", 0.0), ("PC1_2", 1.0), ("PC2_1", 1.0), ("PC2_2", 0.0)):
        header.setdefault(key, value)


def _renumbered(key: str, world: dict[str, str], pixel: dict[str, str]) -> str | None:
    """The keyword with the celestial axes' numbers; None if it is no WCS card of these axes."""
    if key in _FRAME or _SIP.fullmatch(key):
        return key
    if match := _AXIS.fullmatch(key):
        number = pixel if match[1] == "CRPIX" else world
        return match[1] + number[match[2]] if match[2] in number else None
    if (match := MATRIX_CARD.fullmatch(key)) and match[2] in world and match[3] in pixel:
        return f"{match[1]}{world[match[2]]}_{pixel[match[3]]}"
    if (match := _PARAMETER.fullmatch(key)) and match[2] in world:
        return f"{match[1]}{world[match[2]]}_{match[3]}"
    return None


def _number(name: str, key: str, value) -> float | int:
    if isinstance(value, str):
        raise FrameWCSError(
            f"{name}: {key} = {value!r} stands in the header as a string, not as a number, and would be read "
            f"as if it were not there: write the card without quotes, or {REMEDY}"
        )
    try:
        # FITS also has complex numbers, and integers of any length.
        finite = not isinstance(value, bool) and bool(np.isfinite(float(value)))
    except (TypeError, OverflowError):
        finite = False
    if not finite:
        raise FrameWCSError(f"{name}: {key} = {str(value)[:40]} is not a number: {REMEDY}")
    return value if abs(value) < 2**63 else float(value)


def _frame_cards(name: str, cards: Cards, header: fits.Header) -> None:
    """RADESYS and EQUINOX, also in their old spellings (RADECSYS, EPOCH, 'J2000')."""
    system = cards.text("RADESYS", "RADECSYS")
    if system is not None:
        header["RADESYS"] = "ICRS" if system.upper() == "ICRF" else system.upper()
    equinox = cards.find("EQUINOX", "EPOCH")
    header.remove("EQUINOX", ignore_missing=True)
    # Galactic axes have no equinox, and maps on them say 0 or anything.
    galactic = str(header.get("CTYPE1", "")).strip().upper().startswith(("GLON", "GLAT"))
    if equinox is None or header.get("RADESYS") == "ICRS" or galactic:
        return
    match = re.fullmatch(r"[JB]?\s*(\d{4}(?:\.\d*)?)", str(equinox.value).strip(), re.IGNORECASE)
    if match is None:
        raise FrameWCSError(
            f"{name}: {equinox.key} = {equinox.value!r} is not a year such as 2000.0: correct it"
        )
    header["EQUINOX"] = float(match[1])


def settle_matrix(name: str, header: fits.Header) -> tuple[str, ...]:
    """Leave one linear transformation: CD before PC, PC before CROTA; invertible, of a sane scale; notes."""
    has_cd = any(key.startswith("CD") and MATRIX_CARD.fullmatch(key) for key in header)
    has_pc = any(key.startswith("PC") for key in header)
    if has_cd:
        matrix = [[header.get(f"CD{i}_{j}", 0.0) for j in (1, 2)] for i in (1, 2)]
        unused = [k for k in header if k.startswith(("PC", "CDELT", "CROTA"))]
    else:
        matrix = [
            [header.get(f"CDELT{i}", 1.0) * header.get(f"PC{i}_{j}", float(i == j)) for j in (1, 2)]
            for i in (1, 2)
        ]
        unused = [k for k in header if k.startswith("CROTA")] if has_pc else []
    notes: tuple[str, ...] = ()
    # Some programs leave CDELT standing beside a CD matrix: harmless where it says the same.
    if has_cd and "CDELT1" in header and "CDELT2" in header:
        other = abs(header["CDELT1"] * header["CDELT2"])
        if other and not 0.98 < abs(np.linalg.det(matrix)) / other < 1.02:
            notes = ("CD matrix and CDELT give different scales: the CD matrix is taken",)
    for key in unused:
        header.remove(key)
    matrix = np.array(matrix, dtype=float)
    area = abs(np.linalg.det(matrix))
    if not area > 1e-12 * np.abs(matrix).max() ** 2:
        raise FrameWCSError(
            f"{name}: the WCS matrix {matrix.tolist()} is singular, it maps the frame to a line: {REMEDY}"
        )
    units = [str(header.get(f"CUNIT{i}", "deg")).strip().lower() or "deg" for i in (1, 2)]
    scale = 3600.0 * np.sqrt(area)
    if all(unit.startswith("deg") for unit in units) and not SCALE_ARCSEC[0] <= scale <= SCALE_ARCSEC[1]:
        raise FrameWCSError(
            f"{name}: a pixel scale of {scale:.6g} arcsec is not a camera's ({SCALE_ARCSEC[0]:g} to "
            f"{SCALE_ARCSEC[1]:g} are allowed): {REMEDY}"
        )
    return notes


def settle_sip(name: str, header: fits.Header, sip: str) -> tuple[bool, tuple[str, ...]]:
    """Make CTYPE and the SIP coefficients agree; whether CTYPE was silent about some, and notes."""
    if sip not in ("apply", "ignore"):
        raise FrameWCSError(f"{name}: sip = {sip!r}: 'apply' or 'ignore' is allowed")
    orders = [key for key in ("A_ORDER", "B_ORDER") if key in header]
    if len(orders) == 1:
        raise FrameWCSError(
            f"{name}: SIP with {orders[0]} alone; A_ORDER and B_ORDER are both needed: {REMEDY}"
        )
    announced = all(str(header[f"CTYPE{i}"]).strip().upper().endswith("-SIP") for i in (1, 2))
    bends = orders and any(header[key] for key in header if re.fullmatch(r"[AB]_\d+_\d+", key))
    if bends and (announced or sip == "apply"):
        _announce(header, "-SIP")
        return not announced, ()
    notes: tuple[str, ...] = ()
    if announced and not orders:
        notes = ("CTYPE says -SIP, but the header has no SIP coefficients: none applied",)
    if bends:
        notes = ("SIP coefficients left out, as asked: CTYPE has no -SIP",)
    for key in [key for key in header if _SIP.fullmatch(key)]:
        header.remove(key)
    _announce(header, "")
    return bool(bends), notes


def _announce(header: fits.Header, suffix: str) -> None:
    for i in (1, 2):
        header[f"CTYPE{i}"] = re.sub("-SIP$", "", str(header[f"CTYPE{i}"]).strip()) + suffix


# How well a solution must find its own pixels again.
ROUND_TRIP_PX = 1e-3


def celestial_wcs(
    cards: Cards, shape: tuple[int, int], *, sip: str = "apply", source: str = ""
) -> tuple[WCS, list[str]]:
    """WCS of a frame in ICRF, checked."""
    name = f"{cards.name}: {source}" if source else cards.name
    axes = celestial_axes(cards.header)
    if len(axes) != 2:
        kinds = [str(cards.header[f"CTYPE{i}"]) for i in range(1, 10) if f"CTYPE{i}" in cards.header]
        said = f"CTYPE {', '.join(kinds)}" if kinds else "no CTYPE"
        raise FrameWCSError(
            f"{name}: no celestial WCS ({said}; RA---TAN and DEC--TAN, for example, are needed): {REMEDY}"
        )
    notes = [*_check_distortions(name, cards.header)]
    header = gather_cards(name, cards, axes)
    _check_complete(name, header)
    _check_size(name, cards.header, shape, bool(source))
    notes += settle_matrix(name, header)
    unannounced, sip_notes = settle_sip(name, header, sip)
    wcs, build_notes = _build(name, header)
    notes += *sip_notes, *build_notes
    wcs.pixel_shape = shape[::-1]
    if unannounced and sip == "apply":
        notes.append(f"SIP coefficients although CTYPE has no -SIP: applied (they move places by up to "
                     f"{_sip_reach(wcs, shape):.1f} arcsec); --sip ignore leaves them out")  # fmt: skip
    notes += _check_mapping(name, wcs, shape)
    try:
        wcs, turned = icrf_wcs(wcs, shape)
    except FrameWCSError as error:
        raise FrameWCSError(f"{name}: {error}") from error
    wcs.pixel_shape = shape[::-1]
    return wcs, [*notes, *turned]


def _check_complete(name: str, header: fits.Header) -> None:
    missing = [key for key in ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2") if key not in header]
    if missing:
        raise FrameWCSError(f"{name}: a WCS without {', '.join(missing)} (0 would be taken): {REMEDY}")
    has_matrix = any(MATRIX_CARD.fullmatch(key) for key in header)
    if not has_matrix and not {"CDELT1", "CDELT2"} <= set(header):
        raise FrameWCSError(
            f"{name}: a WCS without scale (CD1_1 ... or CDELT1, CDELT2; one degree a pixel would be taken): "
            f"{REMEDY}"
        )


def _check_distortions(name: str, header: fits.Header) -> tuple[str, ...]:
    """Distortions that stand outside the cards read here must not be left out without a word."""
    kinds = {str(header.get(f"CTYPE{i}", "")).strip().upper()[-3:] for i in range(1, 10)}
    text = "".join(str(header[key]) for key in header if key.startswith("WAT"))
    if kinds & {"TNX", "ZPX"} and any(word in text for word in ("lngcor", "latcor", "projp")):
        raise FrameWCSError(
            f"{name}: the distortion of {' and '.join(sorted(kinds & {'TNX', 'ZPX'}))} in WAT cards is not "
            "understood: write the solution as TPV or TAN-SIP, or give a header with it by --wcs-from FILE"
        )
    if any(key.startswith(("CPDIS", "CQDIS", "D2IMDIS", "D2IMARR")) for key in header):
        words = "distortion by look-up tables (CPDIS, D2IM) is not applied: places follow the rest of the WCS"
        return (words,)
    return ()


def _check_size(name: str, header: fits.Header, shape: tuple[int, int], is_side: bool) -> None:
    """A side file tells the size of the image that was solved; another image's WCS would shift everything."""
    for keys in (("IMAGEW", "IMAGEH"), ("NAXIS1", "NAXIS2")) if is_side else ():
        size = [header.get(key) for key in keys]
        if (
            all(isinstance(n, int | float) and n > 1 for n in size)
            and tuple(int(n) for n in size[::-1]) != shape
        ):
            raise FrameWCSError(
                f"{name}: the WCS belongs to an image of {int(size[0])} x {int(size[1])} px, the frame has "
                f"{shape[1]} x {shape[0]}: give the WCS of this very frame"
            )


def _sip_reach(wcs: WCS, shape: tuple[int, int]) -> float:
    """How far SIP moves the corners, arcsec."""
    ny, nx = shape
    corners = np.array([[0.0, 0.0], [nx - 1.0, 0.0], [0.0, ny - 1.0], [nx - 1.0, ny - 1.0]])
    places = [unit_from_radec(*fn(corners, 0).T) for fn in (wcs.all_pix2world, wcs.wcs_pix2world)]
    return float(np.nanmax(separation_rad(*places))) * ARCSEC_PER_RAD


@contextmanager
def _astropy_silenced(messages: list[str]):
    """Catch astropy's warnings and keep its log from printing while a WCS is built."""
    logger = logging.getLogger("astropy")

    def refuse(record):
        messages.append(record.getMessage())
        return False

    logger.addFilter(refuse)
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            yield
    finally:
        logger.removeFilter(refuse)
        messages.extend(str(warning.message) for warning in caught)


def _build(name: str, header: fits.Header) -> tuple[WCS, list[str]]:
    messages: list[str] = []
    try:
        with _astropy_silenced(messages):
            wcs = WCS(header, naxis=2)
            wcs.wcs.set()
    except Exception as error:
        # What the library adds of its own source lines helps nobody here.
        lines = [line for line in str(error).splitlines() if line.strip() and not _SOURCE_LINE.match(line)]
        reason = " ".join(" ".join(lines).split()).rstrip(".") or type(error).__name__
        if str(header.get("CUNIT2", "deg")) == "deg" and abs(latitude := header.get("CRVAL2", 0.0)) > 90.0:
            axis = header.get("CTYPE2")
            reason = f"CRVAL of {axis} is {latitude:g} degrees, a latitude lies between -90 and 90"
        raise FrameWCSError(f"{name}: the WCS cannot be used ({reason}): {REMEDY}") from error
    return wcs, [note for text in dict.fromkeys(messages) if (note := _in_our_words(text, header))]


def _in_our_words(message: str, header: fits.Header) -> str | None:
    """A message of astropy as a note; None where nothing happened."""
    text = " ".join(message.split())
    if "redundant" in text:
        # astropy says so also where there was no SIP to be left out.
        left_out, kept = ("SIP", "PV") if "redundant SIP" in text else ("PV", "SIP")
        return (
            f"WCS has SIP and PV terms: {left_out} left out, {kept} applied" if "A_ORDER" in header else None
        )
    return f"WCS: {text}"


def _check_mapping(name: str, wcs: WCS, shape: tuple[int, int]) -> tuple[str, ...]:
    """The frame must show sky, unfolded, and find its own pixels again; a note where it does so in part."""
    middle, corners = (np.array(shape[::-1]) - 1) / 2, np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    x, y = np.vstack([middle, 2 * middle * corners]).T
    ra, dec = pixel_to_sky(wcs, x, y)
    if not np.isfinite(ra[0]):
        raise FrameWCSError(f"{name}: the centre of the frame has no place on the sky by its WCS: {REMEDY}")
    seen = np.isfinite(ra)
    x_back, y_back = sky_to_pixel(wcs, ra[seen], dec[seen])
    miss = np.hypot(x_back - x[seen], y_back - y[seen])
    if not np.all(miss <= ROUND_TRIP_PX):
        raise FrameWCSError(
            f"{name}: the WCS does not find its own pixels again (off by "
            f"{np.max(np.nan_to_num(miss, nan=np.inf)):.3g} px in the frame): its distortion terms fold; "
            f"{REMEDY}"
        )
    # A distortion that folds shows a part of the frame the other way round: the map changes its hand there.
    if len(set(np.sign(np.linalg.det(_jacobian(partial(pixel_to_sky, wcs), x[seen], y[seen]))))) > 1:
        raise FrameWCSError(
            f"{name}: the WCS mirrors a part of the frame (its distortion terms fold): {REMEDY}"
        )
    if seen.all():
        return ()
    return ("some corners of the frame lie outside the projection: they show no sky",)
