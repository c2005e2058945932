"""From a file to a solved frame."""

from collections.abc import Iterable
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS

from appulse.errors import FrameError, FrameTimeError
from appulse.frames.camera import read_camera, read_filter, read_mosaic
from appulse.frames.exposure import Exposure, read_exposure
from appulse.frames.frame import SolvedFrame
from appulse.frames.header import Cards, read_side_header, with_inherited
from appulse.frames.masters import MasterFiles
from appulse.frames.pixels import (
    PixelSource,
    checksum,
    find_image,
    layout_of,
    open_fits,
    power_of_ten,
    scatter_of,
)
from appulse.frames.site_keywords import daylight_notes, read_observer
from appulse.frames.wcs import WcsMap, celestial_wcs
from appulse.observers import Site, SpacecraftVector

REQUIREMENTS = ("wcs", "time", "site")
# EXTNAME of a table of one row an exposure, columns START and END: ISO text or MJD, scale of TIMESYS.
INTERVAL_TABLE = "EXPOSURES"


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
    time_shift_s: float | None = None,
    gain_e_adu: float | None = None,
    read_noise_e: float | None = None,
    saturation_adu: float | None = None,
    mosaic: str | None = None,
    bias=None,
    dark=None,
    flat=None,
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
    time_shift_s : float, optional
        Added to the frame's times, s: -3600 where the clock showed a local time one hour ahead of UTC.
    gain_e_adu, read_noise_e, saturation_adu : float, optional
        Win over the header.
    mosaic : str, optional
        Colour pattern of a raw mosaic by rows from the first pixel, such as ``RGGB``, or ``none``; wins over
        the header.
    bias, dark, flat : str or path, optional
        Master frames that the pixels are calibrated with.
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
        If the file cannot be read (FrameFileError), or holds no image of two axes.
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
    with open_fits(path) as hdus:
        index = find_image(path, hdus, hdu, wcs_from is None)
        header, header_notes = _merged_header(hdus, index)
        layout, layout_notes = layout_of(path, hdus[index])
        intervals = _interval_table(path, hdus)
        scatter = scatter_of(hdus[index])
    cards = Cards(header, path.name)
    wcs, wcs_notes = _wcs(cards, wcs_from, layout.shape, sip)
    pattern, mosaic_notes = read_mosaic(cards, mosaic) if layout.kind == "mono" else (None, ())
    masters, master_notes = _master_files(bias, dark, flat, layout.shape)
    camera, camera_notes = read_camera(
        cards, gain_e_adu=gain_e_adu, read_noise_e=read_noise_e, saturation_adu=saturation_adu
    )
    camera, doubts = camera.believed(scatter)
    camera_notes += doubts
    timing = {"time": time, "time_is": time_is, "exposure_s": exposure_s, "clock_sigma_s": clock_sigma_s}
    exposure, time_notes = _exposure(cards, timing, intervals, "time" in required)
    if time_shift_s and exposure is not None:
        exposure = exposure.shifted(time_shift_s)
        time_notes = (*time_notes, f"all times shifted by {time_shift_s:+g} s, as asked")
    centre = tuple(float(value) for value in WcsMap(wcs).to_sky(*(np.array(layout.shape[::-1]) - 1) / 2))
    observer, site_notes = _observer(cards, exposure, site, centre, "site" in required)
    notes = (
        *header_notes, *layout_notes, *wcs_notes, *mosaic_notes, *master_notes, *camera_notes, *time_notes,
        *site_notes,
    )  # fmt: skip
    seconds = 0.0 if exposure is None else exposure.seconds
    full = None if camera.saturation_adu is None else float(camera.saturation_adu)
    bunit, power = cards.text("BUNIT"), power_of_ten(scatter)
    if power:
        camera, unit = camera.in_units_of(10.0**power), f"10**({power})"
        bunit = f"{unit} {bunit}" if bunit else unit
        notes += (f"pixel values are counted in units of 1e{power:+03d} of those stored",)
    return SolvedFrame(
        wcs=wcs, shape=layout.shape, exposure=exposure, observer=observer, camera=camera, header=header,
        path=path, hdu=index, filter=read_filter(cards), mosaic=pattern, bunit=bunit,
        is_colour=layout.kind != "mono",
        pixel_source=PixelSource(path, index, layout, pattern, masters, seconds, full, power),
        checksum_source=partial(checksum, path), notes=tuple(dict.fromkeys(notes)),
    )  # fmt: skip


