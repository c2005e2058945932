"""Plots of residuals: O-C with ellipses, along and across the motion against time, stars, the body's pixels.

On white, for print. Bodies differ by marker as well as by colour.
"""

from __future__ import annotations

import base64
import io

import matplotlib
import numpy as np
from astropy.time import Time
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.colors import Normalize, PowerNorm
from matplotlib.dates import AutoDateFormatter, AutoDateLocator
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Ellipse, Rectangle
from matplotlib.ticker import MaxNLocator

from appulse.observers import quiet_erfa
from appulse.reports.chart_box import ChartBox
from appulse.reports.picture import drawn_pixels, png_bytes

INK, FAINT = "#1f2430", "#8a8f9c"
BODY_COLOURS = ("#0b62a4", "#c1440e", "#00734f", "#8e4a9e", "#7a6a00", "#3a3f4b")
"""Dark ones out of the colour-blind safe set of Okabe & Ito (2008), darkened for white paper."""
PNG_DPI, POINTS_PER_INCH = 150, 72
OC_INCH, MOTION_INCH = (7.2, 4.2), (7.2, 4.4)
CLOSE_UP = 0.3
"""Points within this part of the plot's reach are drawn again from nearby."""
LEAST_SPAN_D = 600.0 / 86400.0
"""The time axis reaches this far beyond measurements that are close together."""
MOST_NAMED = 12
"""Bodies that a legend names."""
MARKERS = ("o", "s", "^", "D", "v", "P")
STYLE = {
    "font.family": "DejaVu Sans", "font.size": 9.5, "axes.edgecolor": FAINT, "axes.labelcolor": INK,
    "text.color": INK, "xtick.color": INK, "ytick.color": INK, "svg.hashsalt": "appulse",
    "svg.fonttype": "path", "axes.grid": False, "figure.facecolor": "white", "axes.facecolor": "white",
}  # fmt: skip


def new_figure(width, height, layout="constrained"):
    figure = Figure(figsize=(width, height), dpi=100, layout=layout)
    FigureCanvasAgg(figure)
    return figure


def own_figure(draw, size, *arguments, layout="constrained"):
    """A drawing on a Figure of its own, of so many inches; without a layout where it has fixed places."""
    figure = new_figure(*size, layout=layout)
    draw(figure, *arguments)
    return figure


def oc_figure(residuals):
    """O-C in RA and Dec; None where nothing was measured."""
    measured = any(residual.seen for residual in residuals)
    return own_figure(draw_oc, OC_INCH, residuals) if measured else None


def motion_figure(residuals):
    """O-C along and across the motion; None where nothing moves."""
    return own_figure(draw_motion, MOTION_INCH, residuals) if moving(residuals) else None


def stars_figure(plate, shape):
    """What the stars say of a plate; None where no star was matched."""
    if not len(plate.stars):
        return None
    return own_figure(draw_stars, (WIDE_INCH, stars_height(shape)), plate, shape, layout=None)


def stamp_figure(residual):
    """The pixels of a fit; None where there is none."""
    return own_figure(draw_stamp, STAMP_INCH, residual, layout=None) if has_stamp(residual) else None


def svg_uri(draw, *arguments, **options):
    """The figure that `draw` returns as a data URI, the same text for the same figure; None for None.

    Examples
    --------
    >>> svg_uri(lambda: Figure())[:26]
    'data:image/svg+xml;base64,'
    """
    return _uri("image/svg+xml", _svg, draw, arguments, options)


def png_uri(draw, *arguments, **options):
    """The same as a PNG: smaller where a drawing is made of many marks or pixels.

    Examples
    --------
    >>> png_uri(lambda: new_figure(1, 1))[:22]
    'data:image/png;base64,'
    """
    return _uri("image/png", _png, draw, arguments, options)


def _svg(figure):
    if (layout := figure.get_layout_engine()) is not None:
        # Laid out here, as it will stand: matplotlib would draw everything once more for it.
        FigureCanvasSVG(figure)
        figure.set_dpi(POINTS_PER_INCH)
        layout.execute(figure)
        figure.set_layout_engine(None)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": "appulse"})
    return buffer.getvalue()


def _png(figure):
    figure.set_dpi(PNG_DPI)
    return png_bytes(drawn_pixels(figure), PNG_DPI)


