"""Dialog before observations are written: who observed, from where, with what; what would stay a draft."""

from qtpy.QtWidgets import QCheckBox, QDialog, QDialogButtonBox, QFormLayout, QLabel, QLineEdit

from appulse.errors import AppulseError
from appulse.formats import AdesHeader
from appulse.workflows import AdesChoice
from glue_appulse import measurements

#: Field of the header, words, hint; several names stand with semicolons between.
FIELDS = (
    ("mpc_code", "station", "code of the Minor Planet Center"),
    ("submitter", "submitter", "A. Nonym"),
    ("observers", "observers", "A. Nonym; B. Nonym"),
    ("measurers", "measurers", "the submitter, where left empty"),
    ("institution", "institution", ""),
    ("telescope", "telescope", "name of the telescope"),
    ("design", "design", "reflector, refractor, …"),
    ("aperture_m", "aperture, m", "0.07"),
    ("f_ratio", "focal ratio", "5"),
    ("detector", "detector", "CCD or CMOS"),
)
LISTS, NUMBERS = ("observers", "measurers"), ("aperture_m", "f_ratio")


class AdesDialog(QDialog):
    """What goes into the header of the observations of a residual data set."""

    def __init__(self, data, parent=None):
        super().__init__(parent)
        self.setWindowTitle("Observations (ADES)")
        self.data, self.fields = data, {}
        form = QFormLayout(self)
        for name, words, hint in FIELDS:
            self.fields[name] = QLineEdit()
            self.fields[name].setPlaceholderText(hint)
            self.fields[name].textChanged.connect(self.check)
            form.addRow(words, self.fields[name])
        self.band = QLineEdit()
        self.band.setPlaceholderText("as the star table says")
        self.band.textChanged.connect(self.check)
        form.addRow("band of the magnitudes", self.band)
        self.with_residuals = QCheckBox("write O−C beside the places (for exchange, not to submit)")
        form.addRow(self.with_residuals)
        self.disclose_site = QCheckBox("write the coordinates of a site without a code (station 247)")
        self.disclose_site.setToolTip("Else they never go out, and the observations stay a draft")
        self.disclose_site.toggled.connect(self.check)
        form.addRow(self.disclose_site)
        self.state = QLabel("")
        self.state.setWordWrap(True)
        form.addRow(self.state)
        self.buttons = QDialogButtonBox(QDialogButtonBox.Save | QDialogButtonBox.Cancel)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        form.addRow(self.buttons)
        self.check()

    def choice(self) -> AdesChoice:
        """What has been filled in; ValueError for a number that is none."""
        given = {}
        for name, field in self.fields.items():
            text = field.text().strip()
            if name in LISTS:
                given[name] = tuple(part.strip() for part in text.split(";") if part.strip())
            elif text:
                given[name] = float(text) if name in NUMBERS else text
        return AdesChoice(
            AdesHeader(**given),
            disclose_site=self.disclose_site.isChecked(),
            band=self.band.text().strip() or None,
            with_residuals=self.with_residuals.isChecked(),
        )

    def check(self):
        """Say what would be written: a draft, magnitudes left out; what cannot be used keeps Save away."""
        try:
            notes = measurements.ades_notes(self.data, self.choice())
        except (AppulseError, ValueError) as exc:
            self.state.setText(f"cannot be written: {exc}")
            self.buttons.button(QDialogButtonBox.Save).setEnabled(False)
        else:
            self.state.setText("\n".join(notes) or "complete, as far as this program can tell")
            self.buttons.button(QDialogButtonBox.Save).setEnabled(True)
