"""Residuals as points with their errors, against time or on the sky, and the range that holds them."""

import numpy as np
from glue.core.exceptions import IncompatibleAttribute
from glue.core.subset import Subset
from glue.viewers.matplotlib.layer_artist import MatplotlibLayerArtist
from glue.viewers.matplotlib.state import DeferredDrawCallbackProperty as Drawn
from glue.viewers.matplotlib.state import MatplotlibLayerState
from matplotlib.collections import PolyCollection
from matplotlib.lines import Line2D

from appulse.astrometry import THREE_SIGMA_CHI2
from glue_appulse.data import residual_data

BOTH, ALONG, ACROSS, SKY = "along and across", "along", "across", "on the sky"
#: What can be plotted; all but the last against time.
PLOTS = (BOTH, ALONG, ACROSS, SKY)
#: Half axes of the two-dimensional gate that holds 99.73 %, in standard deviations.
GATE_SIGMA = np.sqrt(THREE_SIGMA_CHI2)
INK, FAINT = "#20242c", "#9aa0a8"
MARKERS = {"along": "o", "across": "s"}
#: Room around points and errors, as a share of their span; least span, arcsec and hours.
MARGIN, LEAST_ARCSEC, LEAST_HOURS = 0.08, 1e-3, 0.2


def ellipse_points(
    x: np.ndarray, y: np.ndarray, sx: np.ndarray, sy: np.ndarray, rho: np.ndarray, scale=1.0, n=49
) -> np.ndarray:
    """Rings of error ellipses around (x, y), of n points each: shape (m, n, 2)."""
    turn = np.linspace(0, 2 * np.pi, n)
    circle = np.stack([np.cos(turn), np.sin(turn)])
    # Cholesky factor of the covariance: a unit circle becomes the one-sigma ellipse. Rounding may leave rho
    # a hair above 1.
    rest = np.sqrt(np.clip(1 - rho**2, 0, 1))
    east = x[:, None] + scale * sx[:, None] * circle[0]
    north = y[:, None] + scale * sy[:, None] * (rho[:, None] * circle[0] + rest[:, None] * circle[1])
    return np.stack([east, north], axis=-1)


def numbers_of(data):
    """A reader of a data set's columns as floats; residuals of an earlier version lack some: not a number."""
    known = {cid.label for cid in data.main_components}
    return lambda name: np.asarray(data[name], float) if name in known else np.full(data.size, np.nan)


def plot_columns(data, plate_off: bool) -> dict[str, np.ndarray]:
    """Numbers of the plots, by row: offsets in one meaning, their errors, hours of the first day."""
    get = numbers_of(data)
    shown = residual_data.offsets(get, plate_off)
    mjd = get(residual_data.MJD)
    day = np.floor(np.nanmin(mjd)) if np.isfinite(mjd).any() else 0.0
    # residuals of an earlier version have no correlation: their ellipses stand upright
    rho = np.nan_to_num(get("corr_ra_dec"))
    # the plate's error has no correlation of its own and rounds the ellipse
    scale = get("sigma_ra") * get("sigma_dec") / (shown["sigma_dra"] * shown["sigma_ddec"])
    return shown | {"rho": rho * np.nan_to_num(scale), "hours": (mjd - day) * 24}


def plotted(columns: dict, plot: str) -> list[tuple]:
    """What a plot shows: name, x, y, sigma of x (None against time), sigma of y."""
    c = columns
    if plot == SKY:
        return [("dra", c["dra"], c["ddec"], c["sigma_dra"], c["sigma_ddec"])]
    names = ("along", "across") if plot == BOTH else (plot,)
    return [(name, c["hours"], c[name], None, c[f"sigma_{name}"]) for name in names]


def _span(low, high, least):
    """Limits about values with their errors; None where there are none."""
    good = np.isfinite(low) & np.isfinite(high)
    if not good.any():
        return None
    first, last = float(low[good].min()), float(high[good].max())
    pad = MARGIN * (last - first) + max(0.0, 0.5 * (least - (last - first)))
    return first - pad, last + pad


