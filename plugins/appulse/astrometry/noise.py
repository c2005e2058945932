"""What the pixels' noise is: from the header's gain and read noise, or from the frame itself, and said so."""

from dataclasses import dataclass

import numpy as np

from appulse.numerics.robust import mad_sigma


@dataclass(frozen=True)
class Noise:
    """Variance of a pixel as a function of the light in it.

    ``variance = floor + source / gain``: the floor is measured on the frame's own sky around the source (it
    holds sky, read noise, dark current and rounding whatever their shares), the source's photons come on top.

    Parameters
    ----------
    gain_e_adu : float
        Electrons per unit of the stored numbers; infinite where the source's own photons are not to count.
    read_noise_e : float
        Electrons per pixel; the least that the floor can be.
    source : str
        Where the numbers come from, in words.
    model_error : float
        Relative error of the PSF model per pixel: a bright star's misfit is not to pass for cosmic rays.

    Examples
    --------
    >>> noise = Noise(2.0, 10.0)
    >>> float(noise.variance(np.array(100.0), floor=25.0))
    75.0
    """

    gain_e_adu: float
    read_noise_e: float = 0.0
    source: str = "given"
    model_error: float = 0.0

    def variance(self, source_adu, floor):
        """Variance of pixels, ADU^2, for the modelled light of sources in ADU above the sky."""
        least = (self.read_noise_e / self.gain_e_adu) ** 2
        return np.maximum(floor, least) + np.maximum(source_adu, 0.0) / self.gain_e_adu


def frame_noise(frame, sky_adu: float, sky_sigma_adu: float) -> Noise:
    """Noise of a frame: the camera's own figures where known, else what its sky tells.

    Parameters
    ----------
    frame : SolvedFrame
    sky_adu, sky_sigma_adu : float
        Typical level and scatter of the sky, stored units.

    Returns
    -------
    Noise
        Without a gain, the sky is taken as pure photon noise: the gain is level over variance, right for a
        frame without pedestal, too large with one (the sigma of bright sources is then too small by what
        `source` says; the chi-squared of the fit corrects it).
    """
    camera = frame.camera
    read = float(camera.read_noise_e) if camera.read_noise_e is not None else 0.0
    if camera.gain_e_adu is not None and float(camera.gain_e_adu) > 0:
        words = f"gain {camera.gain_e_adu}"
        words += f", read noise {camera.read_noise_e}" if read else ", read noise in the measured sky"
        return Noise(float(camera.gain_e_adu), read, words)
    if sky_adu > 0 and sky_sigma_adu > 0:
        gain = sky_adu / sky_sigma_adu**2
        return Noise(gain, 0.0, f"gain estimated from the frame's sky, {gain:.3g} e per unit (no gain known)")
    return Noise(np.inf, 0.0, "noise of the frame's sky alone (no gain known, no positive sky level)")


def sky_sigma(values) -> float:
    """Scatter of the sky in a set of pixels: robust, from the side that sources do not reach.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> sky = rng.normal(100.0, 2.0, 4000)
    >>> abs(sky_sigma(np.append(sky, np.full(400, 500.0))) - 2.0) < 0.2
    True
    """
    values = np.asarray(values, dtype=float)
    values = values[np.isfinite(values)]
    if values.size < 8:
        return 0.0
    middle = np.median(values)
    for _ in range(3):
        sigma = mad_sigma(values)
        keep = np.abs(values - middle) < 3.5 * sigma if sigma > 0 else np.ones(values.size, bool)
        values, middle = values[keep], np.median(values[keep])
    return mad_sigma(values)
