"""YAML that remembers its line numbers, so that a mistake can be shown where it stands.

The campaign file and the settings file are read through this module. Plain YAML 1.1 turns ``22:30`` into
1350 and ``2027-05-04`` into a date object; here both stay the words that were written, and a key that
stands twice is an error instead of a silent loss.
"""

import difflib
import math
import operator
import re
import reprlib
from pathlib import Path

import yaml

from appulse.errors import InputError, ProblemListError
from appulse.files import read_text


class Located(dict):
    """A mapping with the line of each key (1-based)."""

    def __init__(self, items=(), line=1, lines=None):
        super().__init__(items)
        self.line = line
        self.lines = lines or {}


class LocatedList(list):
    """A list with the line of each item (1-based)."""

    def __init__(self, items=(), lines=()):
        super().__init__(items)
        self.lines = tuple(lines)


class _Loader(yaml.SafeLoader):
    pass


# More digits than a float holds; reading them as an integer takes quadratic time.
_MOST_DIGITS = 300


class _Short(reprlib.Repr):
    """What was got, never longer than a line or two, however much stands in the file."""

    def __init__(self):
        super().__init__()
        self.maxlevel, self.maxlist, self.maxdict, self.maxstring = 3, 12, 6, 60
        self.maxother = self.maxlong = 60
        self.repr_Located, self.repr_LocatedList = self.repr_dict, self.repr_list


_short = _Short()


def short(value) -> str:
    """What was got, in a line or two, whatever it is.

    Parameters
    ----------
    value : object

    Returns
    -------
    str

    Examples
    --------
    >>> short("x" * 900)
    "'xxxxxxxxxxxxxxxxxxxxxxxxxxx...xxxxxxxxxxxxxxxxxxxxxxxxxxxx'"
    """
    return _short.repr(value)


# YAML 1.1 would make 22:30 a number in base 60, 0123 octal and a date a date object: only what everybody
# reads as a number is one here.
_REDEFINED = {f"tag:yaml.org,2002:{kind}" for kind in ("timestamp", "int", "float")}
_Loader.yaml_implicit_resolvers = {
    first: [(tag, regexp) for tag, regexp in rules if tag not in _REDEFINED]
    for first, rules in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver("tag:yaml.org,2002:int", re.compile(r"^[-+]?[0-9]+$"), list("-+0123456789"))
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:float",
    re.compile(r"^[-+]?(?:(?:[0-9]+\.[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?|[0-9]+[eE][-+]?[0-9]+)$"),
    list("-+.0123456789"),
)


def _mapping(loader, node):
    loader.flatten_mapping(node)
    found = Located(line=node.start_mark.line + 1)
    for key_node, value_node in node.value:
        key = loader.construct_object(key_node, deep=True)
        line = key_node.start_mark.line + 1
        if not isinstance(key, str | int | float):
            raise yaml.constructor.ConstructorError(None, None, "a key must be a word", key_node.start_mark)
        key = str(key)
        if key in found:
            raise yaml.constructor.ConstructorError(
                None, None, f"'{key}' appears twice (first in line {found.lines[key]})", key_node.start_mark
            )
        found[key] = loader.construct_object(value_node, deep=True)
        found.lines[key] = line
    return found


def _sequence(loader, node):
    items = [loader.construct_object(item, deep=True) for item in node.value]
    return LocatedList(items, [item.start_mark.line + 1 for item in node.value])


def _integer(loader, node):
    text = loader.construct_scalar(node)
    # a leading zero is a zero, not octal; what no float can hold stays the text that was written
    return int(text) if len(text) <= _MOST_DIGITS else text


_Loader.add_constructor("tag:yaml.org,2002:map", _mapping)
_Loader.add_constructor("tag:yaml.org,2002:seq", _sequence)
_Loader.add_constructor("tag:yaml.org,2002:int", _integer)


def load_yaml(path):
    """Read a YAML file whose top level is a mapping.

    Parameters
    ----------
    path : path

    Returns
    -------
    Located

    Raises
    ------
    InputError
        Unreadable, not UTF-8, not YAML, a key twice, or no mapping; file and line are named.

    Examples
    --------
    >>> import tempfile, pathlib
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "night.yaml"
    >>> _ = file.write_text("from: 2027-05-04\\nat: 22:30\\n")
    >>> found = load_yaml(file)
    >>> found["at"], found.lines["at"]
    ('22:30', 2)
    """
    path = Path(path)
    text = read_text(path, "a YAML file")
    try:
        found = yaml.load(text, Loader=_Loader)  # noqa: S506 (a SafeLoader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 1
        hint = "; indent with spaces, a tab is not allowed" if "\\t" in str(error.problem) else ""
        raise InputError(f"{path}:{line}: not valid YAML: {error.problem or error.context}{hint}") from None
    except yaml.YAMLError as error:
        raise InputError(f"{path}: not valid YAML: {' '.join(str(error).split())}") from None
    except RecursionError:
        raise InputError(f"{path}: lists or mappings are nested too deeply; write them flat") from None
    if found is None:
        found = Located()
    if not isinstance(found, Located):
        kind = "list" if isinstance(found, list) else type(found).__name__
        raise InputError(f"{path}:1: 'key: value' lines expected at the top level, not a {kind}")
    return found


