"""Reader of the recorded JPL Horizons tables, shared by the tests of this room."""

import csv
from pathlib import Path

import numpy as np
from astropy.time import Time

from appulse.bodies.orbit import Orbit

AUTHORITIES = Path(__file__).resolve().parent.parent / "authorities"


def rows(path):
    """Rows of a CSV file whose leading lines are comments."""
    with open(path, encoding="utf-8") as handle:
        return list(csv.DictReader(line for line in handle if not line.startswith("#")))


def column(table, name):
    return np.array([float(row[name]) for row in table])


def _number(row, name):
    try:
        return float(row[name])
    except ValueError:
        return None


def cases(folder=AUTHORITIES):
    """(orbit from the first recorded state, site code, recorded rows) of every body and site."""
    first, last, table = {}, {}, {}
    for row in rows(folder / "horizons_states.csv"):
        first.setdefault(row["orbit_id"], row)
        last[row["orbit_id"]] = row
    for row in rows(folder / "horizons_positions.csv"):
        table.setdefault((row["orbit_id"], row["observatory_code"]), []).append(row)
    out = []
    for (key, code), recorded in sorted(table.items()):
        state = first[key]
        head = state["name"].split()[0]
        orbit = Orbit.from_state(
            key, float(state["mjd_tdb"]) + 2_400_000.5, vector(state), frame="ecliptic",
            number=int(head) if head.isdigit() else None,
            h=_number(recorded[0], "H"), g=_number(recorded[0], "G"),
        )  # fmt: skip
        out.append((orbit, code, recorded, last[key]))
    return out


def vector(row):
    return np.array([float(row[name]) for name in ("x", "y", "z", "vx", "vy", "vz")])


def times(table):
    return Time(column(table, "mjd_utc"), format="mjd", scale="utc")


def distance_mas(table, recorded):
    """Separation of predicted and recorded places, mas."""
    dec = column(recorded, "DEC")
    dra = (table["ra"].value - column(recorded, "RA") + 180.0) % 360.0 - 180.0
    return np.hypot(dra * np.cos(np.radians(dec)), table["dec"].value - dec) * 3.6e6
