"""The celestial WCS of a header, held against everything that is known to go wrong without a word.

astropy passes over a CRVAL or CD that stands as a string, and so puts the frame at (0, 0) with a degree a
pixel; a missing scale becomes one degree; SIP coefficients count whether or not CTYPE says so. Here each of
these has its own sentence. The header given is never altered: the WCS is built from a copy of its cards.
"""

import logging
import warnings
from contextlib import contextmanager

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

from appulse.constants import ARCSEC_PER_RAD
from appulse.errors import FrameWCSError
from appulse.frames.header import Cards
from appulse.frames.projection import icrf_wcs, pixel_to_sky, sky_to_pixel
from appulse.frames.wcs_cards import (
    MATRIX_CARD,
    REMEDY,
    celestial_axes,
    gather_cards,
    settle_matrix,
    settle_sip,
)
from appulse.numerics.spherical import separation_rad, unit_from_radec

ROUND_TRIP_PX = 1e-3
"""How well a solution must find its own pixels again."""


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
    axes = celestial_axes(cards.header)
    if len(axes) != 2:
        kinds = [str(cards.header[f"CTYPE{i}"]) for i in range(1, 10) if f"CTYPE{i}" in cards.header]
        said = f"CTYPE {', '.join(kinds)}" if kinds else "no CTYPE"
        raise FrameWCSError(
            f"{name}: no celestial WCS ({said}; RA---TAN and DEC--TAN, for example, are needed): {REMEDY}"
        )
    notes: list[str] = []
    _check_distortions(name, cards.header, notes)
    header = gather_cards(name, cards, axes)
    _check_complete(name, header)
    _check_size(name, cards.header, shape, bool(source))
    settle_matrix(name, header, notes)
    unannounced = settle_sip(name, header, sip, notes)
    wcs = _build(name, header, notes)
    wcs.pixel_shape = shape[::-1]
    if unannounced and sip == "apply":
        notes.append(f"SIP coefficients although CTYPE has no -SIP: applied (they move places by up to "
                     f"{_sip_reach(wcs, shape):.1f} arcsec); --sip ignore leaves them out")  # fmt: skip
    _check_mapping(name, wcs, shape, notes)
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
    has_scale = any(MATRIX_CARD.fullmatch(key) and key.startswith("CD") for key in header) or {
        "CDELT1",
        "CDELT2",
    } <= set(header)
    if not has_scale and not any(key.startswith("PC") for key in header):
        raise FrameWCSError(
            f"{name}: a WCS without scale (CD1_1 ... or CDELT1, CDELT2; one degree a pixel would be taken): "
            f"{REMEDY}"
        )


def _check_distortions(name: str, header: fits.Header, notes: list[str]) -> None:
    """Distortions that stand outside the cards read here must not be left out without a word."""
    kinds = {str(header.get(f"CTYPE{i}", "")).strip().upper()[-3:] for i in range(1, 10)}
    text = "".join(str(header[key]) for key in header if key.startswith("WAT"))
    if kinds & {"TNX", "ZPX"} and any(word in text for word in ("lngcor", "latcor", "projp")):
        raise FrameWCSError(
            f"{name}: the distortion of {' and '.join(sorted(kinds & {'TNX', 'ZPX'}))} in WAT cards is not "
            "understood: write the solution as TPV or TAN-SIP, or give a header with it by --wcs-from FILE"
        )
    if any(key.startswith(("CPDIS", "CQDIS", "D2IMDIS", "D2IMARR")) for key in header):
        notes.append(
            "distortion by look-up tables (CPDIS, D2IM) is not applied: places follow the rest of the WCS"
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
    notes.extend(note for one in dict.fromkeys(messages) if (note := _in_our_words(one, header)))
    return wcs


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
