"""The two plots of the residual viewer: on the sky, and along and across the motion against time."""

import numpy as np
from matplotlib.backends.backend_qtagg import FigureCanvasQTAgg
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.widgets import RectangleSelector

from appulse.astrometry.budget import THREE_SIGMA_CHI2

#: Half axes of the two-dimensional gate that holds 99.73 %, in standard deviations.
GATE_SIGMA = np.sqrt(THREE_SIGMA_CHI2)
INK, FAINT = "#20242c", "#9aa0a8"
ALONG, ACROSS = "#b45309", "#0369a1"


def ellipse_points(x, y, sx, sy, rho, scale=1.0, n=49):
    """Rings of error ellipses.

    Parameters
    ----------
    x, y, sx, sy, rho : ndarray, (m,)
        Centres, standard deviations and correlations.
    scale : float
    n : int

    Returns
    -------
    ndarray, (m, n, 2)

    Examples
    --------
    >>> ring = ellipse_points(*np.array([[0.0], [0.0], [3.0], [2.0], [0.0]]), n=5)
    >>> ring[0].round(6).tolist()
    [[3.0, 0.0], [0.0, 2.0], [-3.0, 0.0], [-0.0, -2.0], [3.0, -0.0]]
    """
    turn = np.linspace(0, 2 * np.pi, n)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    rest = np.sqrt(np.clip(1 - rho**2, 0, 1))
    east = x[:, None] + scale * sx[:, None] * circle[0]
    north = y[:, None] + scale * sy[:, None] * (rho[:, None] * circle[0] + rest[:, None] * circle[1])
    return np.stack([east, north], axis=-1)