def wanted_limits(columns: dict, plot: str) -> tuple[float, float, float, float]:
    """Limits (x first and last, y first and last) that hold all points with their errors.

    On the sky zero is among them, and east is to the left.
    """
    shown = plotted(columns, plot)
    x = np.concatenate([part[1] for part in shown])
    y, sy = (np.concatenate([part[i] for part in shown]) for i in (2, 4))
    sy = np.nan_to_num(sy)
    if plot != SKY:
        xs = _span(np.where(np.isfinite(y), x, np.nan), x, LEAST_HOURS) or (0.0, 24.0)
        return *xs, *(_span(y - sy, y + sy, LEAST_ARCSEC) or (-1.0, 1.0))
    sx = np.nan_to_num(shown[0][3])
    xs = _span(np.append(x - sx, 0.0), np.append(x + sx, 0.0), LEAST_ARCSEC)
    ys = _span(np.append(y - sy, 0.0), np.append(y + sy, 0.0), LEAST_ARCSEC)
    return xs[1], xs[0], *ys


def axis_words(plot: str, plate_off: bool) -> tuple[str, str]:
    """Words at the axes; they say which O-C it is."""
    meaning = residual_data.PLATE_OFF if plate_off else residual_data.AS_MEASURED
    if plot == SKY:
        return f"ΔRA·cosδ, {meaning} (″, east to the left)", f"ΔDec, {meaning} (″)"
    what = "" if plot == BOTH else f" {plot} the motion"
    return "hours (UT of the first day)", f"O−C{what}, {meaning} (″)"


def draw_rows(axes, columns, keep, plot, *, color, alpha=1.0, size=6.0, ringed=False, zorder=3) -> list:
    """Draw rows on axes; `ringed`: in their colour alone, as a selection over the others."""
    artists, edge, width = [], color if ringed else INK, 1.8 if ringed else 1.1
    for name, x, y, sx, sy in plotted(columns, plot):
        good = keep & np.isfinite(x) & np.isfinite(y)
        if not good.any():
            continue
        if sx is None:
            bars = axes.errorbar(x[good], y[good], np.nan_to_num(sy[good]), fmt="none", capsize=2.5,
                                 ecolor=edge, alpha=alpha, zorder=zorder, elinewidth=width)  # fmt: skip
            artists += [*bars.lines[1], *bars.lines[2]]
            axes.containers.remove(bars)
        else:
            rings = ellipse_points(x[good], y[good], sx[good], sy[good], columns["rho"][good])
            look = {"facecolors": "none", "edgecolors": edge, "alpha": alpha, "zorder": zorder, "lw": width}
            artists.append(axes.add_collection(PolyCollection(rings, **look)))
        # along is filled, across is open: two columns of one layer have one colour
        hollow = name == "across" and plot == BOTH
        artists += axes.plot(
            x[good], y[good], MARKERS.get(name, "o"), ms=size, mfc="white" if hollow else color,
            mec=color if hollow else edge, mew=1.6 if hollow or ringed else 0.7, alpha=alpha,
            zorder=zorder + 0.1,
        )  # fmt: skip
    return artists


def draw_ground(axes, columns, plot) -> list:
    """Draw what stands below the rows: the lines of zero, the gate, the key of the marks."""
    artists = [axes.axhline(0, color=FAINT, lw=0.9, zorder=0)]
    if plot == SKY:
        artists.append(axes.axvline(0, color=FAINT, lw=0.9, zorder=0))
        part = [columns[name] for name in ("sigma_dra", "sigma_ddec", "rho")]
        good = np.isfinite(part).all(0)
        if good.any():
            # The gate is of a typical row, about zero: rows have ellipses of their own around them.
            zero, typical = np.zeros(1), [np.array([np.median(values[good])]) for values in part]
            gate = ellipse_points(zero, zero, *typical, scale=GATE_SIGMA)[0]
            artists += axes.plot(*gate.T, ls="--", lw=1.0, color=INK, zorder=1)
    return artists


