"""Icons of our tools, painted when asked for."""

from qtpy.QtCore import QPointF, QRectF, Qt
from qtpy.QtGui import QColor, QIcon, QPainter, QPen, QPixmap

SIZE = 64


def _painted(paint):
    picture = QPixmap(SIZE, SIZE)
    picture.fill(Qt.transparent)
    painter = QPainter(picture)
    painter.setRenderHint(QPainter.Antialiasing)
    paint(painter)
    painter.end()
    return QIcon(picture)


def _pen(color, width=5):
    pen = QPen(QColor(color), width)
    pen.setCapStyle(Qt.RoundCap)
    return pen


def measure_icon():
    """A dot between two bars, with an offset cross beside.

    Returns
    -------
    QIcon
    """

    def paint(painter):
        painter.setPen(_pen("#b06a00"))
        painter.drawLine(QPointF(10, 16), QPointF(10, 48))
        painter.drawLine(QPointF(54, 16), QPointF(54, 48))
        painter.setBrush(QColor("#20242c"))
        painter.setPen(_pen("#20242c", 2))
        painter.drawEllipse(QPointF(28, 36), 8, 8)
        painter.setPen(_pen("#c2410c", 4))
        painter.drawLine(QPointF(34, 22), QPointF(46, 22))
        painter.drawLine(QPointF(40, 16), QPointF(40, 28))

    return _painted(paint)


def pick_icon():
    """An ellipse with a pointer.

    Returns
    -------
    QIcon
    """

    def paint(painter):
        painter.setPen(_pen("#0f766e"))
        painter.drawEllipse(QRectF(6, 10, 46, 28))
        painter.setPen(_pen("#20242c"))
        painter.drawLine(QPointF(34, 30), QPointF(54, 56))
        painter.drawLine(QPointF(34, 30), QPointF(36, 46))
        painter.drawLine(QPointF(34, 30), QPointF(49, 36))

    return _painted(paint)
