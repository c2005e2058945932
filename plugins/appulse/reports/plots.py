"""Plots of residuals: O-C with ellipses, against time, star vectors, stamps.

On white, for print. Bodies differ by marker as well as by colour.
"""

from __future__ import annotations

import base64
import io

import matplotlib
import numpy as np
from astropy.time import Time
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import PowerNorm
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse
from matplotlib.ticker import MaxNLocator

from appulse.observers.timescales import quiet_erfa

INK, FAINT = "#1f2430", "#8a8f9c"
BODY_COLOURS = ("#0b62a4", "#c1440e", "#00734f", "#8e4a9e", "#7a6a00", "#3a3f4b")
"""Dark ones out of the colour-blind safe set of Okabe & Ito (2008), darkened for white paper."""
MARKERS = ("o", "s", "^", "D", "v", "P")
STYLE = {
    "font.family": "DejaVu Sans", "font.size": 9.5, "axes.edgecolor": FAINT, "axes.labelcolor": INK,
    "text.color": INK, "xtick.color": INK, "ytick.color": INK, "svg.hashsalt": "appulse",
    "svg.fonttype": "path", "axes.grid": False, "figure.facecolor": "white", "axes.facecolor": "white",
}  # fmt: skip


def _figure(width, height):
    figure = Figure(figsize=(width, height), dpi=100, layout="constrained")
    FigureCanvasAgg(figure)
    return figure


def svg_uri(draw, *arguments, **options):
    """A figure as a data URI, the same text for the same figure.

    Parameters
    ----------
    draw : callable
        Returns a Figure, or None for nothing to draw.
    *arguments, **options
        For `draw`.

    Returns
    -------
    str or None

    Examples
    --------
    >>> svg_uri(lambda: Figure())[:26]
    'data:image/svg+xml;base64,'
    """
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, **STYLE, "backend": "agg"}):
        figure = draw(*arguments, **options)
        if figure is None:
            return None
        buffer = io.BytesIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "appulse"})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _by_body(residuals):
    """Name, colour, marker and measured residuals of each body."""
    names = list(dict.fromkeys(one.designation for one in residuals))
    for i, name in enumerate(names):
        mine = [one for one in residuals if one.designation == name and one.seen]
        if mine:
            yield name, BODY_COLOURS[i % len(BODY_COLOURS)], MARKERS[i % len(MARKERS)], mine


def _best(residual):
    """O-C with the plate's offset taken off where it is known, its covariance, and whether it was known."""
    corrected = np.asarray(residual.corrected, dtype=float)
    if np.isfinite(corrected).all():
        return corrected, residual.covariance + residual.plate_covariance, True
    return np.array([residual.dra_cosdec, residual.ddec]), residual.covariance, False


def oc_figure(residuals):
    """O-C in RA and Dec with one-sigma ellipses, both axes of one scale, east to the left.

    Parameters
    ----------
    residuals : sequence of Residual

    Returns
    -------
    Figure or None
        None where nothing was measured.
    """
    figure, reach, plates = _figure(4.8, 4.8), 0.0, False
    axes = figure.add_subplot()
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    axes.axvline(0.0, color=FAINT, linewidth=0.8)
    for name, colour, marker, mine in _by_body(residuals):
        for i, one in enumerate(mine):
            place, covariance, corrected = _best(one)
            _add_ellipse(axes, place, covariance, colour)
            axes.plot(*place, marker, color=colour, markersize=4.5, label=name if i == 0 else None)
            if corrected:
                plates = True
                raw = (one.dra_cosdec, one.ddec)
                axes.plot(*raw, marker, color=colour, markersize=4, markerfacecolor="none", alpha=0.6)
                axes.plot([raw[0], place[0]], [raw[1], place[1]], color=colour, linewidth=0.6, alpha=0.4)
                reach = max(reach, *np.abs(raw))
            reach = max(reach, *(np.abs(place) + np.sqrt(np.diag(covariance))))
    if not reach:
        return None
    axes.set_xlim(1.15 * reach, -1.15 * reach)
    axes.set_ylim(-1.15 * reach, 1.15 * reach)
    axes.set_aspect("equal")
    axes.set_xlabel("O\u2212C in RA cos Dec (arcsec), east to the left")
    axes.set_ylabel("O\u2212C in Dec (arcsec)")
    what = (
        "filled: plate offset taken off, open: as solved" if plates else "by the frames' own plate solution"
    )
    axes.set_title(what, fontsize=9, color=INK)
    axes.legend(frameon=False, fontsize=8.5, loc="best")
    return figure


def _add_ellipse(axes, place, covariance, colour):
    values, vectors = np.linalg.eigh(covariance)
    if not (np.isfinite(values).all() and (values > 0).all()):
        return
    angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    wide, high = 2 * np.sqrt(values[1]), 2 * np.sqrt(values[0])
    axes.add_patch(Ellipse(place, wide, high, angle=angle, fill=False, edgecolor=colour, linewidth=1.0))


