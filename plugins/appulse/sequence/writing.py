"""Products of a run as files: stacks with what is known of them, dots, grades, coverage, recipe."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.table import QTable

from appulse.errors import InputError
from appulse.formats.output import write_bytes, write_table
from appulse.formats.provenance import file_sha256
from appulse.sequence import output
from appulse.sequence.recipe import Recipe


def write_stack(path, stacks, night, settings, body, words, overwrite=False):
    """A stack with noise, frames per pixel, and what it is.

    Parameters
    ----------
    path : path
    stacks : list of Stack
        One, or red, green and blue.
    night : Night
    settings : Settings
    body, words : str
    overwrite : bool

    Returns
    -------
    (1 or 3, ny, nx) float32 array
        The light, as it was written. The stacks' own is freed on the way: there may be little room for both.
    """
    light = stacks[0].data[None] if len(stacks) == 1 else np.stack([one.data for one in stacks])
    for one in stacks:
        one.data = None
    noise = stacks[0].noise if len(stacks) == 1 else np.stack([one.noise for one in stacks])
    kept = night.kept
    cards = [
        ("BUNIT", night.reference.frame.bunit or "adu", "of the reference frame"),
        ("OBJECT", body, "body of the sequence"),
        ("NCOMBINE", len(kept), "frames in the stack"),
        ("EXPTOTAL", round(sum(s.frame.exposure.seconds for s in kept), 3), "[s] light collected"),
        ("DATE-BEG", min(s.frame.exposure.start.utc.isot for s in kept), "UTC"),
        ("DATE-END", max(s.frame.exposure.end.utc.isot for s in kept), "UTC"),
        ("REFFRAME", night.reference.frame.name[:68], "sets grid and brightness"),
        ("DATE-REF", night.reference.place.time, "UTC, the body's place belongs to it"),
        ("KEPT", settings.keep, "by resampling: surface brightness or flux"),
        ("REJECTED", round(float(np.mean([s.rejected for s in stacks])), 6), "share of pixels thrown out"),
        ("COMMENT", words, ""),
    ]
    output.write_fits(
        path,
        light[0] if len(light) == 1 else light,
        night.grid,
        cards,
        noise=noise,
        count=stacks[0].count,
        overwrite=overwrite,
    )
    return light


def write_dots(path, night, dots, picked, overwrite=False):
    """Where each dot of the composite comes from, as a table; returns the path."""
    table = QTable()
    table["frame"] = [dot.frame for dot in dots]
    table["time"] = [dot.time for dot in dots]
    ra, dec = night.grid.to_sky(np.array([dot.x for dot in dots]), np.array([dot.y for dot in dots]))
    places = {"x": [d.x for d in dots], "y": [d.y for d in dots], "ra": ra, "dec": dec}
    for name, values in places.items():
        table[name] = np.asarray(values, dtype=float)
    table["snr"] = [round(float(dot.snr), 2) for dot in dots]
    table["laid"] = [dot in picked for dot in dots]
    table["reason"] = [
        dot.reason or ("" if dot in picked else "left out by the chosen dots or cadence") for dot in dots
    ]
    sums = {shot.frame.name: shot.frame.checksum or "in memory" for shot in night.shots}
    table["sha256"] = [sums[dot.frame] for dot in dots]
    table.meta["comments"] = [
        "where each dot of the composite comes from: frame, its effective middle (UTC), zero-based pixel on "
        "base.fits, ICRF degrees by the frames' stars"
    ]
    return write_table(table, path, overwrite)


def write_recipe(path, job, night, hashes, overwrite=False):
    """The recipe of a run that is done; returns the path."""
    frames = {}
    for shot in night.shots:
        frames[relative_path(shot.frame.path, job.out)] = {
            "sha256": shot.frame.checksum,
            "keep": shot.keep,
            "reason": shot.grade["reason"],
            "place": shot.place.plain(),
            "lies": shot.alignment.plain(),
        }
    settings = job.settings
    if settings.reference is None:
        settings = replace(settings, reference=night.reference.frame.name)
    files = {
        role: [{"file": relative_path(path, job.out), "sha256": file_sha256(path)} for path in paths]
        for role, paths in job.files.items()
    }
    recipe = Recipe(
        job.body, frames, settings, job.orbits, (files.get("stars") or [None])[0],
        {role: files[role][0] for role in ("bias", "dark", "flat") if files.get(role)},
        files.get("colour", []), hashes, _reading(job), sorted(job.extras), job.jpeg_px,
    )  # fmt: skip
    return recipe.write(path, overwrite)


def _reading(job):
    kept = dict(job.reading)
    if "wcs_from" in kept:
        path = kept["wcs_from"]
        kept["wcs_from"] = {"file": relative_path(path, job.out), "sha256": file_sha256(path)}
    return kept


def relative_path(path, folder) -> str:
    """A path as seen from a folder where that works, so that both can be moved together.

    Raises
    ------
    InputError
        Without a path.
    """
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
