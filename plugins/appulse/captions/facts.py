"""A fact for a caption: its value, its uncertainty, the formula, the source and what went in.

A :class:`Fact` without a source cannot be made, so that none can be printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from appulse.errors import InputError

EXACT = "exact"
"""Of counts, and of what others defined."""

KEYS = frozenset(
    {
        "date",
        "begin",
        "end",
        "frames",
        "exposure",
        "place",
        "equipment",
        "body",
        "body_distance_km",
        "body_distance_au",
        "sun_distance_au",
        "body_mag",
        "elongation",
        "motion_per_hour",
        "body_light_time",
        "motion",
        "motion_hours",
        "relative_speed",
        "body_diameter",
        "object",
        "object_type",
        "object_mag",
        "object_width",
        "object_distance",
        "object_size",
        "passing",
        "least_separation",
        "least_separation_time",
        "motion_widths",
        "times_nearer",
        "size_ratio",
        "size_words",
    }
)
"""Every fact that a template may ask for."""


@dataclass(frozen=True)
class Fact:
    """One figure that may be printed.

    Attributes
    ----------
    key : str
        Name by which a template asks for it.
    value : float or str
    unit : str
    formula, source : str
        How it was computed and who says so; neither may be empty.
    low, high : float or None
        Where the value may lie; None: no uncertainty is known.
    inputs : dict
        What went in, name to value.
    about : bool
        An estimate rather than a measurement: the text says 'about'.
    uncertainty : str
        What is known of the error where no limits are: a number needs limits or these words.

    Raises
    ------
    InputError
        Without source, formula or a word on the error; for a number that is not finite.
    """

    key: str
    value: float | str
    unit: str
    formula: str
    source: str
    low: float | None = None
    high: float | None = None
    inputs: dict = field(default_factory=dict)
    about: bool = False
    uncertainty: str = ""

    def __post_init__(self):
        if not self.source.strip() or not self.formula.strip():
            raise InputError(
                f"fact '{self.key}' has no source or no formula; a figure without one is not printed"
            )
        if isinstance(self.value, float) and not math.isfinite(self.value):
            raise InputError(
                f"fact '{self.key}' is {self.value}: inputs were {self.inputs}; give finite ones"
            )
        if isinstance(self.value, float) and self.low is None and not self.uncertainty.strip():
            raise InputError(f"fact '{self.key}' says nothing of its error: limits or words are needed")
