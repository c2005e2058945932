"""What light is on a frame: all its sources, a body near its predicted place, and what the pixels are like.

`survey_frame` is the one look at a frame that everything shares which measures on it::

    frame --> sky mesh --> sources --> PSF from the best stars --> places of the brightest sources

`detect_stars` goes strip by strip: quick on large frames and sparing with memory.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from astropy.table import Table
from scipy import ndimage, special

from appulse.astrometry.colours_apart import colours_apart
from appulse.astrometry.psf import POINT, PSF, FieldPSF, Trail
from appulse.astrometry.sky import SkyMesh, level_mosaic_sky, pixel_noise, sky_mesh
from appulse.astrometry.stamp import Noise, frame_noise
from appulse.astrometry.star_fit import NARROWEST_FWHM, Pixels, StarFits, fit_stars, psf_from_stars
from appulse.constants import FWHM_PER_SIGMA
from appulse.errors import MeasurementError
from appulse.numerics import box_mean, mad_sigma, normal_isf, separable_filter
from appulse.registration import (
    Bad,
    Marked,
    Mended,
    TrailLine,
    bad_pixels,
    mosaic_colours,
    satellite_trails,
    sharper,
)

STRIP_ROWS = 512
ENOUGH_PIXELS, ENOUGH_STARS = 8e6, 100
"""So many pixels are looked through for the width of the stars, if they show so many bright ones."""
THREADS = 2
THRESHOLD = 5.0
"""Detection limit in sigmas of the smoothed sky: about one false peak in 20 million pixels of pure noise."""
MAX_SOURCES = 20_000
BRIGHT_SNR = 15.0
"""From it on a source's width is worth something."""
TRUNCATE = 3.0
"""Sigmas at which the smoothing ends: what is cut off costs less than a millionth of the signal to noise."""

FEW_LISTED, FEW_WIDTH, LEAST_LISTED, WIDE_FWHM = 5, 2.5, 3, 6.0
"""With so few stars of the catalogue among the sources, and such narrow ones, a wide filter is tried (px); it
must find so many."""

ROUGHER = 1.3
"""Noise of the filtered frame over what its pixels make from which a nebula is taken to be there."""
SAMPLES_OF_SCATTER = 400
"""Of a box of the filtered frame: its scatter, good to a thirtieth, and no level is asked of them."""
STRUCTURED = 1.1
"""Scatter of the sky over the noise of its pixels from which there is more than noise in it."""
SHARP_CORE, SHARP_SIDE = 0.7, 2.0
"""Of the filter that is tried there: its core in widths of the usual one, the sides of its mean in those of
its core (usual: 4.5)."""

FALSE_ALARM = 1e-3
"""Allowed chance that pure noise gives a detection anywhere within the search radius."""
LEAST_SNR = 4.0

MOST_SATURATED = 0.8
SIGMAS_EQUAL = 0.02
"""Two places whose skies scatter differently by this part are not both green."""

PLATEAU_PIXELS = 6
"""So many pixels at the very top of the scale mean that it clips there."""
LEAST_CUT, CUT_BY_CHANCE = 3, 1e-4
"""And so many that hold the very same highest number, where chance would not put them there."""


