"""What a camera's numbers mean: gain, read noise, saturation, dark current, each with where it comes from."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Valued:
    """A number and where it comes from.

    Parameters
    ----------
    value : float
        In the unit that its name in :class:`Camera` says.
    source : str
        A header keyword or ``given``.

    Examples
    --------
    >>> gain = Valued(1.4, "EGAIN")
    >>> float(gain), str(gain)
    (1.4, '1.4 (EGAIN)')
    """

    value: float
    source: str

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        return f"{self.value:g} ({self.source})"


@dataclass(frozen=True)
class Camera:
    """A camera as far as a frame or its user describes it; what is unknown is None.

    Parameters
    ----------
    gain_e_adu : Valued, optional
        Electrons per unit of the stored numbers (not a camera's gain *setting*).
    read_noise_e : Valued, optional
        Read noise, electrons per pixel.
    saturation_adu : Valued, optional
        Stored number from which a pixel is not to be trusted.
    dark_e_s : Valued, optional
        Dark current, electrons per second and pixel.

    Examples
    --------
    >>> print(Camera(gain_e_adu=Valued(1.4, "EGAIN")))
    gain 1.4 e/ADU (EGAIN)
    >>> Camera().read_noise_e is None
    True
    """

    gain_e_adu: Valued | None = None
    read_noise_e: Valued | None = None
    saturation_adu: Valued | None = None
    dark_e_s: Valued | None = None

    def __str__(self) -> str:
        words = (
            ("gain", self.gain_e_adu, "e/ADU"),
            ("read noise", self.read_noise_e, "e"),
            ("saturation", self.saturation_adu, "ADU"),
            ("dark current", self.dark_e_s, "e/s"),
        )
        known = [
            f"{name} {one.value:g} {unit} ({one.source})" for name, one, unit in words if one is not None
        ]
        return ", ".join(known) or "nothing known"
