"""A night's frames made ready: looked at, aligned, graded, laid onto one grid and brought to one level."""

from dataclasses import dataclass, field, replace

import numpy as np
from astropy.io import fits

from appulse.errors import AppulseError, InputError
from appulse.sequence.align import Alignment, StarList, align, quick_list, star_list, tie_to_sky
from appulse.sequence.calibrate import calibrated
from appulse.sequence.grade import transparencies, verdicts
from appulse.sequence.grid import SkyGrid, frame_outline, grid_for
from appulse.sequence.level import Level, grid_places, level_to, sky_on_grid
from appulse.sequence.parts import digest
from appulse.sequence.resample import PixelMap
from appulse.sequence.threads import in_order

MOST_STARS = 600
FRAME_BYTES = 1.6e9
"""For the frames that are worked on at once."""


@dataclass
class Shot:
    """One frame on its way through the night.

    Parameters
    ----------
    frame : SolvedFrame
        Calibrated; binned for a preview.
    key : str
        Digest of its bytes and of what was done to it.
    place : BodyPlace
    """

    frame: object
    key: str
    place: object
    stars: StarList | None = None
    alignment: Alignment | None = None
    grade: dict = field(default_factory=dict)
    level: Level | None = None
    planes: list = field(default_factory=list)

    @property
    def keep(self) -> bool:
        """Whether the frame goes into the stacks."""
        return bool(self.grade.get("keep", True))

    def smaller(self, step: int) -> "Shot":
        """The shot with `step` by `step` pixels taken together, not yet looked at."""
        return Shot(binned(self.frame, step), digest(self.key, step), self.place)

    @property
    def gain(self) -> float:
        """Electrons per stored unit; infinite where unknown."""
        known = self.frame.camera.gain_e_adu
        return float(known) if known is not None else np.inf


@dataclass
class Night:
    """Shots on one grid.

    Parameters
    ----------
    shots : list of Shot
        In the order of their times, all of them.
    reference : Shot
    grid : SkyGrid
    coverage : (cy, cx) int array
    box : (x0, y0, nx, ny)
        The grid's place in the coverage, px.
    notes : list of str
    """

    shots: list
    reference: Shot
    grid: SkyGrid
    coverage: np.ndarray
    box: tuple
    notes: list

    @property
    def kept(self) -> list:
        """Shots that go into the stacks."""
        return [shot for shot in self.shots if shot.keep]

    @property
    def fwhm(self) -> float:
        """Median FWHM of the kept frames on the grid, px."""
        scale = self.grid.pixel_scale
        return float(np.median([s.stars.fwhm * s.frame.pixel_scale / scale for s in self.kept]))


