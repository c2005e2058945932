"""How good each frame is, in a table that the user may edit, and a plot of it."""

import io

import numpy as np
from astropy import units as u
from astropy.table import QTable

from appulse.errors import InputError
from appulse.formats import write_bytes

CLOUDED, BLURRED = 0.55, 1.8
"""Left out: below this transparency against the best three, or above this FWHM against the median."""
COLUMNS = (
    "frame", "time", "keep", "reason", "fwhm", "ellipticity", "sky", "sky_sigma", "gradient", "n_stars",
    "transparency", "trail", "align_rms", "align_stars", "shift",
)  # fmt: skip


def transparencies(ratios, seconds, gains) -> np.ndarray:
    """Light through the air and the optics against the best three frames of the night, (n,) floats."""
    ratios = np.array([np.nan if r is None else r for r in ratios], dtype=float)
    seconds = np.where(np.asarray(seconds) > 0, seconds, 1.0)
    light = np.asarray(gains, dtype=float) / ratios / seconds
    known = np.sort(light[np.isfinite(light)])[::-1]
    return light / np.mean(known[: min(3, max(1, len(known) // 2))]) if len(known) else light


def verdicts(rows) -> list[tuple[bool, str]]:
    """Keep or not, and the reason, of each grade row (a dict) by the rules of this module."""
    fwhm = np.median([row["fwhm"] for row in rows])
    found = []
    for row in rows:
        reason = ""
        if np.isfinite(row["transparency"]) and row["transparency"] < CLOUDED:
            reason = f"clouded: {row['transparency']:.0%} of the light of the best frames"
        elif row["fwhm"] > BLURRED * fwhm and len(rows) > 2:
            reason = f"blurred: FWHM {row['fwhm']:.1f} px, {fwhm:.1f} px in the middle of the night"
        elif row["align_stars"] == 0 and len(rows) > 1:
            reason = "its stars could not be matched to the reference frame: clouded, or its WCS is wrong"
        found.append((reason == "", reason))
    return found


def grade_table(rows) -> QTable:
    """Grades as a table with units."""
    table = QTable()
    units = {"fwhm": u.pix, "trail": u.pix, "align_rms": u.pix, "shift": u.pix}
    for name in COLUMNS:
        values = [row[name] for row in rows]
        if name in ("frame", "time", "reason"):
            table[name] = np.array([str(v) for v in values])
        elif name in ("keep",):
            table[name] = np.array(values, dtype=bool)
        elif name in ("n_stars", "align_stars"):
            table[name] = np.array(values, dtype=int)
        else:
            numbers = np.array([np.nan if v is None else v for v in values], dtype=float)
            table[name] = numbers * units[name] if name in units else numbers
    table.meta["comments"] = [
        "keep: edit it and give the table back with --grades",
        "transparency: light against the best frames; gradient: of the sky against the reference, over the "
        "picture, in sigmas of the sky",
        "align_rms: of the stars about the reference's, per axis; shift: correction of the frame's own WCS",
    ]
    return table


def kept_frames(table, names) -> dict:
    """Which frames an edited table keeps.

    Parameters
    ----------
    table : Table
        With `frame` and `keep`.
    names : list of str
        Frames of this run.

    Returns
    -------
    dict
        Name to (keep, reason).

    Raises
    ------
    InputError
        If a column or a frame is missing, or a `keep` is no yes or no.
    """
    for column in ("frame", "keep"):
        if column not in table.colnames:
            raise InputError(f"grades: the column {column!r} is missing; keep those that were written")
    words = {"true": True, "1": True, "yes": True, "false": False, "0": False, "no": False}
    found = {}
    for row in table:
        word = str(row["keep"]).strip().lower()
        if word not in words:
            raise InputError(f"grades: keep of {row['frame']} is {word!r}; True or False is understood")
        reason = str(row["reason"]) if "reason" in table.colnames else ""
        found[str(row["frame"])] = (words[word], reason or ("" if words[word] else "left out by the user"))
    if missing := [name for name in names if name not in found]:
        raise InputError(f"grades: no row for {missing[0]}; add it, or leave the frame out of the command")
    return found


LEAST_SPAN = 0.05
"""Of the values themselves: less than that is no difference between frames, and must not look like one."""


def near(values) -> tuple[float, float]:
    """Limits of an axis near the data, with room above and below.

    Examples
    --------
    >>> [round(limit, 2) for limit in near([2.0, 3.0, float("nan")])]
    [1.8, 3.2]
    >>> [round(limit, 2) for limit in near([1.0, 1.0])]
    [0.96, 1.03]
    """
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    least = max(LEAST_SPAN * abs(low + high) / 2.0, 1e-9)
    span = max(high - low, least)
    spare = (span - (high - low)) / 2.0 + 0.2 * span
    # What cannot be negative shows nothing below nought.
    return (max(low - spare, 0.0) if low >= 0 else low - spare), high + spare


def grade_plot(table, path, overwrite=False):
    """FWHM, sky, stars and transparency over time, dropped frames hollow; returns the path."""
    from astropy.time import Time
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    time = Time(list(table["time"]), scale="utc")
    hours = (time - time.min()).to_value(u.h)
    figure = Figure(figsize=(7.5, 7.0), dpi=110, layout="constrained")
    FigureCanvasAgg(figure)
    panels = (
        ("FWHM, px", "fwhm"), ("sky, stored units", "sky"), ("stars", "n_stars"),
        ("transparency", "transparency"),
    )  # fmt: skip
    axes = figure.subplots(len(panels), 1, sharex=True)
    keep = np.asarray(table["keep"])
    for axis, (label, name) in zip(axes, panels, strict=True):
        values = np.asarray(getattr(table[name], "value", table[name]), dtype=float)
        axis.plot(hours, values, "-", color="#c9c9c9", lw=1, zorder=1)
        kept = {"s": 26, "color": "#24557a", "label": "kept"}
        left = {"s": 34, "facecolor": "none", "edgecolor": "#b0483a", "label": "left out"}
        for chosen, style in ((keep, kept), (~keep, left)):
            axis.scatter(hours[chosen], values[chosen], zorder=2, **style)
        axis.set_ylabel(label)
        for side in ("top", "right"):
            axis.spines[side].set_visible(False)
        if np.isfinite(values).any():
            axis.set_ylim(near(values))
    axes[-1].set_xlabel(f"hours after {time.min().isot[:16].replace('T', ' ')} UTC")
    if not keep.all():
        axes[0].legend(frameon=False, loc="best", fontsize=8)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", metadata={"Software": "appulse"})
    return write_bytes(path, buffer.getvalue(), overwrite)
