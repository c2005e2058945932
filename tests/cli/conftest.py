"""Frames that are wrong, each in one way, cut out of the sample night."""

import pytest
from astropy.io import fits


def _crop(sample_data):
    """A plain FITS image of the middle of the third sample frame."""
    with fits.open(sample_data / "iris_3.fits.fz") as found:
        pixels, header = found["FRAME"].data, found["FRAME"].header
        x0, y0, size = 628, 152, 400
        cut = fits.PrimaryHDU(pixels[y0 : y0 + size, x0 : x0 + size].copy())
        extension_only = {"XTENSION", "PCOUNT", "GCOUNT", "EXTNAME"}
        for card in header.cards:
            if card.keyword not in extension_only | set(cut.header):
                cut.header.append(card)
    cut.header["CRPIX1"] -= x0
    cut.header["CRPIX2"] -= y0
    return cut


def _truncated(folder, hdu):
    whole = folder / "whole.fits"
    hdu.writeto(whole)
    data = whole.read_bytes()
    whole.unlink()
    (folder / "truncated.fits").write_bytes(data[: len(data) // 2])


def _without(*keywords):
    def make(hdu):
        for keyword in keywords:
            del hdu.header[keyword]

    return make


def _strings(hdu):
    for keyword in ("CRVAL1", "CRVAL2"):
        hdu.header[keyword] = str(hdu.header[keyword])


@pytest.fixture(scope="session")
def bad_frames(sample_data, tmp_path_factory):
    """Folder with good.fits and, beside it, a frame for each thing that can be wrong."""
    folder = tmp_path_factory.mktemp("frames")
    _crop(sample_data).writeto(folder / "good.fits")
    _truncated(folder, _crop(sample_data))
    spoilers = {
        "nowcs": _without("CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2", "PC*_*"),
        "strings": _strings,
        "notime": _without("DATE-BEG", "DATE-AVG", "DATE-END", "XPOSURE", "TELAPSE", "SUBEXP", "NCOMBINE"),
        "nosite": _without("OBSGEO-L", "OBSGEO-B", "OBSGEO-H"),
    }
    for name, spoil in spoilers.items():
        hdu = _crop(sample_data)
        spoil(hdu)
        hdu.writeto(folder / f"{name}.fits")
    (folder / "text.fits").write_text("this is no FITS file\n", encoding="utf-8")
    return folder
