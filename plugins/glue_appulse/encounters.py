"""Plugin: tables of passes open through glue's ordinary menu, and the sky of a chosen pass is shown."""

from glue_appulse.data.pass_data import is_passes, load_passes
from glue_appulse.host import desktop_running, once, open_earlier_sessions

LABEL = "Passes (ECSV of appulse encounters)"
PRIORITY = 20_000


@once("encounters")
def _register():
    from glue.config import data_factory

    open_earlier_sessions()
    data_factory(LABEL, identifier=is_passes, priority=PRIORITY)(load_passes)


def setup():
    """Entry point of glue."""
    _register()
    if desktop_running():
        from glue_appulse.qt import menus

        menus.encounters()
