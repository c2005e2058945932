"""Colours of everything that is drawn on a picture of the sky.

Derived from the colour-blind safe set of Okabe & Ito (2008, "Color Universal Design"), its dark members
lightened until they stand out on a dark sky. Plain hexadecimal, so that any front end can use them.
"""

TRACK = "#f0a830"
"""Path of a body and its ticks (orange)."""
MID = "#f7ec59"
"""Predicted place at mid-exposure, trail and error ellipse (yellow)."""
MEASURED = "#ffffff"
"""Measured place (white)."""
RESIDUAL = "#ff8f66"
"""Arrow from the predicted to the measured place (vermilion)."""
ANTISOLAR, SYNDYNE, SYNCHRONE, ION_TAIL = "#f2f2f2", "#4fd6ab", "#c9b3ff", "#8ecbf5"
"""Lines of a comet's tail: the direction away from the Sun, dust of one beta, dust of one age, plasma."""
TEXT = "#f2f2f2"
HALO = "#0b0e14"
"""Edge around lines and letters: keeps them legible on bright nebulae."""

GALAXY = "#e8a0c8"
NEBULA = "#b9a7ff"
DARK_NEBULA = "#bfb39a"
CLUSTER = "#8ecbf5"
REMNANT = "#ff9e6d"
OTHER = "#c8c8c8"
HAND_DRAWN = "#d9c8a0"

BODIES = (TRACK, "#8ecbf5", "#4fd6ab", "#e8a0c8", "#f7ec59", RESIDUAL, "#c9b3ff", "#ffffff")
"""One after the other for several bodies in one picture."""


def outline_colour(object_type, kind="ellipse"):
    """Colour of an object's outline.

    Parameters
    ----------
    object_type : str
        In words, as :class:`appulse.catalogues.deepsky.Outline` has it.
    kind : str
        ``polygon`` for outlines drawn by hand.

    Returns
    -------
    str
        ``#rrggbb``

    Examples
    --------
    >>> outline_colour("reflection nebula") == NEBULA, outline_colour("pair of galaxies") == GALAXY
    (True, True)
    """
    words = object_type.lower()
    table = (
        ("dark", DARK_NEBULA), ("remnant", REMNANT), ("galax", GALAXY), ("nebula", NEBULA),
        ("ionised", NEBULA), ("cluster", CLUSTER), ("association", CLUSTER),
    )  # fmt: skip
    found = next((colour for word, colour in table if word in words), None)
    return found or (HAND_DRAWN if kind == "polygon" else OTHER)