def _uri(kind, made, draw, arguments, options):
    # the user's own settings of matplotlib must not change a sheet
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, **STYLE, "backend": "agg"}):
        figure = draw(*arguments, **options)
        if figure is None:
            return None
        content = made(figure)
    return f"data:{kind};base64," + base64.b64encode(content).decode("ascii")


def _by_body(residuals):
    """Name, colour, marker and measured residuals of each body; 36 of them differ."""
    names = list(dict.fromkeys(residual.designation for residual in residuals))
    for i, name in enumerate(names):
        mine = [residual for residual in residuals if residual.designation == name and residual.seen]
        if mine:
            # colours and markers have the same count: shifted by one each round, 36 pairs differ
            turn = i // len(MARKERS)
            yield mine[0].label, BODY_COLOURS[(i + turn) % len(BODY_COLOURS)], MARKERS[i % len(MARKERS)], mine


def best_place(residual):
    """O-C (east, north; arcsec) less the plate's offset where known, its covariance, whether it is known."""
    corrected = np.asarray(residual.corrected, dtype=float)
    if np.isfinite(corrected).all():
        # the stars' offset is an estimate too: its error adds to that of the place
        return corrected, residual.covariance + residual.plate_covariance, True
    return np.array([residual.dra_cosdec, residual.ddec]), residual.covariance, False


def best_motion(residual):
    """The same along and across the motion, with sigmas; arcsec, NaN without a motion."""
    place, covariance, _ = best_place(residual)
    turn = residual.rotation
    return turn @ place, np.sqrt(np.diag(turn @ covariance @ turn.T))


def draw_oc(panel, residuals):
    """O-C in RA and Dec with one-sigma ellipses, both axes of one scale, east to the left.

    Points that huddle far from zero are drawn again, enlarged. One residual at least is measured.
    """
    bodies = list(_by_body(residuals))
    best = np.array([best_place(residual)[0] for *_, mine in bodies for residual in mine])
    sigmas = np.sqrt([np.diag(best_place(residual)[1]) for *_, mine in bodies for residual in mine])
    raw = np.array([(residual.dra_cosdec, residual.ddec) for *_, mine in bodies for residual in mine])
    # zero belongs on the plot: the distance from it is what is asked
    reach = 1.15 * max(np.abs(raw).max(), (np.abs(best) + np.nan_to_num(sigmas)).max(), 1e-3)
    middle = (best.min(axis=0) + best.max(axis=0)) / 2.0
    # a single point has no extent: the close-up keeps a size above zero
    near = 1.25 * max((np.abs(best - middle) + np.nan_to_num(sigmas)).max(), 1e-4)
    close = near < CLOSE_UP * reach
    axes = panel.subplots(1, 2 if close else 1, squeeze=False)[0]
    for panel_axes in axes:
        _draw_places(panel_axes, bodies)
        panel_axes.set_xlabel("O\u2212C in RA cos Dec (arcsec), east to the left")
        panel_axes.set_aspect("equal")
    axes[0].set_ylabel("O\u2212C in Dec (arcsec)")
    _set_window(axes[0], (0.0, 0.0), reach)
    if close:
        _set_window(axes[1], middle, near)
        axes[1].set_title("enlarged", fontsize=9)
        corner, size = middle - near, 2.0 * near
        axes[0].add_patch(Rectangle(corner, size, size, fill=False, edgecolor=INK, linewidth=0.8))
    _legend(panel, bodies)


def _set_window(axes, middle, reach):
    axes.set_xlim(middle[0] + reach, middle[0] - reach)
    axes.set_ylim(middle[1] - reach, middle[1] + reach)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(5))


def _draw_places(axes, bodies):
    axes.axhline(0.0, color=FAINT, linewidth=0.8)
    axes.axvline(0.0, color=FAINT, linewidth=0.8)
    for _, colour, marker, mine in bodies:
        best = [best_place(residual) for residual in mine]
        for place, covariance, _ in best:
            _add_ellipse(axes, place, covariance, colour)
        # One line for all marks of a kind: each of its own, a long night would be drawn for seconds.
        places, freed = np.array([place for place, _, _ in best]), np.array([freed for _, _, freed in best])
        raw = np.array([(residual.dra_cosdec, residual.ddec) for residual in mine])[freed]
        # the place before the correction stays visible: what the plate did can be seen
        steps = np.stack([raw, places[freed], np.full_like(raw, np.nan)], axis=1).reshape(-1, 2)
        axes.plot(*steps.T, color=colour, linewidth=0.6, alpha=0.4)
        axes.plot(*raw.T, marker, color=colour, markersize=4, markerfacecolor="none", alpha=0.6)
        # open marks have not been freed of the plate: they cannot be compared with the filled ones
        for some, fill in ((places[freed], colour), (places[~freed], "none")):
            axes.plot(*some.T, marker, color=colour, markersize=4.5, markerfacecolor=fill)


