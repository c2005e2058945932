"""List of object types with ticks; nothing ticked off means all types, those of later data too."""

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QHBoxLayout, QListWidget, QListWidgetItem, QPushButton, QVBoxLayout, QWidget

HEIGHT_PX = 110


class TypeList(QListWidget):
    """Ticks for several types at once.

    Parameters
    ----------
    types : iterable of str
    parent : QWidget or None
    """

    #: The list of ticked types; empty where all are.
    changed = Signal(list)

    def __init__(self, types, parent=None):
        super().__init__(parent)
        self.setMaximumHeight(HEIGHT_PX)
        self.setToolTip("Where nothing is ticked, a layer draws all types")
        for name in types:
            item = QListWidgetItem(name, self)
            item.setFlags(item.flags() | Qt.ItemIsUserCheckable)
            item.setCheckState(Qt.Checked)
        self.itemChanged.connect(lambda _item: self.changed.emit(self.chosen()))

    def _items(self):
        return [self.item(row) for row in range(self.count())]

    def _ticked(self):
        return [item.text() for item in self._items() if item.checkState() == Qt.Checked]

    @property
    def none_ticked(self):
        """Whether there are types and none of them is ticked."""
        return bool(self.count()) and not self._ticked()

    def chosen(self):
        """Types that are ticked.

        Returns
        -------
        list of str
            Empty where all are, or none is: a layer without any type would look like a fault.
        """
        ticked = self._ticked()
        return [] if len(ticked) == self.count() else ticked

    def choose(self, types):
        """Tick types; what means the same already stays as it is.

        Parameters
        ----------
        types : list of str
            Empty for all.
        """
        if list(types) != self.chosen():
            self._tick(lambda name: not types or name in types)

    def tick_all(self, on=True):
        """Tick all types, or none, in one change.

        Parameters
        ----------
        on : bool
        """
        self._tick(lambda _name: on)
        self.changed.emit(self.chosen())

    def _tick(self, wanted):
        self.blockSignals(True)
        for item in self._items():
            item.setCheckState(Qt.Checked if wanted(item.text()) else Qt.Unchecked)
        self.blockSignals(False)
        self.viewport().update()


class TypeRow(QWidget):
    """A list of types with buttons for all and none beside it.

    Parameters
    ----------
    types : TypeList
    """

    def __init__(self, types):
        super().__init__()
        self.all_button, self.none_button = QPushButton("All"), QPushButton("None")
        buttons = QVBoxLayout()
        for button, on in ((self.all_button, True), (self.none_button, False)):
            button.setAutoDefault(False)
            button.clicked.connect(lambda _on=False, on=on: types.tick_all(on))
            buttons.addWidget(button)
        buttons.addStretch(1)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(types, 1)
        row.addLayout(buttons)
