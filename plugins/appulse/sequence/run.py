"""The door of this room: frames in, pictures out, every product written as soon as it is finished.

job = job_for(frames, "body", ephemeris, "out")          # or PictureJob(...), with subframes of one's own
small = preview(job)                                     # seconds; small.pixels is an image
result = run(job, progress=..., cancelled=...)           # stopped? the same job goes on from there
"""

import hashlib
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from appulse.catalogues import objects_near
from appulse.errors import AppulseError, InputError
from appulse.formats import check_free, write_bytes, write_table
from appulse.sequence import animate
from appulse.sequence import comet_pictures as comets
from appulse.sequence.body_places import centred_on_body
from appulse.sequence.colour import colour_on_grid
from appulse.sequence.composite import chosen_dots, composite, dots_of, look_for
from appulse.sequence.grade import grade_plot, grade_table
from appulse.sequence.marks import marked
from appulse.sequence.parts import Parts
from appulse.sequence.picture_files import (
    coverage_png,
    png_bytes,
    shown,
    to_8bit,
    to_16bit,
    write_dots,
    write_fits,
    write_jpeg,
    write_png,
    write_stack,
    write_tiff,
)
from appulse.sequence.picture_job import PictureResult, Preview, preview_job, write_recipe
from appulse.sequence.prepared_night import PreparedNight, prepare
from appulse.sequence.resampled_frames import resample_frames
from appulse.sequence.stack import base_stacks, tracked_stacks
from appulse.sequence.subframe import binned

PREVIEW_PX, PREVIEW_FRAMES = 700, 12


class Cancelled(AppulseError):
    """The run was stopped on request; its finished parts are kept, and the same job goes on from there."""


class Steps:
    """Stages of a run, counted.

    Parameters
    ----------
    stage : callable, optional
        ``stage(words, total)`` gives a context manager whose value has ``update(n)``: a progress bar.
    progress : callable, optional
        ``progress(words, done, total)``, at the beginning of each stage with `done` 0, then after every frame
        or strip, in the thread that runs the job.
    cancelled : callable, optional
        Asked as often; once it says yes the run ends with :class:`Cancelled`.

    Examples
    --------
    >>> steps = Steps(progress=lambda words, done, total: print(words, done, "of", total))
    >>> with steps("stacking", 2) as bar:
    ...     bar.update(2)
    stacking 0 of 2
    stacking 2 of 2
    >>> with Steps(cancelled=lambda: True)("stacking", 2):
    ...     pass
    Traceback (most recent call last):
    appulse.sequence.run.Cancelled: stopped while stacking: the same job goes on from there
    """

    def __init__(self, stage=None, progress=None, cancelled=None):
        self.stage, self.progress, self.cancelled = stage, progress, cancelled

    @contextmanager
    def __call__(self, words, total):
        """A stage: its value has ``update(n)``."""
        count = _Count(self, words, total)
        if self.stage is None:
            count.update(0)
            yield count
            return
        with self.stage(words, total) as count.bar:
            count.update(0)
            yield count


class _Count:
    def __init__(self, steps, words, total):
        self.steps, self.words, self.total, self.done, self.bar = steps, words, total, 0, None

    def update(self, n=1):
        """Count n more."""
        self.done += n
        if n and self.bar is not None:
            self.bar.update(n)
        if self.steps.progress is not None:
            self.steps.progress(self.words, self.done, self.total)
        if self.steps.cancelled is not None and self.steps.cancelled():
            raise Cancelled(f"stopped while {self.words}: the same job goes on from there")


@dataclass(frozen=True)
class _StillSky:
    """What every run begins with: frames on one grid, and the sky without the body."""

    night: PreparedNight
    # On the star grid and on the body's; the second is empty for a preview.
    resampled: list
    moving: list
    base: list
    notes: tuple

    @property
    def track(self) -> np.ndarray:
        """Places of the body, (n, 2) grid px."""
        return np.array([frame.place for frame in self.resampled])


def _still_sky(job, parts, steps, failed, *, track=True, **more) -> _StillSky:
    settings, workers = job.settings, job.workers
    with steps("looking at frames", len(job.subframes)) as bar:
        night = prepare(
            job.subframes, settings, parts, decided=job.decided, failed=failed, progress=bar.update,
            workers=workers, **more,
        )  # fmt: skip
    with steps("resampling frames", len(night.kept)) as bar:
        resampled, moving = resample_frames(
            night, settings, parts, track=track, workers=workers, progress=bar.update
        )
    resampled, followed = centred_on_body(resampled, night.fwhm)
    with steps("stacking: still sky", night.grid.shape[0] * len(resampled[0].planes)) as bar:
        base = base_stacks(night, resampled, settings, parts, workers=workers, progress=bar.update)
    return _StillSky(night, resampled, moving, base, (*night.notes, *followed))