@dataclass(frozen=True)
class Survey:
    """What a frame's pixels tell about themselves.

    Attributes
    ----------
    pixels : (ny, nx) float32 array or None
        As measured; those of a raw mosaic with the skies of its colours brought to one level. None once
        :meth:`about` has cut the survey down.
    bad_kinds : (ny, nx) uint8 array or None
        Sums of :class:`~appulse.registration.detector.Bad`.
    colours : (ny, nx) int8 array or None
        Colour of each pixel of a raw mosaic: 0 red, 1 green, 2 blue; the place in the pattern (0 to 3) where
        the pattern of the header does not fit. None for a mono frame.
    colour_sigmas : tuple of float
        Scatter of the sky in each colour over that of the mesh; (1.0,) for a mono frame.
    sky : SkyMesh
        Of `pixels`; its scatter is the noise of the pixels, without the structure of nebulae.
    roughness : float
        Scatter of the places of faint stars, with a nebula's structure, over what the pixels' noise makes it.
    sources : Table
        From :func:`detect_stars`.
    psf : FieldPSF
    noise : Noise
    saturation : float or None
        Stored number from which pixels are saturated.
    trails : tuple of TrailLine
        Straight lines of light across the whole frame: satellites, or a filament.
    bad_list : (array, array) or None
        Of a packed survey: indices of the bad pixels in the flattened frame, and their kinds.
    notes : tuple of str
        What was found or estimated.
    """

    sky: SkyMesh
    roughness: float
    sources: Table
    psf: FieldPSF
    noise: Noise
    saturation: float | None
    notes: tuple[str, ...] = ()
    pixels: np.ndarray | None = field(default=None, repr=False)
    bad_kinds: np.ndarray | None = field(default=None, repr=False)
    colours: np.ndarray | None = field(default=None, repr=False)
    colour_sigmas: tuple[float, ...] = (1.0,)
    trails: tuple[TrailLine, ...] = ()
    bad_list: tuple[np.ndarray, np.ndarray] | None = field(default=None, repr=False)

    @property
    def bad(self) -> np.ndarray | None:
        """Pixels that are no light, or saturated; bool, (ny, nx)."""
        return None if self.bad_kinds is None else self.bad_kinds > 0

    @property
    def no_light(self) -> "Marked":
        """Pixels that show no light; a saturated one does, and what a trail adds is taken off."""
        return Marked(self.bad_kinds, int(~(Bad.SATURATED | Bad.TRAIL)))

    @property
    def full(self) -> "Marked":
        """Saturated pixels."""
        return Marked(self.bad_kinds, int(Bad.SATURATED))

    @property
    def for_stars(self) -> Pixels:
        """The pixels as star fits take them."""
        return Pixels(
            self.pixels, self.bad_kinds, self._scatter, self.noise, self.colours,
            self.colour_sigmas, int(Bad.SATURATED),
        )  # fmt: skip

    def _scatter(self, x, y):
        """What a star's place meets: noise, and a nebula's structure about as wide as a star."""
        return self.roughness * self.sky.at(x, y, "sigma")

    def star_fits(self, rows) -> StarFits:
        """Careful fits of some rows of the table of sources, all at once."""
        x, y, flux = (np.asarray(self.sources[name], dtype=float) for name in ("x", "y", "flux"))
        return fit_stars(self.for_stars, x[rows], y[rows], self.psf, (x, y, flux))

    def about(self, x: float, y: float, radius_px: float) -> "Survey":
        """The same survey with the sources around a place only, and without the pixels."""
        return replace(
            self, sources=within(self.sources, x, y, radius_px), pixels=None, bad_kinds=None, colours=None,
            bad_list=None,
        )  # fmt: skip

    def without_pixels(self) -> "Survey":
        """The same survey with the map of bad pixels, but without the pixels themselves."""
        return replace(self, pixels=None, colours=None)

    def packed(self) -> "Survey":
        """The same survey without pixels, and with a list of the bad ones in place of their map."""
        if self.bad_kinds is None:
            return self
        places = np.flatnonzero(self.bad_kinds > 0)  # of numbers it would take ten times as long
        bad = places.astype(np.uint32), self.bad_kinds.ravel()[places]
        return replace(self.without_pixels(), bad_kinds=None, bad_list=bad)

    def with_pixels(self, frame) -> "Survey":
        """The same survey with the pixels of its frame, read again where they were left out."""
        if self.pixels is not None or (self.bad_kinds is None and self.bad_list is None):
            return self
        pixels, colours, _, _ = _levelled(frame)
        kinds = self.bad_kinds
        if kinds is None:
            kinds = np.zeros(pixels.shape, np.uint8)
            kinds.ravel()[self.bad_list[0]] = self.bad_list[1]
        return replace(self, pixels=pixels, colours=colours, bad_kinds=kinds, bad_list=None)


def within(table: Table, x: float, y: float, radius: float) -> Table:
    """Rows of a table of places whose ``x, y`` lie within a radius, px."""
    if len(table) == 0:
        return table
    return table[np.hypot(np.asarray(table["x"]) - x, np.asarray(table["y"]) - y) <= radius]


