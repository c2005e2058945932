"""A pass's least separation over the Earth: a plain map of longitude and latitude, PNG or SVG."""

import json
from importlib import resources
from io import BytesIO

import numpy as np


def coastlines() -> list[np.ndarray]:
    """Lines (n, 2) of longitude and latitude, degrees (Natural Earth 1:110m, public domain)."""
    text = resources.files("appulse.data").joinpath("coastlines.json").read_text("utf-8")
    lines = (np.array(line, float) for line in json.loads(text)["lines"])
    # A line that goes on at the other edge of the map is two.
    broken = (np.split(line, np.flatnonzero(np.abs(np.diff(line[:, 0])) > 90) + 1) for line in lines)
    return [part for parts in broken for part in parts if len(part) > 1]


def earth_map_picture(earth, kind: str = "png", places=()) -> bytes:
    """PNG or SVG of an :class:`~appulse.encounters.EarthMap`.

    `places` are (name, longitude, latitude) of sites that may be shown.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    values, unit = earth.separation_arcsec, "arcsec"
    if np.min(values) > 200:
        values, unit = values / 60.0, "arcmin"
    figure = Figure(figsize=(11, 6.3), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    shown = axes.contourf(earth.lon_deg, earth.lat_deg, values, levels=12, cmap="cividis_r", alpha=0.85)
    look = {"levels": shown.levels, "colors": "0.2", "linewidths": 0.6}
    lines = axes.contour(earth.lon_deg, earth.lat_deg, values, **look)
    axes.clabel(lines, fontsize=8, fmt=lambda value: f"{value:g}")
    hidden = np.where(earth.in_view, np.nan, 1.0)
    axes.contourf(
        earth.lon_deg, earth.lat_deg, np.nan_to_num(hidden), levels=[0.5, 1.5], colors="white", alpha=0.45,
        hatches=["///"],
    )  # fmt: skip
    rim_words = ""
    if np.isfinite(earth.outline_arcsec):
        rim = earth.outline_arcsec / (60.0 if unit == "arcmin" else 1.0)
        if values.min() < rim < values.max():
            axes.contour(earth.lon_deg, earth.lat_deg, values, levels=[rim], colors="#d55e00", linewidths=2)
            rim_words = "; orange: the rim of the object's mean circle"
    for line in coastlines():
        axes.plot(*line.T, color="black", lw=0.7, alpha=0.8)
    for name, lon, lat in places:
        axes.plot(lon, lat, "o", ms=5, mfc="#d55e00", mec="white")
        axes.annotate(name, (lon, lat), (5, 5), textcoords="offset points", fontsize=9)
    figure.colorbar(shown, ax=axes, shrink=0.8, label=f"least separation from the centre, {unit}")
    axes.set(xlim=(-180, 180), ylim=(-88, 88), xticks=range(-180, 181, 30), yticks=range(-60, 61, 30))
    axes.grid(color="0.5", lw=0.4, alpha=0.6)
    axes.set_xlabel("longitude, degrees east")
    axes.set_ylabel("latitude, degrees")
    axes.set_title(
        f"{earth.title}, {earth.time.utc.isot[:16].replace('T', ' ')} UTC, {earth.delta_au:.4g} au away\n"
        f"hatched: body below the horizon, or no dark sky, at that moment{rim_words}",
        fontsize=10,
    )
    buffer = BytesIO()
    # No date in an SVG: the same pass gives the same file.
    more = {"metadata": {"Date": None}} if kind == "svg" else {"dpi": 130}
    figure.savefig(buffer, format=kind, **more)
    return buffer.getvalue()