def motion_figure(residuals):
    """O-C along and across the motion against time, plate offset taken off where known.

    Parameters
    ----------
    residuals : sequence of Residual

    Returns
    -------
    Figure or None
        None where nothing that moves was measured.
    """
    bodies = [
        (name, colour, marker, [one for one in mine if np.isfinite(one.prediction.motion_pa)])
        for name, colour, marker, mine in _by_body(residuals)
    ]
    bodies = [body for body in bodies if body[3]]
    if not bodies:
        return None
    figure = _figure(6.4, 4.8)
    panels = figure.subplots(2, 1, sharex=True)
    for name, colour, marker, mine in bodies:
        with quiet_erfa():
            times = [Time(str(one.time).rstrip("Z"), scale="utc").datetime for one in mine]
        turned = [_along_across(one) for one in mine]
        for k, axes in enumerate(panels):
            values, sigmas = [t[0][k] for t in turned], [t[1][k] for t in turned]
            axes.errorbar(
                times, values, sigmas, fmt=marker, color=colour, markersize=4.5, capsize=2, linewidth=1,
                label=name,
            )  # fmt: skip
    for axes, words in zip(panels, ("along the motion", "across the motion"), strict=True):
        axes.axhline(0.0, color=FAINT, linewidth=0.8)
        axes.set_ylabel(f"{words}\n(arcsec)")
        axes.margins(x=0.08, y=0.2)
    locator = AutoDateLocator(minticks=3, maxticks=7)
    panels[1].xaxis.set_major_locator(locator)
    panels[1].xaxis.set_major_formatter(ConciseDateFormatter(locator))
    panels[1].set_xlabel("middle of the exposure, UTC as recorded")
    panels[0].legend(frameon=False, fontsize=8.5)
    return figure


def _along_across(residual):
    place, covariance, _ = _best(residual)
    turn = residual.rotation
    return turn @ place, np.sqrt(np.diag(turn @ covariance @ turn.T))


def stars_figure(plate, shape):
    """What the stars say of a plate: observed minus catalogue as arrows on the frame.

    Parameters
    ----------
    plate : PlateCheck
    shape : (int, int)
        Rows and columns of the frame.

    Returns
    -------
    Figure or None
        None where no star was matched.
    """
    stars = plate.stars
    if len(stars) == 0:
        return None
    x, y = (np.asarray(stars[n], dtype=float) for n in ("x", "y"))
    east, north = (_arcsec(stars[n]) for n in ("dra", "ddec"))
    used = np.asarray(stars["used"], dtype=bool)
    size = np.hypot(east, north)
    typical = float(np.median(size[used] if used.any() else size))
    ny, nx = shape
    figure = _figure(6.0, 0.7 + 6.0 * min(max(ny / nx, 0.4), 1.3))
    axes = figure.add_subplot()
    # An arrow of the typical size spans a fourteenth of the frame.
    per_px = max(typical, 1e-6) / (max(nx, ny) / 14.0)
    dx, dy = _on_frame(plate, x, y, east, north)
    for keep, colour, width in ((used, BODY_COLOURS[0], 0.0028), (~used, BODY_COLOURS[1], 0.0018)):
        if keep.any():
            axes.quiver(
                x[keep], y[keep], dx[keep] / per_px, dy[keep] / per_px, color=colour, angles="xy",
                scale_units="xy", scale=1.0, width=width,
            )  # fmt: skip
            axes.plot(x[keep], y[keep], ".", color=colour, markersize=3)
    axes.set_xlim(-0.5, nx - 0.5)
    axes.set_ylim(-0.5, ny - 0.5)
    axes.set_aspect("equal")
    axes.set_xlabel("x (px)")
    axes.set_ylabel("y (px)")
    words = (
        f"{used.sum()} stars used (blue), {(~used).sum()} left out (red); typical arrow {typical:.2g}\u2033"
    )
    axes.set_title(words, fontsize=9)
    return figure


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


def stamp_figure(residual):
    """Pixels around a body, the fitted model, and what is left in sigmas.

    Parameters
    ----------
    residual : Residual

    Returns
    -------
    Figure or None
        None where there is no fit.
    """
    fit = residual.fit
    if fit is None or fit.data is None or fit.model is None:
        return None
    figure = _figure(7.2, 2.7)
    panels = figure.subplots(1, 3)
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
    figure.colorbar(left, ax=panels[2], shrink=0.8, ticks=[-5, 0, 5])
    for axes in panels:
        axes.plot(residual.x, residual.y, "+", color=BODY_COLOURS[1], markersize=9, markeredgewidth=1.2)
        axes.tick_params(labelsize=7.5)
        axes.xaxis.set_major_locator(MaxNLocator(4, integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(4, integer=True))
    return figure
