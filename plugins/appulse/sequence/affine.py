"""Affine maps between pixels, folded into a WCS, and kept to the last digit."""

import numpy as np

from appulse.errors import InputError
from appulse.numerics.robust import mad_sigma

MIN_AFFINE = 8
"""Stars from which on more than a shift is solved for."""
CLIP = 3.5


def fit_affine(measured, predicted, sigma):
    """predicted = matrix @ measured + shift, by weighted least squares with outliers left out.

    Parameters
    ----------
    measured, predicted : (n, 2) arrays, px
    sigma : (n,) array, px

    Returns
    -------
    matrix : (2, 2) array
        The unit matrix where fewer than eight stars allow no more than a shift.
    shift : (2,) array
    used : (n,) bool array

    Examples
    --------
    >>> places = np.random.default_rng(2).uniform(0, 500, (30, 2))
    >>> moved = places @ [[1.0, 1e-3], [-1e-3, 1.0]] + 2.0
    >>> matrix, shift, used = fit_affine(places, moved, np.full(30, 0.02))
    >>> matrix.round(4).tolist(), shift.round(3).tolist(), int(used.sum())
    ([[1.0, -0.001], [0.001, 1.0]], [2.0, 2.0], 30)
    """
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
    """A WCS whose pixel p sees what the given one sees at ``matrix @ p + shift``.

    The map goes into CRPIX and CD, exactly for a WCS without distortion; with one, SIP and TPV see pixels
    moved by the correction itself, which a second round takes up.

    Examples
    --------
    >>> from appulse.sequence.grid import tangent_grid
    >>> wcs = tangent_grid(246.4, -24.2, 3.6, 10.0, (100, 100)).wcs
    >>> moved = folded(wcs, np.array([[1.001, 0.002], [-0.002, 1.0]]), np.array([3.0, -1.0]))
    >>> one, two = moved.all_pix2world(20.0, 30.0, 0), wcs.all_pix2world(20.02 + 0.06 + 3.0, 28.96, 0)
    >>> bool(np.allclose(one, two, rtol=0, atol=1e-10))
    True
    """
    crpix = np.linalg.solve(matrix, np.asarray(wcs.wcs.crpix, dtype=float) - 1.0 - shift) + 1.0
    return _with(wcs, crpix, (wcs.wcs.cd if wcs.wcs.has_cd() else wcs.wcs.get_pc()) @ matrix)


def pinned(wcs) -> dict:
    """What a refinement changes of a WCS, as plain numbers.

    Examples
    --------
    >>> from appulse.sequence.grid import tangent_grid
    >>> wcs = tangent_grid(246.4, -24.2, 3.6, 10.0, (100, 100)).wcs
    >>> moved = folded(wcs, np.array([[1.001, 0.002], [-0.002, 1.0]]), np.array([3.0, -1.0]))
    >>> again = wcs_pinned(wcs, pinned(moved))
    >>> bool((again.wcs.crpix == moved.wcs.crpix).all() and (again.wcs.cd == moved.wcs.cd).all())
    True
    """
    name, matrix = ("cd", wcs.wcs.cd) if wcs.wcs.has_cd() else ("pc", wcs.wcs.get_pc())
    return {"crpix": [float(v) for v in wcs.wcs.crpix], name: [[float(v) for v in row] for row in matrix]}


def wcs_pinned(wcs, kept):
    """A WCS with reference pixel and matrix as :func:`pinned` has them.

    Raises
    ------
    InputError
        If the matrix is of the other kind: the WCS is not the one that was refined.
    """
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
