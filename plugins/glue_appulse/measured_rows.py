"""What measurements say, in a sentence; and their rows in the table of residuals."""

from glue_appulse.data.residual_data import merged_meta


def verdict(measured) -> str:
    """What a measurement says, in a sentence."""
    from appulse.astrometry.budget import error_budget

    return error_budget(measured.residual).sentence if measured.found else measured.flag or "not measured"


def verdict_of_night(measured: list) -> str:
    """What several measurements say together: clock, orbit, plate, or all well."""
    from appulse.astrometry.verdict import judge

    seen = [one.residual for one in measured if one.found]
    return judge(seen).sentence if len(seen) > 1 else ""


def rejected(measured, reason: str):
    """The row of a measurement that its observer does not trust: no measured numbers, and the reason."""
    from appulse.formats.residual_table import make_table

    kept = {
        "frame",
        "time",
        "designation",
        "ra_calc",
        "dec_calc",
        "rate",
        "motion_pa",
        "mag_calc",
        "exposure",
    }
    row = {name: value for name, value in measured.residual.row().items() if name in kept}
    return make_table([row | {"flag": f"rejected by the observer: {reason}"}], measured.table.meta)


def joined(measured: list):
    """One residual table of several measurements."""
    from appulse.formats.residual_table import make_table

    meta = {}
    for one in measured:
        meta = merged_meta(meta, one.table.meta)
    return make_table([one.residual.row() for one in measured], meta)
