"""Where a first orbit's sample puts the body in the nights to come, as a map of the sky."""

from io import BytesIO

import numpy as np

# From early to late, of one lightness ramp that survives grey print.
_EARLY, _LATE = np.array([0.95, 0.62, 0.20]), np.array([0.10, 0.25, 0.50])
MOST_NIGHTS = 8


def ellipse_of(cloud) -> np.ndarray:
    """Ring on the sky, (n, 2) degrees, along the cloud's own axes, that holds 95% of its dots."""
    from appulse.numerics import SkyPlane

    # in the cloud's own plane: north turns across a long chart
    plane, pa = SkyPlane(*cloud.centre), np.radians(cloud.pa_deg)
    axes = np.array([[np.sin(pa), np.cos(pa)], [np.cos(pa), -np.sin(pa)]])
    halves = np.radians(np.array([cloud.length_arcmin, cloud.width_arcmin]) / 120)
    if not (halves > 0).all():
        return np.array([cloud.centre])
    dots = plane.from_sky(np.column_stack([cloud.ra_deg, cloud.dec_deg])) @ axes.T / halves
    turn = np.linspace(0, 2 * np.pi, 181)
    ring = np.quantile(np.hypot(*dots.T), 0.95) * halves * np.column_stack([np.cos(turn), np.sin(turn)])
    return plane.to_sky(ring @ axes)


def cloud_picture(found) -> bytes:
    """PNG of a :class:`~appulse.workflows.FoundOrbit`: a cloud and a region each night."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.patches import Polygon, Rectangle

    from appulse.numerics import SkyPlane

    picks = np.unique(np.linspace(0, len(found.clouds) - 1, MOST_NIGHTS).round().astype(int))
    clouds = [found.clouds[k] for k in picks]
    middle = clouds[len(clouds) // 2].centre
    plane = SkyPlane(*middle)

    def flat(ra, dec):
        return np.degrees(plane.from_sky(np.column_stack([np.atleast_1d(ra), np.atleast_1d(dec)])))

    figure = Figure(figsize=(9, 7), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    for k, cloud in enumerate(clouds):
        share = k / max(len(clouds) - 1, 1)
        colour = (1 - share) * _EARLY + share * _LATE
        points = flat(cloud.ra_deg, cloud.dec_deg)
        axes.scatter(*points.T, s=5, color=colour, alpha=0.5, linewidths=0)
        at = flat(*cloud.centre)[0]
        axes.add_patch(Polygon(flat(*ellipse_of(cloud).T), closed=True, fill=False, ec=colour, lw=1.2))
        pa = np.radians(cloud.pa_deg)
        # across the cloud, on its upper side: east is to the left
        aside = 13 * np.array([np.cos(pa), np.sin(pa)]) * (1 if np.sin(pa) >= 0 else -1)
        axes.annotate(
            cloud.time.utc.isot[5:10], at, aside, textcoords="offset points", fontsize=9, color=colour,
            ha="left" if aside[0] >= 0 else "right", va="center",
        )  # fmt: skip
        for ra, dec, _share in cloud.pointings if found.field_arcmin and k == 0 else ():
            width, height = (size / 60 for size in found.field_arcmin)
            corner = flat(ra, dec)[0] - [width / 2, height / 2]
            axes.add_patch(Rectangle(corner, width, height, fill=False, ec="0.45", lw=0.8, ls=(0, (3, 2))))
    axes.invert_xaxis()
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xlabel(f"east of RA {middle[0]:.3f}, degrees on the sky")
    axes.set_ylabel(f"north of Dec {middle[1]:+.3f}, degrees".replace("-", "\u2212"))
    days = found.orbit.span_d
    span = f"{days:.2g} days" if days >= 1 else f"{days * 24:.2g} hours"
    axes.set_title(f"Where {found.body} may be, by places over {span}", fontsize=11)
    axes.margins(0.08)
    axes.text(
        0.01, 0.01, "each dot an orbit that fits; the ellipse holds 95% of them",
        transform=axes.transAxes, fontsize=8, color="0.35",
    )  # fmt: skip
    axes.grid(color="0.9", lw=0.6)
    buffer = BytesIO()
    figure.savefig(buffer, dpi=140)
    return buffer.getvalue()
