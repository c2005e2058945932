"""The frame by which the others go: which it is, how it is tied to the sky, who shows the same sky."""

import numpy as np

from appulse.errors import InputError
from appulse.numerics.sphere import separation_rad, unit_from_radec
from appulse.sequence.align import tie_to_sky

MOST_STARS = 600


def check_reference(shots, name):
    """That a reference, where one is named, is among the frames.

    Raises
    ------
    InputError
        If it is not.
    """
    names = [shot.frame.name for shot in shots]
    if name is not None and name not in names:
        raise InputError(f"reference {name!r}: none of the frames is called so: {', '.join(names)}")


def choose_reference(shots, name):
    """The frame of this name, or the sharpest of the deep ones."""
    check_reference(shots, name)
    if name is not None:
        return next(shot for shot in shots if shot.frame.name == name)

    def score(shot):
        top = np.sort(shot.stars.snr)[::-1][:50]
        return (float(np.median(top)) if len(top) else 0.0) / (shot.stars.fwhm * shot.frame.pixel_scale)

    return max(shots, key=score)


def anchored(reference, star_table):
    """Tie the reference's WCS to a star catalogue; notes."""
    frame = reference.frame
    if callable(star_table):
        star_table = star_table(frame)
    places = star_table.at_epoch(frame.exposure.mid)
    ra, dec = (np.asarray(places[name].value, dtype=float) for name in ("ra", "dec"))
    near = np.flatnonzero(frame.contains(ra, dec, margin_px=50.0))
    bright = near[np.argsort(np.nan_to_num(np.asarray(places["g"].value, dtype=float)[near], nan=99.0))]
    sigma_mas = np.hypot(places["sigma_ra"].to_value("mas"), places["sigma_dec"].to_value("mas"))
    sigma_px = np.asarray(sigma_mas, dtype=float) / 1000.0 / frame.pixel_scale
    bright = bright[:MOST_STARS]
    tied = tie_to_sky(
        frame.wcs, frame.shape, reference.stars, ra[bright], dec[bright], sigma_px[bright]
    )  # fmt: skip
    if tied.n_stars == 0:
        return [f"{frame.name}: not tied to {star_table.catalogue}: {words}" for words in tied.notes]
    tied.flux_ratio, tied.ratio_sigma = 1.0, 0.0
    reference.alignment = tied
    return [f"{frame.name}: tied to {star_table.catalogue}, {tied.n_stars} stars, RMS {tied.rms_px:.3f} px"]


def same_field(shots, reference, failed):
    """Without those that have no sky in common with the reference."""
    middle = unit_from_radec(*reference.frame.centre)
    good = []
    for shot in shots:
        apart = float(np.degrees(separation_rad(middle, unit_from_radec(*shot.frame.centre))))
        if apart < 0.9 * (shot.frame.radius_deg + reference.frame.radius_deg):
            good.append(shot)
            continue
        error = InputError(
            f"{shot.frame.name}: another field, {apart:.2f} degrees from {reference.frame.name}; leave it out"
        )
        if failed is None:
            raise error
        failed(shot.frame, error)
    return good
