"""Every frame onto one sky to a tenth of a pixel: its WCS first, then its own stars.

The stars of a frame are matched with those of the reference frame and an affine map between the two is solved
for; that map goes into CRPIX and CD of the frame's WCS, so that what follows needs nothing but a WCS. Field
rotation, flipped halves and other scales are in the WCS already.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

from appulse.errors import InputError
from appulse.frames import pixel_to_sky, sky_to_pixel
from appulse.numerics import mad_sigma
from appulse.registration.star_matching import match_frame

MIN_AFFINE = 8
"""Stars from which on more than a shift is solved for."""
CLIP = 3.5
MIN_SHIFT = 3
ROUNDS = 2
_KEPT = ("n_stars", "rms_px", "shift_px", "flux_ratio", "ratio_sigma")


def fit_affine(measured, predicted, sigma):
    """predicted = matrix @ measured + shift, by weighted least squares with outliers left out."""
    middle = measured.mean(axis=0)
    centred = measured - middle
    free = len(measured) >= MIN_AFFINE
    design = np.column_stack([np.ones(len(measured)), centred]) if free else np.ones((len(measured), 1))
    offset = predicted - measured
    used = np.ones(len(measured), dtype=bool)
    weight = 1.0 / np.hypot(sigma, 0.02)
    for _ in range(8):
        solution = np.linalg.lstsq(
            design[used] * weight[used, None], offset[used] * weight[used, None], rcond=None
        )[0]
        left = offset - design @ solution
        scatter = np.hypot(sigma, max(mad_sigma(left[used].ravel()), 0.005))
        again = np.abs(left).max(axis=1) < CLIP * scatter
        if again.sum() < (MIN_AFFINE if free else 2) or np.array_equal(again, used):
            break
        used = again
    matrix = np.eye(2)
    if free:
        matrix = matrix + solution[1:].T
    return matrix, solution[0] + middle - matrix @ middle, used


def folded(wcs, matrix, shift):
    """A WCS whose pixel p sees what the given one sees at ``matrix @ p + shift``."""
    # The map goes into CRPIX and CD, exactly for a WCS without distortion; with one, SIP and TPV see pixels
    # moved by the correction itself, which a second round takes up.
    crpix = np.linalg.solve(matrix, np.asarray(wcs.wcs.crpix, dtype=float) - 1.0 - shift) + 1.0
    return _with(wcs, crpix, (wcs.wcs.cd if wcs.wcs.has_cd() else wcs.wcs.get_pc()) @ matrix)


def pinned(wcs) -> dict:
    """What a refinement changes of a WCS, as plain numbers."""
    name, matrix = ("cd", wcs.wcs.cd) if wcs.wcs.has_cd() else ("pc", wcs.wcs.get_pc())
    return {"crpix": [float(v) for v in wcs.wcs.crpix], name: [[float(v) for v in row] for row in matrix]}


def wcs_pinned(wcs, kept):
    """A WCS with reference pixel and matrix as :func:`pinned` has them."""
    name = "cd" if wcs.wcs.has_cd() else "pc"
    if name not in kept:
        raise InputError("recipe: the pinned WCS does not fit the frame's own; run without the recipe")
    return _with(wcs, np.array(kept["crpix"], dtype=float), np.array(kept[name], dtype=float))


def _with(wcs, crpix, matrix):
    new = wcs.deepcopy()
    new.wcs.crpix = crpix
    if wcs.wcs.has_cd():
        new.wcs.cd = matrix
    else:
        new.wcs.pc = matrix
    if new.sip is not None:
        from astropy.wcs import Sip

        new.sip = Sip(wcs.sip.a, wcs.sip.b, wcs.sip.ap, wcs.sip.bp, new.wcs.crpix)
    new.wcs.set()
    return new


@dataclass(frozen=True)
class StarList:
    """Fitted stars of one frame."""

    # x, y, flux, snr, sigma: (n,) arrays; zero-based px, stored units, pure number, px (of the place, both
    # axes together).
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    snr: np.ndarray
    sigma: np.ndarray
    # (m, 2) array; all sources found, brightest first, px.
    sources: np.ndarray
    # fwhm, ellipticity: px and 1 - minor/major of the PSF at the centre.
    fwhm: float
    ellipticity: float
    # sky, sky_sigma: typical level and scatter, stored units.
    sky: float
    sky_sigma: float
    # sky_level, sky_noise: (my, mx) arrays; the mesh.
    sky_level: np.ndarray
    sky_noise: np.ndarray
    # Its step, px.
    box: int
    # All that were found.
    n_sources: int = 0
    notes: tuple = ()


@dataclass(frozen=True)
class Alignment:
    """How one frame lies on the reference.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Refined.
    n_stars : int
        That the refinement rests on; 0 where the frame's own WCS was left as it is.
    rms_px : float or None
        Of the stars' places about the reference's, per axis, in the frame's pixels, after the refinement.
    shift_px : float
        Length of the correction at the frame's middle.
    flux_ratio : float or None
        Reference over frame, median of the matched stars.
    ratio_sigma : float or None
    notes : tuple of str
    """

    wcs: object
    n_stars: int = 0
    rms_px: float | None = None
    shift_px: float = 0.0
    flux_ratio: float | None = None
    ratio_sigma: float | None = None
    notes: tuple = field(default_factory=tuple)

    def plain(self) -> dict:
        """As a recipe keeps it: with it the frame lies as it lay, to the last digit."""
        kept = {name: getattr(self, name) for name in _KEPT}
        return {"wcs": pinned(self.wcs), **kept}

    @classmethod
    def from_plain(cls, wcs, kept) -> "Alignment":
        """Back from a recipe, with the frame's own WCS."""
        return cls(wcs_pinned(wcs, kept["wcs"]), **{name: kept[name] for name in _KEPT})


