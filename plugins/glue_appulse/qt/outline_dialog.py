"""Panel that adds outlines of deep-sky objects to the frames."""

from qtpy.QtWidgets import (
    QDoubleSpinBox,
    QFileDialog,
    QFormLayout,
    QHBoxLayout,
    QPushButton,
    QVBoxLayout,
)

from appulse.catalogues.deepsky import TYPES

from glue_appulse.kinds import OUTLINES, all_of
from glue_appulse.sky_outlines import objects_of, outlines_data
from glue_appulse.qt.desk import add_overlay, frames_of
from glue_appulse.qt.jobs import Job
from glue_appulse.qt.panels import Panel, open_once
from glue_appulse.qt.type_list import TypeList, TypeRow

WORDS = (
    "Objects without a magnitude are always taken. "
    "Types, names and limits can be changed later in the layer's style."
)


class OutlineDialog(Panel):
    """Limits of what is drawn, and a file of one's own polygons.

    Parameters
    ----------
    session : glue.core.session.Session
    parent : QWidget or None
    """

    def __init__(self, session, parent=None):
        super().__init__(session, parent, "Outlines of deep-sky objects", WORDS)
        self._job = None
        self.larger = QDoubleSpinBox(maximum=600.0, suffix=" arcmin", value=0.0)
        self.brighter = QDoubleSpinBox(minimum=0.0, maximum=30.0, suffix=" mag", value=30.0)
        self.add_button, self.file_button = (
            QPushButton("Add from the catalogue"),
            QPushButton("Add polygons of a file…"),
        )
        self.add_button.clicked.connect(self.add)
        self.file_button.clicked.connect(self._choose_file)
        self.types = TypeList(sorted(set(TYPES.values())))
        form = QFormLayout()
        form.addRow("types", TypeRow(self.types))
        form.addRow("at least", self.larger)
        form.addRow("not fainter than", self.brighter)
        buttons = QHBoxLayout()
        buttons.addWidget(self.add_button)
        buttons.addWidget(self.file_button)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addLayout(buttons)
        layout.addWidget(self.status)

    def limits(self):
        """Limits in the words of the catalogue.

        Returns
        -------
        dict
        """
        limits = {"types": self.types.chosen()} if self.types.chosen() else {}
        if self.larger.value() > 0:
            limits["larger_than"] = self.larger.value()
        if self.brighter.value() < 30:
            limits["brighter_than"] = self.brighter.value()
        return limits

    def add(self):
        """Add what the catalogue has in the frames.

        Returns
        -------
        Job or None
        """
        if self.types.none_ticked:
            self.say("no type is ticked, so nothing would be added: tick one, or All")
            return None
        frames, limits = frames_of(self.session), self.limits()
        return self._start(lambda _job: outlines_data(objects_of(frames, **limits)))

    def _choose_file(self):
        path, _kind = QFileDialog.getOpenFileName(self, "Table of polygons: name, ring, ra, dec")
        if path:
            self.add_file(path)

    def add_file(self, path):
        """Add polygons of a file.

        Parameters
        ----------
        path : str

        Returns
        -------
        Job
        """
        from appulse.catalogues.deepsky import read_polygons

        label = str(path).replace("\\", "/").rpartition("/")[2]
        return self._start(lambda _job: outlines_data(read_polygons(path), label=label, color="#c9a7ff"))

    def _start(self, function):
        self.add_button.setEnabled(False)
        self._job = Job(function)
        self._job.done.connect(self.show_outlines)
        self._job.failed.connect(self.fail)
        self._job.ended.connect(self._ended)
        return self._job.start()

    def _ended(self):
        self.add_button.setEnabled(True)

    def show_outlines(self, data):
        """Put outlines into the viewers; those of the same name are replaced.

        Parameters
        ----------
        data : glue.core.data_region.RegionData
        """
        collection = self.session.data_collection
        for old in [one for one in all_of(collection, OUTLINES) if one.label == data.label]:
            collection.remove(old)
        add_overlay(self.session, data)
        self.say(f"added {data.size} objects as '{data.label}'")


def open_dialog(session, _data_collection=None):
    """Menu action: the panel, made once per application.

    Parameters
    ----------
    session : glue.core.session.Session

    Returns
    -------
    OutlineDialog
    """
    return open_once(session, OutlineDialog)
