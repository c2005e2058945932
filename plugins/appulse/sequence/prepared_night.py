"""A night's frames made ready: looked at, aligned, graded, their grid chosen and brought to one level.

One of them is the reference, by which the others go: it may be tied to a star catalogue first.
"""

from dataclasses import dataclass, replace

import numpy as np

from appulse.errors import AppulseError, InputError
from appulse.frames import pixel_to_sky
from appulse.numerics import separation_rad, unit_from_radec
from appulse.registration import Alignment, PixelMap, StarList, align, in_order, tie_to_sky
from appulse.sequence.grade import transparencies, verdicts
from appulse.sequence.sky_grid import SkyGrid, frame_outline, grid_for
from appulse.sequence.subframe import (
    Subframe,
    at_once,
    grid_places,
    level_to,
    quick_list,
    sky_on_grid,
    star_list,
)

MOST_STARS = 600


def check_reference(subframes, name):
    """That a reference, where one is named, is among the frames."""
    names = [subframe.frame.name for subframe in subframes]
    if name is not None and name not in names:
        raise InputError(f"reference {name!r}: none of the frames is called so: {', '.join(names)}")


def choose_reference(subframes, name):
    """The frame of this name, or the sharpest of the deep ones."""
    if name is not None:
        return next(subframe for subframe in subframes if subframe.frame.name == name)

    def score(subframe):
        top = np.sort(subframe.stars.snr)[::-1][:50]
        width = subframe.stars.fwhm * subframe.frame.pixel_scale
        return (float(np.median(top)) if len(top) else 0.0) / width

    return max(subframes, key=score)


def anchored(reference, star_table) -> tuple[Alignment | None, tuple]:
    """The reference's WCS tied to a star catalogue, None where it cannot be; and what is to be said of it."""
    frame = reference.frame
    if callable(star_table):
        star_table = star_table(frame)
    places = star_table.at_epoch(frame.exposure.mid)
    ra, dec = (np.asarray(places[name].value, dtype=float) for name in ("ra", "dec"))
    near = np.flatnonzero(frame.contains(ra, dec, margin_px=50.0))
    bright = near[np.argsort(np.nan_to_num(np.asarray(places["g"].value, dtype=float)[near], nan=99.0))]
    bright = bright[:MOST_STARS]
    sigma_mas = np.hypot(places["sigma_ra"].to_value("mas"), places["sigma_dec"].to_value("mas"))
    sigma_px = np.asarray(sigma_mas, dtype=float) / 1000.0 / frame.pixel_scale
    tied = tie_to_sky(frame.wcs, frame.shape, reference.stars, ra[bright], dec[bright], sigma_px[bright])
    if tied.n_stars == 0:
        return None, tuple(f"{frame.name}: not tied to {star_table.catalogue}: {why}" for why in tied.notes)
    words = f"{frame.name}: tied to {star_table.catalogue}, {tied.n_stars} stars, RMS {tied.rms_px:.3f} px"
    # The brightness of the night is the reference's: its ratio to itself is exactly one.
    return replace(tied, flux_ratio=1.0, ratio_sigma=0.0), (words,)


def same_field(subframes, reference, failed):
    """Without those that have no sky in common with the reference."""
    middle = unit_from_radec(*reference.frame.centre)
    good = []
    for subframe in subframes:
        apart = float(np.degrees(separation_rad(middle, unit_from_radec(*subframe.frame.centre))))
        if apart < 0.9 * (subframe.frame.radius_deg + reference.frame.radius_deg):
            good.append(subframe)
            continue
        error = InputError(
            f"{subframe.frame.name}: another field, {apart:.2f} degrees from {reference.frame.name}; "
            "leave it out"
        )
        if failed is None:
            raise error
        failed(subframe.frame, error)
    return good


@dataclass(frozen=True)
class PreparedNight:
    """Subframes on one grid.

    Parameters
    ----------
    subframes : list of Subframe
        In the order of their times, all of them.
    reference : Subframe
    grid : SkyGrid
    coverage : (cy, cx) int array
    box : (x0, y0, nx, ny)
        The grid's place in the coverage, px.
    notes : tuple of str
    """

    subframes: list
    reference: Subframe
    grid: SkyGrid
    coverage: np.ndarray
    box: tuple
    notes: tuple

    @property
    def kept(self) -> list:
        """Subframes that go into the stacks."""
        return [subframe for subframe in self.subframes if subframe.keep]

    @property
    def fwhm(self) -> float:
        """Median FWHM of the kept frames on the grid, px."""
        scale = self.grid.pixel_scale
        return float(np.median([s.stars.fwhm * s.frame.pixel_scale / scale for s in self.kept]))


