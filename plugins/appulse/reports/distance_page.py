"""The distance of a body as a page for a school class: pictures, triangle, sum, and how sure it is."""

import base64
from html import escape
from importlib import resources
from string import Template

from appulse.constants import ARCSEC_PER_RAD, AU_KM
from appulse.reports.parallax_sketch import parallax_picture, triangle_svg

_PARTS = {
    "places": "how well the body's image can be placed", "plates": "how well the stars tie each picture down",
    "clocks": "how well the clocks agree", "air": "what the air does to a body's colour",
}  # fmt: skip
MOON_KM = 384_400


def distance_page(found, pair=None) -> str:
    """HTML of a :class:`~appulse.workflows.TogetherFit`; every word from outside is escaped."""
    from appulse.reports.pair_picture import blink_gif, pair_picture

    fit = found.fit
    pictures = _pictures(pair, pair_picture, blink_gif) if pair is not None else ""
    body = [pictures, _triangle(fit), _sure(found)]
    body.append(
        "<section><h2>What each place left over</h2>"
        "<figure><img alt='triangle and residuals' "
        f"src='{_uri(parallax_picture(found), 'png')}'></figure></section>"
    )
    template = resources.files("appulse.reports").joinpath("templates", "evidence.html")
    return Template(template.read_text(encoding="utf-8")).substitute(
        title="How far is it?",
        subtitle=escape(
            f"{len(found.sightings)} places from {len(fit.sites)} site{'s' * (len(fit.sites) != 1)}, "
            f"{fit.epoch.utc.isot[:10]}"
        ),
        verdict=escape(" ".join(found.sentences)),
        body="\n".join(body),
    )


def _uri(data: bytes, kind: str) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def _pictures(pair, side_by_side, blink) -> str:
    a, b = (escape(name) for name in pair.names)
    return (
        "<section><h2>Two pictures of one piece of sky</h2>"
        f"<p>{a} and {b} photographed the same stars at almost the same time. Laid on top of each other "
        "star by "
        "star, everything stays where it is but one point of light: it is so near that the two places on "
        "the Earth "
        "see it in two directions. Hold up a thumb and look at it with one eye, then with the other: it "
        "jumps "
        "against what is behind it. That jump is called parallax.</p>"
        f"<figure><img alt='both pictures in turn' src='{_uri(blink(pair), 'gif')}'>"
        "<figcaption>The two pictures in turn.</figcaption></figure>"
        f"<figure><img alt='both pictures side by side' src='{_uri(side_by_side(pair), 'png')}'>"
        "<figcaption>Ringed: the body as each place sees it (dotted: as the other does). The dotted line "
        "is what it "
        f"moved in between, the yellow one the parallax, {pair.parallax_arcsec:.1f} "
        "arcsec.</figcaption></figure>"
        "</section>"
    )


def _triangle(fit) -> str:
    base = f"{fit.baseline_km:,.0f}".replace(",", " ")
    angle = f"{fit.parallax_arcsec:.2f}"
    drawn = f"<section><h2>The triangle</h2><figure>{triangle_svg(fit)}</figure>"
    if not fit.is_measured:
        return (
            f"{drawn}<p>The two lines of sight are {base} km apart, and the angle between them is {angle} ± "
            f"{fit.sigma_parallax_arcsec:.2f} arcsec: too little to name a distance. The body is farther "
            "than "
            f"{fit.range_au(2.0)[0]:.3g} au.</p></section>"
        )
    far = fit.distance_au * AU_KM
    per = ARCSEC_PER_RAD
    return (
        f"{drawn}<p>The short side is known: seen from the body, the two places are <b>{base} km</b> "
        "apart. The small "
        f"angle is measured: <b>{angle} arcsec</b>. One arcsec is as small as a coin of 2 cm seen from 4 "
        "km.</p>"
        "<p>In so narrow a triangle the far corner lies at the short side divided by the angle, where "
        "the angle is "
        f"counted in radians (one radian has {per:.0f} arcsec):</p>"
        f"<p><b>distance = {base} km × {per:.0f} ÷ {angle} = {far / 1e6:.4g} million km</b></p>"
        f"<p>That is {far / MOON_KM:.3g} times as far as the Moon, and {fit.distance_au:.4g} times as "
        "far as the Sun. "
        "The program does the same sum with all places at once, each at its own moment, while the body "
        "and the "
        "Earth move on.</p></section>"
    )


def _sure(found) -> str:
    fit = found.fit
    total = sum(value**2 for value in fit.budget.values()) or 1.0
    rows = "".join(
        f"<tr><td class='words'>{escape(_PARTS.get(part, part))}</td><td>{100 * value**2 / total:.0f} "
        "%</td></tr>"
        for part, value in fit.budget.items()
    )
    near, far = fit.range_au(2.0)
    n = fit.decimals
    upper = f"{far:.{n}f} au" if far < float("inf") else "any distance"
    orbit = ""
    if found.predicted_au == found.predicted_au:
        orbit = (
            f"<p>The orbit, which was not used, has it at {found.predicted_au:.5g} au: a check that "
            "knows nothing "
            "of this measurement.</p>"
        )
    return (
        "<section><h2>How sure is it?</h2>"
        f"<p>In 95 of 100 such measurements the true distance lies between {near:.{n}f} au and {upper}. Of "
        "the doubt "
        "that is left, these are the shares:</p><div class='wide'><table><tr><th "
        "class='words'>part</th><th>share</th>"
        f"</tr>{rows}</table></div>{orbit}</section>"
    )