def _master_files(bias, dark, flat, shape) -> tuple[MasterFiles | None, tuple[str, ...]]:
    """The files of the masters, and a note of what the pixels are calibrated with."""
    files = MasterFiles(*(None if path is None else Path(path) for path in (bias, dark, flat)))
    if not files:
        return None, ()
    masters = files.read()
    masters.check(shape)
    words = ", ".join(f"{role} {name} ({digest[:12]})" for role, (name, digest) in masters.names.items())
    return files, (f"pixels calibrated with {words}",)


def _checked_requirements(require: Iterable[str]) -> set[str]:
    required = set(require)
    if unknown := required - set(REQUIREMENTS):
        raise FrameError(f"require {sorted(unknown)}: {', '.join(REQUIREMENTS)} are allowed")
    return required


def _merged_header(hdus: fits.HDUList, index: int) -> tuple[fits.Header, tuple[str, ...]]:
    own = hdus[index].header
    merged = own.copy() if index == 0 else with_inherited(own, hdus[0].header)
    if len(merged) == len(own):
        return merged, ()
    return merged, (f"HDU {index} read; what it does not say itself is taken from the primary header",)


def _interval_table(path: Path, hdus: fits.HDUList) -> Table | None:
    if INTERVAL_TABLE not in hdus:
        return None
    extension = hdus[INTERVAL_TABLE]
    names = {name.upper() for name in getattr(extension, "columns", fits.ColDefs([])).names}
    if not {"START", "END"} <= names:
        raise FrameTimeError(
            f"{path.name}: table {INTERVAL_TABLE} needs columns START and END, has {sorted(names)}"
        )
    table = Table(extension.data)
    table.rename_columns(table.colnames, [name.upper() for name in table.colnames])
    return table["START", "END"]


def _wcs(cards: Cards, wcs_from, shape, sip: str) -> tuple[WCS, list[str]]:
    if wcs_from is None:
        return celestial_wcs(cards, shape, sip=sip)
    side = Cards(read_side_header(wcs_from), cards.name)
    wcs, notes = celestial_wcs(side, shape, sip=sip, source=Path(wcs_from).name)
    return wcs, [f"WCS from {Path(wcs_from).name}", *notes]


def _without_name(error: Exception, name: str) -> str:
    return str(error).removeprefix(f"{name}: ")


def _exposure(
    cards: Cards, timing: dict, intervals: Table | None, required: bool
) -> tuple[Exposure | None, tuple[str, ...]]:
    try:
        return read_exposure(cards, intervals=intervals, **timing)
    except FrameTimeError as error:
        # A time that the user gave is never passed over, whether or not one is needed.
        if required or timing["time"] is not None:
            raise
        return None, (f"no time: {_without_name(error, cards.name)}",)
    except FrameError as error:
        raise FrameTimeError(str(error)) from error


def _observer(
    cards: Cards, exposure: Exposure | None, site, centre: tuple[float, float], required: bool
) -> tuple[Site | SpacecraftVector | None, tuple[str, ...]]:
    mid = None if exposure is None else exposure.mid
    span_s = 0.0 if exposure is None else exposure.span_s
    found = read_observer(cards, mid, site, span_s=span_s, field_ra_deg=centre[0])
    notes = found.notes
    if found.problem is not None:
        if required:
            raise found.problem
        notes += (f"no site: {_without_name(found.problem, cards.name)}",)
    if found.observer is not None and mid is not None:
        notes += tuple(daylight_notes(found.observer, mid, *centre))
    return found.observer, notes
