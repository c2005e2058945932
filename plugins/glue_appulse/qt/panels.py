"""Panels and dialogs that an application has once."""


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
