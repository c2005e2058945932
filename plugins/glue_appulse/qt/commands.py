"""Changes of the residuals as glue commands, so that Edit > Undo takes them back."""

from glue.core.command import Command

from glue_appulse import residual_data
from glue_appulse.frames import link_frames
from glue_appulse.links import link_overlay
from glue_appulse.qt.desk import image_viewers


class PutRows(Command):
    """Add rows to the residuals. Keyword: ``table``."""

    kwargs = ["table"]  # noqa: RUF012  glue's own protocol
    label = "measurement"

    def do(self, session):
        """Add.

        Parameters
        ----------
        session : glue.core.session.Session
        """
        collection = session.data_collection
        fresh = residual_data.find(collection) is None
        self._undo = residual_data.add_rows(collection, self.table)
        if fresh:
            link_frames(collection)
            link_overlay(collection, residual_data.find(collection))
            for viewer in image_viewers(session):
                viewer.add_data(residual_data.find(collection))

    def undo(self, session):
        """Put the residuals back as they were.

        Parameters
        ----------
        session : glue.core.session.Session
        """
        self._undo()
