"""The body in motion: evenly paced, honest about gaps, star-fixed or body-fixed.

::

    frames   *    *         *    *        time on a clock of even steps
    steps    |    |    |    |    |
    shown    1    2    2    3    4        the third step has no frame: the picture stands still, its clock
                       ^                  runs on and says so
"""

import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from appulse.errors import InputError, MissingExtraError
from appulse.formats.output import replacing, write_bytes

MOST_STEPS = 600
PATHS = ("loop", "bounce")
GRAIN = 5.0
"""Levels of 256 by which a colour GIF's pixels are spread before they get one of its colours."""


@dataclass(frozen=True)
class Step:
    """One step of the clock: time (hours after the first frame), index of the frame shown, gap or not."""

    hours: float
    index: int
    gap: bool


def timeline(hours, step_h=None) -> list[Step]:
    """Even steps of time over frames that are not evenly spaced.

    Parameters
    ----------
    hours : (n,) array
        Mid-times, ascending.
    step_h : float, optional
        The median spacing when left out.

    Returns
    -------
    list of Step
        Every frame is shown at least once; a step without a frame within half a step repeats the last.

    Raises
    ------
    InputError
        If the step is not above zero or would make more than 600 steps.

    Examples
    --------
    >>> [(round(s.hours, 1), s.index, s.gap) for s in timeline([0.0, 1.0, 2.0, 4.0])][2:]
    [(2.0, 2, False), (3.0, 2, True), (4.0, 3, False)]
    """
    hours = np.asarray(hours, dtype=float)
    if len(hours) < 2:
        return [Step(0.0, 0, False)]
    gaps = np.diff(hours)
    step = float(np.median(gaps)) if step_h is None else float(step_h)
    if not (np.isfinite(step) and step > 0):
        raise InputError(f"a step of {step} h between pictures: a number above 0 is needed")
    total = (hours[-1] - hours[0]) / step
    if total > MOST_STEPS:
        raise InputError(
            f"{total:.0f} steps of {step:g} h, at most {MOST_STEPS} are allowed: take a longer step"
        )
    # Each frame on the nearest free tick: two closer than a step stand on two ticks one after the other.
    ticks, last = [], -1
    for hour in hours:
        last = max(round((hour - hours[0]) / step), last + 1)
        ticks.append(last)
    found = []
    for tick in range(ticks[-1] + 1):
        index = int(np.searchsorted(ticks, tick, side="right")) - 1
        here = ticks[index] == tick
        found.append(Step(float(hours[index] if here else hours[0] + tick * step), index, not here))
    return found


@lru_cache(maxsize=16)
def font(size_px: int):
    """DejaVu Sans, as it comes with matplotlib."""
    import matplotlib

    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
    return ImageFont.truetype(str(path), size_px)


