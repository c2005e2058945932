"""Table of residuals: a row for each body in a frame, in the colour of its selection."""

from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QColor
from qtpy.QtWidgets import QAbstractItemView, QTableWidget, QTableWidgetItem

from appulse.formats.residual_table import COLUMNS as MEANINGS

#: Columns of the table, and their headers with units.
COLUMNS = {
    "frame": "frame",
    "time": "mid-exposure\nUTC",
    "designation": "body",
    "dra_cosdec": "ΔRA·cosδ\n″",
    "ddec": "ΔDec\n″",
    "dra_plate": "ΔRA·cosδ, plate off\n″",
    "ddec_plate": "ΔDec, plate off\n″",
    "along": "along\n″",
    "across": "across\n″",
    "sigma_along": "σ along\n″",
    "sigma_across": "σ across\n″",
    "snr": "signal to noise",
    "n_stars": "stars",
    "flag": "what to mind",
}
#: Opacity of a row's colour, of 255: words stay readable on it, on light and on dark.
SHADE = 90


class ResidualTable(QTableWidget):
    """Rows of residuals.

    Parameters
    ----------
    parent : QWidget or None
    """

    #: Rows that the user has selected, in their order.
    chosen = Signal(list)

    def __init__(self, parent=None):
        super().__init__(0, len(COLUMNS), parent)
        self._filling = False
        self.setHorizontalHeaderLabels(list(COLUMNS.values()))
        described = {column.name: column.meaning for column in MEANINGS}
        for i, name in enumerate(COLUMNS):
            self.horizontalHeaderItem(i).setToolTip(f"{name}: {described[name]}")
        self.setSelectionBehavior(QAbstractItemView.SelectRows)
        self.setEditTriggers(QAbstractItemView.NoEditTriggers)
        self.itemSelectionChanged.connect(self._selected)

    def show_rows(self, data, colours):
        """Fill the table.

        Parameters
        ----------
        data : glue.core.data.Data
            Residuals.
        colours : list of str or None
            One for each row; None leaves it plain.
        """
        self._filling = True
        self.setRowCount(data.size)
        for column, name in enumerate(COLUMNS):
            values = data.get_component(name)
            for row in range(data.size):
                self.setItem(row, column, _item(values, row, colours[row]))
        self.resizeColumnsToContents()
        self._filling = False

    def _selected(self):
        if not self._filling:
            self.chosen.emit(sorted({index.row() for index in self.selectedIndexes()}))


def _item(values, row, colour):
    value = values.labels[row] if values.categorical else values.data[row]
    item = QTableWidgetItem(str(value) if values.categorical else _number(value))
    if not values.categorical:
        item.setTextAlignment(Qt.AlignRight | Qt.AlignVCenter)
    if colour is not None:
        shade = QColor(colour)
        shade.setAlpha(SHADE)
        item.setBackground(shade)
    return item


def _number(value):
    return "–" if value != value else f"{value:.3f}".rstrip("0").rstrip(".")
