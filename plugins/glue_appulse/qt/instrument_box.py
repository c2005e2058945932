"""Instruments of the settings file within the set-up panel."""

from qtpy.QtWidgets import QComboBox, QFormLayout, QGroupBox, QHBoxLayout, QLabel, QLineEdit, QPushButton

from glue_appulse import frame_setup, instruments
from glue_appulse.qt.jobs import tell

NEW = "a new one"


class InstrumentBox(QGroupBox):
    """Values of an instrument, each with where it comes from; kept in the settings file on request.

    Parameters
    ----------
    use : callable
        Called with what the instrument says about the camera, by field.
    say : callable
        Called with a line for the user.
    """

    def __init__(self, use, say):
        super().__init__("instrument")
        self._use, self._say, self._frame = use, say, None
        self.choice, self.name = QComboBox(), QLineEdit(placeholderText="name of the instrument")
        self.lines = {name: QLineEdit() for name, _words, _keys in instruments.FIELDS}
        self.known = {name: QLabel("") for name in self.lines}
        self.use_button = QPushButton("Use for the frame")
        self.keep_button = QPushButton("Keep the instrument")
        self.use_button.clicked.connect(self.use)
        self.keep_button.clicked.connect(self.keep)
        form = QFormLayout(self)
        form.addRow("which", self.choice)
        form.addRow("name", self.name)
        for name, words, _keys in instruments.FIELDS:
            row = QHBoxLayout()
            row.addWidget(self.lines[name], 1)
            row.addWidget(self.known[name], 2)
            form.addRow(words, row)
        low = QHBoxLayout()
        low.addWidget(self.use_button)
        low.addWidget(self.keep_button)
        form.addRow(low)
        self.fill()
        self.choice.currentIndexChanged.connect(self.show_known)

    def fill(self, chosen=None):
        """Bring the list of instruments up to date.

        Parameters
        ----------
        chosen : str or None
            Name of the one to show; None: the first.
        """
        self.choice.blockSignals(True)
        self.choice.clear()
        for name, entry in instruments.entries().items():
            self.choice.addItem(name, entry)
        self.choice.addItem(NEW, {})
        self.choice.setCurrentIndex(max(self.choice.findText(chosen), 0) if chosen else 0)
        self.choice.blockSignals(False)
        self.show_known()

    def show_frame(self, frame):
        """Let a frame's header speak where the settings file is silent.

        Parameters
        ----------
        frame : appulse.frames.frame.SolvedFrame or None
        """
        self._frame = frame
        self.fill(self.choice.currentText())

    def show_known(self, *_index):
        """Show every value of the chosen instrument and where it comes from."""
        entry = self.choice.currentData() or {}
        self.name.setText(entry.get("name", ""))
        for name, (value, source) in instruments.told(entry, self._frame).items():
            self.lines[name].clear()
            self.lines[name].setPlaceholderText(value)
            self.known[name].setText(f"{value} ({source})" if value else source)

    def values(self):
        """Entry of the settings file that the box asks for.

        Returns
        -------
        dict
            What is written by hand, what the file has, and what a header tells; defaults are left out, so
            that the file keeps to what is known.

        Raises
        ------
        ValueError
            The instrument has no name, or something cannot be read.
        """
        entry = dict(self.choice.currentData() or {})
        entry["name"] = self.name.text().strip()
        if not entry["name"]:
            raise ValueError("an instrument needs a name by which campaigns and commands call it")
        for name, (value, source) in instruments.told(self.choice.currentData() or {}, self._frame).items():
            written = instruments.read_field(name, self.lines[name].text())
            if written is None and source.startswith("header"):
                written = instruments.read_field(name, value)
            if written is not None:
                entry[name] = written
        return entry

    def keep(self):
        """Write the instrument into the settings file."""
        try:
            entry = self.values()
            path = frame_setup.keep(instrument=entry)
        except (ValueError, OSError) as exc:
            tell(exc)
            self._say(str(exc))
            return
        self.fill(entry["name"])
        self._say(f"{entry['name']} is kept in {path}; its earlier state, if any, is beside it as .bak")

    def use(self):
        """Let the panel take what the instrument says about the camera."""
        camera = instruments.camera_of(self.choice.currentData() or {})
        self._use(camera)
        told = ", ".join(camera)
        self._say(f"taken over: {told}" if told else "this instrument says nothing about the camera itself")