def make_preview(job, steps, failed=None) -> Preview:
    """Preview a job whose frames are small already (``settings.bin`` above 1)."""
    settings = job.settings
    with tempfile.TemporaryDirectory(prefix="appulse-preview-") as folder:
        sky = _still_sky(job, Parts(Path(folder) / "parts"), steps, failed, track=False)
        light = np.stack([stack.data for stack in sky.base])
        dots = dots_of(sky.night, sky.resampled, light)
        colour, words = _small_colour(job, sky)
        look = look_for(sky.night.grid, light, sky.track, settings, colour)
        picked = chosen_dots(dots, settings)
        drawn = marked(
            composite(light, picked, look), sky.night, picked, look, settings,
            outlines=_outlines_for(settings, sky.night.grid),
        )  # fmt: skip
        pixels = shown(to_8bit(drawn))
        return Preview(pixels, sky.night, dots, [*sky.notes, *words], len(sky.night.kept))


def _outlines_for(settings, grid):
    """Objects whose outlines are drawn; none where they are not among the marks."""
    if "outlines" not in settings.marks:
        return ()
    ny, nx = grid.shape
    centre = [float(v) for v in grid.to_sky(nx / 2, ny / 2)]
    return objects_near(*centre, np.hypot(nx, ny) / 2 * grid.pixel_scale / 3600.0)


def _small_colour(job, sky):
    """The colour base, small, by its WCS alone, None where it cannot be used; and words on it."""
    if not job.colour:
        return None, ()
    grid = sky.night.grid
    try:
        frames = [binned(f, max(1, round(grid.pixel_scale / f.pixel_scale))) for f in job.colour]
        return colour_on_grid(frames, sky.night, sky.track, aligned=False, workers=job.workers)
    except AppulseError as error:
        return None, (f"no colour in the preview: {error}",)


def preview(
    job, *, longest_px=PREVIEW_PX, most_frames=PREVIEW_FRAMES, failed=None, progress=None, cancelled=None
) -> Preview:
    """See how a job's picture will look; nothing is written.

    Parameters
    ----------
    job : PictureJob
        As for :func:`run`; it is not changed.
    longest_px : int
        Frames are taken together to at most so many pixels a side.
    most_frames : int
        Of a longer night so many are looked at, evenly chosen.
    failed, progress, cancelled : callables, optional
        As for :func:`run`.

    Returns
    -------
    Preview

    Raises
    ------
    InputError
        If nothing can be made of the frames.
    Cancelled
        If it was stopped.
    """
    small = preview_job(job, longest_px, most_frames)
    return make_preview(small, Steps(None, progress, cancelled), failed)


def run(job, *, failed=None, stage=None, progress=None, cancelled=None) -> PictureResult:
    """Do a job.

    Parameters
    ----------
    job : PictureJob
    failed : callable, optional
        Called with a frame and its error where one cannot be used; the rest goes on.
    stage : callable, optional
        ``stage(words, total)`` gives a context manager whose value has ``update(n)``.
    progress : callable, optional
        ``progress(words, done, total)`` after every frame or strip, in the calling thread.
    cancelled : callable, optional
        Asked as often; once it is true the run ends with :class:`Cancelled`, its parts are kept, and the same
        job goes on from there.

    Returns
    -------
    PictureResult

    Raises
    ------
    InputError
        If nothing can be made of the frames.
    OutputExistsError
        If an output exists and may not be replaced.
    Cancelled
        If it was stopped.
    """
    overwrite = job.overwrite or job.unfinished
    check_free(job.outputs, overwrite)
    if "mp4" in job.extras:
        animate.need_video()
    steps = Steps(stage, progress, cancelled)
    if job.settings.bin > 1:
        return _written_preview(job, make_preview(job, steps, failed), overwrite)
    memory = [subframe.frame.name for subframe in job.subframes if subframe.frame.path is None]
    if memory:
        raise InputError(f"{memory[0]} has no file: the recipe could not name it; write it to a file first")
    return _Run(job, overwrite, failed, steps).go()


