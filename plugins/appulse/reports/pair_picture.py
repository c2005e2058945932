"""Two registered frames side by side and blinked, with the body's parallax and its scale."""

from io import BytesIO

import numpy as np
from PIL import Image

from appulse.reports.parallax_sketch import SITE_COLOURS
from appulse.reports.picture import stretch_ends, to_bytes

BLINK_S = 0.9
# Round lengths for the scale, arcsec.
_LENGTHS = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600)


def pair_picture(pair) -> bytes:
    """PNG of a :class:`~appulse.workflows.RegisteredPair`: both frames side by side, the parallax marked."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    ny, nx = pair.planes[0].shape
    figure = Figure(figsize=(11, 11 * ny / (2 * nx) + 1.0), layout="constrained")
    FigureCanvasAgg(figure)
    for k, axes in enumerate(figure.subplots(1, 2)):
        _draw(axes, pair, k)
        axes.set_title(_title(pair, k), fontsize=10)
    figure.suptitle(
        f"One body from two places: parallax {pair.parallax_arcsec:.1f} arcsec "
        f"({pair.n_stars} stars lie within {pair.rms_px * pair.pixel_scale:.2f} arcsec of each other)",
        fontsize=11,
    )
    buffer = BytesIO()
    figure.savefig(buffer, dpi=110)
    return buffer.getvalue()


def blink_pictures(pair) -> list[np.ndarray]:
    """The two frames with their marks as pixels (ny, nx, 3), one after the other."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    ny, nx = pair.planes[0].shape
    shown = []
    for k in range(2):
        figure = Figure(figsize=(6.4, 6.4 * ny / nx + 0.4), layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.subplots()
        _draw(axes, pair, k, whole=False)
        axes.set_title(_title(pair, k), fontsize=9)
        buffer = BytesIO()
        figure.savefig(buffer, dpi=100)
        shown.append(np.asarray(Image.open(BytesIO(buffer.getvalue())).convert("RGB")))
    return shown


def blink_gif(pair) -> bytes:
    """An endless animation of the two frames."""
    from appulse.sequence import gif_bytes

    return gif_bytes(blink_pictures(pair), fps=1.0 / BLINK_S, hold_last_s=0.0)


def _title(pair, k) -> str:
    return f"{pair.names[k]}, {pair.times[k].utc.isot[:19].replace('T', ' ')} UTC"


def _draw(axes, pair, k, *, whole=True) -> None:
    """One frame: the body ringed in its site's colour; with `whole` the way from the other site's place."""
    plane = pair.planes[k]
    grey = to_bytes(plane, stretch_ends(plane))
    axes.imshow(grey, cmap="gray", vmin=0, vmax=255, origin="lower", interpolation="nearest")
    ny, nx = plane.shape
    size = 0.022 * nx
    angles = np.linspace(0, 2 * np.pi, 60)
    for j, (place, colour) in enumerate(zip(pair.places, SITE_COLOURS, strict=False)):
        ring = place[:, None] + size * np.array([np.cos(angles), np.sin(angles)])
        # The other site's place is dotted: there is nothing here.
        axes.plot(*ring, color=colour, lw=1.5, ls="-" if j == k else (0, (1, 2)))
    if whole:
        start, moved, end = pair.places[0], pair.moved, pair.places[1]
        dotted = {"arrowstyle": "-", "ls": ":", "color": "#e8e8e8", "lw": 1}
        axes.annotate("", moved, start, arrowprops=dotted)
        axes.annotate("", end, moved, arrowprops={"arrowstyle": "<->", "color": "#ffd166", "lw": 1.4})
        axes.annotate(
            f"{pair.parallax_arcsec:.1f}\u2033", (moved + end) / 2, (6, 6), textcoords="offset points",
            color="#ffd166", fontsize=10,
        )  # fmt: skip
    length = max((one for one in _LENGTHS if one / pair.pixel_scale < 0.3 * nx), default=_LENGTHS[0])
    x0, y0, px = 0.04 * nx, 0.05 * ny, length / pair.pixel_scale
    axes.plot([x0, x0 + px], [y0, y0], color="white", lw=2)
    axes.text(x0 + px / 2, y0 + 0.015 * ny, f"{length}\u2033", color="white", ha="center", fontsize=9)
    up = np.radians(pair.north_pa_deg)
    tip = np.array([0.93 * nx, 0.07 * ny])
    axes.annotate(
        "N", tip + 0.08 * ny * np.array([-np.sin(up), np.cos(up)]), tip, color="white", fontsize=9,
        ha="center", va="center", arrowprops={"arrowstyle": "<-", "color": "white", "lw": 1},
    )  # fmt: skip
    axes.set(xlim=(-0.5, nx - 0.5), ylim=(-0.5, ny - 0.5), xticks=[], yticks=[])