def stamped(pixels, words: str, *, dim=False) -> np.ndarray:
    """A picture with a line of words in its lower left corner.

    Parameters
    ----------
    pixels : (ny, nx, c) uint8 array
        First row on top.
    words : str
    dim : bool
        Greyer: nothing was taken at that time.
    """
    if not words:
        return pixels
    image = Image.fromarray(
        np.ascontiguousarray(np.repeat(pixels, 3, -1) if pixels.shape[-1] == 1 else pixels)
    )
    size = int(np.clip(pixels.shape[0] / 32, 11, 40))
    draw = ImageDraw.Draw(image)
    place = (size * 0.8, image.height - size * 1.9)
    tone = (150, 150, 150) if dim else (236, 236, 236)
    draw.text(
        place, words, fill=tone, font=font(size), stroke_width=max(1, size // 10), stroke_fill=(8, 10, 14)
    )
    out = np.asarray(image)
    return out if pixels.shape[-1] == 3 else out[..., :1]


def played(steps, path: str) -> list:
    """Order in which pictures are shown: once round, or there and back.

    Examples
    --------
    >>> played([1, 2, 3], "bounce"), played([1, 2, 3], "loop")
    ([1, 2, 3, 2], [1, 2, 3])
    """
    if path not in PATHS:
        raise InputError(f"animation {path!r}: {' or '.join(PATHS)} is allowed")
    steps = list(steps)
    return steps + steps[-2:0:-1] if path == "bounce" else steps


def gif_bytes(pictures, *, fps: float, hold_last_s=1.0) -> bytes:
    """An endless GIF of one palette for all pictures, so that nothing flickers.

    Parameters
    ----------
    pictures : list of (ny, nx, c) uint8 arrays
    fps : float
    hold_last_s : float
        The last one stands so much longer.

    Raises
    ------
    InputError
        If `fps` is outside 0.2 to 50, or there is no picture.

    Examples
    --------
    >>> data = gif_bytes([np.zeros((8, 9, 1), np.uint8), np.full((8, 9, 1), 200, np.uint8)], fps=4)
    >>> image = Image.open(io.BytesIO(data))
    >>> image.n_frames, image.size
    (2, (9, 8))
    """
    if not pictures or not 0.2 <= fps <= 50:
        raise InputError(
            f"{len(pictures)} pictures at {fps:g} a second: at least one, and 0.2 to 50, are allowed"
        )
    if pictures[0].shape[-1] == 1:
        images = [Image.fromarray(p[..., 0]) for p in pictures]
    else:
        palette = _palette(pictures)
        images = [
            Image.fromarray(_grained(p)).quantize(palette=palette, dither=Image.Dither.NONE) for p in pictures
        ]
    wait = [round(1000 / fps)] * len(images)
    wait[-1] += round(1000 * hold_last_s)
    buffer = io.BytesIO()
    images[0].save(
        buffer,
        "GIF",
        save_all=True,
        append_images=images[1:],
        duration=wait,
        loop=0,
        optimize=False,
        disposal=1,
    )
    return buffer.getvalue()


def _grained(pixels):
    """A picture with a fixed fine pattern of a few levels, so that few colours make no steps.

    Error diffusion would carry what a star lacks into specks beside it, which look like stars.
    """
    pattern = np.array([[0]])
    for _ in range(3):  # Bayer's 8 x 8 matrix
        pattern = np.block([[4 * pattern, 4 * pattern + 2], [4 * pattern + 3, 4 * pattern + 1]])
    ny, nx = pixels.shape[:2]
    tiled = np.tile(pattern, (-(-ny // 8), -(-nx // 8)))[:ny, :nx, None] / 64.0 - 0.5
    return np.clip(np.round(pixels + GRAIN * tiled), 0, 255).astype(np.uint8)


def _palette(pictures):
    """256 colours for all pictures, of which stars and words get their share though they fill few pixels."""
    step = max(1, len(pictures) // 8)
    sample = np.concatenate([p[::2, ::2].reshape(-1, 3) for p in pictures[::step]])
    light = sample.max(axis=1)
    rare = [sample]
    for share, times in ((97.0, 6), (99.5, 30)):
        top = sample[light >= max(np.percentile(light, share), 1)]
        rare.append(np.repeat(top, times, axis=0))
    rare.append(np.full((len(sample) // 50 + 1, 3), 255, dtype=np.uint8))
    mixed = np.concatenate(rare)
    return Image.fromarray(np.ascontiguousarray(mixed[None])).quantize(256, Image.Quantize.MEDIANCUT)


def write_gif(pictures, path, *, fps, overwrite=False):
    """Write the GIF; returns the path."""
    return write_bytes(path, gif_bytes(pictures, fps=fps), overwrite)


def need_video():
    """The video writer.

    Raises
    ------
    MissingExtraError
        Naming the extra that brings it.
    """
    try:
        import imageio.v2 as writer
        import imageio_ffmpeg
    except ImportError as error:
        raise MissingExtraError(
            f"MP4 needs {error.name}: install the extra with pip install 'appulse[video]', or take the GIF "
            "and the PNG frames, which need nothing more"
        ) from None
    return writer, imageio_ffmpeg


def write_mp4(pictures, path, *, fps, overwrite=False):
    """Write H.264 in MP4, sides cut to even numbers; returns the path.

    Raises
    ------
    MissingExtraError
        Without the extra 'video'.
    """
    writer, _ = need_video()
    ny, nx = (n - n % 2 for n in pictures[0].shape[:2])
    with replacing(path, overwrite) as temporary:
        video = writer.get_writer(
            temporary, format="FFMPEG", fps=fps, codec="libx264", quality=8, macro_block_size=1,
            ffmpeg_log_level="error", output_params=["-map_metadata", "-1", "-fflags", "+bitexact"],
        )  # fmt: skip
        try:
            for picture in pictures:
                video.append_data(
                    np.repeat(picture, 3, -1)[:ny, :nx] if picture.shape[-1] == 1 else picture[:ny, :nx]
                )
        finally:
            video.close()
    return path
