"""A small invented night: eight frames of one field, turned, shifted, one body moving."""

from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits
from astropy.time import Time, TimeDelta

from appulse.astrometry.psf import PSF, pixel_image
from appulse.registration.alignment import folded
from appulse.sequence.body_places import BodyPlace
from appulse.sequence.sky_grid import tangent_grid

RA, DEC, SCALE = 246.42, -24.16, 3.0
SHAPE = (300, 360)
FWHM_PX, SKY, GAIN = 2.6, 400.0, 2.0
BODY_FLUX = 6000.0
START = Time("2027-05-04T20:00:00", scale="utc")


def add_source(image, x, y, flux, psf):
    """Add a pixel-integrated point of light."""
    reach = int(np.ceil(5 * psf.fwhm))
    i, j = round(float(x)), round(float(y))
    ny, nx = image.shape
    x0, x1, y0, y1 = max(i - reach, 0), min(i + reach + 1, nx), max(j - reach, 0), min(j + reach + 1, ny)
    if x0 < x1 and y0 < y1:
        rows, columns = np.mgrid[y0:y1, x0:x1]
        value, _, _ = pixel_image(psf, float(x), float(y), columns.ravel(), rows.ravel())
        image[y0:y1, x0:x1] += (flux * value).reshape(rows.shape)


def body_at(index):
    """Place of the body in a frame: it moves by 9 px westward from frame to frame."""
    return RA + 0.03 - index * 9 * SCALE / 3600.0 / np.cos(np.radians(DEC)), DEC + 0.01


def invented_stars():
    """RA, Dec, flux."""
    random = np.random.default_rng(3)
    ra = RA + random.uniform(-0.2, 0.2, 150) / np.cos(np.radians(DEC))
    return ra, DEC + random.uniform(-0.2, 0.2, 150), 2500.0 * (1 + random.pareto(1.0, 150)).clip(1, 30)


def write_frame(path, index, *, turn=0.0, cloud=1.0, tilt_rad=0.001, shape=SHAPE, body=True):
    """One frame, with a WCS that is off by a pixel or two."""
    random = np.random.default_rng(100 + index)
    truth = tangent_grid(RA, DEC, SCALE, turn, shape)
    image = np.full(shape, SKY)
    psf = PSF.round(FWHM_PX)
    ra, dec, flux = invented_stars()
    for x, y, f in zip(*truth.to_pixel(ra, dec), flux * cloud, strict=True):
        add_source(image, x, y, f, psf)
    if body:
        add_source(image, *truth.to_pixel(*body_at(index)), BODY_FLUX * cloud, psf)
    image += random.normal(size=shape) * np.sqrt(image / GAIN)
    matrix = np.array([[1.0, tilt_rad], [-tilt_rad, 1.0]])
    header = folded(truth.wcs, matrix, random.normal(0, 1.0, 2)).to_header()
    begin = START + TimeDelta(index * 600.0, format="sec")
    header["DATE-BEG"], header["EXPTIME"], header["EGAIN"] = begin.isot, 60.0, GAIN
    header["OBSGEO-L"], header["OBSGEO-B"], header["OBSGEO-H"] = 20.5, -23.0, 1250.0
    fits.writeto(path, image.astype(np.float32), header, overwrite=True)
    ra, dec = (float(v) for v in body_at(index))
    mid = (begin + TimeDelta(30.0, format="sec")).isot
    return truth, BodyPlace(mid, ra, dec, ((ra, dec), (ra - 1e-5, dec)), 162.0, 270.0, 12.0)


@pytest.fixture(scope="session")
def invented_night(tmp_path_factory):
    """Eight frames; the last three upside down, as after the meridian."""
    folder = tmp_path_factory.mktemp("night")
    paths, truths, places = [], [], []
    for index in range(8):
        path = folder / f"n{index}.fits"
        truth, place = write_frame(path, index, turn=3.0 * index + (180.0 if index > 4 else 0.0))
        paths.append(path)
        truths.append(truth)
        places.append(place)
    return SimpleNamespace(folder=folder, paths=paths, truths=truths, places=places)
