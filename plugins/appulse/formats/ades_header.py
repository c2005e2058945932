"""Header of ADES observations: who measured, where and with what, and what was not given."""

from __future__ import annotations

from dataclasses import dataclass

from appulse import __version__

NOT_GIVEN = "not given"
NO_APERTURE = "99999"
"""The standard demands an aperture (above 0, below 100 000 m): one that nobody takes for a telescope's."""
DRAFT_STATION = "XXX"
"""Station of a draft: the file is valid, and nobody can take it for a finished one."""


@dataclass(frozen=True)
class AdesHeader:
    """Who measured, where and with what. Whatever is None is marked as not given in the file.

    Attributes
    ----------
    mpc_code : str or None
        Overrides the code of the frames' site.
    observatory, submitter, institution : str or None
    observers, measurers : tuple of str
    telescope, design, detector : str or None
    aperture_m, f_ratio, pixel_scale : float or None
        Metres; f/D; arcsec per pixel.
    comments : tuple of str
        Lines of at most 100 characters.
    """

    mpc_code: str | None = None
    observatory: str | None = None
    submitter: str | None = None
    institution: str | None = None
    observers: tuple = ()
    measurers: tuple = ()
    telescope: str | None = None
    design: str | None = None
    detector: str | None = None
    aperture_m: float | None = None
    f_ratio: float | None = None
    pixel_scale: float | None = None
    comments: tuple = ()


def header_context(header, station, plate):
    """Header elements of one station's observations, all that the standard demands.

    Parameters
    ----------
    header : AdesHeader
    station : str
    plate : str
        ``taken off`` or ``as solved``: said in a comment.

    Returns
    -------
    list of (str, list of (str, str))

    Examples
    --------
    >>> context = dict(header_context(AdesHeader(submitter="A. Nonym"), "X05", "as solved"))
    >>> context["submitter"], context["telescope"][1]
    ([('name', 'A. Nonym')], ('aperture', '99999'))
    >>> context["comment"][0]
    ('line', 'not given: measurers, telescope design, aperture, detector; complete before use')
    """
    observatory = [("mpcCode", station)]
    if header.observatory:
        observatory.append(("name", _text(header.observatory)))
    submitter = [("name", _text(header.submitter))]
    if header.institution:
        submitter.append(("institution", _text(header.institution)))
    context = [("observatory", observatory), ("submitter", submitter)]
    if header.observers:
        context.append(("observers", [("name", _text(name)) for name in header.observers]))
    measurers = header.measurers or (None,)
    return [
        *context,
        ("measurers", [("name", _text(name)) for name in measurers]),
        ("telescope", _telescope(header)),
        ("software", [("astrometry", f"appulse {__version__}")]),
        ("comment", [("line", _text(line)) for line in _comments(header, station, plate)]),
    ]


def _text(text, most=100):
    """One line without the marks that the format uses itself."""
    return " ".join(str(text).replace("|", "/").split())[:most] if text else NOT_GIVEN


def _number(value):
    return f"{value:.4g}"[:6] if value < 1000 else f"{value:.0f}"


def _telescope(header):
    parts = [
        ("design", _text(header.design, 35)),
        ("aperture", _number(header.aperture_m) if header.aperture_m else NO_APERTURE),
        ("detector", _text(header.detector, 25)),
    ]
    if header.telescope:
        parts.insert(0, ("name", _text(header.telescope)))
    if header.f_ratio:
        parts.append(("fRatio", _number(header.f_ratio)))
    if header.pixel_scale:
        parts.append(("pixelScale", _number(header.pixel_scale)))
    return parts


def _comments(header, station, plate):
    needed = {
        "submitter": header.submitter, "measurers": header.measurers, "telescope design": header.design,
        "aperture": header.aperture_m, "detector": header.detector,
    }  # fmt: skip
    lines = []
    missing = [name for name, value in needed.items() if not value]
    if missing:
        lines.append(f"not given: {', '.join(missing)}; complete before use")
    if station == DRAFT_STATION:
        lines.append("draft: station XXX stands for an observatory code that was not given")
    if plate == "taken off":
        lines.append("places: the stars' own offset is taken off where stars were measured (astCat not UNK)")
    else:
        lines.append("places: by the frames' own plate solutions")
    return lines + list(header.comments)