def _written_preview(job, found, overwrite):
    words = describe(job.body, found.night)
    path = write_bytes(Path(job.out) / "preview.png", png_bytes(found.pixels, words), overwrite)
    return PictureResult(found.night, found.dots, [path], found.notes)


def describe(body, night) -> str:
    """What a picture shows, for its description."""
    kept = night.kept
    first, last = kept[0].place.time[:16], kept[-1].place.time[:16]
    words = f"{first} to {last} UTC; every dot is the body in one frame, see dots.ecsv"
    return f"{body}: {len(kept)} frames, {words}"


class _Run:
    """A run under way: what it has written so far."""

    def __init__(self, job, overwrite, failed, steps):
        self.job, self.overwrite, self.failed, self.steps = job, overwrite, failed, steps
        self.out, self.settings = Path(job.out), job.settings
        self.parts = Parts(job.parts_folder)
        self.written, self.hashes = [], {}

    def go(self) -> PictureResult:
        job, settings = self.job, self.settings
        sky = _still_sky(
            job, self.parts, self.steps, self.failed, star_table=job.star_table, pinned=job.pinned
        )
        night = sky.night
        self._write_grades(night)
        # The stacks' own pixels are freed as they are written: there may be little room for two of them.
        light = self._fits("base.fits", sky.base, night, "stars at rest, the body taken out")
        dots = dots_of(night, sky.resampled, light)
        if "tracked.fits" not in job.left_out:
            with self.steps("stacking: moving body", night.grid.shape[0] * len(light)) as bar:
                tracked = tracked_stacks(
                    night, sky.moving, light, settings, self.parts, workers=job.workers, progress=bar.update
                )
            self._fits("tracked.fits", tracked, night, "the body at rest, stars taken out")
            del tracked
        colour, words = None, ()
        if job.colour:
            colour, words = colour_on_grid(job.colour, night, sky.track, workers=job.workers)
        look = look_for(night.grid, light, sky.track, settings, colour)
        picked = chosen_dots(dots, settings)
        self._pictures(night, composite(light, picked, look), picked, look)
        if "animation.gif" not in job.left_out:
            self._animation(sky, light, dots, look)
        if comets.wants_comet(job.body, settings.comet):
            words = (*words, *self._comet(sky))
        self._done(write_dots(self.out / "dots.ecsv", night, dots, picked, self.overwrite))
        self._done(write_recipe(self.out / "recipe.yaml", job, night, self.hashes, self.overwrite))
        if not job.keep_parts:
            self.parts.clear()
        notes = [*sky.notes, *words]
        return PictureResult(night, dots, self.written, notes, self.parts.reused, self.hashes)

    def _fits(self, name, stacks, night, words):
        path = self.out / name
        light = write_stack(path, stacks, night, self.settings, self.job.body, words, self.overwrite)
        self._done(path, light)
        return light

    def _done(self, path, pixels=None):
        self.written.append(Path(path))
        if pixels is not None:
            self.hashes[Path(path).name] = hashlib.sha256(np.ascontiguousarray(pixels)).hexdigest()

    def _write_grades(self, night):
        table = grade_table([subframe.grade for subframe in night.subframes])
        self._done(write_table(table, self.out / "grades.ecsv", self.overwrite))
        self._done(grade_plot(table, self.out / "grades.png", self.overwrite))
        self._done(coverage_png(night, self.out / "coverage.png", self.overwrite))

    def _pictures(self, night, picture, dots, look):
        words, extras = describe(self.job.body, night), self.job.extras
        outlines = _outlines_for(self.settings, night.grid)
        picture = marked(picture, night, dots, look, self.settings, outlines=outlines)
        path = self.out / "composite"
        png = write_png(picture, path.with_suffix(".png"), words, overwrite=self.overwrite)
        self._done(png, to_16bit(picture))
        if "tiff" in extras:
            self._done(write_tiff(picture, path.with_suffix(".tiff"), words, overwrite=self.overwrite))
        if "jpeg" in extras:
            more = {"longest": self.job.jpeg_px, "overwrite": self.overwrite}
            self._done(write_jpeg(picture, path.with_suffix(".jpg"), words, **more))

    def _comet(self, sky) -> tuple:
        """Comet and stars apart, joined at a moment, and the views of the coma; notes."""
        night, settings, fwhm = sky.night, self.settings, sky.night.fwhm
        many = comets.TURNS * len(comets.planes_of(sky.resampled)[0])
        with self.steps("stacking: comet and stars apart", night.grid.shape[0] * many) as bar:
            apart = comets.separate(
                night, sky.resampled, sky.moving, settings, self.parts, workers=self.job.workers,
                progress=bar.update,
            )  # fmt: skip
        noise = np.sqrt(np.mean([stack.noise**2 for stack in apart.comet], axis=0) / len(apart.comet))
        planes = f"; planes: {', '.join(apart.names)}" if apart.names else ""
        stars = self._fits("stars.fits", apart.stars, night, f"stars alone, the comet taken off{planes}")
        words = f"the comet alone, stars and sky taken off{planes}"
        comet = self._fits("comet.fits", apart.comet, night, words)
        home = np.array(sky.resampled[0].place) - np.array(sky.moving[0].shift)
        place, when = home, night.reference.place.time
        if settings.moment is not None:
            place, when = comets.place_at(sky.resampled, settings.moment)
        both = comets.joined(apart, stars, comet, place - home)
        look = look_for(night.grid, both, sky.track, settings)
        words = f"{self.job.body} and the stars, each stacked at rest, joined as at {when[:19]} UTC"
        picture = look.picture(both)
        self._done(write_png(picture, self.out / "joined.png", words, overwrite=self.overwrite),
                   to_16bit(picture))  # fmt: skip
        way = [frame.shift for frame in sky.moving]
        way = comets.sky_structure(stars.mean(axis=0), way, apart.nucleus, comets.coma_radius(apart), fwhm)
        return *apart.notes, *self._coma_views(apart, comet.mean(axis=0), noise, way, night, fwhm)

    def _coma_views(self, apart, light, noise, structure, night, fwhm) -> tuple[str, ...]:
        """Rotational gradient, division by the median over the angle, radial profile: marked as processed."""
        nucleus, radius = apart.nucleus, comets.coma_radius(apart)
        smooth = comets.smoothed(light, fwhm)
        gradient = comets.rotational_gradient(smooth, nucleus)
        least = 0.3 * float(np.nanmedian(noise))
        division = comets.median_division(smooth, nucleus, radius, least)
        made = (
            ("coma_gradient.fits", gradient, f"rotational gradient, {comets.ROTATION_DEG:g} deg both ways"),
            ("coma_division.fits", division, "divided by the median over the angle about the nucleus"),
        )
        for name, picture, words in made:
            cards = [
                ("PROCESSD", True, "no light as it fell: a filter's view"), ("OBJECT", self.job.body, ""),
                ("NUCLEUSX", round(nucleus[0] + 1, 3), "FITS pixel"),
                ("NUCLEUSY", round(nucleus[1] + 1, 3), "FITS pixel"),
                ("HISTORY", f"processed: {words}; stars and sky taken off, smoothed by the star image", ""),
            ]  # fmt: skip
            path = write_fits(self.out / name, picture, night.grid, cards, overwrite=self.overwrite)
            self._done(path, picture)
        table = comets.profile_of(light, noise, structure, nucleus, radius, night.grid.pixel_scale)
        self._done(write_table(table, self.out / "coma_profile.ecsv", self.overwrite))
        picture = comets.views_picture(light, gradient, division, nucleus, radius)[None]
        words = f"{self.job.body}, processed: the coma, its rotational gradient, its division by the median"
        self._done(write_png(picture, self.out / "coma_views.png", words, bits=8, overwrite=self.overwrite),
                   picture)  # fmt: skip
        return comets.structure_words(table, fwhm)

    def _animation(self, sky, light, dots, look):
        more = {"fps": self.settings.fps, "overwrite": self.overwrite}
        with self.steps("drawing the animation", len(sky.resampled)) as bar:
            pictures = animate.animation(
                sky.night, light, sky.resampled, dots, look, self.settings, tracked=sky.moving,
                progress=bar.update,
            )  # fmt: skip
        path = self.out / "animation.gif"
        self._done(animate.write_gif(pictures, path, **more), np.stack(pictures))
        if "mp4" in self.job.extras:
            self._done(animate.write_mp4(pictures, path.with_suffix(".mp4"), **more))
        if "frames" in self.job.extras:
            for index, pixels in enumerate(pictures, 1):
                name = self.out / "animation" / f"{index:04d}.png"
                self._done(write_bytes(name, png_bytes(pixels), self.overwrite))
