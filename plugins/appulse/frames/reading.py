"""From a file to a solved frame."""

from collections.abc import Iterable
from functools import partial
from pathlib import Path

from astropy.io import fits
from astropy.table import Table

from appulse.errors import FrameError, FrameTimeError
from appulse.frames.camera import read_camera, read_filter, read_mosaic
from appulse.frames.exposure import read_exposure
from appulse.frames.frame import SolvedFrame
from appulse.frames.header import Cards, read_side_header, with_inherited
from appulse.frames.pixels import PixelSource, checksum, find_image, layout_of, open_fits
from appulse.frames.site_keywords import daylight_notes, read_observer
from appulse.frames.wcs import celestial_wcs

REQUIREMENTS = ("wcs", "time", "site")
INTERVAL_TABLE = "EXPOSURES"
"""EXTNAME of a table of one row an exposure, columns START and END: ISO text or MJD, scale of TIMESYS."""


def read_frame(
    path,
    *,
    hdu: int | str | None = None,
    wcs_from=None,
    site=None,
    time=None,
    time_is: str | None = None,
    exposure_s: float | None = None,
    clock_sigma_s: float | None = None,
    gain_e_adu: float | None = None,
    read_noise_e: float | None = None,
    saturation_adu: float | None = None,
    sip: str = "apply",
    require: Iterable[str] = REQUIREMENTS,
) -> SolvedFrame:
    """Read a plate-solved frame; its pixels only when they are asked for.

    Parameters
    ----------
    path : str or path
        FITS, plain, gzipped or tile-compressed.
    hdu : int or str, optional
        Index or name of the HDU; by default the first image with a celestial WCS.
    wcs_from : str or path, optional
        FITS file without data, or plain text of header cards, with the WCS.
    site : Site, SpacecraftVector or str, optional
        Wins over the header.
    time : str or Time, optional
        UTC, or the name of the header's time keyword to believe; wins over the header.
    time_is : {'start', 'mid', 'end'}, optional
        What `time`, or the header's only time, is.
    exposure_s : float, optional
        Time in which light was collected, s; wins over the header.
    clock_sigma_s : float, optional
        One-sigma error of the clock, s.
    gain_e_adu, read_noise_e, saturation_adu : float, optional
        Win over the header.
    sip : {'apply', 'ignore'}
        What to do with SIP coefficients that CTYPE does not announce.
    require : iterable of {'wcs', 'time', 'site'}
        What the frame must have. What is not required and cannot be had is None, with the reason in the
        notes; a WCS is always needed.

    Returns
    -------
    SolvedFrame

    Raises
    ------
    FrameError
        If the file cannot be read.
    FrameWCSError, FrameTimeError, FrameSiteError
        If WCS, time or site are missing, contradictory or absurd; the message begins with the file's name and
        ends with the option that helps.
    SiteError
        If the given site cannot be understood.

    Examples
    --------
    >>> import tempfile
    >>> import numpy as np
    >>> header = fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=246.42, CRVAL2=-24.16,
    ...                           CRPIX1=50.5, CRPIX2=40.5, CDELT1=-0.001, CDELT2=0.001, EXPTIME=60.0))
    >>> header["DATE-BEG"] = "2027-05-04T22:35:30"
    >>> header["OBSGEO-L"], header["OBSGEO-B"], header["OBSGEO-H"] = 20.5, -23.0, 1250.0
    >>> path = Path(tempfile.mkdtemp()) / "m1.fits"
    >>> fits.writeto(path, np.ones((80, 100), dtype=np.int16), header)
    >>> frame = read_frame(path)
    >>> print(frame, frame.data.mean())
    m1.fits: 100 x 80 px at RA 246.4200, Dec -24.1600 deg, 2027-05-04T22:36:00.000 UTC 1.0
    """
    path = Path(path)
    required = _checked_requirements(require)
    notes: list[str] = []
    with open_fits(path) as hdus:
        index = find_image(path, hdus, hdu, wcs_from is None)
        header = _merged_header(hdus, index, notes)
        layout = layout_of(path, hdus[index], notes)
        intervals = _interval_table(path, hdus)
    cards = Cards(header, path.name)
    wcs = _wcs(cards, header, wcs_from, layout.shape, sip, notes)
    mosaic = read_mosaic(cards, notes) if layout.kind == "mono" else None
    frame = SolvedFrame(
        wcs=wcs,
        shape=layout.shape,
        exposure=None,
        observer=None,
        camera=read_camera(
            cards, notes, gain_e_adu=gain_e_adu, read_noise_e=read_noise_e, saturation_adu=saturation_adu
        ),
        header=header,
        path=path,
        hdu=index,
        filter=read_filter(cards),
        mosaic=mosaic,
        bunit=cards.text("BUNIT"),
        is_colour=layout.kind != "mono",
        pixel_source=PixelSource(path, index, layout, mosaic),
        checksum_source=partial(checksum, path),
    )
    timing = {"time": time, "time_is": time_is, "exposure_s": exposure_s, "clock_sigma_s": clock_sigma_s}
    _add_exposure(frame, cards, timing, intervals, "time" in required, notes)
    _add_observer(frame, cards, site, "site" in required, notes)
    frame.notes = tuple(dict.fromkeys(notes))
    return frame


