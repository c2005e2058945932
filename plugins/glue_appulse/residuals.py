"""Plugin: measure bodies in frames, keep the residuals as a table, write them out."""

from .kinds import RESIDUALS, kind_of
from .registry import desktop_running, once


@once("residuals")
def _register():
    from glue.config import data_exporter

    from . import exporters

    for label, suffixes, function in exporters.EXPORTERS:
        data_exporter.add(data_exporter.item(function, label, suffixes))


@once("residuals, desktop")
def _register_desktop():
    from .qt import residuals

    residuals.register()


def setup():
    """Entry point of glue."""
    _register()
    if desktop_running():
        _register_desktop()


def is_residuals(layer):
    """Whether a data set or subset holds residuals.

    Parameters
    ----------
    layer : glue.core.data.Data or glue.core.subset.Subset

    Returns
    -------
    bool
    """
    return kind_of(layer) == RESIDUALS
