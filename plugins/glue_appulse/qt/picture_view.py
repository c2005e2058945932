"""A picture that fills the room it has: pixels, a picture file, or an animation."""

import numpy as np
from qtpy.QtCore import QSize, Qt
from qtpy.QtGui import QImage, QMovie, QPixmap
from qtpy.QtWidgets import QComboBox, QHBoxLayout, QLabel, QSizePolicy, QVBoxLayout, QWidget

LEAST_PX = (320, 240)


class PictureView(QLabel):
    """Label with a picture, never larger than its pixels times two, its sides in proportion.

    Parameters
    ----------
    words : str
        Shown while there is no picture.
    """

    def __init__(self, words=""):
        super().__init__(words)
        self.setAlignment(Qt.AlignCenter)
        self.setWordWrap(True)
        self.setMinimumSize(*LEAST_PX)
        self.setSizePolicy(QSizePolicy.Ignored, QSizePolicy.Ignored)
        self.setFrameShape(QLabel.StyledPanel)
        self._pixmap, self._movie = None, None

    def show_pixels(self, pixels):
        """Show an array.

        Parameters
        ----------
        pixels : (h, w, 1 or 3) uint8 array
            The first row is the top.
        """
        h, w, planes = pixels.shape
        kind = QImage.Format_RGB888 if planes == 3 else QImage.Format_Grayscale8
        data = np.ascontiguousarray(pixels)
        # The image only points at the array; the copy owns its pixels.
        self._show(QPixmap.fromImage(QImage(data.tobytes(), w, h, planes * w, kind).copy()))

    def show_file(self, path):
        """Show a picture file, or play an animation.

        Parameters
        ----------
        path : str or pathlib.Path
        """
        if str(path).lower().endswith(".gif"):
            self._drop_movie()
            self._pixmap, self._movie = None, QMovie(str(path))
            self._movie.setCacheMode(QMovie.CacheAll)
            self._movie.jumpToFrame(0)
            self._natural = self._movie.currentPixmap().size()
            self.setMovie(self._movie)
            self._fit()
            self._movie.start()
        else:
            self._show(QPixmap(str(path)))

    def show_words(self, words):
        """Show words instead of a picture.

        Parameters
        ----------
        words : str
        """
        self._drop_movie()
        self._pixmap = None
        self.setText(words)

    def _show(self, pixmap):
        self._drop_movie()
        self._pixmap = pixmap
        self._fit()

    def _drop_movie(self):
        if self._movie is not None:
            self._movie.stop()
            self._movie.deleteLater()
            self._movie = None

    def _room(self, size):
        room = self.contentsRect().size()
        return size.scaled(room.boundedTo(size * 2), Qt.KeepAspectRatio)

    def _fit(self):
        if self._movie is not None:
            self._movie.setScaledSize(self._room(self._natural))
        elif self._pixmap is not None and not self._pixmap.isNull():
            ratio = self.devicePixelRatioF()
            wanted = self._room(self._pixmap.size())
            shown = self._pixmap.scaled(wanted * ratio, Qt.KeepAspectRatio, Qt.SmoothTransformation)
            shown.setDevicePixelRatio(ratio)
            self.setPixmap(shown)

    def resizeEvent(self, event):
        """Fit the picture to the new room.

        Parameters
        ----------
        event : QResizeEvent
        """
        super().resizeEvent(event)
        self._fit()

    def sizeHint(self):
        """Room that a picture likes.

        Returns
        -------
        QSize
        """
        return QSize(640, 480)

    @property
    def shows(self):
        """What is to be seen.

        Returns
        -------
        str
            picture, animation or words.
        """
        return "animation" if self._movie else "words" if self._pixmap is None else "picture"


class PictureChooser(QWidget):
    """Pictures of one night, one of them to be seen.

    Parameters
    ----------
    order : sequence of str
        Names that pictures may have.
    words : str
        Shown while there is none.
    """

    def __init__(self, order, words=""):
        super().__init__()
        self._order, self._pictures = tuple(order), {}
        self.which, self.view = QComboBox(), PictureView(words)
        self.which.setEnabled(False)
        row = QHBoxLayout()
        row.addWidget(QLabel("picture"))
        row.addWidget(self.which, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(4, 0, 4, 0)
        layout.addLayout(row)
        layout.addWidget(self.view, 1)
        self.which.currentIndexChanged.connect(self._show)

    def offer(self, name, pictures):
        """Put pictures into the choice, replacing those of the same name.

        Parameters
        ----------
        name : str
            The one that is shown now.
        pictures : dict of str to (ndarray or path)
            Pixels as for :meth:`PictureView.show_pixels`, or a file.
        """
        self._pictures |= pictures
        self.which.blockSignals(True)
        self.which.clear()
        self.which.addItems([one for one in self._order if one in self._pictures])
        self.which.setCurrentText(name)
        self.which.blockSignals(False)
        self.which.setEnabled(True)
        self._show()

    def _show(self, *_index):
        picture = self._pictures.get(self.which.currentText())
        if isinstance(picture, np.ndarray):
            self.view.show_pixels(picture)
        elif picture is not None:
            self.view.show_file(picture)