def _checked_requirements(require: Iterable[str]) -> set[str]:
    required = set(require)
    if unknown := required - set(REQUIREMENTS):
        raise FrameError(f"require {sorted(unknown)}: {', '.join(REQUIREMENTS)} are allowed")
    return required


def _merged_header(hdus: fits.HDUList, index: int, notes: list[str]) -> fits.Header:
    own = hdus[index].header
    if index == 0:
        return own.copy()
    merged = with_inherited(own, hdus[0].header)
    if len(merged) > len(own):
        notes.append(f"HDU {index} read; what it does not say itself is taken from the primary header")
    return merged


def _interval_table(path: Path, hdus: fits.HDUList) -> Table | None:
    if INTERVAL_TABLE not in hdus:
        return None
    one = hdus[INTERVAL_TABLE]
    names = {name.upper() for name in getattr(one, "columns", fits.ColDefs([])).names}
    if not {"START", "END"} <= names:
        raise FrameTimeError(
            f"{path.name}: table {INTERVAL_TABLE} needs columns START and END, has {sorted(names)}"
        )
    table = Table(one.data)
    table.rename_columns(table.colnames, [name.upper() for name in table.colnames])
    return table["START", "END"]


def _wcs(cards: Cards, header: fits.Header, wcs_from, shape, sip: str, notes: list[str]):
    if wcs_from is None:
        wcs, more = celestial_wcs(cards, shape, sip=sip)
    else:
        side = Cards(read_side_header(wcs_from), cards.name)
        wcs, more = celestial_wcs(side, shape, sip=sip, source=Path(wcs_from).name)
        notes.append(f"WCS from {Path(wcs_from).name}")
    notes.extend(more)
    return wcs


def _without_name(error: Exception, name: str) -> str:
    return str(error).removeprefix(f"{name}: ")


def _add_exposure(frame: SolvedFrame, cards: Cards, timing: dict, intervals, required: bool, notes) -> None:
    try:
        frame.exposure, more = read_exposure(cards, intervals=intervals, **timing)
    except FrameTimeError as error:
        if required or timing["time"] is not None:
            raise
        notes.append(f"no time: {_without_name(error, cards.name)}")
        return
    except FrameError as error:
        raise FrameTimeError(str(error)) from error
    notes.extend(more)


def _add_observer(frame: SolvedFrame, cards: Cards, site, required: bool, notes) -> None:
    mid = None if frame.exposure is None else frame.exposure.mid
    span_s = 0.0 if frame.exposure is None else frame.exposure.span_s
    found = read_observer(cards, mid, site, span_s=span_s, field_ra_deg=frame.centre[0])
    notes.extend(found.notes)
    if found.problem is not None:
        if required:
            raise found.problem
        notes.append(f"no site: {_without_name(found.problem, cards.name)}")
    frame.observer = found.observer
    if found.observer is not None and mid is not None:
        notes.extend(daylight_notes(found.observer, mid, *frame.centre))
