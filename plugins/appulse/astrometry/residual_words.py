"""What is said of a measured body: its flag, its notes, and what pauses of the exposure leave open."""

import numpy as np

from appulse.astrometry.centroid import SourceFit
from appulse.astrometry.light import is_plain
from appulse.astrometry.prediction import Prediction


def pauses(exposure, prediction: Prediction) -> np.ndarray:
    """What pauses at unknown moments leave open along the motion, as a covariance in arcsec^2.

    The fit takes the light as even over the span; where it was not, the dot's shape pulls the place along.
    """
    if not np.isfinite(prediction.rate):
        return np.zeros((2, 2))
    step = np.array([prediction.ra_rate, prediction.dec_rate]) / 3600.0 * exposure.middle_sigma_s
    return np.outer(step, step)


def flag_of(result, fit: SourceFit, exposure) -> str:
    """What is not as it should be with a measured body; empty where nothing is."""
    words = []
    unknown = pauses(exposure, result.prediction)
    if np.trace(unknown) > 0.25 * np.trace(result.covariance):
        words.append(
            f"pauses at unknown moments: {exposure.middle_sigma_s:.0f} s of doubt along the motion (a table "
            "EXPOSURES in the frame would lift it)"
        )
    if fit.n_saturated:
        words.append(f"saturated core ({fit.n_saturated} px): fitted from its ring")
    if fit.phase_error_px > 0:
        words.append(f"undersampled: {fit.phase_error_px:.3f} px pixel-phase error in the sigmas")
    if not is_plain(fit):
        words.append(f"the image is not a plain dot (chi2/dof {fit.chi2_per_dof:.1f}): sigmas widened")
    return "; ".join(words)


def notes_of(result, fit: SourceFit, plate) -> tuple:
    """How a body was measured, in words."""
    words = [
        f"PSF {plate.survey.psf.words}: FWHM {fit.psf.fwhm:.2f} px",
        f"noise: {plate.survey.noise.source}",
    ]
    words.append(f"background of order {fit.background_order}")
    if not np.isfinite(result.prediction.rate):
        words.append("the prediction has no motion: no along and across, no trail")
    if fit.neighbours:
        many = "neighbour" if len(fit.neighbours) == 1 else "neighbours"
        words.append(f"{len(fit.neighbours)} {many} fitted together with it")
    if fit.n_rejected:
        words.append(f"{fit.n_rejected} pixels rejected (cosmic rays or defects)")
    if result.others:
        words.append(f"{len(result.others)} further sources within {result.search_arcsec:.1f} arcsec")
    return tuple(words)