def prepare(
    subframes,
    settings,
    parts,
    *,
    star_table=None,
    decided=None,
    pinned=None,
    failed=None,
    progress=None,
    workers=1,
) -> PreparedNight:
    """Look at the frames, align and grade them, choose the grid.

    Parameters
    ----------
    subframes : list of Subframe
    settings : PictureSettings
    parts : Parts
    star_table : StarTable, or callable, optional
        Ties the reference frame to the sky; called with that frame.
    decided : dict, optional
        Name to (keep, reason), instead of the rules.
    pinned : dict, optional
        Name to an alignment as a recipe keeps it, instead of looking for it again.
    failed : callable, optional
        Called with a frame and its error; the rest goes on. Without it the error is raised.
    progress : callable, optional
        Called once for each frame.
    workers : int
        Threads.

    Returns
    -------
    PreparedNight

    Raises
    ------
    InputError
        If no frame can be used, or they have no sky in common.
    """
    check_reference(subframes, settings.reference)
    looked = _looked_at(subframes, settings, parts, failed, progress, workers)
    if not looked:
        raise InputError("no frame can be used")
    subframes = sorted(looked, key=lambda subframe: subframe.place.time)
    reference = choose_reference(subframes, settings.reference)
    # A preview's pixels are others: what a recipe or a catalogue says of full ones does not hold for them.
    full = settings.bin == 1
    known = (pinned or {}) if full else {}

    def remembered(subframe):
        kept = known.get(subframe.frame.name)
        return None if kept is None else Alignment.from_plain(subframe.frame.wcs, kept)

    own, notes = remembered(reference), ()
    if full and star_table is not None and own is None:
        own, notes = anchored(reference, star_table)
    own = own or Alignment(reference.frame.wcs, len(reference.stars.x), 0.0, 0.0, 1.0, 0.0)

    def aligned(subframe):
        if subframe.frame is reference.frame:
            return own
        frame = subframe.frame
        return remembered(subframe) or align(frame.wcs, frame.shape, subframe.stars, own.wcs, reference.stars)

    near = same_field(subframes, reference, failed)
    subframes = [replace(subframe, alignment=aligned(subframe)) for subframe in near]
    subframes = _graded(subframes, reference, settings, decided)
    kept = [subframe for subframe in subframes if subframe.keep]
    if not kept:
        raise InputError(
            "every frame is left out by its grade: look at the reasons, and keep some by --grades"
        )
    reference = next(subframe for subframe in subframes if subframe.frame is reference.frame)
    grid, coverage, box = grid_for(
        replace(reference.frame, wcs=own.wcs), [_outline(subframe) for subframe in kept],
        extent=settings.extent, north_up=settings.north_up, scale_arcsec=settings.scale_arcsec,
    )  # fmt: skip
    subframes, more = _levelled(subframes, reference, grid, settings.keep == "flux")
    reference = next(subframe for subframe in subframes if subframe.frame is reference.frame)
    return PreparedNight(subframes, reference, grid, coverage, box, (*notes, *more))


def _looked_at(subframes, settings, parts, failed, progress, workers) -> list:
    """Subframes with their stars; what cannot be looked at goes to `failed`."""
    look = star_list if settings.bin == 1 else quick_list

    def looked(subframe):
        frame = subframe.look or subframe.frame
        try:
            stars = parts.record("stars", subframe.key(), StarList, lambda: look(frame), _fits)
            return replace(subframe, stars=stars), None
        except AppulseError as error:
            return subframe, error
        finally:
            frame.release()

    good = []
    for subframe, error in in_order(looked, subframes, at_once(subframes, workers)):
        if error is None:
            good.append(subframe)
        elif failed is None:
            raise error
        else:
            failed(subframe.frame, error)
        if progress is not None:
            progress()
    return good