def key_of(plot: str) -> tuple[list, list[str]]:
    """Handles and words of the marks of a plot, for a key."""
    if plot == SKY:
        return [Line2D([], [], ls="--", color=INK, lw=1)], ["99.73 % of measuring errors"]
    names = ("along", "across") if plot == BOTH else (plot,)
    faces = {"across": "white" if plot == BOTH else FAINT}
    handles = [
        Line2D([], [], ls="", marker=MARKERS[name], mec=INK, ms=6, mfc=faces.get(name, FAINT))
        for name in names
    ]
    return handles, [f"{name} the motion" for name in names]


class ResidualLayerState(MatplotlibLayerState):
    """Look of rows of residuals."""

    size = Drawn(6.0, docstring="Size of the marks, points")


class ResidualLayerArtist(MatplotlibLayerArtist):
    """Rows of the residuals, or a selection of them; `inset`: axes with the sky close up; then `drawn()`."""

    _layer_state_cls = ResidualLayerState

    def __init__(self, axes, viewer_state, layer_state=None, layer=None, inset=None, drawn=None):
        if layer_state is not None and not isinstance(layer_state, ResidualLayerState):
            # a session of an earlier version
            layer, layer_state = layer_state.layer, None
        super().__init__(axes, viewer_state, layer_state=layer_state, layer=layer)
        self.inset, self._drawn = inset, drawn
        # mask of the rows that are drawn
        self.rows = np.zeros(0, bool)
        self.state.add_global_callback(self._again)
        self._viewer_state.add_callback("plot", self._again)
        self._viewer_state.add_callback("plate_off", self._again)
        self._again()

    def _again(self, *_args, **_changed):
        if self.state.layer is not None:
            self.update()

    def _find_rows(self):
        """None where the selection knows nothing of this table."""
        layer = self.state.layer
        try:
            whole = np.ones(layer.size, bool)
            keep = np.asarray(layer.to_mask(), bool) if isinstance(layer, Subset) else whole
        except IncompatibleAttribute:
            self.rows = np.zeros(layer.data.size, bool)
            self.disable_incompatible_subset()
        else:
            self.rows = keep
            self.enable()

    def update(self):
        if self.state.layer is None:
            return
        self._wipe()
        self._find_rows()
        if self.state.visible and self.enabled:
            data = getattr(self.state.layer, "data", self.state.layer)
            columns = plot_columns(data, self._viewer_state.plate_off)
            ringed = isinstance(self.state.layer, Subset)
            look = {
                "color": self.state.color, "alpha": self.state.alpha, "ringed": ringed,
                "size": self.state.size, "zorder": 3 + float(self.state.zorder or 0) / 100,
            }  # fmt: skip
            self.mpl_artists = draw_rows(self.axes, columns, self.rows, self._viewer_state.plot, **look)
            if self.inset is not None:
                self.mpl_artists += draw_rows(self.inset, columns, self.rows, SKY, **look)
        if self._drawn is not None:
            self._drawn()
        self.redraw()

    def _wipe(self):
        MatplotlibLayerArtist.remove(self)

    def remove(self):
        self.state.remove_global_callback(self._again)
        self._viewer_state.remove_callback("plot", self._again)
        self._viewer_state.remove_callback("plate_off", self._again)
        super().remove()

    @staticmethod
    def _python_exporter(artist, *_args):
        if not artist.enabled or not artist.visible:
            return [], None
        state, shown = artist.state, artist._viewer_state
        call = (f"draw_residuals(ax, layer_data, plot={shown.plot!r}, plate_off={shown.plate_off!r}, "
                f"color={state.color!r}, alpha={state.alpha!r}, size={state.size!r})")  # fmt: skip
        return ["from glue_appulse.layers.script import draw_residuals"], call
