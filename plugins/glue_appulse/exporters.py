"""Residuals written out through glue's own export: a table with units, or observations to send."""

from .kinds import RESIDUALS, kind_of
from .residual_data import table_of


def _table(data):
    if kind_of(data) != RESIDUALS:
        raise ValueError(
            f"'{data.label}' holds no residuals; measure a body first, then export the data set 'residuals'"
        )
    return table_of(data)


def write_residuals_ecsv(filename, data, components=None):
    """Write residuals as ECSV.

    Parameters
    ----------
    filename : str
        glue's dialog has asked about an existing file already.
    data : glue.core.data.Data or glue.core.subset.Subset
    components : list or None
        Ignored: a residual is whole or none.
    """
    from appulse.formats.residual_table import write_residuals

    write_residuals(_table(data), filename, overwrite=True)


def write_residuals_psv(filename, data, components=None):
    """Write measured places as ADES observations (PSV).

    Parameters
    ----------
    filename : str
    data : glue.core.data.Data or glue.core.subset.Subset
    components : list or None
        Ignored.
    """
    from appulse.formats.ades import write_ades_psv

    write_ades_psv(_table(data), filename, overwrite=True)


#: Label, suffixes, function.
EXPORTERS = (
    ("Residuals (ECSV)", ["ecsv"], write_residuals_ecsv),
    ("Observations (ADES PSV)", ["psv"], write_residuals_psv),
)
