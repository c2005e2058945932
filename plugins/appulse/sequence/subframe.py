"""One frame on its way through the night: its masters, its stars, its brightness made like the reference's.

Of calibration there is as much as the pictures need: masters, hot pixels and colour mosaics. The level is
one factor from the stars and one tilted plane from the sky. What a frame has more of than the reference
(moonlight, twilight, dew) is smooth; a nebula is in both and drops out of the difference. So only a plane is
taken off, and only of the difference.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage

from appulse.astrometry import PSF, detect_stars, sky_mesh, survey_frame
from appulse.errors import InputError
from appulse.numerics import MAD_TO_SIGMA, mad_sigma
from appulse.registration import COARSER, MESH, READING, Alignment, PixelMap, StarList
from appulse.sequence.parts import digest

NODES = 24
"""Places along the longer side of the grid at which the skies are compared."""
FRAME_BYTES = 1.6e9
"""For the frames that are worked on at once."""
MAX_FITTED = 70
"""Careful fits of a frame: more would not place it better, and each takes a millisecond."""
QUICK_FWHM = 2.0
"""px: sharper than most stars, so that a preview passes none of them over."""


@dataclass(frozen=True)
class Level:
    """``levelled = factor * value - (c0 + cx x + cy y)``, x and y in grid pixels."""

    factor: float
    # (3,) array; c0, cx, cy.
    plane: np.ndarray
    # Scatter of a pixel of the levelled frame on empty sky.
    sigma: float
    # Noise by which such pixels add up over an aperture: resampling to a finer grid correlates neighbours, so
    # that it is larger than `sigma`.
    white: float
    # Level of its sky after levelling: that of the reference.
    sky: float

    def apply(self, values, x0=0, y0=0):
        """Levelled values of a box of the frame on the grid whose corner is (x0, y0); float32."""
        y = np.arange(values.shape[0], dtype=np.float32)[:, None] + np.float32(y0)
        x = np.arange(values.shape[1], dtype=np.float32)[None, :] + np.float32(x0)
        c0, cx, cy = (np.float32(c) for c in self.plane)
        return np.float32(self.factor) * values - (c0 + cx * x + cy * y)


def sky_on_grid(stars, wcs, shape, grid, places):
    """Sky level of a frame at grid places; NaN off the frame. `places` is (n, 2)."""
    mapped = PixelMap.between(grid, wcs)
    where = [places[:, 1] / MESH + 1.0, places[:, 0] / MESH + 1.0]
    fx, fy = (ndimage.map_coordinates(m, where, order=1, mode="nearest") for m in (mapped.x, mapped.y))
    mesh = [(fy + 0.5) / stars.box - 0.5, (fx + 0.5) / stars.box - 0.5]
    level = ndimage.map_coordinates(stars.sky_level, mesh, order=1, mode="nearest")
    inside = (fx >= 0) & (fy >= 0) & (fx <= shape[1] - 1) & (fy <= shape[0] - 1)
    return np.where(inside, level, np.nan)


def grid_places(grid) -> np.ndarray:
    """Places at which skies are compared, (n, 2) grid px."""
    ny, nx = grid.shape
    step = max(nx, ny) / NODES
    y, x = np.meshgrid(np.arange(step / 2, ny, step), np.arange(step / 2, nx, step), indexing="ij")
    return np.column_stack([x.ravel(), y.ravel()])


def level_to(reference_sky, sky, places, factor, sigma, typical, area=1.0) -> Level:
    """Level of one frame against the reference."""
    difference = factor * sky - reference_sky
    good = np.isfinite(difference)
    plane = np.zeros(3)
    if good.sum() >= 1:
        plane[0] = np.median(difference[good])
    if good.sum() >= 5:
        design = np.column_stack([np.ones(good.sum()), places[good]])
        values = difference[good]
        keep = np.ones(len(values), dtype=bool)
        for _ in range(6):
            plane = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
            off = np.abs(values - design @ plane)
            limit = 3.5 * max(MAD_TO_SIGMA * np.median(off[keep]), 1e-9 * max(abs(typical), 1e-9))
            keep = off <= limit
            if keep.sum() < 5:
                break
    white = factor * sigma / np.sqrt(area)
    # On a coarser grid each pixel is a mean of many; on a finer one it is an interpolation between few.
    own = white if np.sqrt(area) > COARSER else factor * sigma
    return Level(float(factor), plane, float(own), float(white), float(typical))


@dataclass(frozen=True)
class Subframe:
    """One frame on its way through the night."""

    # Calibrated; binned for a preview.
    frame: object
    # Gives the digest of its bytes and of what was done to it: a whole file is read for it, hence later.
    key: object
    place: object
    # On which its stars are looked for, where that is not `frame`: the mosaic of a colour frame.
    look: object = None
    stars: StarList | None = None
    alignment: Alignment | None = None
    grade: dict = field(default_factory=dict)
    level: Level | None = None

    @property
    def keep(self) -> bool:
        """Whether the frame goes into the stacks."""
        return bool(self.grade.get("keep", True))

    def smaller(self, step: int) -> "Subframe":
        """The subframe with `step` by `step` pixels taken together, not yet looked at."""
        unique = digest(str(self.frame.path), self.frame.name, self.place.time, step)
        return Subframe(binned(self.frame, step), lambda: unique, self.place)

    @property
    def gain(self) -> float:
        """Electrons per stored unit; infinite where unknown."""
        known = self.frame.camera.gain_e_adu
        return float(known) if known is not None else np.inf

    @property
    def photon_gain(self) -> float:
        """The same; where the camera does not say, what level and scatter of the sky say."""
        from appulse.astrometry import frame_noise

        return frame_noise(self.frame.camera, self.stars.sky, self.stars.sky_sigma).gain_e_adu


def binned(frame, step: int):
    """A frame with `step` by `step` pixels taken together: for previews."""
    if step == 1:
        return frame
    ny, nx = (n // step for n in frame.shape)
    source = frame
    small = []

    def pixels():
        if small:  # it takes no room, and the file is read once
            return small[0]
        planes = source.colour if source.is_colour else source.data
        cut = planes[..., : ny * step, : nx * step]
        out = cut.reshape(*cut.shape[:-2], ny, step, nx, step).mean(axis=(-3, -1), dtype=np.float32)
        source.release()
        small.append(out)
        return out

    wcs = frame.wcs.deepcopy()
    wcs.wcs.crpix = (wcs.wcs.crpix - 0.5) / step + 0.5
    if wcs.wcs.has_cd():
        wcs.wcs.cd = wcs.wcs.cd * step
    else:
        wcs.wcs.cdelt = wcs.wcs.cdelt * step
    wcs.sip = None
    wcs.wcs.ctype = [name.removesuffix("-SIP") for name in wcs.wcs.ctype]
    wcs.wcs.set()
    return replace(
        frame, wcs=wcs, shape=(ny, nx), pixel_source=pixels, checksum_source=lambda: frame.checksum
    )


def subframe_of(frame, place, masters, settings) -> Subframe:
    """A frame made ready to be looked at."""
    known = {}
    ready = binned(calibrated(frame, masters, mend_hot=settings.mend_hot, known=known), settings.bin)
    named = None if masters is None else masters.names
    header = ready.wcs.to_header_string(relax=True)

    def key():
        return digest(frame.checksum or frame.name, named, settings.mend_hot, settings.bin, header)

    look = None
    if frame.mosaic and settings.bin == 1:
        look = calibrated(frame, masters, mend_hot=settings.mend_hot, as_mosaic=True, known=known)
    return Subframe(ready, key, place, look)


def at_once(subframes, workers) -> int:
    """How many frames may be worked on at the same time, so that memory stays bounded."""
    largest = max(
        (np.prod(subframe.frame.shape) * (3 if subframe.frame.is_colour else 1) for subframe in subframes),
        default=1,
    )
    # The pixels and three times as much on the way to the grid.
    return int(max(1, min(workers, FRAME_BYTES // (16 * largest))))


def star_list(frame) -> StarList:
    """Look at a frame once: sky, noise, PSF, and careful places of its brightest stars."""
    data = frame.data
    looked = survey_frame(frame)
    if looked.psf.n_stars == 0 and (width := _compact_width(data, looked.sky)) is not None:
        # A bright nebula may hide the stars from the search for a PSF; their width is known all the same.
        looked = survey_frame(frame, psf=PSF.round(width))
    psf = looked.psf.at((frame.shape[1] - 1) / 2, (frame.shape[0] - 1) / 2)
    major, minor = psf.axes
    fits = looked.star_fits(np.arange(min(len(looked.sources), 3 * MAX_FITTED)))
    with np.errstate(invalid="ignore"):
        kept = np.flatnonzero(fits.good & (fits.snr >= 8) & (fits.n_saturated == 0))[:MAX_FITTED]
    x, y, flux, snr = (column[kept] for column in (fits.x, fits.y, fits.flux, fits.snr))
    sigma = np.sqrt(np.trace(fits.cov[kept], axis1=1, axis2=2) / 2)
    level, noise = looked.sky.typical
    sources = np.column_stack([looked.sources["x"], looked.sources["y"]])[:3000]
    return StarList(
        x, y, flux, snr, sigma, sources, looked.psf.fwhm, 1.0 - minor / major, level, noise,
        looked.sky.level, looked.sky.sigma, looked.sky.box, len(looked.sources), tuple(looked.notes),
    )  # fmt: skip


def _compact_width(data, sky):
    """Median FWHM of the round, sharp sources, px; None with fewer than five."""
    found = detect_stars(data, sky=sky, fwhm=QUICK_FWHM)
    good = (found["snr"] > 20) & (found["round"] > 0.6) & (found["fwhm"] < 4 * QUICK_FWHM)
    return float(np.median(found["fwhm"][good])) if np.sum(good) >= 5 else None


def quick_list(frame) -> StarList:
    """As :func:`star_list`, in a moment: places to a few tenths of a pixel, for previews."""
    sky = sky_mesh(frame.data)
    found = detect_stars(frame.data, sky=sky, fwhm=QUICK_FWHM)[:MAX_FITTED]
    level, noise = sky.typical
    x, y, flux, snr = (np.asarray(found[name], dtype=float) for name in ("x", "y", "flux", "snr"))
    return StarList(
        x, y, flux, snr, np.full(len(x), 0.3), np.column_stack([x, y]), QUICK_FWHM, 0.0, level, noise,
        sky.level, sky.sigma, sky.box, len(x),
    )  # fmt: skip


HOT_SIGMAS = 15.0
HOT_NEIGHBOUR = 0.2
"""A single bright pixel is hot if its brightest neighbour has less than this part of its light: a star of
FWHM 1.6 px still gives its neighbour a third."""


def hot_pixels(plane, sky, sigma) -> tuple[np.ndarray, np.ndarray]:
    """Rows and columns of single bright pixels that no star can be."""
    with np.errstate(invalid="ignore"):
        rows, columns = np.nonzero(plane > sky + HOT_SIGMAS * sigma)
    inner = (rows > 0) & (rows < plane.shape[0] - 1) & (columns > 0) & (columns < plane.shape[1] - 1)
    rows, columns = rows[inner], columns[inner]
    steps = [(j, i) for j in (-1, 0, 1) for i in (-1, 0, 1) if (j, i) != (0, 0)]
    around = np.stack([plane[rows + j, columns + i] for j, i in steps], axis=1)
    if len(rows) == 0:
        return rows, columns
    # The lowest neighbour: their median would be the star's own light.
    base = np.nanmin(around, axis=1)
    excess, neighbour = plane[rows, columns] - base, np.nanmax(around, axis=1) - base
    hot = (excess > HOT_SIGMAS * sigma) & (neighbour < np.maximum(HOT_NEIGHBOUR * excess, 4.0 * sigma))
    hot &= neighbour < 0.5 * excess
    return rows[hot], columns[hot]


def demosaic(plane, pattern) -> np.ndarray:
    """Red, green and blue of a raw mosaic: each colour's own pixels, and between them their weighted mean."""
    if len(pattern) != 4 or set(pattern) != set("RGB"):
        raise InputError(f"colour mosaic {pattern!r}: four letters out of R, G and B are understood")
    line = np.array([1.0, 2.0, 1.0], dtype=np.float32)
    ny, nx = plane.shape
    out = np.empty((3, ny, nx), dtype=np.float32)
    for k, colour in enumerate("RGB"):
        own = np.array([[letter == colour for letter in pattern]]).reshape(2, 2)
        # Mirrored at an edge pixel the pattern goes on as before: its weights are the same all over.
        share = ndimage.convolve(own.astype(np.float32), np.outer(line, line), mode="wrap")
        light = np.zeros((ny, nx), dtype=np.float32)
        for j, i in np.argwhere(own):
            light[j::2, i::2] = plane[j::2, i::2]
        for axis in (0, 1):
            light = ndimage.convolve1d(light, line, axis=axis, mode="mirror")
        for j, i in np.ndindex(2, 2):
            place = slice(j, None, 2), slice(i, None, 2)
            out[k][place] = plane[place] if own[j, i] else light[place] / share[j, i]
    return out


