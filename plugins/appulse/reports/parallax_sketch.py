"""The distance by parallax as a picture: the triangle with its numbers, and what each site leaves over."""

from html import escape
from io import BytesIO

import numpy as np

from appulse.constants import AU_KM

# Okabe & Ito's colour-blind safe set, one for each site in its order.
SITE_COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00")


def parallax_picture(found) -> bytes:
    """PNG of a :class:`~appulse.workflows.TogetherFit`: the triangle of the lines of sight, the residuals."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    fit = found.fit
    figure = Figure(figsize=(11, 5.4), layout="constrained")
    FigureCanvasAgg(figure)
    triangle, left = figure.subplots(1, 2, width_ratios=(1.5, 1))
    _triangle(triangle, fit)
    for site, colour in zip(fit.sites, SITE_COLOURS * len(fit.sites), strict=False):
        values = fit.residuals[[sighting.site == site.name for sighting in found.sightings]]
        left.plot(
            values[:, 0], values[:, 1], "o", ms=5, color=colour, mec="white", mew=0.5,
            label=f"{site.name}: {site.n} places",
        )  # fmt: skip
    left.axhline(0, color="0.7", lw=0.8, zorder=0)
    left.axvline(0, color="0.7", lw=0.8, zorder=0)
    reach = 1.15 * float(np.max(np.abs(fit.residuals), initial=0.05))
    left.set(xlim=(reach, -reach), ylim=(-reach, reach), aspect="equal")
    left.set_xlabel("east, arcsec")
    left.set_ylabel("north, arcsec")
    left.set_title("What is left over after the fit", fontsize=11)
    left.legend(fontsize=8, frameon=False)
    buffer = BytesIO()
    figure.savefig(buffer, dpi=150)
    return buffer.getvalue()


def _triangle(axes, fit) -> None:
    """Two observers, the body, and the angle between their lines of sight; not to scale, and says so."""
    body, low, high = np.array([1.1, 0.5]), np.array([0.175, 0.2835]), np.array([0.175, 0.7165])
    earth = np.linspace(0, 2 * np.pi, 200)
    axes.fill(0.05 + 0.25 * np.cos(earth), 0.5 + 0.25 * np.sin(earth), color="#dce6ee", zorder=0)
    names = [site.name for site in fit.sites]
    for place, name, colour in zip((high, low), (names * 2)[:2], SITE_COLOURS, strict=False):
        axes.plot(*zip(place, body, strict=True), color=colour, lw=1.6)
        axes.plot(*place, "o", ms=8, color=colour)
        axes.annotate(name, place, (0, 12 if place is high else -20), textcoords="offset points", ha="center")
    axes.plot(*zip(low, high, strict=True), color="0.35", lw=1.2, ls=(0, (4, 3)))
    axes.text(
        0.16, 0.5, f"{fit.baseline_km:,.0f} km".replace(",", " "), rotation=90, ha="right", va="center"
    )
    axes.plot(*body, "o", ms=9, color="#333333")
    angle = f"{fit.parallax_arcsec:.2f} ± {fit.sigma_parallax_arcsec:.2f} arcsec"
    axes.annotate(
        angle, body, (0.62, 0.5), textcoords="data", ha="center", va="center", fontsize=11,
        bbox={"fc": "white", "ec": "none", "pad": 2},
    )  # fmt: skip
    if fit.is_measured:
        near, far = fit.range_au(1.0)
        n = fit.decimals
        words = f"{fit.distance_au:.{n}f} au  ({near:.{n}f} to {far:.{n}f} au in 68% of cases)"
    else:
        words = f"farther than {fit.range_au(2.0)[0]:.3g} au (95%)"
    axes.figure.suptitle(f"Distance of the body: {words}", fontsize=12)
    axes.text(0.5, 0.13, "not to scale: the real angle is far smaller", ha="center", color="0.4", fontsize=9)
    axes.set(xlim=(-0.22, 1.15), ylim=(0.1, 0.9), aspect="equal")
    axes.axis("off")


def triangle_svg(fit) -> str:
    """The triangle as SVG for a page; not to scale, and says so."""
    names = [site.name for site in fit.sites]
    above, below = ((names * 2)[:2] if len(names) > 1 else (names[0], f"{names[0]} later"))
    base = f"{fit.baseline_km:,.0f} km".replace(",", " ")
    angle = f"{fit.parallax_arcsec:.2f} ± {fit.sigma_parallax_arcsec:.2f} arcsec"
    if fit.is_measured:
        far = f"{fit.distance_au * AU_KM / 1e6:.4g} million km"
    else:
        far = f"more than {fit.range_au(2.0)[0]:.3g} au"
    lines = "".join(
        f'<line x1="120" y1="{y}" x2="700" y2="130" stroke="{colour}" stroke-width="2.5"/>'
        f'<circle cx="120" cy="{y}" r="6" fill="{colour}"/>'
        for y, colour in zip((60, 200), SITE_COLOURS, strict=False)
    )
    words = "".join(
        f'<text x="{x}" y="{y}" text-anchor="{anchor}" font-size="15" fill="#1f2430">{escape(text)}</text>'
        for x, y, anchor, text in (
            (120, 40, "middle", above), (120, 230, "middle", below), (100, 135, "end", base),
            (560, 105, "middle", angle), (400, 250, "middle", far), (716, 135, "start", "body"),
            (400, 275, "middle", "not to scale: the real triangle is far longer"),
        )
    )  # fmt: skip
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-20 10 840 280" width="100%" '
        'style="max-width:52rem" '
        'role="img" aria-label="triangle of two places on the Earth and the body">'
        '<circle cx="70" cy="130" r="86" fill="#dce6ee"/>'
        '<line x1="120" y1="60" x2="120" y2="200" stroke="#666" stroke-width="1.5" stroke-dasharray="5 4"/>'
        f'{lines}<circle cx="700" cy="130" r="7" fill="#333"/>{words}</svg>'
    )