def binned(frame, step: int):
    """A frame with `step` by `step` pixels taken together: for previews.

    Examples
    --------
    >>> from appulse.frames.solved import SolvedFrame
    >>> from appulse.sequence.grid import tangent_grid
    >>> grid = tangent_grid(246.4, -24.2, 3.6, 0.0, (40, 60))
    >>> small = binned(SolvedFrame.from_arrays(np.ones((40, 60)), grid.wcs), 4)
    >>> small.data.shape, round(small.pixel_scale, 3)
    ((10, 15), 14.4)
    """
    if step == 1:
        return frame
    ny, nx = (n // step for n in frame.shape)
    source = frame

    def pixels():
        planes = source.colour if source.is_colour else source.data
        cut = planes[..., : ny * step, : nx * step]
        out = cut.reshape(*cut.shape[:-2], ny, step, nx, step).mean(axis=(-3, -1), dtype=np.float32)
        source.release()
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


def shot_of(frame, place, masters, settings) -> Shot:
    """A frame made ready to be looked at."""
    ready = binned(calibrated(frame, masters, mend_hot=settings.mend_hot), settings.bin)
    named = None if masters is None else masters.names
    header = ready.wcs.to_header_string(relax=True)
    key = digest(frame.checksum or frame.name, named, settings.mend_hot, settings.bin, header)
    return Shot(ready, key, place)


def prepare(
    shots, settings, parts, *, star_table=None, decided=None, failed=None, progress=None, workers=1
) -> Night:
    """Look at the frames, align and grade them, choose the grid.

    Parameters
    ----------
    shots : list of Shot
    settings : Settings
    parts : Parts
    star_table : StarTable, or callable, optional
        Ties the reference frame to the sky; called with that frame.
    decided : dict, optional
        Name to (keep, reason), instead of the rules.
    failed : callable, optional
        Called with a frame and its error; the rest goes on. Without it the error is raised.
    progress : callable, optional
        Called once for each frame.
    workers : int
        Threads.

    Returns
    -------
    Night

    Raises
    ------
    InputError
        If no frame can be used, or they have no sky in common.
    """
    good = []
    for shot, error in in_order(_looker(settings, parts), shots, at_once(shots, workers)):
        if error is None:
            good.append(shot)
        elif failed is None:
            raise error
        else:
            failed(shot.frame, error)
        if progress is not None:
            progress()
    shots = sorted(good, key=lambda shot: shot.place.time)
    if not shots:
        raise InputError("no frame can be used")
    reference = _reference(shots, settings.reference)
    exact = star_table is not None and settings.bin == 1
    notes = _anchor(reference, star_table) if exact else []
    reference.alignment = reference.alignment or Alignment(
        reference.frame.wcs, len(reference.stars.x), 0.0, 0.0, 1.0, 0.0
    )
    shots = _same_field(shots, reference, failed)
    for shot in shots:
        if shot is not reference:
            shot.alignment = align(
                shot.frame.wcs, shot.frame.shape, shot.stars, reference.alignment.wcs, reference.stars
            )
    _grade(shots, reference, settings, decided)
    kept = [shot for shot in shots if shot.keep]
    if not kept:
        raise InputError(
            "every frame is left out by its grade: look at the reasons, and keep some by --grades"
        )
    anchor = replace(reference.frame, wcs=reference.alignment.wcs)
    outlines = [_outline(shot) for shot in kept]
    grid, coverage, box = grid_for(
        anchor,
        outlines,
        extent=settings.extent,
        north_up=settings.north_up,
        scale_arcsec=settings.scale_arcsec,
    )
    night = Night(shots, reference, grid, coverage, box, notes)
    _levels(night, settings)
    return night


def _looker(settings, parts):
    look = star_list if settings.bin == 1 else quick_list

    def looked(shot):
        try:
            shot.stars = parts.thing("stars", shot.key, lambda: look(shot.frame))
        except AppulseError as error:
            return shot, error
        finally:
            shot.frame.release()
        return shot, None

    return looked


def at_once(shots, workers) -> int:
    """How many frames may be worked on at the same time, so that memory stays bounded."""
    largest = max(
        (np.prod(shot.frame.shape) * (3 if shot.frame.is_colour else 1) for shot in shots), default=1
    )
    # The pixels and three times as much on the way to the grid.
    return int(max(1, min(workers, FRAME_BYTES // (16 * largest))))


def _outline(shot):
    from appulse.frames.projection import pixel_to_sky

    wcs = shot.alignment.wcs
    return frame_outline(lambda x, y: pixel_to_sky(wcs, x, y), shot.frame.shape)


def _reference(shots, name):
    if name is not None:
        for shot in shots:
            if shot.frame.name == name:
                return shot
        raise InputError(
            f"reference {name!r}: none of the frames is called so: {[s.frame.name for s in shots]}"
        )

    def score(shot):
        top = np.sort(shot.stars.snr)[::-1][:50]
        return (float(np.median(top)) if len(top) else 0.0) / (shot.stars.fwhm * shot.frame.pixel_scale)

    return max(shots, key=score)


def _anchor(reference, star_table):
    """Tie the reference's WCS to a star catalogue; notes."""
    frame = reference.frame
    if callable(star_table):
        star_table = star_table(frame)
    places = star_table.at_epoch(frame.exposure.mid)
    ra, dec = (np.asarray(places[name].value, dtype=float) for name in ("ra", "dec"))
    near = np.flatnonzero(frame.contains(ra, dec, margin_px=50.0))
    bright = near[np.argsort(np.nan_to_num(np.asarray(places["g"].value, dtype=float)[near], nan=99.0))]
    sigma_mas = np.hypot(places["sigma_ra"].to_value("mas"), places["sigma_dec"].to_value("mas"))
    sigma_px = np.asarray(sigma_mas, dtype=float) / 1000.0 / frame.pixel_scale
    bright = bright[:MOST_STARS]
    tied = tie_to_sky(
        frame.wcs, frame.shape, reference.stars, ra[bright], dec[bright], sigma_px[bright]
    )  # fmt: skip
    if tied.n_stars == 0:
        return [f"{frame.name}: not tied to {star_table.catalogue}: {words}" for words in tied.notes]
    tied.flux_ratio, tied.ratio_sigma = 1.0, 0.0
    reference.alignment = tied
    return [f"{frame.name}: tied to {star_table.catalogue}, {tied.n_stars} stars, RMS {tied.rms_px:.3f} px"]


def _same_field(shots, reference, failed):
    """Without those that have no sky in common with the reference."""
    from appulse.numerics.spherical import separation_rad, unit_from_radec

    middle = unit_from_radec(*reference.frame.centre)
    good = []
    for shot in shots:
        apart = float(np.degrees(separation_rad(middle, unit_from_radec(*shot.frame.centre))))
        if apart < 0.9 * (shot.frame.radius_deg + reference.frame.radius_deg):
            good.append(shot)
            continue
        error = InputError(
            f"{shot.frame.name}: another field, {apart:.2f} degrees from {reference.frame.name}; leave it out"
        )
        if failed is None:
            raise error
        failed(shot.frame, error)
    return good


def _grade(shots, reference, settings, decided):
    ratios = [1.0 if shot is reference else shot.alignment.flux_ratio for shot in shots]
    seconds = np.array([shot.frame.exposure.seconds for shot in shots])
    gains = np.array([shot.gain if np.isfinite(shot.gain) else 1.0 for shot in shots])
    light = transparencies(ratios, seconds, gains)
    for shot, transparency in zip(shots, light, strict=True):
        trail = np.stack(shot.frame.to_pixel(*np.array(shot.place.trail).T), axis=1)
        tilt = shot.stars.sky_level
        shot.grade = {
            "frame": shot.frame.name,
            "time": shot.place.time,
            "keep": True,
            "reason": "",
            "fwhm": shot.stars.fwhm,
            "ellipticity": shot.stars.ellipticity,
            "sky": shot.stars.sky,
            "sky_sigma": shot.stars.sky_sigma,
            "gradient": float(np.ptp(np.percentile(tilt, [10, 90])) / max(shot.stars.sky_sigma, 1e-9)),
            "n_stars": shot.stars.n_sources,
            "transparency": float(transparency),
            "trail": float(np.hypot(*np.diff(trail, axis=0).T).sum()),
            "align_rms": shot.alignment.rms_px,
            "align_stars": shot.alignment.n_stars,
            "shift": shot.alignment.shift_px,
        }
    if settings.reject_clouds and settings.bin == 1:
        verdicts([shot.grade for shot in shots])
        reference.grade["keep"], reference.grade["reason"] = True, ""
    for shot in shots:
        if decided and shot.frame.name in decided:
            shot.grade["keep"], shot.grade["reason"] = decided[shot.frame.name]


def _levels(night, settings):
    """Factor and plane of every frame against the reference."""
    grid, reference = night.grid, night.reference
    places = grid_places(grid)
    area_0 = PixelMap.between(grid, reference.alignment.wcs).area_ratio(grid.shape)
    flux = settings.keep == "flux"
    share_0 = area_0 if flux else 1.0
    sky_0 = share_0 * sky_on_grid(
        reference.stars, reference.alignment.wcs, reference.frame.shape, grid, places
    )
    seconds_0 = max(reference.frame.exposure.seconds, 1e-9)
    for shot in night.shots:
        area = PixelMap.between(grid, shot.alignment.wcs).area_ratio(grid.shape)
        ratio = shot.alignment.flux_ratio
        if ratio is None:
            seconds = max(shot.frame.exposure.seconds, 1e-9)
            ratio = seconds_0 / seconds
            night.notes.append(
                f"{shot.frame.name}: no stars to compare its brightness by: taken by the exposure times alone"
            )
        factor = ratio if flux else ratio * area / area_0
        share = area if flux else 1.0
        sky = share * sky_on_grid(shot.stars, shot.alignment.wcs, shot.frame.shape, grid, places)
        noise = share * shot.stars.sky_sigma
        shot.level = level_to(sky_0, sky, places, factor, noise, share_0 * reference.stars.sky, area)


def grid_header(grid) -> fits.Header:
    """The grid's WCS as a header, for keys and files."""
    return grid.wcs.to_header()
