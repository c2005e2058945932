"""What ``appulse residuals`` prints of a run."""

MOST_SENTENCES = 8
"""More sentences about single places than this stand in the verdict's file only."""

LINES = 40
"""More observations than this stand in the table only."""

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


def print_observations(residuals, summary, told) -> None:
    """A line for each observation, and the statistics by body and station, on standard output."""
    print(f"{'observation':24} {'time, UTC':23} {'body':12} {'O-C RA cosDec':>16} {'O-C Dec':>16}  flag")
    for one in residuals[:LINES]:
        label = f"{one.frame[-24:]:24} {one.time[:23]:23} {one.designation[:12]:12}"
        pair = zip((one.dra_cosdec, one.ddec), one.sigma_sky, strict=True)
        cells = [f"{value:+.3f}+-{sigma:.3f}" if one.seen else "-" for value, sigma in pair]
        print(f"{label} {cells[0]:>16} {cells[1]:>16}  {one.flag}")
    if len(residuals) > LINES:
        print(f"and {len(residuals) - LINES} more: see residuals.ecsv")
    print(f"\n{'body':12} {'station':8} {'n':>5} {'mean RA':>8} {'Dec':>8} {'rms RA':>8} {'Dec':>8} "
          f"{'chi2/dof':>9} {'> 3 sigma':>9}")  # fmt: skip
    for line in summary:
        ratio = line["chi2"] / line["degrees_of_freedom"]
        print(f"{line['body'][:12]:12} {line['station']:8} {line['n']:5d} {line['mean_ra']:+8.3f} "
              f"{line['mean_dec']:+8.3f} {line['rms_ra']:8.3f} {line['rms_dec']:8.3f} {ratio:9.2f} "
              f"{line['beyond_three_sigma']:9d}")  # fmt: skip
    print("(arcsec; by the predicted places, sigmas as stated or 0.5 arcsec where none are)")
    if "sentence" in told:
        print(f"\n{told['sentence']}\n")


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
