"""Invented frames to try things on: (7) Iris among the bundled stars by IC 4603, in the night 2027-05-04/05.

The body lies where the bundled orbit puts it, the stars where the bundled catalogue has them, so what is
measured must come out as nothing within its errors. Nothing is read from outside the package.
"""

from pathlib import Path

BODY = "7"
SITE_NAME, SITE = "invented example site", (20.5, -23.0, 1250.0)
"""East longitude and latitude, degrees, height, m: of the examples throughout, and of nobody."""
BEGIN_UTC = "2027-05-04T22:30:00"
SPACING_MIN = 40.0
EXPOSURE_S = 60.0
SHAPE = (240, 320)
PIXEL_ARCSEC = 12.0
"""So coarse that a small frame holds stars enough of the bundled catalogue, a dozen a square degree."""
FWHM_PX = 2.6
SKY_ADU, PEDESTAL_ADU, GAIN_E_ADU, READ_NOISE_E, FULL_ADU = 300.0, 100.0, 1.5, 4.0, 60_000.0
ZERO_MAG = 20.5
"""Magnitude of a star that gives one ADU in the whole exposure."""


def example_frame(number: int = 1):
    """An invented frame: bundled stars, (7) Iris, sky and noise, with time, site and camera.

    Parameters
    ----------
    number : int
        Which frame of the night, from 1; they follow each other every 40 minutes.

    Returns
    -------
    SolvedFrame
        240 rows of 320 pixels of 12 arcsec, 60 s, seen from an invented site.

    Raises
    ------
    InputError
        If the number is below 1.

    Examples
    --------
    >>> import appulse
    >>> frame = appulse.example_frame()
    >>> frame.shape, round(frame.pixel_scale, 3), frame.exposure.mid.isot
    ((240, 320), 12.0, '2027-05-04T22:30:00.000')
    """
    from astropy.time import Time

    from appulse.frames import Camera, Exposure, SolvedFrame, Valued

    pixels, header = _drawn(number)
    exposure = Exposure.from_mid(Time(header["DATE-AVG"], scale="utc"), EXPOSURE_S)
    camera = Camera(
        Valued(GAIN_E_ADU, "EGAIN"), Valued(READ_NOISE_E, "RDNOISE"), Valued(FULL_ADU, "SATURATE")
    )
    more = {"header": header, "label": f"example_{number}"}
    return SolvedFrame.from_arrays(pixels.astype(float), header, exposure, _site(), camera, **more)


def example_night(folder, count: int = 3) -> list[Path]:
    """Write the first invented frames of the night as FITS files.

    Parameters
    ----------
    folder : path
        Made where it does not exist.
    count : int

    Returns
    -------
    list of Path

    Raises
    ------
    OutputExistsError
        If a file of that name exists: it is kept.

    Examples
    --------
    >>> import tempfile, appulse
    >>> paths = appulse.example_night(tempfile.mkdtemp(), 2)
    >>> [path.name for path in paths], appulse.read_frame(paths[0]).exposure.mid.isot
    (['example_1.fits', 'example_2.fits'], '2027-05-04T22:30:00.000')
    """
    from astropy.io import fits

    from appulse.formats import check_free, replacing

    paths = [Path(folder) / f"example_{number}.fits" for number in range(1, count + 1)]
    check_free(paths)
    for number, path in enumerate(paths, 1):
        pixels, header = _drawn(number)
        with replacing(path) as temporary:
            fits.PrimaryHDU(pixels, header).writeto(temporary)
    return paths


def _site():
    from appulse.observers import Site

    return Site.from_geodetic(*SITE, name=SITE_NAME)


def _drawn(number: int):
    """Pixels (16 bits) and header of a frame of the night."""
    import numpy as np
    from astropy.time import Time, TimeDelta
    from astropy.wcs import WCS

    from appulse.bodies import predict, starter_orbits
    from appulse.catalogues import bundled_stars
    from appulse.errors import InputError

    if number < 1:
        raise InputError(f"frame {number} of the example: they are counted from 1")
    orbit, site = starter_orbits(own=False).select(BODY), _site()
    first = Time(BEGIN_UTC, scale="utc")
    middle = first + TimeDelta((number - 1) * SPACING_MIN * 60.0, format="sec")
    start, row = predict([orbit], first, site)[0], predict([orbit], middle, site)[0]
    ny, nx = SHAPE
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.cdelt = ["RA---TAN", "DEC--TAN"], [-PIXEL_ARCSEC / 3600, PIXEL_ARCSEC / 3600]
    # The pointing stays that of the first frame: the body moves over the stars, as in a night.
    wcs.wcs.crval = [round(float(start["ra"].value), 2), round(float(start["dec"].value), 2)]
    wcs.wcs.crpix = [nx / 2 + 0.5, ny / 2 + 0.5]
    stars = bundled_stars(*wcs.wcs.crval, 0.75).at_epoch(middle)
    ra = np.append(np.asarray(stars["ra"].value), float(row["ra"].value))
    dec = np.append(np.asarray(stars["dec"].value), float(row["dec"].value))
    mag = np.append(np.asarray(stars["g"].value), float(row["mag"].value))
    sky_adu = np.full(SHAPE, SKY_ADU)
    y, x = np.mgrid[:ny, :nx]
    sigma = FWHM_PX / 2.3548
    for x_star, y_star, magnitude in zip(*wcs.wcs_world2pix(ra, dec, 0), mag, strict=True):
        total = 10 ** (-0.4 * (magnitude - ZERO_MAG))
        spot = np.exp(-0.5 * ((x - x_star) ** 2 + (y - y_star) ** 2) / sigma**2)
        sky_adu += total * spot / (2 * np.pi * sigma**2)
    rng = np.random.default_rng(number)
    electrons = rng.poisson(sky_adu * GAIN_E_ADU) + rng.normal(0.0, READ_NOISE_E, SHAPE)
    adu = np.clip(np.round(electrons / GAIN_E_ADU + PEDESTAL_ADU), 0, FULL_ADU).astype(np.uint16)
    return adu, _header(wcs, middle)


def _header(wcs, middle):
    from astropy.time import TimeDelta

    header = wcs.to_header()
    half = TimeDelta(EXPOSURE_S / 2, format="sec")
    header["DATE-BEG"], header["DATE-AVG"] = (middle - half).isot, middle.isot
    header["DATE-END"], header["TIMESYS"] = (middle + half).isot, "UTC"
    header["EXPTIME"], header["TELESCOP"] = EXPOSURE_S, "invented"
    header["EGAIN"], header["RDNOISE"], header["SATURATE"] = GAIN_E_ADU, READ_NOISE_E, FULL_ADU
    header["OBSERVAT"] = SITE_NAME
    header["SITELONG"], header["SITELAT"], header["SITEELEV"] = SITE
    header["COMMENT"] = "Invented frame: an example, not an observation."
    return header