def calibrated(frame, masters=None, *, mend_hot=True, as_mosaic=False, known=None):
    """A frame with its pixels calibrated; the file is not touched."""
    seconds = frame.exposure.seconds if frame.exposure is not None else 0.0
    # Another's pixels are neither used nor freed: a viewer may be showing them.
    own = replace(frame)
    known = {} if known is None else known
    between = frame.mosaic if frame.mosaic and not as_mosaic else None

    def pixels():
        with READING:
            planes = own.colour if own.is_colour else own.data
            own.release()
        if masters is not None and masters.names:
            planes = masters.apply(planes, seconds)
        if mend_hot:
            planes = np.array(planes, dtype=np.float32)
            for index, plane in enumerate(planes if planes.ndim == 3 else [planes]):
                if index not in known:  # the frame is read twice, looked at, then resampled: found once
                    known[index] = _hot_in_mosaic(plane) if frame.mosaic else _hot(plane)
                plane[known[index]] = np.nan
        return demosaic(planes, between) if between else planes

    is_colour = frame.is_colour or bool(between)
    return replace(
        frame, pixel_source=pixels, checksum_source=lambda: frame.checksum, is_colour=is_colour, mosaic=None
    )


def _hot(plane):
    sample = plane[:: max(1, plane.shape[0] // 300), :: max(1, plane.shape[1] // 300)]
    middle, sigma = float(np.nanmedian(sample)), mad_sigma(sample)
    none = np.empty(0, dtype=int)
    return hot_pixels(plane, middle, sigma) if sigma > 0 else (none, none)


def _hot_in_mosaic(plane):
    """Hot among the pixels of their own colour, and among all: a star's core has light next to it in any."""
    alone = np.zeros(plane.shape, dtype=bool)
    for j in (0, 1):
        for i in (0, 1):
            rows, columns = _hot(plane[j::2, i::2])
            alone[2 * rows + j, 2 * columns + i] = True
    both = np.zeros(plane.shape, dtype=bool)
    both[_hot(plane)] = True
    return np.nonzero(alone & both)