def _legend(panel, bodies):
    """Outside the axes, where no mark of it is taken for a measured point."""
    ways = {best_place(residual)[2] for *_, mine in bodies for residual in mine}
    # one body needs no name: the title has it
    marks = []
    if len(bodies) > 1:
        marks += [
            Line2D([], [], color=colour, marker=marker, linestyle="none", markersize=5, label=name)
            for name, colour, marker, _ in bodies[:MOST_NAMED]
        ]
        if len(bodies) > MOST_NAMED:
            marks.append(Line2D([], [], linestyle="none", label=f"and {len(bodies) - MOST_NAMED} more"))
    shown = {"color": INK, "marker": "o", "linestyle": "none", "markersize": 5}
    if True in ways:
        marks.append(Line2D([], [], label="filled: plate-corrected", **shown))
    open_ones = "open: by the frame's own plate solution"
    words = open_ones if True in ways else "as measured, no plate offset known"
    marks.append(Line2D([], [], markerfacecolor="none", label=words, **shown))
    panel.legend(handles=marks, loc="outside lower center", ncols=4, frameon=False, fontsize=8.5)


def _add_ellipse(axes, place, covariance, colour):
    values, vectors = np.linalg.eigh(np.nan_to_num(covariance))
    # an ellipse of an unknown or singular covariance would look like a small error
    if not (np.isfinite(covariance).all() and (values > 0).all()):
        return
    angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    wide, high = 2 * np.sqrt(values[1]), 2 * np.sqrt(values[0])
    axes.add_patch(Ellipse(place, wide, high, angle=angle, fill=False, edgecolor=colour, linewidth=1.0))


def moving(residuals):
    """Measured residuals of bodies whose motion is predicted."""
    seen = (residual for residual in residuals if residual.seen)
    return [residual for residual in seen if np.isfinite(residual.prediction.motion_pa)]


def draw_motion(panel, residuals):
    """O-C along and across the motion against time, plate-corrected; one body moves at least."""
    bodies = list(_by_body(moving(residuals)))
    # along and across on one time axis: a clock error shows in the upper one alone
    panels = panel.subplots(2, 1, sharex=True)
    for _, colour, marker, mine in bodies:
        for corrected in (True, False):
            some = [residual for residual in mine if best_place(residual)[2] is corrected]
            if not some:
                continue
            with quiet_erfa():
                times = [Time(str(residual.time).rstrip("Z"), scale="utc").datetime for residual in some]
            turned = [best_motion(residual) for residual in some]
            for k, axes in enumerate(panels):
                axes.errorbar(
                    times, [t[0][k] for t in turned], [t[1][k] for t in turned], fmt=marker, color=colour,
                    markersize=4.5, capsize=2, linewidth=1, markerfacecolor=colour if corrected else "white",
                )  # fmt: skip
    low, high = panels[0].dataLim.intervalx
    if high - low < 2 * LEAST_SPAN_D:
        # Alone, a moment would be drawn on an axis of years.
        panels[0].set_xlim(low - LEAST_SPAN_D, high + LEAST_SPAN_D)
    for axes, words in zip(panels, ("along the motion", "across the motion"), strict=True):
        axes.axhline(0.0, color=FAINT, linewidth=0.8)
        axes.set_ylabel(f"{words}\n(arcsec)")
        axes.margins(x=0.08, y=0.2)
    locator = AutoDateLocator(minticks=3, maxticks=7)
    panels[1].xaxis.set_major_locator(locator)
    panels[1].xaxis.set_major_formatter(_iso_dates(locator))
    panels[1].set_xlabel("mid-exposure, UTC as recorded")
    _legend(panel, bodies)


