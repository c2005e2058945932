"""The evidence sheet as PDF: pages of plots and pictures for those who file paper."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from PIL import Image

from appulse.formats.output import write_bytes
from appulse.reports.evidence import headline, subtitle
from appulse.reports.plots import INK, STYLE, motion_figure, oc_figure, stamp_figure, stars_figure
from appulse.reports.sheet_tables import number

PAGE_INCH = (8.27, 11.69)
LINES_PER_PAGE = 44


def evidence_pdf(path, residuals, *, pictures=None, shapes=None, verdict=None, title=None, overwrite=False):
    """Write an evidence sheet as PDF.

    Parameters
    ----------
    path : path
    residuals, pictures, shapes, verdict, title
        As :func:`appulse.reports.evidence.evidence_html`.
    overwrite : bool

    Returns
    -------
    Path

    Raises
    ------
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_bytes`.
    """
    residuals, buffer = list(residuals), io.BytesIO()
    with matplotlib.rc_context({**matplotlib.rcParamsDefault, **STYLE, "backend": "agg"}):
        about = {"Creator": "appulse", "CreationDate": None, "Title": title or "Evidence"}
        with PdfPages(buffer, metadata=about) as pages:
            for figure in _figures(residuals, pictures or {}, shapes or {}, verdict, title):
                pages.savefig(figure)
    return write_bytes(path, buffer.getvalue(), overwrite)


def _figures(residuals, pictures, shapes, verdict, title):
    seen = [one for one in residuals if one.seen]
    yield from _text_pages(residuals, verdict, title)
    yield from (figure for figure in (oc_figure(seen), motion_figure(seen)) if figure is not None)
    for name in dict.fromkeys(one.frame for one in residuals):
        if name in pictures:
            yield _picture_page(name, pictures[name])
        mine = [one for one in residuals if one.frame == name]
        yield from (figure for figure in map(stamp_figure, mine) if figure is not None)
        plate = next((one.plate for one in mine if one.plate is not None), None)
        if plate is not None and name in shapes:
            figure = stars_figure(plate, shapes[name])
            if figure is not None:
                yield figure


def _page():
    figure = Figure(figsize=PAGE_INCH)
    FigureCanvasAgg(figure)
    return figure


def _text_pages(residuals, verdict, title):
    lines = [*textwrap.wrap(headline(residuals, verdict), 88), "", f"{'O-C, arcsec':<24}{'body':<12}"
             f"{'RA cos Dec':>18}{'Dec':>18}{'S/N':>7}"]  # fmt: skip
    for one in residuals:
        sigma_ra, sigma_dec = one.sigma_sky
        cells = [f"{number(v, 3, True)} \u00b1 {number(s, 3)}" if one.seen else "\u2013"
                 for v, s in ((one.dra_cosdec, sigma_ra), (one.ddec, sigma_dec))]  # fmt: skip
        lines.append(f"{one.frame[:23]:<24}{one.designation[:11]:<12}{cells[0]:>18}{cells[1]:>18}"
                     f"{number(one.snr, 0):>7}")  # fmt: skip
        lines += textwrap.wrap(one.flag, 80, initial_indent="    ", subsequent_indent="    ")
    for first in range(0, len(lines), LINES_PER_PAGE):
        figure = _page()
        top = title or "Observed minus calculated"
        text = {"color": INK, "parse_math": False, "va": "top"}
        figure.text(0.08, 0.95, top, fontsize=14, weight="bold", **text)
        figure.text(0.08, 0.925, subtitle(residuals), fontsize=9, **text)
        page = "\n".join(lines[first : first + LINES_PER_PAGE])
        figure.text(0.08, 0.89, page, fontsize=8.5, family="DejaVu Sans Mono", linespacing=1.5, **text)
        yield figure


def _picture_page(name, picture):
    png = picture if isinstance(picture, bytes) else Path(picture).read_bytes()
    image = np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))
    figure = _page()
    wide = 0.9
    high = min(0.85, wide * image.shape[0] / image.shape[1] * PAGE_INCH[0] / PAGE_INCH[1])
    axes = figure.add_axes((0.05, 0.92 - high, wide, high))
    axes.imshow(image, interpolation="antialiased")
    axes.set_axis_off()
    figure.text(0.05, 0.95, name, fontsize=12, weight="bold", color=INK, parse_math=False)
    return figure