class ResidualCanvas(FigureCanvasQTAgg):
    """Canvas with both plots; a box drawn in either calls ``brushed(rows)``, a double click ``opened(row)``.

    Parameters
    ----------
    brushed, opened : callable
    """

    def __init__(self, brushed, opened):
        super().__init__(Figure(figsize=(8.6, 4.2), layout="constrained"))
        self.sky, self.time = self.figure.subplots(1, 2, width_ratios=[1, 1.35])
        self._brushed, self._opened, self._columns = brushed, opened, None
        self._selectors = [
            RectangleSelector(axis, lambda a, b, axis=axis: self._box(axis, a, b), button=1, useblit=False,
                              minspanx=4, minspany=4, spancoords="pixels") for axis in (self.sky, self.time)
        ]  # fmt: skip
        self._kept = {axis: {*axis.lines, *axis.collections} for axis in (self.sky, self.time)}
        self.mpl_connect("button_press_event", self._pressed)

    def draw_rows(self, columns, colours):
        """Draw all rows.

        Parameters
        ----------
        columns : dict of str to ndarray, (n,)
            dx, dy, sx, sy, rho (arcsec), hours, along, across, sigma_along, sigma_across.
        colours : list of str, n
        """
        self._columns = columns
        self._wipe()
        self._draw_sky(columns, colours)
        self._draw_time(columns, colours)
        self.draw_idle()

    def _start(self, axis, xlabel, ylabel):
        axis.axhline(0, color=FAINT, lw=0.9, zorder=0)
        axis.set_xlabel(xlabel)
        axis.set_ylabel(ylabel)

    def _wipe(self):
        """Take away what was drawn; the selectors' own artists stay."""
        for axis, kept in self._kept.items():
            for container in list(axis.containers):
                axis.containers.remove(container)
            for artist in [*axis.lines, *axis.collections]:
                if artist not in kept:
                    artist.remove()
            if axis.get_legend() is not None:
                axis.get_legend().remove()

    def _draw_sky(self, c, colours):
        axis = self.sky
        self._start(axis, "ΔRA·cosδ  (″, east to the left)", "ΔDec  (″)")
        axis.axvline(0, color=FAINT, lw=0.9, zorder=0)
        good = np.isfinite(c["dx"]) & np.isfinite(c["dy"])
        if good.any():
            part = [c[name][good] for name in ("dx", "dy", "sx", "sy", "rho")]
            shades = [colour for colour, ok in zip(colours, good, strict=True) if ok]
            rings = ellipse_points(*part)
            axis.add_collection(PolyCollection(rings, facecolors="none", edgecolors=shades, lw=1.2))
            axis.scatter(part[0], part[1], s=26, c=shades, edgecolors=INK, linewidths=0.6, zorder=3)
            self._draw_gate(axis, part)
            reach = 1.15 * max(np.max(np.abs(part[0]) + part[2]), np.max(np.abs(part[1]) + part[3]), 1e-3)
            axis.set(xlim=(reach, -reach), ylim=(-reach, reach))
        axis.set_aspect("equal", adjustable="box")

    @staticmethod
    def _draw_gate(axis, part):
        zero = np.zeros(1)
        typical = [np.array([np.median(values)]) for values in part[2:]]
        gate = ellipse_points(zero, zero, *typical, scale=GATE_SIGMA)[0]
        axis.plot(*gate.T, ls="--", lw=1.0, color=INK, zorder=1, label="99.73 % of measuring errors")
        axis.legend(loc="upper right", fontsize=7, frameon=False)

    def _draw_time(self, c, colours):
        axis = self.time
        self._start(axis, "hours (UT of the first day)", "observed − calculated  (″)")
        for name, ink, marker in (("along", ALONG, "o"), ("across", ACROSS, "s")):
            x, y, sigma = (c[column] for column in ("hours", name, f"sigma_{name}"))
            good = np.isfinite(y)
            if good.any():
                axis.errorbar(x[good], y[good], sigma[good], fmt=marker, color=ink, ms=5, mfc="none", mew=1.4,
                              capsize=2, lw=1.1, label=f"{name} the motion")  # fmt: skip
        chosen = np.array([colour != self.plain for colour in colours]) & np.isfinite(c["along"])
        if chosen.any():
            shades = [colour for colour, ok in zip(colours, chosen, strict=True) if ok]
            for name in ("along", "across"):
                axis.scatter(c["hours"][chosen], c[name][chosen], s=110, facecolors="none", edgecolors=shades,
                             linewidths=2.0)  # fmt: skip
        self._set_time_limits(c)
        if axis.containers:
            axis.legend(loc="best", fontsize=8, frameon=False)

    def _set_time_limits(self, c):
        height = np.concatenate([np.abs(c[n]) + np.nan_to_num(c[f"sigma_{n}"]) for n in ("along", "across")])
        reach = 1.2 * float(np.nanmax(height, initial=1e-3, where=np.isfinite(height)))
        self.time.set_ylim(-reach, reach)
        hours = c["hours"][np.isfinite(c["hours"])]
        if hours.size:
            pad = 0.06 * np.ptp(hours) + 0.1
            self.time.set_xlim(hours.min() - pad, hours.max() + pad)

    #: Colour of rows that no selection holds.
    plain = "#c2410c"

    def _places(self, axis):
        c = self._columns
        if axis is self.sky:
            return [(c["dx"], c["dy"])]
        return [(c["hours"], c["along"]), (c["hours"], c["across"])]

    def _box(self, axis, first, second):
        if self._columns is None or first.xdata is None or second.xdata is None:
            return
        (x0, x1), (y0, y1) = sorted((first.xdata, second.xdata)), sorted((first.ydata, second.ydata))
        rows = {int(i) for x, y in self._places(axis)
                for i in np.flatnonzero((x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))}  # fmt: skip
        self._brushed(sorted(rows))

    def _pressed(self, event):
        if not event.dblclick or event.inaxes not in (self.sky, self.time) or self._columns is None:
            return
        best, least = None, np.inf
        for x, y in self._places(event.inaxes):
            good = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
            if len(good):
                at = event.inaxes.transData.transform(np.column_stack([x[good], y[good]]))
                apart = np.hypot(*(at - [event.x, event.y]).T)
                if apart.min() < least:
                    best, least = int(good[np.argmin(apart)]), apart.min()
        if best is not None and least < 25:
            self._opened(best)
