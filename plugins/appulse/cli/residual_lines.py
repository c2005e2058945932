"""What ``appulse residuals`` prints of a run."""

MOST_SENTENCES = 8
"""More sentences about single places than this stand in the verdict's file only."""

_LINE = "{:24} {:12} {:>18} {:>18} {:>18} {:>18} {:>7}  {}"


def print_residuals(outcome) -> None:
    """A line for each frame and body on standard output, and where the files are."""
    if outcome.table is None:
        return
    head = ("frame", "body", "O-C RA cosDec", "O-C Dec", "along", "across", "SNR", "flag")
    print(_LINE.format(*head))
    for row in outcome.table:
        pairs = (("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"))
        pairs += (("along", "sigma_along"), ("across", "sigma_across"))
        numbers = [_plus_minus(row[value], row[sigma]) for value, sigma in pairs]
        snr = _number(row["snr"], ".0f")
        print(_LINE.format(row["frame"], row["designation"], *numbers, snr, row["flag"]))
    print("(arcsec; by the frames' own WCS; the stars' offset is in the columns plate_dra, plate_ddec)")
    if outcome.verdict is not None:
        print(f"\n{outcome.verdict.sentence}")
    for sentence in _noteworthy(outcome):
        print(sentence)
    print()
    for path in outcome.written:
        print(path)


def _noteworthy(outcome) -> list[str]:
    """Sentences about places where something else could be the dot, or the brightness is wrong."""
    from appulse.cli.judgement import is_noteworthy

    pairs = zip(outcome.residuals, outcome.identities, strict=True)
    lines = [f"{one.frame}: {found.sentence}" for one, found in pairs if is_noteworthy(one, found)]
    if len(lines) <= MOST_SENTENCES:
        return lines
    return [*lines[:MOST_SENTENCES], f"and {len(lines) - MOST_SENTENCES} more: see verdict.yaml"]


def _plus_minus(value, sigma) -> str:
    return "-" if _number(value, "") == "-" else f"{value:+.3f}+-{sigma:.3f}"


def _number(value, form: str) -> str:
    import numpy as np

    return "-" if np.ma.is_masked(value) or not np.isfinite(value) else format(float(value), form)
