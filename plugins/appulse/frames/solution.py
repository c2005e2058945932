"""The celestial WCS of a header, held against everything that is known to go wrong without a word.

astropy passes over a CRVAL or CD that stands as a string, and so puts the frame at (0, 0) with a degree a
pixel; a missing scale becomes one degree; SIP coefficients count whether or not CTYPE says so. Here each of
these has its own sentence. The header given is never altered: the WCS is built from a copy of its cards.
"""

import logging
import re
import warnings
from contextlib import contextmanager

import numpy as np
from astropy.io import fits
from astropy.io.fits.card import Undefined
from astropy.wcs import WCS

from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import FrameWCSError
from appulse.frames.header import Cards
from appulse.frames.projection import icrf_wcs, pixel_to_sky, sky_to_pixel
from appulse.numerics.spherical import separation_rad, unit_from_radec

_AXIS = re.compile(r"(CTYPE|CUNIT|CRVAL|CRPIX|CDELT|CROTA)(\d)")
_MATRIX = re.compile(r"(CD|PC)(\d)_(\d)")
_PARAMETER = re.compile(r"(PV|PS)(\d)_(\d+)")
_SIP = re.compile(r"(A|B|AP|BP)_(ORDER|\d+_\d+)")
_FRAME = ("RADESYS", "EQUINOX", "LONPOLE", "LATPOLE")
_LATITUDE = re.compile(r"DEC-|[A-Z]LAT")
_CELESTIAL = re.compile(r"(RA--|DEC-|[GE]L(ON|AT)|[A-Z]LON|[A-Z]LAT)")
SCALE_ARCSEC = (1e-3, 3599.0)
"""Pixel scales that some instrument has, arcsec; astropy's default for a missing scale is 3600."""
ROUND_TRIP_PX = 1e-3

REMEDY = "solve the frame, or give a header with its WCS by --wcs-from FILE"


def has_celestial(header: fits.Header) -> bool:
    """Whether a header names two celestial axes.

    Examples
    --------
    >>> has_celestial(fits.Header([("CTYPE1", "RA---TAN"), ("CTYPE2", "DEC--TAN")]))
    True
    """
    return len(_celestial_axes(header)) == 2


def _celestial_axes(header: fits.Header) -> list[int]:
    names = {axis: header.get(f"CTYPE{axis}") for axis in range(1, 10)}
    return [
        axis
        for axis, name in names.items()
        if isinstance(name, str) and _CELESTIAL.match(name.strip().upper())
    ]


def celestial_wcs(
    cards: Cards, shape: tuple[int, int], *, sip: str = "apply", source: str = ""
) -> tuple[WCS, list[str]]:
    """WCS of a frame in ICRF, checked.

    Parameters
    ----------
    cards : Cards
        Of the frame, or of the side file with its WCS.
    shape : (int, int)
        (ny, nx) of the frame.
    sip : {'apply', 'ignore'}
        What to do with SIP coefficients that CTYPE does not announce.
    source : str
        Name of the side file, for messages.

    Returns
    -------
    wcs : astropy.wcs.WCS
        Two axes, ICRF.
    notes : list of str

    Raises
    ------
    FrameWCSError
        If there is no celestial WCS, or one that cannot be right.

    Examples
    --------
    >>> header = fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1="246.42", CRVAL2=-24.16,
    ...                           CRPIX1=50, CRPIX2=50, CDELT1=-0.001, CDELT2=0.001))
    >>> celestial_wcs(Cards(header, "m1.fits"), (100, 100))
    Traceback (most recent call last):
    appulse.errors.FrameWCSError: m1.fits: CRVAL1 = '246.42' stands in the header as a string...
    """
    name = f"{cards.name}: {source}" if source else cards.name
    axes = _celestial_axes(cards.header)
    if len(axes) != 2:
        kinds = [str(cards.header[f"CTYPE{i}"]) for i in range(1, 10) if f"CTYPE{i}" in cards.header]
        said = f"CTYPE {', '.join(kinds)}" if kinds else "no CTYPE"
        raise FrameWCSError(
            f"{name}: no celestial WCS ({said}; RA---TAN and DEC--TAN, for example, are needed): {REMEDY}"
        )
    notes: list[str] = []
    header = _wcs_cards(name, cards, axes)
    _check_complete(name, header)
    _check_size(name, cards.header, shape, bool(source))
    _settle_matrix(name, header, notes)
    unannounced = _settle_sip(name, header, sip, notes)
    wcs = _build(name, header, notes)
    wcs.pixel_shape = shape[::-1]
    if unannounced and sip == "apply":
        notes.append(f"SIP coefficients although CTYPE has no -SIP: applied (they move places by up to "
                     f"{_sip_reach(wcs, shape):.1f} arcsec); sip='ignore' leaves them out")  # fmt: skip
    _check_mapping(name, wcs, shape, notes)
    try:
        wcs, turned = icrf_wcs(wcs, shape)
    except FrameWCSError as error:
        raise FrameWCSError(f"{name}: {error}") from error
    wcs.pixel_shape = shape[::-1]
    return wcs, [*notes, *turned]


