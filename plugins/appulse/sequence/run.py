"""A whole run: frames in, pictures out, every product written as soon as it is finished."""

import hashlib
import os
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from astropy.table import QTable

from appulse.catalogues.deepsky import objects_near
from appulse.errors import InputError
from appulse.formats.output import check_free, write_bytes, write_table
from appulse.formats.provenance import file_sha256
from appulse.sequence import animate, output
from appulse.sequence.align import align, star_list
from appulse.sequence.grade import grade_plot, grade_table
from appulse.sequence.marks import marked
from appulse.sequence.night import prepare
from appulse.sequence.parts import Parts
from appulse.sequence.pictures import animation, chosen_dots, composite, look_for
from appulse.sequence.products import base_stacks, centre_on_body, dots_of, lay_frames, tracked_stacks
from appulse.sequence.recipe import Recipe
from appulse.sequence.resample import resample

PRODUCTS = (
    "base.fits", "tracked.fits", "composite.png", "animation.gif", "dots.ecsv", "grades.ecsv", "grades.png",
    "coverage.png", "recipe.yaml",
)  # fmt: skip
PREVIEW_PRODUCTS = ("preview.png",)
EXTRAS = {"tiff": "composite.tiff", "jpeg": "composite.jpg", "mp4": "animation.mp4", "frames": "animation"}


@dataclass
class Job:
    """What to make, of what.

    Parameters
    ----------
    body : str
    shots : list of Shot
    settings : Settings
    out : Path
    orbits : dict
        Source of the places, in words.
    star_table : StarTable, optional
    colour : list of SolvedFrame
        One colour frame, or three for red, green and blue.
    masters : Masters, optional
    decided : dict, optional
        Name to (keep, reason).
    extras : frozenset
        Out of tiff, jpeg, mp4, frames.
    jpeg_px : int, optional
    overwrite : bool
    keep_parts : bool
    files : dict
        ``stars``, ``masters``, ``colour``: paths as the recipe keeps them.
    workers : int
    """

    body: str
    shots: list
    settings: object
    out: Path
    orbits: dict = field(default_factory=dict)
    star_table: object = None
    colour: list = field(default_factory=list)
    masters: object = None
    decided: dict | None = None
    extras: frozenset = frozenset()
    jpeg_px: int | None = None
    overwrite: bool = False
    keep_parts: bool = False
    files: dict = field(default_factory=dict)
    workers: int = min(4, os.cpu_count() or 1)

    @property
    def outputs(self) -> list:
        """Every file of the run."""
        if self.settings.bin > 1:
            return [self.out / name for name in PREVIEW_PRODUCTS]
        names = [*PRODUCTS, *(EXTRAS[extra] for extra in sorted(self.extras) if extra != "frames")]
        return [self.out / name for name in names]

    @property
    def unfinished(self) -> bool:
        """Whether a run was broken off here: its finished products may be written again."""
        return (self.out / "parts").is_dir() and not (self.out / "recipe.yaml").exists()


@dataclass
class Result:
    """What came of a job.

    Parameters
    ----------
    night : Night
    dots : list of Dot
    written : list of Path
    notes : list of str
    reused : int
        Parts taken from an earlier, broken-off run.
    """

    night: object
    dots: list
    written: list
    notes: list
    reused: int = 0


def run(job, *, failed=None, stage=None) -> Result:
    """Do a job.

    Parameters
    ----------
    job : Job
    failed : callable, optional
        Called with a frame and its error where one cannot be used.
    stage : callable, optional
        ``stage(words, total)`` gives a context manager whose value has ``update(n)``.

    Returns
    -------
    Result

    Raises
    ------
    InputError
        If nothing can be made of the frames.
    OutputExistsError
        If an output exists and may not be replaced.
    """
    overwrite = job.overwrite or job.unfinished
    check_free(job.outputs, overwrite)
    if "mp4" in job.extras:
        animate.need_video()
    return _Run(job, overwrite, failed, stage or _silent).go()


class _Silence:
    def update(self, n=1):
        """Say nothing."""


