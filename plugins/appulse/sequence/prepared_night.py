"""A night's frames made ready: looked at, aligned, graded, their grid chosen and brought to one level.

One of them is the reference, by which the others go: it may be tied to a star catalogue first.
"""

from dataclasses import dataclass, replace

import numpy as np

from appulse.errors import AppulseError, InputError
from appulse.numerics.sphere import separation_rad, unit_from_radec
from appulse.registration.alignment import Alignment, align, tie_to_sky
from appulse.registration.resampling import PixelMap
from appulse.registration.threads import in_order
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
    check_reference(subframes, name)
    if name is not None:
        return next(subframe for subframe in subframes if subframe.frame.name == name)

    def score(subframe):
        top = np.sort(subframe.stars.snr)[::-1][:50]
        return (float(np.median(top)) if len(top) else 0.0) / (
            subframe.stars.fwhm * subframe.frame.pixel_scale
        )

    return max(subframes, key=score)


def anchored(reference, star_table):
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


@dataclass
class PreparedNight:
    """Shots on one grid.

    Parameters
    ----------
    subframes : list of Subframe
        In the order of their times, all of them.
    reference : Subframe
    grid : SkyGrid
    coverage : (cy, cx) int array
    box : (x0, y0, nx, ny)
        The grid's place in the coverage, px.
    notes : list of str
    """

    subframes: list
    reference: Subframe
    grid: SkyGrid
    coverage: np.ndarray
    box: tuple
    notes: list

    @property
    def kept(self) -> list:
        """Shots that go into the stacks."""
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
    good = []
    for subframe, error in in_order(_looker(settings, parts), subframes, at_once(subframes, workers)):
        if error is None:
            good.append(subframe)
        elif failed is None:
            raise error
        else:
            failed(subframe.frame, error)
        if progress is not None:
            progress()
    subframes = sorted(good, key=lambda subframe: subframe.place.time)
    if not subframes:
        raise InputError("no frame can be used")
    reference = choose_reference(subframes, settings.reference)
    notes = []
    if settings.bin == 1:
        for subframe in subframes:
            if subframe.frame.name in (pinned or {}):
                subframe.alignment = Alignment.from_plain(subframe.frame.wcs, pinned[subframe.frame.name])
        if star_table is not None and reference.alignment is None:
            notes = anchored(reference, star_table)
    reference.alignment = reference.alignment or Alignment(
        reference.frame.wcs, len(reference.stars.x), 0.0, 0.0, 1.0, 0.0
    )
    subframes = same_field(subframes, reference, failed)
    for subframe in subframes:
        if subframe.alignment is None:
            subframe.alignment = align(
                subframe.frame.wcs,
                subframe.frame.shape,
                subframe.stars,
                reference.alignment.wcs,
                reference.stars,
            )
    _grade(subframes, reference, settings, decided)
    kept = [subframe for subframe in subframes if subframe.keep]
    if not kept:
        raise InputError(
            "every frame is left out by its grade: look at the reasons, and keep some by --grades"
        )
    anchor = replace(reference.frame, wcs=reference.alignment.wcs)
    outlines = [_outline(subframe) for subframe in kept]
    grid, coverage, box = grid_for(
        anchor,
        outlines,
        extent=settings.extent,
        north_up=settings.north_up,
        scale_arcsec=settings.scale_arcsec,
    )
    night = PreparedNight(subframes, reference, grid, coverage, box, notes)
    _levels(night, settings)
    return night


def _looker(settings, parts):
    look = star_list if settings.bin == 1 else quick_list

    def looked(subframe):
        frame = subframe.look or subframe.frame
        try:
            subframe.stars = parts.thing("stars", subframe.key(), lambda: look(frame))
        except AppulseError as error:
            return subframe, error
        finally:
            frame.release()
        return subframe, None

    return looked


def _outline(subframe):
    from appulse.frames.wcs import pixel_to_sky

    wcs = subframe.alignment.wcs
    return frame_outline(lambda x, y: pixel_to_sky(wcs, x, y), subframe.frame.shape)


def _grade(subframes, reference, settings, decided):
    ratios = [1.0 if subframe is reference else subframe.alignment.flux_ratio for subframe in subframes]
    seconds = np.array([subframe.frame.exposure.seconds for subframe in subframes])
    gains = np.array([subframe.gain if np.isfinite(subframe.gain) else 1.0 for subframe in subframes])
    light = transparencies(ratios, seconds, gains)
    for subframe, transparency in zip(subframes, light, strict=True):
        trail = np.stack(subframe.frame.to_pixel(*np.array(subframe.place.trail).T), axis=1)
        tilt = subframe.stars.sky_level
        subframe.grade = {
            "frame": subframe.frame.name,
            "time": subframe.place.time,
            "keep": True,
            "reason": "",
            "fwhm": subframe.stars.fwhm,
            "ellipticity": subframe.stars.ellipticity,
            "sky": subframe.stars.sky,
            "sky_sigma": subframe.stars.sky_sigma,
            "gradient": float(np.ptp(np.percentile(tilt, [10, 90])) / max(subframe.stars.sky_sigma, 1e-9)),
            "n_stars": subframe.stars.n_sources,
            "transparency": float(transparency),
            "trail": float(np.hypot(*np.diff(trail, axis=0).T).sum()),
            "align_rms": subframe.alignment.rms_px,
            "align_stars": subframe.alignment.n_stars,
            "shift": subframe.alignment.shift_px,
        }
    if settings.reject_clouds and settings.bin == 1:
        found = verdicts([subframe.grade for subframe in subframes])
        for subframe, (keep, reason) in zip(subframes, found, strict=True):
            subframe.grade["keep"], subframe.grade["reason"] = keep, reason
        # The frame by which the others are judged is not judged by them.
        reference.grade["keep"], reference.grade["reason"] = True, ""
    for subframe in subframes:
        if decided and subframe.frame.name in decided:
            subframe.grade["keep"], subframe.grade["reason"] = decided[subframe.frame.name]


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
    for subframe in night.subframes:
        area = PixelMap.between(grid, subframe.alignment.wcs).area_ratio(grid.shape)
        ratio = subframe.alignment.flux_ratio
        if ratio is None:
            seconds = max(subframe.frame.exposure.seconds, 1e-9)
            ratio = seconds_0 / seconds
            night.notes.append(
                f"{subframe.frame.name}: no stars to compare its brightness by: "
                "taken by the exposure times alone"
            )
        factor = ratio if flux else ratio * area / area_0
        share = area if flux else 1.0
        sky = share * sky_on_grid(subframe.stars, subframe.alignment.wcs, subframe.frame.shape, grid, places)
        noise = share * subframe.stars.sky_sigma
        subframe.level = level_to(sky_0, sky, places, factor, noise, share_0 * reference.stars.sky, area)