def align(wcs, shape, stars: StarList, reference_wcs, reference: StarList) -> Alignment:
    """Refine a frame's WCS until its stars fall on the reference's.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
        Of the frame.
    shape : (int, int)
    stars : StarList
    reference_wcs : astropy.wcs.WCS
    reference : StarList

    Returns
    -------
    Alignment
        Unchanged, with the reason in its notes, where too few stars agree.
    """
    ra, dec = pixel_to_sky(reference_wcs, reference.x, reference.y)
    found = _refined(wcs, shape, stars, ra, dec, reference.sigma)
    if found is None:
        reason = "its stars could not be matched to the reference frame: its own WCS is used"
        return Alignment(wcs, notes=(reason,))
    refined, star, source, rms = found
    middle = np.array([[(shape[1] - 1) / 2, (shape[0] - 1) / 2]])
    moved = np.stack(sky_to_pixel(wcs, *pixel_to_sky(refined, *middle.T)), axis=1) - middle
    ratio, ratio_sigma = _flux_ratio(reference, stars, star, source)
    return Alignment(refined, len(star), rms, float(np.hypot(*moved[0])), ratio, ratio_sigma)


def tie_to_sky(wcs, shape, stars: StarList, ra, dec, sigma_px) -> Alignment:
    """Refine a frame's WCS until its stars fall on a catalogue's.

    Parameters
    ----------
    wcs : astropy.wcs.WCS
    shape : (int, int)
    stars : StarList
    ra, dec : (n,) arrays, ICRF degrees
        At the time of the frame, brightest first.
    sigma_px : (n,) array
        Their errors.

    Returns
    -------
    Alignment
        Unchanged, with the reason in its notes, where too few stars agree.
    """
    found = _refined(wcs, shape, stars, ra, dec, sigma_px)
    if found is None:
        return Alignment(
            wcs, notes=("too few stars of the catalogue are recognised: its own WCS is used",)
        )
    refined, star, _, rms = found
    return Alignment(refined, len(star), rms)


def _refined(wcs, shape, stars, ra, dec, sigma_px):
    """The WCS that puts known places where the stars are, the pairs it rests on, and their RMS; or None."""
    measured = np.column_stack([stars.x, stars.y])
    found = _pairs(wcs, shape, stars, ra, dec, measured)
    if found is None:
        return None
    star, source = found
    sigma = np.hypot(sigma_px[star], stars.sigma[source])
    refined = wcs
    # A second round: a distortion sees the pixels that the first one moved.
    for _ in range(ROUNDS):
        predicted = np.stack(sky_to_pixel(refined, ra[star], dec[star]), axis=1)
        matrix, shift, used = fit_affine(measured[source], predicted, sigma)
        refined = folded(refined, matrix, shift)
    left = np.stack(sky_to_pixel(refined, ra[star], dec[star]), axis=1) - measured[source]
    return refined, star[used], source[used], float(np.sqrt(np.mean(left[used] ** 2)))


def _pairs(wcs, shape, stars, ra, dec, measured):
    """Indices of reference stars and of this frame's, or None."""
    predicted = np.stack(sky_to_pixel(wcs, ra, dec), axis=1)
    ny, nx = shape
    seen = np.isfinite(predicted).all(axis=1)
    seen &= (predicted > -50).all(axis=1) & (predicted < [nx + 50, ny + 50]).all(axis=1)
    here = np.flatnonzero(seen)
    if len(here) < MIN_SHIFT or len(measured) < MIN_SHIFT:
        return None
    scale = np.sqrt(abs(np.linalg.det(wcs.pixel_scale_matrix))) * 3600.0
    found = match_frame(predicted[here], stars.sources, shape, scale, stars.fwhm)
    if found is None:
        return None
    shown = found.apply(predicted[here])
    # The match is of quick places; the careful ones may lie as much again beside them.
    distance, index = cKDTree(measured).query(shown, distance_upper_bound=max(3.0, 1.4 * stars.fwhm))
    good = np.isfinite(distance)
    star, source = here[good], index[good]
    _, first = np.unique(source, return_index=True)
    return (star[first], source[first]) if len(first) >= MIN_SHIFT else None


def _flux_ratio(reference, stars, star, source):
    """Reference over frame, from stars with good light in both."""
    good = (reference.snr[star] > 20) & (stars.snr[source] > 20)
    if good.sum() < MIN_SHIFT:
        return None, None
    ratio = reference.flux[star][good] / stars.flux[source][good]
    return float(np.median(ratio)), float(1.25 * mad_sigma(ratio) / np.sqrt(good.sum()))
