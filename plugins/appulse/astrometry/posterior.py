"""Place of a faint source: the mean of all places that its pixels allow, not the likeliest one alone.

At a signal to noise of ten the likelihood of a place is no Gaussian: its peak scatters by several per cent
more than the mean of the places weighted by their likelihood, which has the least mean square error of all
estimates that move with the source (Pitman 1939, Biometrika 30, 391), and the curvature at the peak promises
too small a sigma. Flux, background and whatever else was fitted are integrated out, as linear parameters.
"""

import numpy as np

from appulse.astrometry.psf import pixel_image

FAINT_SNR = 25.0
"""Above it the peak and the mean differ by less than one part in a thousand of the sigma."""
NODES = 5
STRETCH = 1.2
"""Of the nodes against the sigmas at the peak: the tails are longer than a Gaussian's."""


def faint_place(stamp, psf, trail, place, cov, weight, known, data, prior):
    """Mean and covariance of a place under its likelihood.

    Parameters
    ----------
    stamp : Stamp
    psf : PSF
    trail : Trail
    place : (2,) array
        The likeliest, px.
    cov : (2, 2) array
        From the curvature there, px^2.
    weight : (n,) array
        Inverse sigma of each pixel; 0 where it is not used.
    known : (n, k) array
        Columns of the linear parameters other than the source's flux.
    data : (n,) array
        Pixels.
    prior : (k,) array
        Inverse sigma with which each linear parameter is held to 0; 0 where it is free.

    Returns
    -------
    place : (2,) array
    cov : (2, 2) array
    """
    at, share = np.polynomial.hermite_e.hermegauss(NODES)
    u, v = (a.ravel() for a in np.meshgrid(at, at))
    share = np.outer(share, share).ravel() / (2 * np.pi)
    values, vectors = np.linalg.eigh(cov)
    steps = STRETCH * (vectors * np.sqrt(values)) @ np.stack([u, v])
    use = weight > 0
    columns = (stamp.columns[use] - steps[0][:, None]).ravel()
    rows = (stamp.rows[use] - steps[1][:, None]).ravel()
    images = pixel_image(psf, *place, columns, rows, trail, coarse=True)[0].reshape(len(u), -1) * weight[use]
    design = np.concatenate([known[use] * weight[use][:, None], np.diag(prior)])
    base, _ = np.linalg.qr(design)
    pad = np.zeros((len(u), len(prior)))
    images = np.concatenate([images, pad], axis=1)
    images = images - (images @ base) @ base.T
    wanted = np.concatenate([data[use] * weight[use], np.zeros(len(prior))])
    length2 = np.einsum("ij,ij->i", images, images)
    match = images @ (wanted - base @ (base.T @ wanted)) / np.sqrt(length2)
    # Flux integrated out under a flat prior; places at which it would be negative do not count.
    log = 0.5 * np.where(match > 0, match, 0.0) ** 2 - 0.5 * np.log(length2) + 0.5 * (u**2 + v**2)
    odds = share * np.exp(log - log.max())
    odds /= odds.sum()
    mean = steps @ odds
    return place + mean, (steps * odds) @ steps.T - np.outer(mean, mean)
