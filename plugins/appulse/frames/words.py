"""A frame in plain words."""

from appulse.formats.site_settings import PRIVATE_SOURCE
from appulse.frames.solved import SolvedFrame
from appulse.observers.site import Site
from appulse.observers.timescales import quiet_erfa


def describe(frame: SolvedFrame, *, checksum: bool = False) -> list[str]:
    """What is understood of a frame, one line a fact.

    Parameters
    ----------
    frame : SolvedFrame
    checksum : bool
        Whether to add the file's SHA-256.

    Returns
    -------
    list of str
        The first line names the frame, the others are indented.

    Examples
    --------
    >>> import numpy as np
    >>> from astropy.io import fits
    >>> header = fits.Header(dict(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=10.0, CRVAL2=0.0, CRPIX1=50.5,
    ...                           CRPIX2=50.5, CDELT1=-0.001, CDELT2=0.001))
    >>> print("\\n".join(describe(SolvedFrame.from_arrays(np.zeros((100, 100)), header))))
    frame
      image    100 x 100 px, mono
      sky      centre RA 10.00000, Dec +0.00000 deg (ICRF); RA---TAN
               3.60000 arcsec/px, 0.100 x 0.100 deg, +y at PA 0.00 deg, as the sky is seen
      time     unknown
      site     unknown
      camera   nothing known
    """
    lines = [
        frame.name,
        *_image(frame),
        *_sky(frame),
        *_time(frame),
        f"  site     {_site(frame.observer)}",
        f"  camera   {frame.camera}" + (f"; filter {frame.filter}" if frame.filter else ""),
    ]
    if checksum and frame.checksum:
        lines.append(f"  sha256   {frame.checksum}")
    return lines + [f"  note     {note}" for note in frame.notes]


def _image(frame: SolvedFrame) -> list[str]:
    ny, nx = frame.shape
    kind = "colour" if frame.is_colour else f"raw mosaic {frame.mosaic}" if frame.mosaic else "mono"
    where = f", HDU {frame.hdu}" if frame.hdu is not None else ""
    return [f"  image    {nx} x {ny} px, {kind}{where}" + (f", unit {frame.bunit}" if frame.bunit else "")]


def _sky(frame: SolvedFrame) -> list[str]:
    ny, nx = frame.shape
    (ra, dec), scale = frame.centre, frame.pixel_scale
    side = "as the sky is seen" if frame.parity > 0 else "mirrored"
    # A hair below 360 is 0, and -0 is 0.
    angle = abs(round(frame.rotation_deg, 2) % 360.0)
    width, height = nx * scale / 3600.0, ny * scale / 3600.0
    return [
        f"  sky      centre RA {ra:.5f}, Dec {dec:+.5f} deg (ICRF); {_projection(frame)}",
        f"           {scale:.5f} arcsec/px, {width:.3f} x {height:.3f} deg, +y at PA {angle:.2f} deg, {side}",
    ]


def _time(frame: SolvedFrame) -> list[str]:
    one = frame.exposure
    if one is None:
        return ["  time     unknown"]
    with quiet_erfa():
        start, mid, end = one.start.isot, one.mid.isot, one.end.isot
    clock = "" if one.clock_sigma_s is None else f"; clock good to {one.clock_sigma_s:g} s (1 sigma)"
    kind = f"stack of {one.n_sub} exposures, " if one.is_stack else ""
    known = f"; {len(one.intervals)} exposures known one by one" if one.intervals is not None else ""
    return [
        f"  time     middle {mid} UTC{clock}",
        f"           {kind}{start} to {end} UTC ({one.span_s:g} s), light {one.seconds:g} s{known}",
        f"           from {one.derivation}",
    ]


def _site(observer) -> str:
    if observer is None:
        return "unknown"
    name = f"{observer.code} {observer.name}" if observer.code else observer.name
    if not isinstance(observer, Site):
        return f"{name}, in space (vector from the {observer.origin})"
    if observer.is_geocentre:
        return "geocentre"
    lon, lat, height = observer.geodetic
    if observer.source == PRIVATE_SOURCE:
        return f"{name}: about longitude {lon:+.1f}, latitude {lat:+.1f} deg; {observer.source}"
    return (
        f"{name}: longitude {lon:+.5f} (east +), latitude {lat:+.5f} deg, {height:.0f} m; {observer.source}"
    )


def _projection(frame):
    """The projection as the header names it: the WCS library has names of its own for some."""
    told = str(frame.header.get("CTYPE1", "")).strip()
    return told or frame.wcs.wcs.ctype[0]
