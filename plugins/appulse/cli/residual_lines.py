"""What ``appulse residuals`` prints of a run."""

MOST_SENTENCES = 8
"""More sentences about single places than this stand in the verdict's file only."""

LINES = 40
"""More observations than this stand in the table only."""

_LINE = "{:24} {:12} {:>18} {:>18} {:>18} {:>18} {:>7}  {}"


def print_residuals(saved) -> None:
    """A line for each frame and body on standard output, and where the files are."""
    from appulse.cli import common
    from appulse.workflows.judging import suspicions

    for words in saved.notes:
        common.note(words)
    if saved.table is None:
        return
    head = ("frame", "body", "O-C RA cosDec", "O-C Dec", "along", "across", "SNR", "flag")
    print(_LINE.format(*head))
    for row in saved.table:
        pairs = (("dra_cosdec", "sigma_ra"), ("ddec", "sigma_dec"))
        pairs += (("along", "sigma_along"), ("across", "sigma_across"))
        numbers = [_plus_minus(row[value], row[sigma]) for value, sigma in pairs]
        snr = _number(row["snr"], ".0f")
        print(_LINE.format(row["frame"], row["designation"], *numbers, snr, row["flag"]))
    print("(arcsec; by the frames' own WCS; the stars' offset is in the columns plate_dra, plate_ddec)")
    if saved.night.verdict is not None:
        print(f"\n{saved.night.verdict.sentence}")
    sentences = suspicions(saved.night.residuals, saved.night.identities)
    for sentence in sentences[:MOST_SENTENCES]:
        print(sentence)
    if len(sentences) > MOST_SENTENCES:
        print(f"and {len(sentences) - MOST_SENTENCES} more: see verdict.yaml")
    print()
    for path in saved.written:
        print(path)


def print_observations(compared) -> None:
    """A line for each observation, and the statistics by body and station, on standard output."""
    residuals, judged = compared.residuals, compared.judgement()
    print(f"{'observation':24} {'time, UTC':23} {'body':12} {'O-C RA cosDec':>16} {'O-C Dec':>16}  flag")
    for residual in residuals[:LINES]:
        label = f"{residual.frame[-24:]:24} {residual.time[:23]:23} {residual.designation[:12]:12}"
        pair = zip((residual.dra_cosdec, residual.ddec), residual.sigma_sky, strict=True)
        cells = [f"{value:+.3f}+-{sigma:.3f}" if residual.seen else "-" for value, sigma in pair]
        print(f"{label} {cells[0]:>16} {cells[1]:>16}  {residual.flag}")
    if len(residuals) > LINES:
        print(f"and {len(residuals) - LINES} more: see residuals.ecsv")
    print(f"\n{'body':12} {'station':8} {'n':>5} {'mean RA':>8} {'Dec':>8} {'rms RA':>8} {'Dec':>8} "
          f"{'chi2/dof':>9} {'> 3 sigma':>9}")  # fmt: skip
    for line in compared.statistics:
        ratio = line["chi2"] / line["degrees_of_freedom"]
        print(f"{line['body'][:12]:12} {line['station']:8} {line['n']:5d} {line['mean_ra']:+8.3f} "
              f"{line['mean_dec']:+8.3f} {line['rms_ra']:8.3f} {line['rms_dec']:8.3f} {ratio:9.2f} "
              f"{line['beyond_three_sigma']:9d}")  # fmt: skip
    print("(arcsec; by the predicted places, sigmas as stated or 0.5 arcsec where none are)")
    if "sentence" in judged:
        print(f"\n{judged['sentence']}\n")


def _plus_minus(value, sigma) -> str:
    return "-" if _number(value, "") == "-" else f"{value:+.3f}+-{sigma:.3f}"


def _number(value, form: str) -> str:
    import numpy as np

    return "-" if np.ma.is_masked(value) or not np.isfinite(value) else format(float(value), form)
