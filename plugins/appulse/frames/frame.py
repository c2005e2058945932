"""A solved frame: pixels with a celestial WCS, when and where the light was collected, the camera."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

from appulse.errors import FrameError
from appulse.formats import PRIVATE_SOURCE
from appulse.frames.camera import Camera
from appulse.frames.exposure import Exposure
from appulse.frames.wcs import SkyMap, WcsMap, icrf_wcs
from appulse.numerics import mad_sigma, separation_rad, unit_from_radec
from appulse.observers import Site, quiet_erfa

NOT_SQUARE = 0.005
"""Sides of a pixel that differ by more are said."""


@dataclass(eq=False)
class SolvedFrame(SkyMap):
    """A frame whose every pixel has a place on the sky.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Celestial, two axes, in ICRF axes whatever the file had (see :mod:`appulse.frames.wcs`).
    shape : (int, int)
        Rows and columns (ny, nx) of the measuring plane.
    exposure : Exposure or None
        None where the frame has no usable time and none was required.
    observer : Site, SpacecraftVector or None
        None where the frame does not say where it was taken and it was not required.
    camera : Camera
    header : astropy.io.fits.Header
        As in the file; an extension's own keywords before those inherited from the primary header.
    path : Path, optional
    hdu : int, optional
        Index of the HDU in the file.
    notes : tuple of str
        What had to be understood, assumed or passed over on reading, in words.
    filter : str, optional
    mosaic : str, optional
        Colour-filter pattern of a raw mosaic, by rows from pixel (0, 0), e.g. ``RGGB``.
    bunit : str, optional
        Unit of the stored numbers as the header has it.

    Notes
    -----
    Pixels are zero-based: (x, y) = (0, 0) is the centre of the first pixel of the first row. Sky is RA and
    Dec in degrees, ICRF.
    """

    wcs: WCS
    shape: tuple[int, int]
    exposure: Exposure | None
    observer: Any | None
    camera: Camera = field(default_factory=Camera)
    header: fits.Header = field(default_factory=fits.Header, repr=False)
    path: Path | None = None
    hdu: int | None = None
    notes: tuple[str, ...] = ()
    filter: str | None = None
    mosaic: str | None = None
    bunit: str | None = None
    label: str = "frame"
    is_colour: bool = False
    pixel_source: Callable[[], np.ndarray] | None = field(default=None, repr=False)
    checksum_source: Callable[[], str] | None = field(default=None, repr=False)

    @classmethod
    def from_arrays(cls, data, wcs, exposure=None, observer=None, camera=None, **more) -> "SolvedFrame":
        """A frame out of memory.

        Parameters
        ----------
        data : array, shape (ny, nx), or (3, ny, nx) for red, green, blue
        wcs : astropy.wcs.WCS or astropy.io.fits.Header
            Celestial; turned to ICRF axes if it is not.
        exposure : Exposure, optional
        observer : Site or SpacecraftVector, optional
        camera : Camera, optional
        **more
            `header`, `path`, `hdu`, `notes`, `filter`, `label` of the class.

        Returns
        -------
        SolvedFrame

        Raises
        ------
        FrameError
            If the data are not an image.
        FrameWCSError
            If the WCS is not celestial or cannot be turned to ICRF.

        Examples
        --------
        >>> wcs = WCS(naxis=2)
        >>> wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-0.001, 0.001]
        >>> wcs.wcs.crval, wcs.wcs.crpix = [246.42, -24.16], [50.5, 40.5]
        >>> frame = SolvedFrame.from_arrays(np.zeros((80, 100)), wcs)
        >>> frame.shape, round(frame.pixel_scale, 6), frame.parity
        ((80, 100), 3.6, 1)
        >>> x, y = frame.to_pixel(246.42, -24.16)
        >>> round(float(x), 9), round(float(y), 9)
        (49.5, 39.5)
        """
        planes = np.asarray(data)
        if planes.ndim not in (2, 3) or (planes.ndim == 3 and planes.shape[0] != 3) or 0 in planes.shape:
            raise FrameError(f"data of shape {planes.shape}: an image of (ny, nx) or (3, ny, nx) is needed")
        celestial, notes = icrf_wcs(wcs, planes.shape[-2:])
        more["notes"] = tuple(more.pop("notes", ())) + tuple(notes)
        return cls(
            wcs=celestial, shape=tuple(int(n) for n in planes.shape[-2:]), exposure=exposure,
            observer=observer, camera=camera if camera is not None else Camera(),
            is_colour=planes.ndim == 3, pixel_source=lambda: planes, **more,
        )  # fmt: skip

    @property
    def name(self) -> str:
        """The file's name, or a label."""
        return self.path.name if self.path is not None else self.label

    @cached_property
    def checksum(self) -> str | None:
        """SHA-256 of the file as it lies there, in hexadecimal; None out of memory."""
        return None if self.checksum_source is None else self.checksum_source()

    # --- pixels

    @cached_property
    def _planes(self) -> np.ndarray:
        if self.pixel_source is None:
            raise FrameError(f"{self.name}: this frame has no pixels, only a header")
        planes = np.asarray(self.pixel_source(), dtype=np.float32)
        if planes.shape[-2:] != self.shape:
            raise FrameError(f"{self.name}: pixels of shape {planes.shape}, expected {self.shape}")
        return planes

    @cached_property
    def data(self) -> np.ndarray:
        """Measuring plane, float32, (ny, nx): the pixels, or a colour frame's planes weighted by noise."""
        # Read when first asked for; blank pixels are NaN.
        return self._planes if self._planes.ndim == 2 else luminance(self._planes)

    @property
    def colour(self) -> np.ndarray | None:
        """Red, green and blue planes, float32, shape (3, ny, nx); None for a mono frame or a mosaic."""
        return self._planes if self.is_colour else None

    def release(self) -> None:
        """Free the pixels; they are read again when asked for."""
        for name in ("_planes", "data"):
            self.__dict__.pop(name, None)

    # --- sky and pixels

    @cached_property
    def _map(self) -> WcsMap:
        return WcsMap(self.wcs)

    def to_pixel(self, ra_deg, dec_deg):
        return self._map.to_pixel(ra_deg, dec_deg)

    def to_sky(self, x, y):
        return self._map.to_sky(x, y)

    def contains(self, ra_deg, dec_deg, margin_px: float = 0.0) -> np.ndarray:
        """Whether sky places fall on the frame or within `margin_px` of its edge; bool, their shape."""
        x, y = self.to_pixel(ra_deg, dec_deg)
        ny, nx = self.shape
        low, margin = -0.5 - margin_px, -0.5 + margin_px
        return (x >= low) & (x <= nx + margin) & (y >= low) & (y <= ny + margin)

    # --- geometry, of the frame's centre

    @cached_property
    def centre(self) -> tuple[float, float]:
        """RA and Dec of the frame's centre, degrees, ICRF."""
        ny, nx = self.shape
        ra, dec = self.to_sky((nx - 1) / 2, (ny - 1) / 2)
        return float(ra), float(dec)

    @cached_property
    def _jacobian(self) -> np.ndarray:
        return self.jacobian((self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2)

    @property
    def pixel_scale(self) -> float:
        """Arcsec per pixel at the centre (square root of the pixel's area)."""
        return float(np.sqrt(abs(np.linalg.det(self._jacobian))))

    @property
    def pixel_sides(self) -> tuple[float, float]:
        """Arcsec of one pixel along x and along y, at the centre."""
        across, up = np.hypot(*self._jacobian)
        return float(across), float(up)

    @property
    def rotation_deg(self) -> float:
        """Position angle of the +y axis at the centre, degrees from north through east, 0 to 360."""
        east, north = self._jacobian[:, 1]
        return float(np.degrees(np.arctan2(east, north)) % 360.0)

    @property
    def parity(self) -> int:
        """+1 as the sky is seen (north up, east left), -1 mirrored; with rows counted upwards."""
        return 1 if np.linalg.det(self._jacobian) < 0.0 else -1

    @cached_property
    def footprint(self) -> np.ndarray:
        """RA and Dec of the outer corners, degrees, shape (4, 2), counted with x, then y."""
        ny, nx = self.shape
        x, y = np.array([-0.5, nx - 0.5, nx - 0.5, -0.5]), np.array([-0.5, -0.5, ny - 0.5, ny - 0.5])
        return np.stack(self.to_sky(x, y), axis=1)

    @cached_property
    def radius_deg(self) -> float:
        """Angle from the centre to the farthest corner, degrees."""
        corners = unit_from_radec(self.footprint[:, 0], self.footprint[:, 1])
        return float(np.degrees(np.nanmax(separation_rad(unit_from_radec(*self.centre), corners))))

    def away_deg(self, ra: float, dec: float) -> float:
        """Angle of a place (ICRF, degrees) from the middle of the frame, degrees."""
        return float(np.degrees(separation_rad(unit_from_radec(*self.centre), unit_from_radec(ra, dec))))

    def __str__(self) -> str:
        when = "no time" if self.exposure is None else f"{self.exposure.mid.isot} UTC"
        ra, dec = self.centre
        return f"{self.name}: {self.shape[1]} x {self.shape[0]} px at RA {ra:.4f}, Dec {dec:.4f} deg, {when}"


def luminance(planes: np.ndarray) -> np.ndarray:
    """Mean of colour planes weighted by the inverse variance of each one's sky, float32, (ny, nx)."""
    # Neighbouring pixels differ by noise; a plane without any says nothing of its noise.
    step = max(1, planes.shape[1] // 300), max(1, planes.shape[2] // 300)
    sigma = np.array([mad_sigma(np.diff(plane[:: step[0]], axis=1)[:, :: step[1]]) for plane in planes])
    if not np.all(sigma > 0):
        return planes.mean(axis=0, dtype=np.float32)
    weights = (sigma**-2.0 / np.sum(sigma**-2.0)).astype(np.float32)
    return np.tensordot(weights, planes, axes=1)


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
        frame.name, *_image(frame), *_sky(frame), *_time(frame), f"  site     {_site(frame.observer)}",
        f"  camera   {frame.camera}" + (f"; filter {frame.filter}" if frame.filter else ""),
    ]  # fmt: skip
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
    across, up = frame.pixel_sides
    width, height = nx * across / 3600.0, ny * up / 3600.0
    square = abs(across / up - 1.0) < NOT_SQUARE
    scales = f"{scale:.5f} arcsec/px" if square else f"{across:.5f} x {up:.5f} arcsec/px (not square)"
    return [
        f"  sky      centre RA {ra:.5f}, Dec {dec:+.5f} deg (ICRF); {_projection(frame)}",
        f"           {scales}, {width:.3f} x {height:.3f} deg, +y at PA {angle:.2f} deg, {side}",
    ]


def _time(frame: SolvedFrame) -> list[str]:
    exposure = frame.exposure
    if exposure is None:
        return ["  time     unknown"]
    with quiet_erfa():
        start, mid, end = exposure.start.isot, exposure.mid.isot, exposure.end.isot
    sigma_s, intervals = exposure.clock_sigma_s, exposure.intervals
    clock = "" if sigma_s is None else f"; clock good to {sigma_s:g} s (1 sigma)"
    kind = f"stack of {exposure.n_sub} exposures, " if exposure.is_stack else ""
    known = "" if intervals is None else f"; {len(intervals)} exposures known one by one"
    return [
        f"  time     middle {mid} UTC{clock}",
        f"           {kind}{start} to {end} UTC ({exposure.span_s:g} s), light {exposure.seconds:g} s{known}",
        f"           from {exposure.derivation}",
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
