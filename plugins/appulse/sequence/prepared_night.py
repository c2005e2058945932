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
from appulse.sequence.subframe import Shot, at_once, grid_places, level_to, quick_list, sky_on_grid, star_list

MOST_STARS = 600


def check_reference(shots, name):
    """That a reference, where one is named, is among the frames.

    Raises
    ------
    InputError
        If it is not.
    """
    names = [shot.frame.name for shot in shots]
    if name is not None and name not in names:
        raise InputError(f"reference {name!r}: none of the frames is called so: {', '.join(names)}")


def choose_reference(shots, name):
    """The frame of this name, or the sharpest of the deep ones."""
    check_reference(shots, name)
    if name is not None:
        return next(shot for shot in shots if shot.frame.name == name)

    def score(shot):
        top = np.sort(shot.stars.snr)[::-1][:50]
        return (float(np.median(top)) if len(top) else 0.0) / (shot.stars.fwhm * shot.frame.pixel_scale)

    return max(shots, key=score)


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


def same_field(shots, reference, failed):
    """Without those that have no sky in common with the reference."""
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


def prepare(
    shots,
    settings,
    parts,
    *,
    star_table=None,
    decided=None,
    pinned=None,
    failed=None,
    progress=None,
    workers=1,
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
    Night

    Raises
    ------
    InputError
        If no frame can be used, or they have no sky in common.
    """
    check_reference(shots, settings.reference)
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
    reference = choose_reference(shots, settings.reference)
    notes = []
    if settings.bin == 1:
        for shot in shots:
            if shot.frame.name in (pinned or {}):
                shot.alignment = Alignment.from_plain(shot.frame.wcs, pinned[shot.frame.name])
        if star_table is not None and reference.alignment is None:
            notes = anchored(reference, star_table)
    reference.alignment = reference.alignment or Alignment(
        reference.frame.wcs, len(reference.stars.x), 0.0, 0.0, 1.0, 0.0
    )
    shots = same_field(shots, reference, failed)
    for shot in shots:
        if shot.alignment is None:
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
        frame = shot.look or shot.frame
        try:
            shot.stars = parts.thing("stars", shot.key(), lambda: look(frame))
        except AppulseError as error:
            return shot, error
        finally:
            frame.release()
        return shot, None

    return looked


def _outline(shot):
    from appulse.frames.wcs import pixel_to_sky

    wcs = shot.alignment.wcs
    return frame_outline(lambda x, y: pixel_to_sky(wcs, x, y), shot.frame.shape)


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
