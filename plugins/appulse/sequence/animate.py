"""The body in motion: evenly paced, honest about gaps, star-fixed or body-fixed.

::

    frames   *    *         *    *        time on a clock of even steps
    steps    |    |    |    |    |
    shown    1    2    2    3    4        the third step has no frame: the picture stands still, its clock
                       ^                  runs on and says so
"""

import io
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from appulse.errors import InputError, MissingExtraError
from appulse.formats import replacing, write_bytes
from appulse.sequence.composite import add_dot, hours_of
from appulse.sequence.picture_files import fitted, font, shown, to_8bit

MOST_STEPS = 600
PATHS = ("loop", "bounce")
GRAIN = 5.0
"""Levels of 256 by which a colour GIF's pixels are spread before they get one of its colours."""


@dataclass(frozen=True)
class ClockStep:
    """One step of the clock: time (hours after the first frame), index of the frame shown, gap or not."""

    hours: float
    index: int
    gap: bool


def timeline(hours, step_h=None) -> list[ClockStep]:
    """Even steps of time over frames that are not evenly spaced."""
    hours = np.asarray(hours, dtype=float)
    if len(hours) < 2:
        return [ClockStep(0.0, 0, False)]
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
        found.append(ClockStep(float(hours[index] if here else hours[0] + tick * step), index, not here))
    return found


def stamped(pixels, words: str, *, dim=False) -> np.ndarray:
    """A picture with a line of words in its lower left corner."""
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
    """Order in which pictures are shown: once round, or there and back."""
    if path not in PATHS:
        raise InputError(f"animation {path!r}: {' or '.join(PATHS)} is allowed")
    steps = list(steps)
    return steps + steps[-2:0:-1] if path == "bounce" else steps


def gif_bytes(pictures, *, fps: float, hold_last_s=1.0) -> bytes:
    """An endless GIF of one palette for all pictures, so that nothing flickers."""
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
    more = {"save_all": True, "append_images": images[1:], "duration": wait, "loop": 0}
    images[0].save(buffer, "GIF", optimize=False, disposal=1, **more)
    return buffer.getvalue()


def _grained(pixels):
    """A picture with a fixed fine pattern of a few levels, so that few colours make no steps."""
    # Error diffusion would carry what a star lacks into specks beside it, which look like stars.
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
    """The video writer."""
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
    """Write H.264 in MP4, sides cut to even numbers; returns the path."""
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


class AnimationCanvas:
    """A base shown by a look, to which dots are added: only what a dot changes is drawn anew."""

    def __init__(self, base, look):
        # base: (c, ny, nx) float32 array
        # pixels: (1 or 3, h, w) uint8 array; of the look's window, rows upwards.
        self.base, self.look = base, look
        self.laid = {}
        self.bare = to_8bit(look.picture(base))
        self.pixels = self.bare.copy()
        self.extra = np.zeros_like(base)
        self.strength = np.zeros(base.shape[-2:], dtype=np.float32)
        self.neutral = np.zeros(base.shape[-2:], dtype=np.float32)

    def clear(self):
        """Take the dots off again."""
        for box in self.laid.values():
            x0, y0, x1, y1 = box
            for plane in (*self.extra, self.strength, self.neutral):
                plane[y0:y1, x0:x1] = 0.0
            where = self._window(box)
            if where is not None:
                self.pixels[:, where[0], where[1]] = self.bare[:, where[0], where[1]]
        self.laid.clear()

    def add(self, dot):
        """Lay a dot, unless it is there already."""
        if not dot.used or id(dot) in self.laid:
            return
        add_dot(dot, self.extra, self.strength)
        self.neutral[dot.patch] = np.maximum(self.neutral[dot.patch], dot.weight)
        rows, columns = dot.patch
        box = (columns.start, rows.start, columns.stop, rows.stop)
        self.laid[id(dot)] = box
        where = self._window(box)
        if where is None:
            return
        x0, y0 = self.look.box[:2]
        rows, columns = where
        part = slice(rows.start + y0, rows.stop + y0), slice(columns.start + x0, columns.stop + x0)
        light = self.base[:, part[0], part[1]] + self.extra[:, part[0], part[1]]
        box = (part[1].start, part[0].start, part[1].stop, part[0].stop)
        self.pixels[:, rows, columns] = to_8bit(self.look.shown(light, box, self.neutral[part]))

    def _window(self, box):
        """Rows and columns of a box of the grid in the window; None off it."""
        x0, y0, x1, y1 = self.look.box
        left, low = max(box[0], x0), max(box[1], y0)
        right, high = min(box[2], x1), min(box[3], y1)
        if left >= right or low >= high:
            return None
        return slice(low - y0, high - y0), slice(left - x0, right - x0)


def stamp_words(step, start, *, gap_words="no frame") -> str:
    """Words of the time stamp of a step."""
    from astropy.time import TimeDelta

    time = start + TimeDelta(step.hours * 3600.0, format="sec")
    words = time.isot[:16].replace("T", "  ") + " UTC"
    return f"{words}   {gap_words}" if step.gap else words


def animation(
    night, base, resampled, dots, look, settings, *, tracked=None, decorate=None, progress=None
) -> list:
    """Pictures of the animation, in order, (h, w, c) bytes."""
    from astropy.time import Time

    times = [frame.subframe.place.time for frame in resampled]
    hours, start = hours_of(times), Time(min(times), scale="utc")
    steps = timeline(hours, settings.step_h)
    drawn = {}
    pictures = []
    canvas = None
    if settings.animation == "stars" and settings.animation_of == "clean":
        canvas = AnimationCanvas(base, look)
    for step in played(steps, settings.animation_path):
        if step.index not in drawn:
            if canvas is not None:
                values = _with_dots(canvas, dots, step.index, settings.growing)
            else:
                values = to_8bit(_frame(step.index, night, resampled, look, settings, tracked))
            pixels = fitted(shown(values), settings.longest_px)
            drawn[step.index] = pixels if decorate is None else decorate(pixels, step.index)
            if progress is not None:
                progress()
        words = stamp_words(step, start) if settings.stamp else ""
        pictures.append(stamped(drawn[step.index], words, dim=step.gap))
    return pictures


def _with_dots(canvas, dots, index, growing):
    """Bytes of the base with the dots of a step."""
    if not growing:
        canvas.clear()
    for dot in dots[: index + 1] if growing else dots[index : index + 1]:
        canvas.add(dot)
    return canvas.pixels


def _frame(index, night, resampled, look, settings, tracked):
    if settings.animation == "body":
        return look.picture(tracked[index].whole(), body_box(night, tracked[index].place, look.box))
    return look.picture(resampled[index].whole())


def body_box(night, place, box) -> tuple:
    """Window around the body, as large as the composite's but not beyond the grid's half."""
    ny, nx = night.grid.shape
    width, height = min(box[2] - box[0], nx // 2), min(box[3] - box[1], ny // 2)
    x0 = int(np.clip(round(place[0] - width / 2), 0, nx - width))
    y0 = int(np.clip(round(place[1] - height / 2), 0, ny - height))
    return x0, y0, x0 + width, y0 + height
