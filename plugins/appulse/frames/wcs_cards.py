"""The cards of a header that make its WCS: gathered, renumbered, brought to one way of saying things."""

import re

import numpy as np
from astropy.io import fits
from astropy.io.fits.card import Undefined

from appulse.errors import FrameWCSError
from appulse.frames.header import Cards

_AXIS = re.compile(r"(CTYPE|CUNIT|CRVAL|CRPIX|CDELT|CROTA)(\d)")
MATRIX_CARD = re.compile(r"(CD|PC)(\d)_(\d)")
_PARAMETER = re.compile(r"(PV|PS)(\d)_(\d+)")
_SIP = re.compile(r"(A|B|AP|BP)_(ORDER|\d+_\d+)")
_FRAME = ("RADESYS", "EQUINOX", "LONPOLE", "LATPOLE")
_LATITUDE = re.compile(r"DEC-|[A-Z]LAT")
_CELESTIAL = re.compile(r"(RA--|DEC-|[GE]L(ON|AT)|[A-Z]LON|[A-Z]LAT)")
SCALE_ARCSEC = (1e-3, 3599.0)
"""Pixel scales that some instrument has, arcsec; astropy's default for a missing scale is 3600."""

REMEDY = "solve the frame, or give a header with its WCS by --wcs-from FILE"


def has_celestial(header: fits.Header) -> bool:
    """Whether a header names two celestial axes.

    Examples
    --------
    >>> has_celestial(fits.Header([("CTYPE1", "RA---TAN"), ("CTYPE2", "DEC--TAN")]))
    True
    """
    return len(celestial_axes(header)) == 2


def celestial_axes(header: fits.Header) -> list[int]:
    """Numbers of the axes with a celestial CTYPE.

    Examples
    --------
    >>> celestial_axes(fits.Header([("CTYPE1", "RGB"), ("CTYPE2", "RA---TAN"), ("CTYPE3", "DEC--TAN")]))
    [2, 3]
    """
    names = {axis: header.get(f"CTYPE{axis}") for axis in range(1, 10)}
    return [
        axis
        for axis, name in names.items()
        if isinstance(name, str) and _CELESTIAL.match(name.strip().upper())
    ]


def gather_cards(name: str, cards: Cards, axes: list[int]) -> fits.Header:
    """A header of the WCS cards only, numbers checked to be some.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    cards : Cards
    axes : list of int
        The two celestial axes.

    Returns
    -------
    astropy.io.fits.Header
        Longitude is its axis 1, latitude its axis 2; the pixels' axes keep their order.

    Raises
    ------
    FrameWCSError
        If a number stands as a string, or is none.

    Examples
    --------
    >>> header = fits.Header([("CTYPE1", "DEC--TAN"), ("CTYPE2", "RA---TAN"), ("CD1_2", 0.001), ("GAIN", 5)])
    >>> dict(gather_cards("m1.fits", Cards(header, "m1.fits"), [1, 2]))
    {'CTYPE2': 'DEC--TAN', 'CTYPE1': 'RA---TAN', 'CD2_2': 0.001}
    """
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


def settle_matrix(name: str, header: fits.Header, notes: list[str]) -> None:
    """Leave one linear transformation: CD before PC, PC before CROTA; invertible, of a sane scale.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    header : astropy.io.fits.Header
        From :func:`gather_cards`; altered.
    notes : list of str

    Raises
    ------
    FrameWCSError
        If the matrix is singular, or the scale no camera's.

    Examples
    --------
    >>> settle_matrix("m1.fits", fits.Header(dict(CD1_1=1.0, CD2_2=1.0)), [])
    Traceback (most recent call last):
    appulse.errors.FrameWCSError: m1.fits: a pixel scale of 3600 arcsec is no camera's ...
    """
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


def settle_sip(name: str, header: fits.Header, sip: str, notes: list[str]) -> bool:
    """Make CTYPE and the SIP coefficients agree.

    Parameters
    ----------
    name : str
        Of the file.
    header : astropy.io.fits.Header
        From :func:`gather_cards`; altered.
    sip : {'apply', 'ignore'}
        What to do with coefficients that CTYPE does not announce.
    notes : list of str

    Returns
    -------
    bool
        Whether there were coefficients that CTYPE did not announce.

    Raises
    ------
    FrameWCSError
        If the coefficients are incomplete.

    Examples
    --------
    >>> header = fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", A_ORDER=2, B_ORDER=2, A_2_0=1e-7))
    >>> settle_sip("m1.fits", header, "apply", []), header["CTYPE1"]
    (True, 'RA---TAN-SIP')
    """
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
        return not announced
    if announced and not orders:
        notes.append("CTYPE says -SIP, but the header has no SIP coefficients: none applied")
    if bends:
        notes.append("SIP coefficients left out, as asked: CTYPE has no -SIP")
    for key in [key for key in header if _SIP.fullmatch(key)]:
        header.remove(key)
    _announce(header, "")
    return bool(bends)


def _announce(header: fits.Header, suffix: str) -> None:
    for i in (1, 2):
        header[f"CTYPE{i}"] = re.sub("-SIP$", "", str(header[f"CTYPE{i}"]).strip()) + suffix
