"""The README's composite and animation: the sample night over the colours of another, invented, telescope.

    python sample_data/pictures/make_composite.py            writes beside this file

The colour base is drawn here: the same invented stars and nebulae at 6.2 arcsec/px, turned by 24 degrees, in
red, green and blue. Its hues are invented as the nebulae's look is; the motion is not.
"""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS
from scipy import ndimage

HERE = Path(__file__).resolve().parent
SAMPLE = HERE.parent
sys.path.insert(0, str(SAMPLE))

import scenario  # noqa: E402
from sky import Nebulae, invent_stars  # noqa: E402

SCALE_ARCSEC, TURN_DEG, SHAPE = 6.2, 24.0, (1150, 1350)
FWHM_PX = 2.1
GLOW_RGB = (0.62, 0.80, 1.0)
"""Of scattered starlight: bluer than the stars that give it."""
DUST_RGB = (1.0, 0.72, 0.46)
"""What dust lets through."""
COOL_RGB, HOT_RGB = (1.0, 0.74, 0.50), (0.70, 0.84, 1.0)


def colour_wcs() -> WCS:
    """Where the other telescope pointed."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.radesys = ["RA---TAN", "DEC--TAN"], "ICRS"
    wcs.wcs.crval = [scenario.FIELD_RA_DEG + 0.03, scenario.FIELD_DEC_DEG - 0.02]
    wcs.wcs.crpix = [SHAPE[1] / 2 + 0.5, SHAPE[0] / 2 + 0.5]
    angle, scale = np.radians(TURN_DEG), SCALE_ARCSEC / 3600
    wcs.wcs.cd = scale * np.array([[-np.cos(angle), np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    wcs.wcs.set()
    return wcs


def draw_colour(path: Path) -> None:
    """Write the colour base, (3, ny, nx)."""
    random = np.random.RandomState(scenario.SEED)
    nebulae = Nebulae(random)
    stars = invent_stars(random, nebulae)
    wcs, hues = colour_wcs(), np.random.RandomState(77)
    y, x = np.indices(SHAPE, dtype=float)
    u, v = nebulae.wcs.all_world2pix(*wcs.all_pix2world(x, y, 0), 0)
    area = (SCALE_ARCSEC / scenario.SCALE_ARCSEC) ** 2

    def layer(values):
        return ndimage.map_coordinates(values, [v, u], order=1, mode="nearest")

    glow, clear = layer(nebulae.glow), layer(ndimage.gaussian_filter(nebulae.transmission, 3.0))
    planes = np.empty((3, *SHAPE))
    for k in range(3):
        tint = GLOW_RGB[k] * clear + (1 - clear) * DUST_RGB[k]
        planes[k] = area * (1.0 + glow * tint)
    share = hues.beta(1.3, 1.3, len(stars))
    ra, dec = np.asarray(stars["ra"]), np.asarray(stars["dec"])
    behind = nebulae.transmission_at(ra, dec)
    flux = 10 ** (0.4 * (scenario.ZERO_POINT_E_S - np.asarray(stars["phot_g_mean_mag"])))
    points = np.zeros_like(planes)
    for sx, sy, f, s, b in zip(*wcs.all_world2pix(ra, dec, 0), flux, share, behind, strict=True):
        i, j = round(float(sx)), round(float(sy))
        if not (8 <= i < SHAPE[1] - 8 and 8 <= j < SHAPE[0] - 8):
            continue
        rows, columns = np.mgrid[j - 8 : j + 9, i - 8 : i + 9]
        spot = np.exp(-4 * np.log(2) * ((columns - sx) ** 2 + (rows - sy) ** 2) / FWHM_PX**2)
        for k in range(3):
            hue = (COOL_RGB[k] * s + HOT_RGB[k] * (1 - s)) * (b + (1 - b) * DUST_RGB[k])
            points[k, j - 8 : j + 9, i - 8 : i + 9] += f * hue * spot / spot.sum()
    seconds = 1800.0
    model = seconds * (planes + points)
    noisy = model + hues.standard_normal(model.shape) * np.sqrt(model)
    fits.PrimaryHDU(noisy.astype(np.float32), wcs.to_header()).writeto(path, overwrite=True)


def main() -> None:
    """Draw the base, run the sequence, keep the small pictures."""
    from appulse.cli.main import main as appulse

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to (beside this file)")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        draw_colour(folder / "colour.fits")
        words = ["picture", *(str(path) for path in sorted(SAMPLE.glob("iris_*.fits.fz")))]
        words += [
            "--body",
            "7",
            "--orbits",
            str(SAMPLE / "orbit.ecsv"),
            "--stars",
            str(SAMPLE / "stars.ecsv"),
        ]
        words += [
            "--colour",
            str(folder / "colour.fits"),
            "--north-up",
            "--also",
            "jpeg",
            "--jpeg-size",
            "1300",
        ]
        code = appulse([*words, "--out", str(folder / "wide")])
        near = ["--view", "26", "--gif-size", "430", "--fps", "2"]
        code |= appulse([*words, *near, "--out", str(folder / "near")])
        if code:
            sys.exit(code)
        for source, target in (
            ("wide/composite.jpg", "composite.jpg"),
            ("near/animation.gif", "animation.gif"),
        ):
            shutil.copyfile(folder / source, args.out / target)
            print(args.out / target)


if __name__ == "__main__":
    main()
