"""Numbers of a measurement, each with its error and unit."""

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QGridLayout, QLabel, QWidget

#: Title, columns of value and sigma, unit.
NUMBERS = (
    ("ΔRA·cosδ", "dra_cosdec", "sigma_ra", "″"),
    ("ΔDec", "ddec", "sigma_dec", "″"),
    ("along", "along", "sigma_along", "″"),
    ("across", "across", "sigma_across", "″"),
    ("plate ΔRA·cosδ", "plate_dra", "sigma_plate_ra", "″"),
    ("plate ΔDec", "plate_ddec", "sigma_plate_dec", "″"),
    ("O−C, plate off: ΔRA·cosδ", "dra_plate", None, "″"),
    ("O−C, plate off: ΔDec", "ddec_plate", None, "″"),
    ("magnitude", "mag_obs", "sigma_mag", ""),
    ("signal to noise", "snr", None, ""),
)


def number_words(value, sigma, unit):
    """A number with its error.

    Parameters
    ----------
    value, sigma : float
    unit : str

    Returns
    -------
    str

    Examples
    --------
    >>> number_words(-0.75161, 0.0101, "″"), number_words(float("nan"), 1.0, "″")
    ('-0.752 ± 0.010″', '–')
    """
    if value != value:
        return "–"
    digits = 3 if unit else 2 if sigma is not None else 0
    error = "" if sigma is None or sigma != sigma else f" ± {sigma:.{digits}f}"
    return f"{value:+.{digits}f}{error}{unit}" if unit else f"{value:.{digits}f}{error}"


class MeasuredNumbers(QWidget):
    """Names on the left, numbers on the right."""

    def __init__(self):
        super().__init__()
        self.values = {}
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(1)
        for row, (words, column, _sigma, _unit) in enumerate(NUMBERS):
            self.values[column] = QLabel("–")
            self.values[column].setAlignment(Qt.AlignRight)
            grid.addWidget(QLabel(words), row, 0)
            grid.addWidget(self.values[column], row, 1)

    def show_measured(self, measured):
        """Show what was measured; a dash where nothing was.

        Parameters
        ----------
        measured : glue_appulse.measuring.Measured
        """
        for _words, column, sigma, unit in NUMBERS:
            error = None if sigma is None else measured.number(sigma)
            self.values[column].setText(number_words(measured.number(column), error, unit))
