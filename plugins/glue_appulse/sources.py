"""Where predictions and reference stars come from in the viewer: opened once, kept for the run.

What the user has chosen for this run: orbit source, star table; first out of the settings file.
"""

from dataclasses import dataclass, field
from pathlib import Path

STARTER = "starter set"
#: A catalogue up to this many bodies is predicted as a whole; a larger one is searched by place first.
LISTED = 5000


@dataclass
class OrbitSource:
    """Bodies that can be predicted."""

    #: What people read: the file's name, or 'starter set'.
    label: str
    #: None for the bundled starter set.
    path: Path | None
    #: With ``at(times, observer, bodies)``.
    ephemeris: object
    #: What the ephemeris calls a body, to what people read.
    names: dict = field(default_factory=dict)
    #: Of the orbits, where the source tells it.
    date: str = ""
    #: None for a table of places.
    catalogue: object = None

    def find(self, text: str) -> str:
        """The body that a text means."""
        row = int(self.ephemeris.rows([text.strip()])[0])
        if self.catalogue is None:
            return str(self.ephemeris.designations[row])
        key = str(self.catalogue.orbit(row).designation)
        self.names.setdefault(key, self.catalogue.label(row))
        return key

    def name_of(self, key: str) -> str:
        """What people read of a body; of a large catalogue a name is looked up when it is asked for."""
        if key not in self.names and self.catalogue is not None:
            self.names[key] = self.catalogue.label(int(self.ephemeris.rows([key])[0]))
        return self.names.get(key, key)


_sources, _stars = {}, {}


def _stamp(path):
    stat = path.stat()
    return str(path.resolve()), stat.st_mtime_ns, stat.st_size


def _is_places(path):
    """Whether a file is a table of places rather than of orbits."""
    from appulse.errors import InputError
    from appulse.formats.tables import read_table

    if path.suffix.lower() not in (".ecsv", ".csv", ".vot", ".xml", ".fits"):
        return False
    try:
        columns = {name.lower() for name in read_table(path).colnames}
    except InputError:
        return False
    return {"ra", "dec"} <= columns and "epoch" not in columns


def open_orbits(path: str | Path | None=None) -> OrbitSource:
    """Open a source of orbits or of places."""
    path = None if path in (None, "", STARTER) else Path(path)
    key = STARTER if path is None else _stamp(path)
    if key not in _sources:
        _sources[key] = _open_places(path) if path is not None and _is_places(path) else _open_catalogue(path)
    return _sources[key]


def _open_places(path):
    from appulse.bodies.tabulated import TabulatedEphemeris

    ephemeris = TabulatedEphemeris.from_table(path)
    names = {str(name): str(name) for name in ephemeris.designations}
    return OrbitSource(path.name, path, ephemeris, names)


def _open_catalogue(path):
    from appulse.bodies.ephemeris import NBodyEphemeris
    from appulse.bodies.readers import read_orbits, starter_orbits
    from glue_appulse.host import say

    catalogue = starter_orbits() if path is None else read_orbits(path)
    if catalogue.rejected:
        line, reason = catalogue.rejected[0]
        say(f"{len(catalogue.rejected)} lines of {path.name} cannot be used; the first, {line}: {reason}")
    ephemeris = NBodyEphemeris(catalogue)
    listed = range(len(catalogue)) if len(catalogue) <= LISTED else ()
    names = {str(catalogue.orbit(row).designation): catalogue.label(row) for row in listed}
    label = STARTER if path is None else path.name
    return OrbitSource(label, path, ephemeris, names, catalogue.source_date, catalogue)


def open_stars(path: str | Path | None=None):
    """Reference stars."""
    if path in (None, ""):
        return None
    from appulse.catalogues.stars import read_star_table

    path = Path(path)
    key = _stamp(path)
    if key not in _stars:
        _stars[key] = read_star_table(path)
    return _stars[key]


def stars_for(frame, path: str | Path | None=None):
    """Reference stars around a frame."""
    table = open_stars(path)
    if table is not None:
        return table
    from appulse.catalogues.stars import bundled_stars

    return bundled_stars(*frame.centre, frame.radius_deg + 0.02)


@dataclass
class Choices:
    """Sources in use."""

    #: Path; None: the bundled starter set.
    orbits: str | None = None
    #: Path; None: the bundled bright stars.
    stars: str | None = None


_choices = None


def chosen() -> Choices:
    """The choices of this run."""
    global _choices
    if _choices is None:
        _choices = Choices(**_from_settings())
    return _choices


def _from_settings():
    from appulse.errors import AppulseError
    from appulse.formats.settings import read_settings
    from glue_appulse.host import say

    try:
        settings = read_settings()
    except AppulseError as exc:
        say(f"the settings file cannot be used, so none of it is: {exc}")
        return {}
    first = lambda paths: str(paths[0]) if paths else None  # noqa: E731
    return {"orbits": first(settings.orbits), "stars": first(settings.stars)}


def forget_choices():
    """Start from the settings file again."""
    global _choices
    _choices = None
