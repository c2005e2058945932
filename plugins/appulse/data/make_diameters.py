"""Write diameters.ecsv, measured diameters of minor planets, from a table with one row for each.

    python make_diameters.py --table diameters.csv

The table has the columns number, name, diameter_km, diameter_source (S: IRAS, L: literature).
"""

import argparse
from pathlib import Path

from astropy.table import Table

HERE = Path(__file__).resolve().parent
LCDB = "Asteroid Lightcurve Database of 2018-10-07 (Warner, Harris & Pravec 2009, Icarus 202, 134)"
SOURCES = {
    "S": f"IRAS, Tedesco et al. 2004 (IRAS-A-FPA-3-RDR-IMPS-V6.0), rescaled to H in the {LCDB}",
    "L": f"published value adopted by the {LCDB}",
    "J": "JPL Small-Body Database, excerpt of 2024",
}
NEWER = {1: (939.4, "J")}
"""Where a mission has measured since, or the list is known to be off: km and source."""


def main() -> None:
    """Read, choose the columns, write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--table", type=Path, required=True)
    parser.add_argument("--out", type=Path, default=HERE / "diameters.ecsv")
    args = parser.parse_args()
    rows = []
    for row in Table.read(args.table, format="ascii.csv"):
        number = int(row["number"])
        km, source = NEWER.get(number, (float(row["diameter_km"]), str(row["diameter_source"])))
        rows.append((number, str(row["name"]), km, source))
    table = Table(rows=rows, names=("number", "name", "diameter", "source"))
    table["diameter"].unit = "km"
    table.meta["sources"] = SOURCES
    table.meta["errors"] = "not stated by the list; the reference of the database itself is from memory"
    table.write(args.out, format="ascii.ecsv", overwrite=True)


if __name__ == "__main__":
    main()
