"""How a picture will look, within seconds: some frames, small, out of a folder that goes away again."""

import tempfile
from pathlib import Path

import numpy as np

from appulse.errors import AppulseError
from appulse.sequence.colour_base import colour_on_grid
from appulse.sequence.following import centre_on_body, dots_of
from appulse.sequence.job import Preview
from appulse.sequence.laying import lay_frames
from appulse.sequence.night import prepare
from appulse.sequence.output import shown, to_8bit
from appulse.sequence.parts import Parts
from appulse.sequence.pictures import chosen_dots, composite, look_for
from appulse.sequence.products import base_stacks
from appulse.sequence.shots import binned


def make_preview(job, steps, failed=None) -> Preview:
    """Preview a job whose frames are small already (``settings.bin`` above 1).

    Parameters
    ----------
    job : Job
    steps : Steps
    failed : callable, optional

    Returns
    -------
    Preview
    """
    settings = job.settings
    with tempfile.TemporaryDirectory(prefix="appulse-preview-") as folder:
        parts = Parts(Path(folder) / "parts")
        with steps("looking at frames", len(job.shots)) as bar:
            night = prepare(
                job.shots,
                settings,
                parts,
                decided=job.decided,
                failed=failed,
                progress=bar.update,
                workers=job.workers,
            )
        notes = list(night.notes)
        with steps("laying frames on the sky", len(night.kept)) as bar:
            laid, _ = lay_frames(
                night, settings, parts, track=False, workers=job.workers, progress=bar.update
            )
        notes += centre_on_body(laid, night.fwhm)
        with steps("stacking: still sky", night.grid.shape[0] * len(laid[0].planes)) as bar:
            base = base_stacks(night, laid, settings, parts, workers=job.workers, progress=bar.update)
        light = np.stack([one.data for one in base])
        dots = dots_of(night, laid, light)
        track = np.array([one.place for one in laid])
        colour = _colour(job, night, track, notes)
        picture = composite(
            light, chosen_dots(dots, settings), look_for(night.grid, light, track, settings, colour)
        )
        return Preview(shown(to_8bit(picture)), night, dots, notes, len(night.kept))


def _colour(job, night, track, notes):
    """The colour base, small, by its WCS alone; None, told, where it cannot be used."""
    if not job.colour:
        return None
    try:
        frames = [binned(f, max(1, round(night.grid.pixel_scale / f.pixel_scale))) for f in job.colour]
        colour, words = colour_on_grid(frames, night, track, aligned=False, workers=job.workers)
    except AppulseError as error:
        notes.append(f"no colour in the preview: {error}")
        return None
    notes += words
    return colour