def _wcs_cards(name: str, cards: Cards, axes: list[int]) -> fits.Header:
    """A header of the WCS cards only: longitude is axis 1, latitude axis 2; numbers checked to be some."""
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
        header[target] = value
    if is_swapped:
        _keep_diagonal(name, header)
    _frame_cards(name, cards, header)
    return header


def _keep_diagonal(name: str, header: fits.Header) -> None:
    """Latitude first: what goes without saying (PCi_i = 1) must be said once rows are exchanged."""
    if any(key.startswith("CD") and _MATRIX.fullmatch(key) for key in header):
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
    if (match := _MATRIX.fullmatch(key)) and match[2] in world and match[3] in pixel:
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
    if isinstance(value, bool) or not np.isfinite(value):
        raise FrameWCSError(f"{name}: {key} = {value} is not a number: {REMEDY}")
    return value


def _frame_cards(name: str, cards: Cards, header: fits.Header) -> None:
    """RADESYS and EQUINOX, also in their old spellings (RADECSYS, EPOCH, 'J2000')."""
    system = cards.text("RADESYS", "RADECSYS")
    if system is not None:
        header["RADESYS"] = "ICRS" if system.upper() == "ICRF" else system.upper()
    equinox = cards.find("EQUINOX", "EPOCH")
    header.remove("EQUINOX", ignore_missing=True)
    if equinox is None or header.get("RADESYS") == "ICRS":
        return
    match = re.fullmatch(r"[JB]?\s*(\d{4}(?:\.\d*)?)", str(equinox.value).strip(), re.IGNORECASE)
    if match is None:
        raise FrameWCSError(
            f"{name}: {equinox.key} = {equinox.value!r} is no year such as 2000.0: correct it"
        )
    header["EQUINOX"] = float(match[1])


def _check_complete(name: str, header: fits.Header) -> None:
    missing = [key for key in ("CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2") if key not in header]
    if missing:
        raise FrameWCSError(f"{name}: a WCS without {', '.join(missing)} (0 would be taken): {REMEDY}")
    has_scale = any(_MATRIX.fullmatch(key) and key.startswith("CD") for key in header) or {
        "CDELT1",
        "CDELT2",
    } <= set(header)
    if not has_scale and not any(key.startswith("PC") for key in header):
        raise FrameWCSError(
            f"{name}: a WCS without scale (CD1_1 ... or CDELT1, CDELT2; one degree a pixel would be taken): "
            f"{REMEDY}"
        )


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


def _settle_matrix(name: str, header: fits.Header, notes: list[str]) -> None:
    """One linear transformation: CD before PC and CDELT before CROTA; invertible, of a sane scale."""
    has_cd = any(key.startswith("CD") and _MATRIX.fullmatch(key) for key in header)
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
    if has_cd and "CDELT1" in header and "CDELT2" in header:
        other = abs(header["CDELT1"] * header["CDELT2"])
        if other and not 0.98 < abs(np.linalg.det(matrix)) / other < 1.02:
            notes.append("CD matrix and CDELT give different scales: the CD matrix is taken")
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
            f"{name}: a pixel scale of {scale:.6g} arcsec is no camera's ({SCALE_ARCSEC[0]:g} to "
            f"{SCALE_ARCSEC[1]:g} are allowed): {REMEDY}"
        )


