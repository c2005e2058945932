"""appulse: when a minor body passes a deep-sky object, and whether the dot on the frame is that body.

The names of this page are what a notebook needs; each is loaded when it is first asked for, so importing the
package costs next to nothing. More lies in the rooms, e.g. ``from appulse.frames import SolvedFrame``.

>>> import appulse
>>> frame = appulse.example_frame()                       # or appulse.read_frame("f1.fits")
>>> bodies = appulse.open_bodies("7")                     # or orbits="mine.ecsv"
>>> measured = appulse.measure_frame(frame, bodies)
>>> measured.residuals[0].seen
True

The package knows nothing of glue, Qt or notebooks; :mod:`glue_appulse` brings it into the viewer and
:mod:`appulse.cli` to the command line.
"""

import lazy_loader

_lazy, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "astrometry.plate": ["check_plate"],
        "astrometry.residual": ["measure"],
        "astrometry.verdict": ["judge"],
        "bodies.ephemeris": ["predict"],
        "bodies.field_search": ["bodies_in_field"],
        "bodies.readers": ["read_orbits"],
        "catalogues.deepsky": ["find_object", "objects_near"],
        "catalogues.stars": ["read_star_table"],
        "formats.output": ["write_table"],
        "formats.tables": ["read_table"],
        "frames.reading": ["read_frame"],
        "observers.site": ["Site"],
        "overlays.shapes": ["outline_in_frame"],
        "overlays.track": ["track_in_frame"],
        "workflows": [
            "example_frame",
            "example_night",
            "find_movers",
            "find_passes",
            "measure_frame",
            "measure_night",
            "open_bodies",
            "open_stars",
            "plan_capture",
            "stack",
            "tail_at",
        ],
    },
)


def __getattr__(name):
    """The version is looked up when it is asked for: the metadata machinery is slow to load."""
    if name != "__version__":
        return _lazy(name)
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("appulse")
    except PackageNotFoundError:  # running from a source tree that was never installed
        return "0+unknown"
