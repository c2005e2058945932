"""What a glue data set is to us, by its metadata.

glue keeps strings, numbers and lists of ``Data.meta`` in sessions and drops everything else without a
word, so kinds and nested tables are kept as plain strings (JSON).
"""

import json

import numpy as np

KIND_KEY = "appulse_kind"
FRAME, TRACK, OUTLINES, RESIDUALS, TAILS = "frame", "track", "outlines", "residuals", "tails"
CLOUD, PARALLAX = "cloud", "parallax"
HEAD_LINE = 10_000


def kind_of(layer) -> str | None:
    """Kind of a data set or of the data set that a subset belongs to."""
    data = getattr(layer, "data", layer)
    meta = getattr(data, "meta", None) or {}
    return meta.get(KIND_KEY)


def is_frame(layer) -> bool:
    """Whether a layer is a frame itself, and not a selection in one."""
    from glue.core.data import BaseData

    return isinstance(layer, BaseData) and kind_of(layer) == FRAME


def all_of(data_collection, kind: str) -> list:
    """Data sets of one kind, in their order."""
    return [data for data in data_collection if kind_of(data) == kind]


def has_columns(path, names) -> bool:
    """Whether a file is an ECSV table with these columns, by its content."""
    if not str(path).lower().endswith(".ecsv"):
        return False
    from appulse.errors import InputError
    from appulse.files import check_ordinary

    try:
        # A pipe would never end, and a line may be as long as the file.
        check_ordinary(path, "table")
        with open(path, encoding="utf-8") as file:
            head = [line for line in (file.readline(HEAD_LINE) for _ in range(400)) if line[:1] != "#"]
    except (OSError, UnicodeDecodeError, InputError):
        return False
    return bool(head) and set(names) <= set(head[0].split())


def to_json(value) -> str:
    """Nested plain values as one string, floats to their last digit."""

    def plain(item):
        if isinstance(item, np.generic):
            return item.item()
        if isinstance(item, np.ndarray):
            return item.tolist()
        raise TypeError(f"{type(item).__name__} cannot be kept in a session")

    return json.dumps(value, default=plain)


def from_json(text: str | None):
    """Inverse of :func:`to_json`; an empty list for an absent value."""
    return json.loads(text) if text else []