def _silent(words, total):
    return nullcontext(_Silence())


class _Run:
    def __init__(self, job, overwrite, failed, stage):
        self.job, self.overwrite, self.failed, self.stage = job, overwrite, failed, stage
        self.parts = Parts(job.out / "parts")
        self.settings = job.settings
        self.written, self.hashes, self.notes = [], {}, []

    def go(self) -> Result:
        job, settings = self.job, self.settings
        with self.stage("looking at frames", len(job.shots)) as bar:
            night = prepare(
                job.shots, settings, self.parts, star_table=job.star_table, decided=job.decided,
                failed=self.failed, progress=bar.update,
            )  # fmt: skip
        self.night = night
        self.notes += night.notes
        laid, moving = self._lay(night)
        base = self._stack("still sky", base_stacks, night, laid)
        light = np.stack([one.data for one in base])
        if settings.bin > 1:
            return self._preview(night, laid, light)
        self._write_grades(night)
        self._fits("base.fits", base, night, "stars at rest, the body taken out")
        dots = dots_of(night, laid, light)
        tracked = self._stack(
            "moving body", lambda n, la, s, p, **k: tracked_stacks(n, la, base, s, p, **k), night, moving
        )
        self._fits("tracked.fits", tracked, night, "the body at rest, stars taken out")
        look = self._look(night, laid, light)
        picked = chosen_dots(dots, settings)
        picture = composite(light, picked, look)
        self._pictures(night, picture, picked, look)
        self._animation(night, light, laid, dots, look, moving)
        self._write_dots(night, dots, picked)
        self._write_recipe(night)
        if not job.keep_parts:
            self.parts.clear()
        return Result(night, dots, self.written, self.notes, self.parts.reused)

    def _lay(self, night):
        with self.stage("laying frames on the sky", len(night.kept)) as bar:
            laid, moving = lay_frames(
                night, self.settings, self.parts, track=self.settings.bin == 1, workers=self.job.workers,
                progress=bar.update,
            )  # fmt: skip
        self.notes += centre_on_body(laid, night.fwhm)
        return laid, moving

    def _stack(self, words, how, night, laid):
        with self.stage(f"stacking: {words}", night.grid.shape[0] * len(laid[0].planes)) as bar:
            return how(night, laid, self.settings, self.parts, workers=self.job.workers, progress=bar.update)

    def _fits(self, name, stacks, night, words):
        squeeze = stacks[0].data if len(stacks) == 1 else np.stack([one.data for one in stacks])
        noise = stacks[0].noise if len(stacks) == 1 else np.stack([one.noise for one in stacks])
        kept = night.kept
        cards = [
            ("BUNIT", night.reference.frame.bunit or "adu", "of the reference frame"),
            ("OBJECT", self.job.body, "body of the sequence"),
            ("NCOMBINE", len(kept), "frames in the stack"),
            ("EXPTOTAL", round(sum(s.frame.exposure.seconds for s in kept), 3), "[s] light collected"),
            ("DATE-BEG", min(s.frame.exposure.start.utc.isot for s in kept), "UTC"),
            ("DATE-END", max(s.frame.exposure.end.utc.isot for s in kept), "UTC"),
            ("REFFRAME", night.reference.frame.name[:68], "sets grid and brightness"),
            ("DATE-REF", night.reference.place.time, "UTC, the body's place belongs to it"),
            ("KEPT", self.settings.keep, "by resampling: surface brightness or flux"),
            (
                "REJECTED",
                round(float(np.mean([s.rejected for s in stacks])), 6),
                "share of pixels thrown out",
            ),
            ("COMMENT", words, ""),
        ]
        path = output.write_fits(
            self.job.out / name, squeeze, night.grid, cards, noise=noise, count=stacks[0].count,
            overwrite=self.overwrite,
        )  # fmt: skip
        self._done(path, squeeze)

    def _done(self, path, pixels=None):
        self.written.append(Path(path))
        if pixels is not None:
            self.hashes[Path(path).name] = hashlib.sha256(np.ascontiguousarray(pixels).tobytes()).hexdigest()

    def _write_grades(self, night):
        table = grade_table([shot.grade for shot in night.shots])
        out = self.job.out
        self._done(write_table(table, out / "grades.ecsv", self.overwrite))
        self._done(grade_plot(table, out / "grades.png", self.overwrite))
        self._done(coverage_png(night, out / "coverage.png", self.overwrite))

    def _look(self, night, laid, light):
        track = np.array([one.place for one in laid])
        colour = self._colour_base(night, track) if self.job.colour else None
        return look_for(night.grid, light, track, self.settings, colour)

    def _colour_base(self, night, track):
        """The colour base on the grid, aligned by its stars where they agree; None, told, where it fails."""
        planes = []
        for frame in self.job.colour:
            reference = night.reference
            found = align(frame.wcs, frame.shape, star_list(frame), reference.alignment.wcs, reference.stars)
            self.notes += [f"{frame.name}: {words}" for words in found.notes]
            sources = frame.colour if frame.is_colour else [frame.data]
            planes += [resample(p, found.wcs, night.grid, workers=self.job.workers) for p in sources]
            frame.release()
        colour = np.stack(planes)
        x, y = np.clip(np.round(track).astype(int), 0, np.array(night.grid.shape)[::-1] - 1).T
        missing = ~np.isfinite(colour[:, y, x]).all(axis=0)
        if missing.any():
            self.notes.append(
                f"the colour base does not cover the body in {int(missing.sum())} of {len(missing)} frames: "
                "grey there"
            )
        if not np.isfinite(colour).any():
            self.notes.append("the colour base does not overlap with the frames: the picture stays grey")
            return None
        return colour

    def _describe(self, night):
        kept = night.kept
        first, last = kept[0].place.time[:16], kept[-1].place.time[:16]
        return (
            f"{self.job.body}: {len(kept)} frames, {first} to {last} UTC; every dot is the body in one "
            "frame, see dots.ecsv"
        )

    def _pictures(self, night, picture, dots, look):
        out, words = self.job.out, self._describe(night)
        outlines = ()
        if "outlines" in self.settings.marks:
            ny, nx = night.grid.shape
            centre = [float(v) for v in night.grid.to_sky(nx / 2, ny / 2)]
            outlines = objects_near(*centre, np.hypot(nx, ny) / 2 * night.grid.pixel_scale / 3600.0)
        picture = marked(picture, night, dots, look, self.settings, outlines=outlines)
        self._done(
            output.write_png(picture, out / "composite.png", words, overwrite=self.overwrite),
            output.to_16bit(picture),
        )
        if "tiff" in self.job.extras:
            self._done(output.write_tiff(picture, out / "composite.tiff", words, overwrite=self.overwrite))
        if "jpeg" in self.job.extras:
            self._done(
                output.write_jpeg(
                    picture, out / "composite.jpg", words, longest=self.job.jpeg_px, overwrite=self.overwrite
                )
            )

    def _animation(self, night, light, laid, dots, look, moving):
        settings, out = self.settings, self.job.out
        pictures = animation(night, light, laid, dots, look, settings, tracked=moving)
        path = animate.write_gif(pictures, out / "animation.gif", fps=settings.fps, overwrite=self.overwrite)
        self._done(path, np.stack(pictures))
        if "mp4" in self.job.extras:
            self._done(
                animate.write_mp4(pictures, out / "animation.mp4", fps=settings.fps, overwrite=self.overwrite)
            )
        if "frames" in self.job.extras:
            for index, pixels in enumerate(pictures, 1):
                name = out / "animation" / f"{index:04d}.png"
                self._done(write_bytes(name, output.png_bytes(pixels), self.overwrite))

    def _write_dots(self, night, dots, picked):
        table = QTable()
        table["frame"] = [dot.frame for dot in dots]
        table["time"] = [dot.time for dot in dots]
        ra, dec = night.grid.to_sky(np.array([dot.x for dot in dots]), np.array([dot.y for dot in dots]))
        for name, values in (
            ("x", [d.x for d in dots]),
            ("y", [d.y for d in dots]),
            ("ra", ra),
            ("dec", dec),
        ):
            table[name] = np.asarray(values, dtype=float)
        table["snr"] = [round(float(dot.snr), 2) for dot in dots]
        table["laid"] = [dot in picked for dot in dots]
        table["reason"] = [
            dot.reason or ("" if dot in picked else "left out by the chosen dots or cadence") for dot in dots
        ]
        sums = {shot.frame.name: shot.frame.checksum or "in memory" for shot in night.shots}
        table["sha256"] = [sums[dot.frame] for dot in dots]
        table.meta["comments"] = [
            "where each dot of the composite comes from: frame, its effective middle (UTC), zero-based pixel "
            "on base.fits, ICRF degrees by the frames' stars"
        ]
        self._done(write_table(table, self.job.out / "dots.ecsv", self.overwrite))

    def _write_recipe(self, night):
        job, frames = self.job, {}
        for shot in night.shots:
            frames[_relative(shot.frame.path, job.out)] = {
                "sha256": shot.frame.checksum,
                "keep": shot.keep,
                "reason": shot.grade["reason"],
                "place": shot.place.plain(),
            }
        settings = self.settings
        if settings.reference is None:
            settings = type(settings)(**{**settings.plain(), "reference": night.reference.frame.name})
        files = {
            role: [{"file": _relative(path, job.out), "sha256": file_sha256(path)} for path in paths]
            for role, paths in job.files.items()
        }
        stars = (files.get("stars") or [None])[0]
        masters = {role: files[role][0] for role in ("bias", "dark", "flat") if files.get(role)}
        recipe = Recipe(
            job.body, frames, settings, job.orbits, stars, masters, files.get("colour", []), self.hashes
        )
        self._done(recipe.write(job.out / "recipe.yaml", self.overwrite))

    def _preview(self, night, laid, light):
        dots = dots_of(night, laid, light)
        look = look_for(night.grid, light, np.array([one.place for one in laid]), self.settings)
        picture = composite(light, chosen_dots(dots, self.settings), look)
        path = output.write_png(
            picture, self.job.out / "preview.png", self._describe(night), bits=8, overwrite=self.overwrite
        )
        self._done(path)
        self.parts.clear()
        return Result(night, dots, self.written, self.notes, self.parts.reused)


