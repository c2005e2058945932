"""What the user has chosen for this run: orbit source, star table; first out of the settings file."""

from dataclasses import dataclass


@dataclass
class Choices:
    """Sources in use.

    Parameters
    ----------
    orbits : str or None
        Path; None: the bundled starter set.
    stars : str or None
        Path; None: the bundled bright stars.
    """

    orbits: str | None = None
    stars: str | None = None


_choices = None


def current():
    """The choices of this run.

    Returns
    -------
    Choices
    """
    global _choices
    if _choices is None:
        _choices = Choices(**_from_settings())
    return _choices


def _from_settings():
    from appulse.errors import AppulseError
    from appulse.formats.settings import read_settings

    from glue_appulse.notices import say

    try:
        settings = read_settings()
    except AppulseError as exc:
        say(f"the settings file cannot be used, so none of it is: {exc}")
        return {}
    first = lambda paths: str(paths[0]) if paths else None  # noqa: E731
    return {"orbits": first(settings.orbits), "stars": first(settings.stars)}


def forget():
    """Start from the settings file again."""
    global _choices
    _choices = None
