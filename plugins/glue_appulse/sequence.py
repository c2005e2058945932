"""Plugin: stacks, composite and animation out of the frames that are loaded."""

from glue_appulse.host import desktop_running


def setup():
    """Entry point of glue."""
    if desktop_running():
        from glue_appulse.qt import menus

        menus.sequence()
