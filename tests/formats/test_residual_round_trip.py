"""Every column of the residual table, whatever it holds, comes back from its file and reaches ADES."""

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from appulse.formats.ades.build import AdesHeader, build_blocks
from appulse.formats.ades.files import ades_psv, ades_xml, read_ades
from appulse.formats.residual_table import COLUMNS, make_table, read_residuals, write_residuals
from appulse.observers.site import Site

SEEDS = range(25)
TEXTS = {
    "frame": (
        "a.fits",
        "Nächte/Ä b.fits.fz",
        "x|y.fits",
        "a, b;.fits",
        'say "b".fits',
        " c .fits",
        "#1.fits",
    ),
    "designation": ("7", "(7)", "2020 AB12", "C/2023 A3", "67P", "visitor", "none", "nan", "0007"),
    "note_codes": ("", "d", "dI", "dt"),
    "flag": ("", "saturated | odd", "a\nb", 'he said "no"', "--", "µ-lens: 5 σ"),
}
LIMITS = {
    "ra_obs": (0.0, 360.0), "dec_obs": (-90.0, 90.0), "ra_calc": (0.0, 360.0), "dec_calc": (-90.0, 90.0),
    "corr_ra_dec": (-1.0, 1.0), "motion_pa": (0.0, 360.0), "mag_calc": (-2.0, 30.0), "mag_obs": (-2.0, 30.0),
}  # fmt: skip
PAIRS = (
    ("ra_obs", "ra"), ("dec_obs", "dec"), ("sigma_ra", "rmsRA"), ("sigma_dec", "rmsDec"), ("mag_obs", "mag"),
    ("sigma_mag", "rmsMag"), ("exposure", "exp"), ("n_stars", "nStars"), ("sigma_time", "rmsTime"),
    ("rms_stars", "rmsFit"),
)  # fmt: skip
"""Columns and the fields that hold them."""
POSITIVE = ("sigma", "snr", "rate", "exposure", "n_stars", "aperture", "rms_stars")


def number(rng, column):
    """From tiny to large, sometimes the edge of what is allowed, sometimes nothing."""
    draw = rng.random()
    if draw < 0.15:
        return None if rng.random() < 0.5 else float("nan")
    if column.name in LIMITS:
        low, high = LIMITS[column.name]
        return float(rng.choice([low, high])) if draw < 0.25 else float(rng.uniform(low, high))
    value = float(10 ** rng.uniform(-4, 4))
    if column.kind == "count":
        return int(value)
    return value if column.name.startswith(POSITIVE) else value * rng.choice([-1.0, 1.0])


def invented(seed, many=12):
    rng, rows = np.random.default_rng(seed), []
    for k in range(many):
        row = {column.name: number(rng, column) for column in COLUMNS if column.kind != "text"}
        row |= {name: str(rng.choice(words)) for name, words in TEXTS.items()}
        time = Time("2018-05-05T00:00:00") + TimeDelta(rng.uniform(-3e8, 2e8), format="sec")
        rows.append(row | {"time": Time(time, precision=3).isot, "frame": f"{k}{row['frame']}"})
    return rows


@pytest.mark.parametrize("seed", SEEDS)
def test_every_column_comes_back(tmp_path, seed):
    rows = invented(seed)
    table = make_table(rows, {"stars": "mine", "orbits": {"file": "a.ecsv", "rows": [1, 2]}})
    again = read_residuals(write_residuals(table, tmp_path / "r.ecsv"))
    assert again.colnames == [column.name for column in COLUMNS]
    assert dict(again.meta) == dict(table.meta) | {"file": "r.ecsv"}
    for column in COLUMNS:
        name, one, other = column.name, table[column.name], again[column.name]
        assert other.unit == one.unit, name
        np.testing.assert_array_equal(np.ma.getmaskarray(other), np.ma.getmaskarray(one), err_msg=name)
        assert list(other.compressed()) == list(one.compressed()), name
        for row, given in zip(again, rows, strict=True):
            if column.kind == "text":
                assert str(row[name]) == given[name], name
            elif given[name] is not None and np.isfinite(given[name]):
                half = 0.5 * 10.0 ** -(column.decimals or 0)
                rounding = 4 * np.spacing(abs(given[name]))
                assert abs(row[name] - given[name]) <= half * (1 + 1e-6) + rounding, name
            else:
                assert np.ma.is_masked(row[name]), name


@pytest.mark.parametrize("seed", SEEDS)
def test_what_ades_has_a_field_for_reaches_it(tmp_path, seed):
    """Each field within half its own last digit, which stands below a tenth of the stated sigma."""
    rows = [row for row in invented(seed) if usable(row)]
    if not rows:
        rows = [row | {"ra_obs": 10.0, "dec_obs": 5.0} for row in invented(seed)[:1]]
    table = make_table(rows)
    blocks = build_blocks(
        table, AdesHeader(mpc_code="X05"), plate="as solved", band="G", observers=Site.from_mpc_code("X05")
    )
    for name, write in (("a.psv", ades_psv), ("a.xml", ades_xml)):
        (tmp_path / name).write_text(write(blocks), encoding="utf-8")
        assert read_ades(tmp_path / name) == blocks
    found = [row for block in blocks for row in block.rows]
    assert len(found) == len(table)
    for row, fields in zip(table, found, strict=True):
        for column, field in PAIRS:
            if field in fields and not np.ma.is_masked(row[column]):
                digits = fields[field].partition(".")[2]
                off = abs(float(fields[field]) - row[column])
                off = min(off, 360.0 - off) if field == "ra" else off
                assert off <= 0.5 * 10.0 ** -len(digits) * (1 + 1e-6), (column, fields)
        if fields.get("logSNR") and not np.ma.is_masked(row["snr"]):
            assert float(fields["logSNR"]) == pytest.approx(np.log10(row["snr"]), abs=0.0051)
        assert abs((Time(fields["obsTime"].rstrip("Z")) - Time(row["time"])).sec) <= 0.5
        if not np.ma.is_masked(row["sigma_dec"]) and row["sigma_dec"] > 0:
            last = 3600.0 * 10.0 ** -len(fields["dec"].partition(".")[2])
            assert last <= max(row["sigma_dec"] / 10.0 * (1 + 1e-6), 3.6e-6)


def usable(row):
    return all(row[name] is not None and np.isfinite(row[name]) for name in ("ra_obs", "dec_obs"))