def survey_frame(frame, *, psf: PSF | None = None, known=None) -> Survey:
    """Look at a frame once.

    Parameters
    ----------
    frame : SolvedFrame
    psf : PSF, optional
        Where it is known; else from the frame's stars.
    known : callable, optional
        Given the table of sources, brightest first, and their typical FWHM in px it says which rows are stars
        that a catalogue knows: the PSF is taken from those where they are enough.

    Returns
    -------
    Survey

    Raises
    ------
    MeasurementError
        If the frame has no usable pixel, or is saturated throughout.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from appulse.frames.camera import Camera
    >>> data = np.random.default_rng(4).normal(50.0, 2.0, (64, 64)).astype(np.float32)
    >>> survey = survey_frame(SimpleNamespace(data=data, camera=Camera()))
    >>> len(survey.sources), survey.psf.n_stars
    (0, 0)
    """
    raw = frame.data
    saturation, clipped = _saturation(frame.camera, raw, bool(getattr(frame, "mosaic", None)))
    _refuse_all_saturated(raw, saturation)
    pixels, colours, colour_sigmas, mosaic_note = _levelled(frame)
    mesh = sky_mesh(pixels)
    sky = pixel_noise(pixels, mesh)
    noise = frame_noise(frame.camera, *sky.typical)
    rough = mesh.typical[1] > STRUCTURED * sky.typical[1]
    options = {"gain": noise.gain_e_adu, "mosaic": colours is not None}
    kinds, bright = bad_pixels(pixels, sky, saturation=saturation, raw=raw, rough=rough, **options)
    kinds, sources = _sources(kinds, sky, bright, known, options, rough)
    if psf is not None:
        shape = FieldPSF.fixed(psf, pixels.shape)
    else:
        roughness = sources.meta["roughness"]
        shape = _star_image(Pixels(
            pixels, kinds, lambda x, y: roughness * sky.at(x, y, "sigma"), noise, colours, colour_sigmas,
            int(Bad.SATURATED),
        ), sources, saturation, known)  # fmt: skip
    # What is sharper than these very stars is no light either; nor is a line across the whole frame.
    kinds = sharper(kinds, bright, shape.fwhm if shape.n_stars else None, **options)
    trail, lines = satellite_trails(bright.above, sky.typical[1], shape.fwhm, kinds > 0)
    if lines:
        kinds |= np.uint8(Bad.TRAIL) * trail
    sources = sources[_light(sources, kinds)]
    planes = getattr(frame, "colour", None)
    apart = None
    if planes is not None:
        apart = colours_apart(planes, kinds, sources, shape, noise, saturation)
    notes = (
        mosaic_note,
        "" if apart is None else apart.words,
        noise.source if "estimated" in noise.source or "alone" in noise.source else "",
        clipped,
        "a straight trail crosses the frame: no star on it is used" if lines else "",
        f"PSF: {shape.words} of {shape.fwhm:.1f} px" if shape.n_stars == 0 and psf is None else "",
    )
    told = tuple(note for note in notes if note)
    return Survey(
        sky, sources.meta["roughness"], sources, shape, noise, saturation, told, pixels, kinds, colours,
        colour_sigmas, lines,
    )  # fmt: skip


def _sources(kinds, sky, bright, known, options, rough) -> tuple[np.ndarray, Table]:
    """Sources of a frame by a filter about as wide as they are, and its bad pixels by what they tell."""

    def found(bad, **more):
        mended = Mended.of(bright.above, Marked(bad, int(~Bad.SATURATED)), lambda x, y: 0.0)
        return detect_stars(
            bright.above, sky=sky, above_sky=True, mosaic=options["mosaic"], mended=mended, **more
        )

    # A part of a large frame tells how wide its stars are, if it shows enough of them.
    every = 1 if rough else max(1, round(kinds.size / ENOUGH_PIXELS))
    sources = found(kinds, every=every)
    if every > 1 and np.count_nonzero(np.asarray(sources["snr"]) > BRIGHT_SNR) < ENOUGH_STARS:
        every, sources = 1, found(kinds)
    listed = None if known is None else known(sources, _typical_width(sources) or 3.0)
    width = _typical_width(sources, listed)
    if listed is not None and len(listed) < FEW_LISTED and width < FEW_WIDTH:
        # Cosmic rays and defects that no ratio tells from points may outnumber stars, above all wide ones.
        wide = found(kinds, fwhm=WIDE_FWHM, every=every)
        rows = known(wide, WIDE_FWHM)
        if len(rows) >= max(LEAST_LISTED, len(listed) + 1):
            width = _typical_width(wide, rows)
    if not width:
        return kinds, sources if every == 1 else found(kinds)
    # With the stars' width more is known to be no light, and a filter as wide as they are finds more of them.
    again = sharper(kinds, bright, width, **options)
    more = np.count_nonzero(again > 0) > np.count_nonzero(kinds > 0) + 0.05 * every * len(sources)
    if more or not 2.0 <= width <= 4.5:
        sources = found(again, fwhm=float(np.clip(width, 1.2, 15.0)))
    elif every > 1:
        sources = found(kinds)
    return again, sources