def _iso_dates(locator):
    """Dates of an axis as everywhere else: 2027-05-05, and hours and minutes where the ticks need them."""
    formatter = AutoDateFormatter(locator)
    formatter.scaled = {365.0: "%Y", 28.0: "%Y-%m", 1.0: "%Y-%m-%d", 1.0 / 24: "%Y-%m-%d\n%H:%M"}
    formatter.scaled[1.0 / 1440] = "%H:%M"
    formatter.defaultfmt = "%H:%M:%S"
    return formatter


STAMP_INCH = (7.2, 2.05)
STAMP_PLACES = (
    (0.058, 0.119, 0.2203, 0.7737), (0.3759, 0.119, 0.2203, 0.7737), (0.7096, 0.119, 0.2203, 0.7737),
    (0.9443, 0.1964, 0.0088, 0.619),
)  # fmt: skip
"""Left, bottom, width and height of the three pictures and the scale: labels of five digits find room."""
STARS_RIM_INCH = (0.75, 0.77, 0.22)
"""Left of, below and above a map of stars."""
WIDE_INCH = 7.2
ARROWS_ACROSS = 20.0
"""An arrow of the typical size spans this part of the frame."""
ARROW_WIDTH = 0.004
"""Of the width of a map."""
KEY_INCH = (0.42, 0.1)
"""The tip of the arrow of a known length lies so far left of and above the map's upper right corner."""


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
    """Observed minus catalogue as arrows on the frame: as solved, and what the plate model leaves."""
    stars = plate.stars
    used = np.asarray(stars["used"], dtype=bool)
    maps = _maps(stars)
    ny, nx = shape
    high = stars_height(shape)
    left, bottom, top = np.divide(STARS_RIM_INCH, (WIDE_INCH, high, high))
    for k, (words, east, north) in enumerate(maps):
        room = (k / len(maps) + left, bottom, 1 / len(maps) - 1.2 * left, 1 - bottom - top)
        place = _of_one_scale(room, (WIDE_INCH, high), nx / ny)
        box = ChartBox(panel, place, (-0.5, nx - 0.5), (-0.5, ny - 0.5), ink=INK, rim=FAINT)
        aside, above = KEY_INCH[0] / (place[2] * WIDE_INCH), KEY_INCH[1] / (place[3] * high)
        key = (1.0 - aside) * nx, (1.0 + above) * ny
        _draw_arrows(box, plate, used, _arcsec(stars[east]), _arcsec(stars[north]), shape, key)
        box.words(0.0, 1.0, words, (0.0, 6.0), fontsize=9)
        box.ticks_below(MaxNLocator(4).tick_values(0, nx), 9.5, "x (px)")
        box.ticks_beside(MaxNLocator(6).tick_values(0, ny), 9.5, "y (px)")
    for x, colour, marker, words in (
        (0.355, BODY_COLOURS[0], "o", f"{used.sum()} stars used"),
        (0.555, BODY_COLOURS[1], "x", f"{(~used).sum()} left out"),
    ):
        at = {"transform": panel.transSubfigure, "color": colour}
        panel.add_artist(Line2D([x], [0.17 / high], marker=marker, markersize=4, linestyle="none", **at))
        panel.text(x + 0.03, 0.17 / high, words, fontsize=8.5, va="center_baseline", color=INK)


def _of_one_scale(room, size_inch, ratio):
    """The largest box of a ratio of width to height in the middle of another, in parts of a panel."""
    left, bottom, width, height = room
    wide, high = width * size_inch[0], height * size_inch[1]
    shrunk = min(wide, high * ratio) / size_inch[0], min(high, wide / ratio) / size_inch[1]
    return (left + (width - shrunk[0]) / 2, bottom + (height - shrunk[1]) / 2, *shrunk)


def _maps(stars):
    """Title and columns of each map."""
    maps = [("observed minus catalogue", "dra", "ddec")]
    # without a plate model nothing was taken off, and a second map would be the first one again
    if "left_dra" in stars.colnames and np.isfinite(_arcsec(stars["left_dra"])).any():
        maps.append(("plate-corrected", "left_dra", "left_ddec"))
    return maps