def _settle_sip(name: str, header: fits.Header, sip: str, notes: list[str]) -> bool:
    """Make CTYPE and the SIP coefficients agree; whether they did not."""
    if sip not in ("apply", "ignore"):
        raise FrameWCSError(f"{name}: sip = {sip!r}: 'apply' or 'ignore' is allowed")
    orders = [key for key in ("A_ORDER", "B_ORDER") if key in header]
    announced = [str(header[f"CTYPE{i}"]).strip().upper().endswith("-SIP") for i in (1, 2)]
    if len(orders) == 1:
        raise FrameWCSError(
            f"{name}: SIP with {orders[0]} alone; A_ORDER and B_ORDER are both needed: {REMEDY}"
        )
    if not orders:
        if any(announced):
            notes.append("CTYPE says -SIP, but the header has no SIP coefficients: none applied")
        for i in (1, 2):
            header[f"CTYPE{i}"] = re.sub(r"-SIP$", "", str(header[f"CTYPE{i}"]).strip())
        _drop_sip(header)
        return False
    powers = [key for key in header if re.fullmatch(r"[AB]_\d+_\d+", key)]
    if not any(header[key] for key in powers):
        _drop_sip(header)
        for i in (1, 2):
            header[f"CTYPE{i}"] = re.sub(r"-SIP$", "", str(header[f"CTYPE{i}"]).strip())
        return False
    if all(announced):
        return False
    if sip == "ignore":
        _drop_sip(header)
        for i in (1, 2):
            header[f"CTYPE{i}"] = re.sub(r"-SIP$", "", str(header[f"CTYPE{i}"]).strip())
        notes.append("SIP coefficients left out, as asked: CTYPE has no -SIP")
        return True
    for i in (1, 2):
        header[f"CTYPE{i}"] = re.sub(r"-SIP$", "", str(header[f"CTYPE{i}"]).strip()) + "-SIP"
    return True


def _drop_sip(header: fits.Header) -> None:
    for key in [key for key in header if _SIP.fullmatch(key)]:
        header.remove(key)


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
        messages.extend(str(one.message) for one in caught)


def _build(name: str, header: fits.Header, notes: list[str]) -> WCS:
    messages: list[str] = []
    try:
        with _astropy_silenced(messages):
            wcs = WCS(header, naxis=2)
            wcs.wcs.set()
    except Exception as error:
        reason = " ".join(str(error).split()).removeprefix("ERROR ")
        raise FrameWCSError(f"{name}: the WCS cannot be used ({reason}): {REMEDY}") from error
    notes.extend("WCS: " + " ".join(one.split()) for one in dict.fromkeys(messages))
    return wcs


def _check_mapping(name: str, wcs: WCS, shape: tuple[int, int], notes: list[str]) -> None:
    """The frame must show sky, unfolded, and find its own pixels again."""
    ny, nx = shape
    x, y = (
        np.array([(nx - 1) / 2, 0.0, nx - 1.0, 0.0, nx - 1.0]),
        np.array([(ny - 1) / 2, 0.0, 0.0, ny - 1.0, ny - 1.0]),
    )
    ra, dec = pixel_to_sky(wcs, x, y)
    if not np.isfinite(ra[0]):
        raise FrameWCSError(f"{name}: the centre of the frame has no place on the sky by its WCS: {REMEDY}")
    seen = np.isfinite(ra)
    if not seen.all():
        notes.append("some corners of the frame lie outside the projection: they show no sky")
    x_back, y_back = sky_to_pixel(wcs, ra[seen], dec[seen])
    miss = np.hypot(x_back - x[seen], y_back - y[seen])
    if not np.all(miss <= ROUND_TRIP_PX):
        raise FrameWCSError(
            f"{name}: the WCS does not find its own pixels again (off by "
            f"{np.max(np.nan_to_num(miss, nan=np.inf)):.3g} px in the frame): its distortion terms fold; "
            f"{REMEDY}"
        )
    turns = [_turn(wcs, *place) for place in zip(x[seen], y[seen], strict=True)]
    if len({np.sign(turn) for turn in turns}) > 1:
        raise FrameWCSError(
            f"{name}: the WCS mirrors a part of the frame (its distortion terms fold): {REMEDY}"
        )


def _turn(wcs: WCS, x: float, y: float) -> float:
    """Sense of the map's Jacobian, from unit vectors, so that 0h and poles do not matter."""
    at = unit_from_radec(*pixel_to_sky(wcs, [x, x + 0.5, x], [y, y, y + 0.5]))
    return float(at[0] @ np.cross(at[1] - at[0], at[2] - at[0]))