def _relative(path, folder) -> str:
    """A path as seen from a folder where that works, so that both can be moved together."""
    if path is None:
        raise InputError("a frame out of memory cannot stand in a recipe: write it to a file first")
    try:
        return Path(os.path.relpath(Path(path).resolve(), Path(folder).resolve())).as_posix()
    except ValueError:  # another drive
        return Path(path).resolve().as_posix()


def coverage_png(night, path, overwrite=False):
    """How many frames cover each part of the sky, with the grid's edge; returns the path."""
    count = night.coverage.astype(float)
    values = np.where(count > 0, 0.15 + 0.7 * count / max(count.max(), 1), 0.03)
    pixels = np.repeat(output.to_8bit(values)[..., None], 3, axis=-1)
    x0, y0, nx, ny = (int(n) // 8 for n in night.box)
    x1, y1 = min(x0 + nx, pixels.shape[1]) - 1, min(y0 + ny, pixels.shape[0]) - 1
    edge = np.array([240, 168, 48], dtype=np.uint8)
    pixels[y0, x0 : x1 + 1] = pixels[y1, x0 : x1 + 1] = edge
    pixels[y0 : y1 + 1, x0] = pixels[y0 : y1 + 1, x1] = edge
    pixels = np.repeat(np.repeat(pixels, 2, 0), 2, 1)[::-1]
    words = f"frames on each part of the sky, up to {int(count.max())}; frame: the grid of the stacks"
    return write_bytes(path, output.png_bytes(pixels, words), overwrite)


__all__ = ["EXTRAS", "PRODUCTS", "Job", "Result", "coverage_png", "run"]