def _draw_arrows(box, plate, used, east, north, shape, key):
    """Draw them at one scale, with an arrow of a round length whose tip lies at `key`."""
    x, y = (np.asarray(plate.stars[n], dtype=float) for n in ("x", "y"))
    size = np.hypot(east, north)
    # the median: one wrong match would make all the others invisible
    typical = max(float(np.nanmedian(size[used] if used.any() else size)), 1e-6)
    ny, nx = shape
    # a perfect plate has arrows of no length
    per_px = typical / (max(nx, ny) / ARROWS_ACROSS)
    dx, dy = np.divide(_on_frame(plate, x, y, east, north), per_px)
    known = np.isfinite(dx) & np.isfinite(dy)
    width = ARROW_WIDTH * nx
    for keep, colour, marker in ((used, BODY_COLOURS[0], "."), (~used, BODY_COLOURS[1], "x")):
        if keep.any():
            some = keep & known
            box.arrows(x[some], y[some], dx[some], dy[some], width=width, colour=colour)
            box.marks(x[keep], y[keep], marker, color=colour, markersize=3)
    length = _round_length(1.5 * typical)
    colour = BODY_COLOURS[0 if used.any() else 1]
    tail = length / per_px
    box.arrows(*np.array([[key[0] - tail], [key[1]], [tail], [0.0]]), width=width, colour=colour, cut=False)
    away = 7.2 - 72.0 * KEY_INCH[0], 72.0 * KEY_INCH[1]
    box.words(1.0, 1.0, f"{length:g}\u2033", away, fontsize=9, va="center")


def _round_length(value):
    """The largest of 1, 2, 5 times a power of ten up to a value.

    Examples
    --------
    >>> _round_length(0.034), _round_length(1.5), _round_length(7.0)
    (0.02, 1.0, 5.0)
    """
    power = 10.0 ** np.floor(np.log10(value))
    return float(f"{max(step * power for step in (1, 2, 5) if step * power <= value * (1 + 1e-9)):.6g}")


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
    # a rotated or mirrored frame shows its arrows as its own pixels run
    step = np.linalg.solve(to_sky, np.stack([east, north]))
    return step * frame.pixel_scale


def has_stamp(residual):
    """Whether there is a fit to show."""
    fit = residual.fit
    return fit is not None and fit.data is not None and fit.model is not None


def draw_stamp(panel, residual):
    """Pixels around a body that was fitted, the fitted model, and what is left in sigmas."""
    fit = residual.fit
    # not the extremes: a hot pixel would make the body black
    low, high = np.nanpercentile(fit.data, [2.0, 99.8])
    h, w = fit.data.shape
    # the edges of pixels, whose centres are whole numbers
    limits = (fit.x0 - 0.5, fit.x0 + w - 0.5), (fit.y0 - 0.5, fit.y0 + h - 0.5)
    ticks = [MaxNLocator(4, integer=True).tick_values(*ends) for ends in limits]
    # The square root shows the wings, where a bad model would show first.
    light = {"cmap": "gray", "norm": PowerNorm(0.5, vmin=low, vmax=max(high, low + 1e-9))}
    # a fixed range: the same colour is the same sigma on every stamp
    sigmas = {"cmap": "PuOr", "norm": Normalize(-5.0, 5.0)}
    shown = (
        (fit.data, light, "pixels"), (fit.model, light, "model"), (fit.residual, sigmas, "left over (sigma)"),
    )  # fmt: skip
    for place, (image, colours, words) in zip(STAMP_PLACES, shown, strict=False):
        box = ChartBox(panel, _of_one_scale(place, STAMP_INCH, w / h), *limits, ink=INK, rim=FAINT)
        box.image(np.ma.masked_invalid(image), **colours)
        # a ring is what is measured, as in every picture
        box.marks(
            [residual.x], [residual.y], "o", color=BODY_COLOURS[1], markersize=11, markerfacecolor="none",
            markeredgewidth=1.2,
        )  # fmt: skip
        box.words(0.5, 1.0, words, (0.0, 6.0), fontsize=9, ha="center")
        box.ticks_below(ticks[0], 7.5)
        box.ticks_beside(ticks[1], 7.5)
    bar = ChartBox(panel, STAMP_PLACES[3], (0, 1), (-5, 5), ink=INK, rim=FAINT)
    bar.image(np.linspace(-5.0, 5.0, 256)[:, None], **sigmas)
    bar.ticks_beside((-5, 0, 5), 9.5, right=True)
