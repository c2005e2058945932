"""Residuals written out through glue's own export: a table with units, or observations to send."""

from glue_appulse.data.kinds import RESIDUALS, kind_of
from glue_appulse.data.residual_data import table_of
from glue_appulse.host import say


def _table(data):
    if kind_of(data) != RESIDUALS:
        raise ValueError(
            f"'{data.label}' holds no residuals; measure a body first, then export the data set 'residuals'"
        )
    return table_of(data)


def write_residuals_ecsv(filename: str, data, components: list | None=None):
    """Write residuals as ECSV."""
    from appulse.formats.residual_table import write_residuals

    write_residuals(_table(data), filename, overwrite=True)


def write_residuals_psv(filename: str, data, components: list | None=None):
    """Write measured places as ADES observations (PSV)."""
    from appulse.formats.ades.files import write_ades_psv
    from appulse.observers.site import Site

    table = _table(data)
    codes = table.meta.get("stations") or {}
    stations = {str(name): codes.get(str(name)) for name in table["frame"]}
    observers = None
    if all(stations.values()):
        observers = {name: Site.from_mpc_code(code) for name, code in stations.items()}
    else:
        say(f"{filename} is a draft (station XXX): no MPC code; the place stays private")
    write_ades_psv(table, filename, overwrite=True, observers=observers)


def write_evidence_sheet(filename: str, data, components: list | None=None):
    """Write the one-page evidence sheet (HTML) of what was measured in this run."""
    from appulse.reports.evidence import write_evidence
    from glue_appulse.data.residual_data import row_keys
    from glue_appulse.measured_rows import verdict_of_night
    from glue_appulse.measuring import kept

    table = _table(data)
    measured = [kept[key] for key in row_keys(table) if key in kept]
    if not measured:
        raise ValueError(
            "these residuals were measured in an earlier run and their stamps are gone; measure again"
        )
    left = len(table) - len(measured)
    notes = [f"{left} rows of an earlier run are left out: their stamps are gone"] if left else []
    write_evidence(
        filename,
        [one.residual for one in measured],
        overwrite=True,
        shapes={one.residual.frame: one.task.data.shape for one in measured},
        verdict=verdict_of_night(measured) or None,
        provenance=table.meta,
        notes=notes,
    )


#: Label, suffixes, function.
EXPORTERS = (
    ("Residuals (ECSV)", ["ecsv"], write_residuals_ecsv),
    ("Observations (ADES PSV)", ["psv"], write_residuals_psv),
    ("Evidence sheet (HTML)", ["html"], write_evidence_sheet),
)