def _star_image(pixels: Pixels, sources, saturation, known) -> FieldPSF:
    """The frame's star image, from stars that a catalogue knows where it can be."""
    rows = None
    if known is not None and len(sources):
        rows = known(sources, _typical_width(sources) or 3.0)
    return psf_from_stars(
        pixels.values, sources, pixels.noise, saturation=saturation, pixels=pixels, known=rows
    )


def _light(sources, kinds):
    """Rows of sources whose middle is light: not sharp, dead or on a trail or bad line."""
    if len(sources) == 0:
        return np.zeros(0, int)
    ny, nx = kinds.shape
    x = np.clip(np.rint(np.asarray(sources["x"])).astype(int), 0, nx - 1)
    y = np.clip(np.rint(np.asarray(sources["y"])).astype(int), 0, ny - 1)
    return np.flatnonzero(kinds[y, x] & ~np.uint8(Bad.SATURATED) == 0)


def _refuse_all_saturated(raw, saturation) -> None:
    """A frame at the end of its scale nearly everywhere shows nothing to measure."""
    if saturation is None:
        return
    sample = raw[:: max(1, raw.shape[0] // 300), :: max(1, raw.shape[1] // 300)]
    share = float(np.mean(sample[np.isfinite(sample)] >= saturation)) if np.isfinite(sample).any() else 0.0
    if share > MOST_SATURATED:
        raise MeasurementError(
            f"{100 * share:.0f}% of the pixels are saturated (from {saturation:g} on): nothing can be "
            "measured; expose shorter, or give the right limit with --saturation"
        )


def one_level(frame) -> np.ndarray:
    """Pixels of a frame, those of a raw mosaic with the skies of its colours at one level."""
    return level_mosaic_sky(frame.data)[0] if frame.mosaic else frame.data


def _levelled(frame):
    """Pixels with their colours at one level; colour of each pixel, scatter of each colour, and a note."""
    pattern = getattr(frame, "mosaic", None)
    if not pattern:
        return np.asarray(frame.data, dtype=np.float32), None, (1.0,), ""
    pixels, sigmas = level_mosaic_sky(frame.data)
    colours, note = mosaic_colours(pattern, pixels.shape), ""
    green = [sigma for sigma, letter in zip(sigmas, pattern, strict=True) if letter == "G"]
    others = [sigma for sigma, letter in zip(sigmas, pattern, strict=True) if letter != "G"]
    # Noise goes with the light behind each filter, so both greens have the same, and no other two have.
    wrong = len(green) != 2
    if not wrong:
        wrong = np.ptp(green) > max(SIGMAS_EQUAL * np.mean(sigmas), 2.0 * np.ptp(others))
    if wrong:
        pattern, note = "0123", (
            f"the colour pattern {pattern} does not fit the pixels (its two green places have a scatter of "
            + " and ".join(f"{sigma:.3g}" for sigma in green or sigmas)
            + "): measured with the four places of the pattern as four colours; --mosaic says the right one"
        )
        colours = mosaic_colours(pattern, pixels.shape)
    names = sorted(set(pattern), key="R0G1B23".index)
    squares = [
        np.mean([sigma**2 for sigma, letter in zip(sigmas, pattern, strict=True) if letter == name])
        for name in names
    ]
    relative = np.sqrt(np.array(squares) / np.mean(np.square(sigmas)))
    return pixels, colours, tuple(float(share) for share in relative), note


def _typical_width(sources, listed=None) -> float:
    """Width of the stars that a catalogue knows, else of the brighter sources, px; 0 with too few."""
    width, snr = np.asarray(sources["fwhm"], dtype=float), np.asarray(sources["snr"], dtype=float)
    light = width > NARROWEST_FWHM
    if listed is not None and light[listed].sum() >= 3:
        rows = listed[light[listed]]
        return float(np.median(width[rows[np.argsort(-snr[rows])][:40]]))
    bright = np.flatnonzero(light & (snr > BRIGHT_SNR))[:300]
    # Lumps of a nebula are wider than stars, and nothing is narrower: the lower third.
    return float(np.percentile(width[bright], 33)) if len(bright) >= 5 else 0.0


def _saturation(camera, data, mosaic: bool = False) -> tuple[float | None, str]:
    """The camera's own limit, or a lower one at which the brightest pixels are all cut off, with a note."""
    limit, top = camera.saturation_adu, np.fmax.reduce(data, axis=None)  # NaN where there is no number
    limit = None if limit is None else float(limit)
    given = limit, ""
    if not np.isfinite(top) or top <= 0 or (limit is not None and top >= limit):
        return given
    if int(np.count_nonzero(data >= top * (1 - 1e-3))) < PLATEAU_PIXELS:
        top = _cut_off_at(data, mosaic)
    # A frame of nothing but sky has a plateau too: its top must stand out of a sample of the rows.
    if top > 1.5 * np.nanmedian(data[:: max(1, data.shape[0] // 200)]):
        words = f"saturation taken at {0.98 * top:.6g}: the brightest pixels are all cut off at {top:.6g}"
        # A header's limit may lie a hair above the number at which the pixels end, and none would be full.
        return float(0.98 * top), words if limit is None else f"{words}, below the limit of {limit:.6g}"
    return given


def _cut_off_at(data, mosaic: bool) -> float:
    """Highest number that more pixels share than chance puts on one step of the scale; 0 where none is.

    The colours of a mosaic were brought to one level, and are cut off at a number each: the least of them.
    """
    # One pixel is the highest by choice; that so many others meet it by chance is Poisson's.
    others, mean, tops = 0, 0.0, []
    for start in ((0, 0), (0, 1), (1, 0), (1, 1)) if mosaic else ((0, 0),):
        part = data[start[0] :: 2, start[1] :: 2] if mosaic else data
        top = float(np.nanmax(part, initial=0.0))
        high = part[part >= 0.9 * top]
        at_top = int(np.count_nonzero(high == top))
        steps = np.unique(part[:: max(1, len(part) // 30)])
        if at_top > 1:
            tops.append(top)
        # Numbers of 12 bits may be stored in steps of 16.
        step = float(np.nanmin(np.diff(steps))) if np.isfinite(steps).sum() > 1 else 0.0
        others += at_top - 1
        mean += (len(high) - at_top) * step / max(0.1 * top, 1e-300)
    chance = special.gammainc(others, mean) if others >= LEAST_CUT - 1 else 1.0
    return min(tops) if chance < CUT_BY_CHANCE else 0.0


def detect_stars(
    frame, *, fwhm: float = 3.0, threshold: float = THRESHOLD, sky: SkyMesh | None = None,
    mosaic: bool = False, mended: Mended | None = None, above_sky: bool = False, every: int = 1,
) -> Table:  # fmt: skip
    """Sources of a frame, brightest first.

    Parameters
    ----------
    frame : SolvedFrame, or (ny, nx) array
    fwhm : float
        Of the smoothing that picks points of light from noise, px; about that of the stars.
    threshold : float
        In sigmas of the smoothed sky.
    sky : SkyMesh, optional
        Where it is known already.
    mosaic : bool
        Whether neighbouring pixels stand behind other filters.
    mended : Mended, optional
        Pixels that are no light, with what is put in their place, above the sky.
    above_sky : bool
        The array has had its sky taken off.
    every : int
        Only every so-manieth strip of 512 rows is looked at.

    Returns
    -------
    Table
        ``x, y`` (zero-based px, of a parabola through the peak: good to a few tenths), ``flux`` (of the
        matched filter, stored units), ``snr``, ``peak`` (stored units above the sky), ``fwhm`` (px, from the
        curvature of the smoothed peak), ``round`` (minor over major axis). ``meta['sky']`` holds the SkyMesh,
        ``meta['roughness']`` what structure as wide as stars adds to the scatter of their places, 1 for none.

    Examples
    --------
    >>> from appulse.astrometry.psf import PSF, pixel_image
    >>> rows, columns = np.mgrid[0:80, 0:90]
    >>> star, _, _ = pixel_image(PSF.round(3.0), 40.2, 30.7, columns.ravel(), rows.ravel())
    >>> sky = np.random.default_rng(3).normal(100.0, 3.0, (80, 90))
    >>> found = detect_stars(sky + 3000.0 * star.reshape(80, 90))
    >>> len(found), round(float(found["x"][0]), 1), round(float(found["y"][0]), 1)
    (1, 40.2, 30.7)
    """
    data = frame if isinstance(frame, np.ndarray) else frame.data
    sky = sky if sky is not None else sky_mesh(data)
    light = data if above_sky else np.asarray(data, dtype=np.float32) - sky.rows(0, data.shape[0])
    starts, sigma = range(0, data.shape[0], every * STRIP_ROWS), fwhm / FWHM_PER_SIGMA
    # The filter lets other threads run; more than two strips at a time would only cost memory.
    with ThreadPoolExecutor(THREADS) as pool:
        band = BandPass(sigma, mosaic=mosaic)
        band, flat, rough = _smoothed(light, sky, band, starts, pool, mended)
        roughness = _roughness(flat, band, sky)
        if np.median(rough.sigma) > ROUGHER * np.median(sky.sigma) * np.sqrt(band.norm2):
            # Structure of a nebula falls steeply towards fine scales: a sharper filter sees less of it.
            sharp = BandPass(SHARP_CORE * sigma, SHARP_SIDE, mosaic)
            sharp = _smoothed(light, sky, sharp, starts, pool, mended)
            answers = [
                each.response_to(sigma) / np.median(noise.sigma)
                for each, _, noise in ((band, flat, rough), sharp)
            ]
            if answers[1] > answers[0]:
                band, flat, rough = sharp

        def strip(first):
            last = min(first + STRIP_ROWS, data.shape[0])
            # Beside strips that were left out nobody knows what is a peak.
            rim = 2 if every > 1 else 0
            return _strip(flat, light, rough, band, first + rim, last - rim, threshold, mended)

        columns = np.concatenate(list(pool.map(strip, starts)), axis=1)
    order = np.argsort(-columns[2], kind="stable")[:MAX_SOURCES]
    table = Table(
        dict(zip(("x", "y", "flux", "snr", "peak", "fwhm", "round"), columns[:, order], strict=True))
    )
    table.meta["sky"], table.meta["roughness"] = sky, roughness
    return table


def _smoothed(light, sky, band, starts, pool, mended):
    """A filter, the filtered frame, and the mesh of its noise."""
    flat = np.zeros(light.shape, np.float32)

    def smooth_strip(first):
        rows = slice(first, min(first + STRIP_ROWS, len(light)))
        flat[rows] = band.rows(light, rows, mended)

    list(pool.map(smooth_strip, starts))
    # Where a nebula has structure as fine as the stars the limit is higher: its lumps are no sources.
    differ = np.ptp(flat[:: max(1, len(flat) // 64)]) > 0 or np.ptp(flat) > 0  # a few rows tell it at once
    found = sky_mesh(flat, sky.box, SAMPLES_OF_SCATTER) if differ else None
    noise = sky.sigma * np.float32(np.sqrt(band.norm2))
    rough = replace(sky, level=np.zeros_like(noise), sigma=noise)
    if found is not None and found.level.shape == noise.shape:
        rough = replace(rough, sigma=np.maximum(noise, found.sigma))
    return band, flat, rough


def _roughness(flat, band, sky) -> float:
    """Scatter of a filtered frame's slopes over what the pixels' noise makes of them; 1 without structure."""
    # A star's place is read with the slope of its image: it meets less of a nebula than the light does.
    step = max(1, min(flat.shape) // 400) | 1
    slopes = 0.5 * (flat[::step, 2::step] - flat[::step, :-2:step])
    expected = float(np.median(sky.sigma)) * np.sqrt(band.slope2)
    # Of the middle half of the pixels: stars stand on the others.
    return max(mad_sigma(slopes) / expected, 1.0) if expected > 0 and slopes.size > 500 else 1.0


class BandPass:
    """A Gaussian as wide as the stars, less its own mean over a few widths: wider structure goes."""

    def __init__(self, sigma: float, side: float = 4.5, mosaic: bool = False):
        self.side = max(2 * round(side * sigma) + 1, 3)
        # 1 2 1 along both axes gives every place of a 2 x 2 mosaic the same weight, wherever it begins.
        self.even = np.array([0.25, 0.5, 0.25]) if mosaic else np.ones(1)
        self.even2 = 0.5 if mosaic else 0.0
        self.sigma = float(np.sqrt(max(sigma**2 - self.even2, 0.1))) if mosaic else sigma
        self.pad = int(np.ceil(TRUNCATE * sigma)) + 2 * (self.side // 2) + 4
        core = ndimage.gaussian_filter1d(_pulse(self.pad), self.sigma, truncate=TRUNCATE, mode="constant")
        core = np.convolve(core, self.even, "same")
        self._line = np.trim_zeros(core)
        wide = core
        for _ in range(2):
            wide = ndimage.uniform_filter1d(wide, self.side, mode="constant")
        # Noise after the filter over that before, squared; and its answer to a star as wide as itself.
        self.norm2 = float(np.sum(core**2) ** 2 - 2 * np.sum(core * wide) ** 2 + np.sum(wide**2) ** 2)
        steep = [np.convolve(each, [0.5, 0.0, -0.5], "same") for each in (core, wide)]
        self.slope2 = float(
            np.sum(steep[0] ** 2) * np.sum(core**2)
            - 2 * np.sum(steep[0] * steep[1]) * np.sum(core * wide)
            + np.sum(steep[1] ** 2) * np.sum(wide**2)
        )
        self._core, self._wide = core, wide
        self.response = self.response_to(sigma)
        self.wide2 = 2 * (self.side**2 - 1) / 12

    def response_to(self, sigma: float) -> float:
        """Filtered peak of a star of unit light whose image has this sigma, px."""
        line = ndimage.gaussian_filter1d(_pulse(self.pad), sigma, truncate=TRUNCATE, mode="constant")
        return float(np.sum(self._core * line) ** 2 - np.sum(self._wide * line) ** 2)

    def rows(self, light, rows: slice, mended=None):
        """Filtered rows of a frame of which its sky has been taken off; beyond its edges they go on."""
        cut = slice(max(0, rows.start - self.pad), min(len(light), rows.stop + self.pad))
        values = light[cut]
        # A hole would dig into its neighbours' smoothing; the sky's own level does not.
        if not np.isfinite(values.sum()):
            values = np.nan_to_num(values, nan=0.0, posinf=0.0, neginf=0.0)
        if mended is not None:
            values = mended.put_into(values, cut)
        smooth = separable_filter(values, self._line)
        smooth -= box_mean(box_mean(smooth, self.side), self.side)
        return smooth[rows.start - cut.start : rows.stop - cut.start]

    def variance(self, ratio):
        """Variance of an image's own light from the ratio of its peak to its bend, px^2."""
        # Peak 1/t - 1/(t + w) and bend 1/t^2 - 1/(t + w)^2 with t = own + sigma^2 + 1/12, w that of the mean.
        half = 0.5 * self.wide2 - ratio
        return np.sqrt(half**2 + ratio * self.wide2) - half - self.sigma**2 - self.even2 - 1 / 12


def _pulse(reach: int) -> np.ndarray:
    """One pixel of unit light in the middle of a line."""
    line = np.zeros(2 * reach + 1)
    line[reach] = 1.0
    return line


def _strip(flat, light, rough, band, first, last, threshold, mended):
    """Peaks in rows first..last-1; columns of the table, shape (7, n)."""
    low, high = max(0, first - 2), min(len(light), last + 2)
    smooth = flat[low:high]
    y, x = _above(smooth, rough, threshold, low)
    nx = light.shape[1]
    inside = (
        (y + low >= first) & (y + low < last) & (x > 1) & (x < nx - 2) & (y > 1) & (y < smooth.shape[0] - 2)
    )
    y, x = y[inside], x[inside]
    centre = smooth[y, x]
    values = light[y + low, x]
    if mended is not None:
        values = mended.put_in(values, y + low, x)
    top = np.isfinite(values)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if (dy, dx) != (0, 0):
                # Of two equal pixels the later one gives way.
                later = (dy, dx) > (0, 0)
                other = smooth[y + dy, x + dx]
                top &= (centre > other) if later else (centre >= other)
    return _shape(smooth, values[top], rough, x[top], y[top], low, band)


def _above(smooth, sky, sigmas, low):
    """Pixels of a smoothed strip that stand out of the sky by so many of its sigmas: rows and columns."""
    # Most pixels do not reach the least limit of the boxes around theirs: nothing is interpolated for them.
    limit = replace(sky, level=sky.level + np.float32(sigmas) * sky.sigma)
    least = ndimage.minimum_filter(limit.level, size=3, mode="nearest")
    my, mx = least.shape
    least = least[:, np.minimum(np.arange(smooth.shape[1]) // sky.box, mx - 1)]
    ends = [*(np.arange(1, my) * sky.box), low + len(smooth)]
    above = np.zeros(smooth.shape, bool)
    start = 0
    for box_row, end in zip(least, ends, strict=True):
        stop = min(max(end - low, start), len(smooth))
        np.greater(smooth[start:stop], box_row, out=above[start:stop])
        start = stop
    y, x = np.divmod(np.flatnonzero(above), smooth.shape[1])
    out = smooth[y, x] > limit.at(x, y + low)
    return y[out], x[out]


def _shape(smooth, values, rough, x, y, low, band):
    """Place, flux, signal to noise, peak, width and roundness of each peak from the pixels around it."""
    noise = rough.at(x, y + low, "sigma")
    centre = smooth[y, x]
    gx, gy = (smooth[y, x + 1] - smooth[y, x - 1]) / 2, (smooth[y + 1, x] - smooth[y - 1, x]) / 2
    hxx = smooth[y, x + 1] + smooth[y, x - 1] - 2 * centre
    hyy = smooth[y + 1, x] + smooth[y - 1, x] - 2 * centre
    hxy = (smooth[y + 1, x + 1] + smooth[y - 1, x - 1] - smooth[y + 1, x - 1] - smooth[y - 1, x + 1]) / 4
    # The peak of the paraboloid with these slopes and bends; a flat top has none, and keeps its pixel.
    determinant = hxx * hyy - hxy**2
    safe = np.where(np.abs(determinant) > 1e-30, determinant, np.inf)
    dx = np.clip(-(hyy * gx - hxy * gy) / safe, -0.6, 0.6)
    dy = np.clip(-(hxx * gy - hxy * gx) / safe, -0.6, 0.6)
    mean, spread = -(hxx + hyy) / 2, np.hypot((hxx - hyy) / 2, hxy)
    sharp, blunt = np.maximum(mean + spread, 1e-30), np.maximum(mean - spread, 1e-30)
    wide2, narrow2 = (np.maximum(band.variance(np.minimum(centre / b, 1e6)), 0.05) for b in (blunt, sharp))
    fwhm = FWHM_PER_SIGMA * (wide2 * narrow2) ** 0.25
    return np.stack([
        x + dx, y + low + dy, centre / band.response, centre / noise, values,
        np.minimum(fwhm, 99.0), np.sqrt(narrow2 / wide2),
    ]).astype(float)  # fmt: skip


@dataclass(frozen=True)
class Candidate:
    """A peak of the matched filter: place (px), signal to noise, distance from the centre (px)."""

    x: float
    y: float
    snr: float
    distance: float


@dataclass(frozen=True)
class PlaceSearch:
    """What a search around a place found."""

    candidates: tuple[Candidate, ...]  # above the threshold, within the radius, highest first
    threshold: float  # in sigmas
    radius: float  # px
    flux_limit: float  # that would just reach the threshold at the centre, stored units
    strongest: Candidate | None = None  # light within the radius, be it above the threshold or below
    doubtful: Candidate | None = None  # no noise, but the nebula or filament there gives such lights too
    lights: tuple[tuple[float, float, float], ...] = ()  # x, y, light: all that are not modelled


def threshold_for(radius: float, psf: PSF, trail: Trail = POINT) -> float:
    """Signal to noise that noise exceeds within the radius once in a thousand searches."""
    # The larger what is looked for, the fewer independent places there are.
    size = np.pi * psf.sigma**2 + 2 * psf.sigma * trail.length
    places = max(1.0, 2.0 * np.pi * radius**2 / size)
    return float(max(LEAST_SNR, normal_isf(FALSE_ALARM / places)))
