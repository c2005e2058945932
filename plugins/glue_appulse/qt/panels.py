"""Panels and dialogs that an application has once, with a line at the foot that tells how things stand."""

from qtpy.QtCore import Qt
from qtpy.QtWidgets import QDialog, QLabel

from glue_appulse.qt.jobs import failure_words, tell


class Notice(QLabel):
    """Line at the foot of a panel.

    Parameters
    ----------
    words : str
    """

    def __init__(self, words=""):
        super().__init__(words)
        self.setWordWrap(True)
        self.setTextInteractionFlags(Qt.TextSelectableByMouse)

    def fail(self, exc):
        """Show a failure in words, here and in glue's console.

        Parameters
        ----------
        exc : Exception
        """
        tell(exc)
        self.setText(failure_words(exc))


class Panel(QDialog):
    """Window that is made once and only hidden when it is closed.

    Parameters
    ----------
    session : glue.core.session.Session
    parent : QWidget or None
    title : str
    words : str
        In the notice line, at first.
    """

    def __init__(self, session, parent, title, words=""):
        super().__init__(parent)
        self.setWindowTitle(title)
        self.setAttribute(Qt.WA_DeleteOnClose, False)
        self.session, self.status = session, Notice(words)

    def say(self, words):
        """Show a line at the foot of the panel.

        Parameters
        ----------
        words : str
        """
        self.status.setText(words)

    def fail(self, exc):
        """Show a failure at the foot of the panel and in glue's console.

        Parameters
        ----------
        exc : Exception
        """
        self.status.fail(exc)


def open_once(session, cls, area=None):
    """Show a panel; it is made at the first call and brought up to date at every other.

    Parameters
    ----------
    session : glue.core.session.Session
    cls : type
        Called with the session and the application; its ``fill()``, where it has one, brings it up to date.
    area : Qt.DockWidgetArea or None
        Where a dock widget goes; None for a dialog.

    Returns
    -------
    QWidget
    """
    application = session.application
    panels = vars(application).setdefault("_appulse_panels", {})
    if cls not in panels:
        panels[cls] = cls(session, application)
        if area is not None:
            application.addDockWidget(area, panels[cls])
    elif hasattr(cls, "fill"):
        panels[cls].fill()
    panels[cls].show()
    panels[cls].raise_()
    return panels[cls]
