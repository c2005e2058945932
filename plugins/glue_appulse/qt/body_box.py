"""Choice of one body: of the tracks that are loaded, or by its number, name or designation."""

from pathlib import Path

from qtpy.QtWidgets import QComboBox, QHBoxLayout, QLabel, QWidget

from glue_appulse import choices, sources
from glue_appulse.kinds import TRACK, all_of


class BodyBox(QWidget):
    """Line with the body, and where its places come from.

    Parameters
    ----------
    session : glue.core.session.Session
    """

    def __init__(self, session):
        super().__init__()
        self.session = session
        self.box, self.orbits = QComboBox(editable=True), QLabel("")
        self.box.setInsertPolicy(QComboBox.NoInsert)
        self.box.lineEdit().setPlaceholderText("number, name or designation")
        self.box.currentTextChanged.connect(self._name_orbits)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(QLabel("body"))
        row.addWidget(self.box, 1)
        row.addWidget(self.orbits)

    def fill(self):
        """Offer the tracks that are loaded now; what was written or chosen stays."""
        written = self.box.currentText()
        listed = self.box.findText(written) >= 0
        tracks = {}
        for track in all_of(self.session.data_collection, TRACK):
            tracks.setdefault(track.meta["designation"], (track.meta["body"], track.meta.get("orbits path")))
        self.box.blockSignals(True)
        self.box.clear()
        for words, which in tracks.items():
            self.box.addItem(words, which)
        if written and (written in tracks or not listed):
            self.box.setCurrentText(written)
        self.box.blockSignals(False)
        self._name_orbits()

    def _name_orbits(self, *_text):
        path = self.chosen()[1]
        self.orbits.setText(f"orbits: {sources.STARTER if path is None else Path(path).name}")

    def chosen(self):
        """The body, and where its places come from.

        Returns
        -------
        body : str
        orbits : str or None
            None: the bundled starter set.
        """
        text = self.box.currentText().strip()
        at = self.box.findText(text)
        body, orbits = self.box.itemData(at) if at >= 0 else (text, choices.current().orbits)
        return body, orbits or None
