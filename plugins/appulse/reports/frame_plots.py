"""Plots of a frame: what its stars say of the plate, and the pixels around a body."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import PowerNorm
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from appulse.reports.plots import BODY_COLOURS, new_figure

STAMP_INCH = (7.2, 2.05)
WIDE_INCH = 7.2
ARROWS_ACROSS = 14.0
"""An arrow of the typical size spans this part of the frame."""


def stars_figure(plate, shape):
    """What the stars say of a plate as a figure of its own; None where no star was matched.

    See :func:`draw_stars`.
    """
    if len(plate.stars) == 0:
        return None
    figure = new_figure(WIDE_INCH, stars_height(shape))
    draw_stars(figure, plate, shape)
    return figure


def stars_height(shape):
    """Height in inches that the two maps need at their width.

    Examples
    --------
    >>> stars_height((1200, 1600))
    2.83
    """
    ny, nx = shape
    return round(0.8 + 2.7 * min(max(ny / nx, 0.4), 1.3), 2)


def draw_stars(panel, plate, shape):
    """Observed minus catalogue as arrows on the frame: as solved, and what the plate model leaves.

    Parameters
    ----------
    panel : Figure or SubFigure
        With a constrained layout.
    plate : PlateCheck
        With one matched star at least.
    shape : (int, int)
        Rows and columns of the frame.
    """
    stars = plate.stars
    used = np.asarray(stars["used"], dtype=bool)
    maps = [("observed minus catalogue", "dra", "ddec")]
    if "left_dra" in stars.colnames and np.isfinite(_arcsec(stars["left_dra"])).any():
        maps.append(("the same, plate offset taken off", "left_dra", "left_ddec"))
    for axes, (words, east, north) in zip(panel.subplots(1, len(maps), squeeze=False)[0], maps, strict=True):
        typical = _draw_arrows(axes, plate, used, _arcsec(stars[east]), _arcsec(stars[north]), shape)
        axes.set_title(f"{words}\ntypical arrow {typical:.2g}\u2033", fontsize=9)
        axes.set_xlabel("x (px)")
        axes.set_ylabel("y (px)")
    marks = [
        Line2D([], [], color=colour, marker=marker, linestyle="none", markersize=4, label=label)
        for colour, marker, label in (
            (BODY_COLOURS[0], "o", f"{used.sum()} stars used"),
            (BODY_COLOURS[1], "x", f"{(~used).sum()} left out"),
        )
    ]
    panel.legend(handles=marks, loc="outside lower center", ncols=2, frameon=False, fontsize=8.5)


def _draw_arrows(axes, plate, used, east, north, shape):
    """Draw them at one scale; returns the typical size in arcsec."""
    x, y = (np.asarray(plate.stars[n], dtype=float) for n in ("x", "y"))
    size = np.hypot(east, north)
    typical = float(np.nanmedian(size[used] if used.any() else size))
    ny, nx = shape
    per_px = max(typical, 1e-6) / (max(nx, ny) / ARROWS_ACROSS)
    dx, dy = _on_frame(plate, x, y, east, north)
    for keep, colour, marker in ((used, BODY_COLOURS[0], "."), (~used, BODY_COLOURS[1], "x")):
        if keep.any():
            axes.quiver(
                x[keep], y[keep], dx[keep] / per_px, dy[keep] / per_px, color=colour, angles="xy",
                scale_units="xy", scale=1.0, width=0.004,
            )  # fmt: skip
            axes.plot(x[keep], y[keep], marker, color=colour, markersize=3)
    axes.set_xlim(-0.5, nx - 0.5)
    axes.set_ylim(-0.5, ny - 0.5)
    axes.set_aspect("equal")
    return typical


def _arcsec(column):
    unit = getattr(column, "unit", None)
    return np.asarray(column.to_value("arcsec") if unit and hasattr(column, "to_value") else column, float)


def _on_frame(plate, x, y, east, north):
    """East and north offsets as directions on the frame, of the same length in arcsec."""
    frame = getattr(plate, "_frame", None)
    if frame is None:
        return -east, north
    ny, nx = frame.shape
    to_sky = frame.jacobian((nx - 1) / 2.0, (ny - 1) / 2.0)
    step = np.linalg.solve(to_sky, np.stack([east, north]))
    return step * frame.pixel_scale


def has_stamp(residual):
    """Whether there is a fit to show."""
    fit = residual.fit
    return fit is not None and fit.data is not None and fit.model is not None


def stamp_figure(residual):
    """A fit as a figure of its own; None where there is none. See :func:`draw_stamp`."""
    if not has_stamp(residual):
        return None
    figure = new_figure(*STAMP_INCH)
    draw_stamp(figure, residual)
    return figure


def draw_stamp(panel, residual):
    """Pixels around a body, the fitted model, and what is left in sigmas.

    Parameters
    ----------
    panel : Figure or SubFigure
        With a constrained layout.
    residual : Residual
        With a fit.
    """
    fit = residual.fit
    panels = panel.subplots(1, 3)
    low, high = np.nanpercentile(fit.data, [2.0, 99.8])
    h, w = fit.data.shape
    edge = (fit.x0 - 0.5, fit.x0 + w - 0.5, fit.y0 - 0.5, fit.y0 + h - 0.5)
    shown = {"origin": "lower", "extent": edge, "interpolation": "nearest"}
    for axes, image, words in ((panels[0], fit.data, "pixels"), (panels[1], fit.model, "model")):
        # The square root shows the wings, where a bad model would show first.
        axes.imshow(image, cmap="gray", norm=PowerNorm(0.5, vmin=low, vmax=max(high, low + 1e-9)), **shown)
        axes.set_title(words, fontsize=9)
    left = panels[2].imshow(fit.residual, cmap="PuOr", vmin=-5, vmax=5, **shown)
    panels[2].set_title("left over (sigma)", fontsize=9)
    panel.colorbar(left, ax=panels[2], shrink=0.8, ticks=[-5, 0, 5])
    for axes in panels:
        axes.plot(residual.x, residual.y, "+", color=BODY_COLOURS[1], markersize=9, markeredgewidth=1.2)
        axes.tick_params(labelsize=7.5)
        axes.xaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