class Problems:
    """Everything that is wrong with one file, told together."""

    def __init__(self, path):
        self.path = Path(path)
        self.found = []

    def add(self, line, text):
        """Note a problem at a line."""
        self.found.append((line, text))

    def raise_any(self):
        """Raise InputError that lists the problems in the order of their lines, or return."""
        if self.found:
            lines = [f"{self.path}:{line}: {text}" for line, text in sorted(self.found)]
            if len(lines) > 1:
                lines.append(f"{len(lines)} problems found")
            raise ProblemListError("\n".join(lines))


class Fields:
    """Takes typed values out of a mapping, noting what is missing, wrong or unknown."""

    def __init__(self, mapping, problems, where):
        if not isinstance(mapping, Located):
            problems.add(1, f"{where}: 'key: value' lines expected, got {short(mapping)}")
            mapping = Located()
        self.mapping, self.problems, self.where = mapping, problems, where
        self._asked = []

    def line(self, key=None):
        """Line of a key, or of the mapping."""
        return self.mapping.lines.get(key, self.mapping.line)

    def problem(self, key, text, default=None):
        """Note a problem with a key; gives back `default`, to go on with and find the next problem."""
        self.problems.add(self.line(key), f"{self.where}: {text}")
        return default

    def raw(self, key, default=None, *, required=False):
        """The value as YAML gave it."""
        self._asked.append(key)
        value = self.mapping.get(key)
        if value is None and required:
            self.problem(None, f"'{key}' is missing")
        return default if value is None else value

    def text(self, key, default=None, *, required=False, choices=None):
        """Words; numbers are taken as their text. `choices` limits them."""
        value = self.raw(key, required=required)
        if value is None:
            return default
        if isinstance(value, bool | dict | list):
            return self.problem(key, f"'{key}' must be text, got {short(value)}", default)
        value = str(value)
        if choices and value not in choices:
            return self.problem(key, f"'{key}' is {short(value)}; allowed: {', '.join(choices)}", default)
        return value

    def flag(self, key, default=False):
        """True or false."""
        value = self.raw(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            return self.problem(key, f"'{key}' must be true or false, got {short(value)}", default)
        return value

    def line_of_item(self, key, number):
        """Line of an item of the list under a key, or of the key."""
        lines = getattr(self.mapping.get(key), "lines", ())
        return lines[number] if isinstance(lines, tuple) and number < len(lines) else self.line(key)

    def number(
        self, key, default=None, *, required=False, minimum=None, maximum=None, above=None, whole=False
    ):
        """A finite number within limits (`minimum`, `maximum` included; `above` excluded), `whole` or not."""
        value = self.raw(key, required=required)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return self.problem(key, f"'{key}' must be a number, got {short(value)}", default)
        if whole and value != int(value):
            return self.problem(key, f"'{key}' must be a whole number, got {value}", default)
        limits = (
            ("at least", minimum, operator.ge), ("above", above, operator.gt),
            ("at most", maximum, operator.le),
        )  # fmt: skip
        limits = [limit for limit in limits if limit[1] is not None]
        if not all(holds(value, limit) for _, limit, holds in limits):
            words = " and ".join(f"{word} {limit}" for word, limit, _ in limits)
            return self.problem(key, f"'{key}' is {short(value)}; it must be {words}", default)
        return float(value)

    def texts(self, key, default=()):
        """A list of words; a single word is a list of one, commas separate."""
        value = self.raw(key)
        if value is None:
            return list(default)
        items = value if isinstance(value, list) else [value]
        if any(isinstance(item, bool | dict | list) or item is None for item in items):
            return self.problem(key, f"'{key}' must be a list of words, got {short(value)}", list(default))
        if isinstance(value, list):
            return [str(item) for item in value]
        return [part.strip() for part in str(value).split(",") if part.strip()]

    def numbers(self, key, default=None, *, length=None, minimum=None, maximum=None):
        """A list of finite numbers, of a given length and within limits."""
        value = self.raw(key)
        if value is None:
            return default
        good = isinstance(value, list) and all(
            isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in value
        )
        if not good or (length is not None and len(value) != length):
            count = f"{length} " if length is not None else ""
            return self.problem(key, f"'{key}' must be a list of {count}numbers, got {short(value)}", default)
        if any((minimum is not None and v < minimum) or (maximum is not None and v > maximum) for v in value):
            return self.problem(
                key, f"'{key}' holds a value outside {minimum} to {maximum}: {short(value)}", default
            )
        return [float(v) for v in value]

    def section(self, key):
        """A mapping under this key as Fields, or None when it is not there."""
        value = self.raw(key)
        if value is None:
            return None
        if not isinstance(value, Located):
            return self.problem(key, f"'{key}' must hold 'key: value' lines, got {short(value)}")
        return Fields(value, self.problems, f"{self.where} {key}".strip())

    def sections(self, key):
        """A list of mappings under this key as a list of Fields."""
        value = self.raw(key)
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(item, Located) for item in value):
            return self.problem(key, f"'{key}' must be a list ('- name: ...'), got {short(value)}", [])
        return [Fields(item, self.problems, f"{key}[{number}]") for number, item in enumerate(value, 1)]

    def done(self):
        """Complain of every key that nobody asked for."""
        for key in self.mapping:
            if key not in self._asked:
                near = difflib.get_close_matches(key, self._asked, 1)
                known = ", ".join(sorted(set(self._asked)))
                hint = f"did you mean '{near[0]}'?" if near else f"known: {known}"
                self.problem(key, f"'{key}' is not known here; {hint}")