def _fits(stars) -> bool:
    """Whether a list of stars from the disk is whole."""
    columns = (stars.x, stars.y, stars.flux, stars.snr, stars.sigma)
    numbers = (stars.fwhm, stars.ellipticity, stars.sky, stars.sky_sigma, stars.box, stars.n_sources)
    return (
        all(isinstance(a, np.ndarray) for a in (*columns, stars.sources, stars.sky_level, stars.sky_noise))
        and all(column.shape == (len(stars.x),) for column in columns)
        and (stars.sources.ndim, stars.sources.shape[-1:]) == (2, (2,))
        and stars.sky_level.shape == stars.sky_noise.shape
        and stars.sky_level.ndim == 2
        and all(isinstance(number, int | float | np.number) for number in numbers)
    )


def _outline(subframe):
    return frame_outline(lambda x, y: pixel_to_sky(subframe.alignment.wcs, x, y), subframe.frame.shape)


def _graded(subframes, reference, settings, decided) -> list:
    """Subframes with their grades."""
    first = next(i for i, subframe in enumerate(subframes) if subframe.frame is reference.frame)
    ratios = [1.0 if i == first else s.alignment.flux_ratio for i, s in enumerate(subframes)]
    seconds = np.array([subframe.frame.exposure.seconds for subframe in subframes])
    gains = np.array([subframe.gain if np.isfinite(subframe.gain) else 1.0 for subframe in subframes])
    # Each filter has its own light: a blue frame among red ones is not clouded.
    filters = np.array([str(subframe.frame.filter or "") for subframe in subframes])
    light = np.full(len(subframes), np.nan)
    for name in np.unique(filters):
        same = np.flatnonzero(filters == name)
        light[same] = transparencies([ratios[i] for i in same], seconds[same], gains[same])
    rows = [_grade(subframe, float(share)) for subframe, share in zip(subframes, light, strict=True)]
    found = [(True, "")] * len(rows)
    if settings.reject_clouds and settings.bin == 1:
        found = verdicts(rows)
        # The frame by which the others are judged is not judged by them.
        found[first] = (True, "")
    graded = []
    for subframe, row, choice in zip(subframes, rows, found, strict=True):
        # What the user decided stands above every rule.
        keep, reason = (decided or {}).get(row["frame"], choice)
        graded.append(replace(subframe, grade={**row, "keep": keep, "reason": reason}))
    return graded


def _grade(subframe, transparency) -> dict:
    stars, alignment = subframe.stars, subframe.alignment
    trail = np.stack(subframe.frame.to_pixel(*np.array(subframe.place.trail).T), axis=1)
    return {
        "frame": subframe.frame.name,
        "time": subframe.place.time,
        "keep": True,
        "reason": "",
        "fwhm": stars.fwhm,
        "ellipticity": stars.ellipticity,
        "sky": stars.sky,
        "sky_sigma": stars.sky_sigma,
        "gradient": float(np.ptp(np.percentile(stars.sky_level, [10, 90])) / max(stars.sky_sigma, 1e-9)),
        "n_stars": stars.n_sources,
        "transparency": transparency,
        "trail": float(np.hypot(*np.diff(trail, axis=0).T).sum()),
        "align_rms": alignment.rms_px,
        "align_stars": alignment.n_stars,
        "shift": alignment.shift_px,
    }


def _levelled(subframes, reference, grid, flux) -> tuple[list, tuple]:
    """Subframes with factor and plane of each against the reference; notes on what stars could not say."""
    places = grid_places(grid)

    def seen(subframe):
        area = PixelMap.between(grid, subframe.alignment.wcs).area_ratio(grid.shape)
        # Sums of counts grow with the area that a grid pixel takes in a frame; surface brightness does not.
        share = area if flux else 1.0
        wcs, shape = subframe.alignment.wcs, subframe.frame.shape
        return area, share, share * sky_on_grid(subframe.stars, wcs, shape, grid, places)

    area_0, share_0, sky_0 = seen(reference)
    levelled, notes = [], []
    for subframe in subframes:
        area, share, sky = seen(subframe)
        ratio = subframe.alignment.flux_ratio
        if ratio is None:
            mine, theirs = (max(s.frame.exposure.seconds, 1e-9) for s in (subframe, reference))
            ratio = theirs / mine
            notes.append(
                f"{subframe.frame.name}: no stars to compare its brightness by: "
                "taken by the exposure times alone"
            )
        factor = ratio if flux else ratio * area / area_0
        noise, typical = share * subframe.stars.sky_sigma, share_0 * reference.stars.sky
        level = level_to(sky_0, sky, places, factor, noise, typical, area)
        levelled.append(replace(subframe, level=level))
    return levelled, tuple(notes)
