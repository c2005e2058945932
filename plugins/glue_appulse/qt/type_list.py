"""List of object types with ticks; nothing ticked off means all types, those of later data too."""

from qtpy.QtCore import Qt, Signal
from qtpy.QtWidgets import QListWidget, QListWidgetItem

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
        for name in types:
            item = QListWidgetItem(name, self)
            item.setFlags(item.flags() | Qt.ItemIsUserCheckable)
            item.setCheckState(Qt.Checked)
        self.itemChanged.connect(lambda _item: self.changed.emit(self.chosen()))

    def _items(self):
        return [self.item(row) for row in range(self.count())]

    def chosen(self):
        """Types that are ticked.

        Returns
        -------
        list of str
            Empty where all are, or none is: a layer without any type would look like a fault.
        """
        ticked = [item.text() for item in self._items() if item.checkState() == Qt.Checked]
        return [] if len(ticked) == self.count() else ticked

    def choose(self, types):
        """Tick types.

        Parameters
        ----------
        types : list of str
            Empty for all.
        """
        self.blockSignals(True)
        for item in self._items():
            item.setCheckState(Qt.Checked if not types or item.text() in types else Qt.Unchecked)
        self.blockSignals(False)
