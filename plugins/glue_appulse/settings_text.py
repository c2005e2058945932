"""Changes of a YAML file that leave its comments and all that is not touched as they are."""

import re

import yaml

ITEM = re.compile(r"( *)- ")


def _dump(value):
    return yaml.safe_dump(value, sort_keys=False, allow_unicode=True)


def _block(lines, key):
    """First line and end of the lines of a top-level key; None where it is not there."""
    start = next((i for i, line in enumerate(lines) if re.match(rf"{re.escape(key)}\s*:", line)), None)
    if start is None:
        return None
    end = start + 1
    while end < len(lines) and (lines[end][:1] in (" ", "-", "") or lines[end].startswith("#")):
        end += 1
    while end > start + 1 and (not lines[end - 1].strip() or lines[end - 1].startswith("#")):
        end -= 1  # what stands before the next key belongs to that one
    return start, end


def _items(lines, start, end):
    """Line ranges of the items of a list in block style, and their indent; None for any other style."""
    marks = [(i, ITEM.match(lines[i])) for i in range(start + 1, end)]
    found = [(i, len(match[1])) for i, match in marks if match]
    if not found:
        return None
    indent = min(depth for _i, depth in found)
    starts = [i for i, depth in found if depth == indent]
    return list(zip(starts, [*starts[1:], end], strict=True)), " " * indent


def _written(item, indent):
    return [indent + line for line in _dump([item]).splitlines()]


def _with_list(lines, key, old, new):
    """Lines with another list under a key, item by item; None where that cannot be done."""
    place = _block(lines, key)
    parts = _items(lines, *place) if place else None
    if parts is None or len(parts[0]) != len(old):
        return None
    ranges, indent = parts
    kept = {i: lines[a:b] for i, (a, b) in enumerate(ranges)}
    names = [item.get("name") if isinstance(item, dict) else item for item in old]
    body = []
    for item in new:
        name = item.get("name") if isinstance(item, dict) else item
        if item in old:
            body += kept[old.index(item)]
        elif name in names:
            body += [*_written(item, indent), *_comments_of(kept[names.index(name)])]
        else:
            body += _written(item, indent)
    return [*lines[: ranges[0][0]], *body, *lines[place[1] :]]


def _comments_of(lines):
    return [line for line in lines if line.lstrip().startswith("#")]


def with_content(text, content):
    """A YAML text that holds other content, with as little of it rewritten as can be.

    Parameters
    ----------
    text : str
        A mapping, or empty.
    content : dict
        What it shall hold.

    Returns
    -------
    str
        Reads back as ``content``. Items of lists that stay keep their lines; where the text's style allows no
        such change, the key is written anew, and in the last resort the whole text.

    Examples
    --------
    >>> text = "# mine\\nsites:\\n  - name: ledge   # by the window\\norbits: [a.ecsv]\\n"
    >>> content = {"sites": [{"name": "ledge"}, {"name": "roof"}], "orbits": ["a.ecsv"]}
    >>> print(with_content(text, content), end="")
    # mine
    sites:
      - name: ledge   # by the window
      - name: roof
    orbits: [a.ecsv]
    """
    old, lines = yaml.safe_load(text) or {}, text.splitlines()
    for key, value in content.items():
        if old.get(key) == value:
            continue
        listed = isinstance(value, list) and isinstance(old.get(key), list)
        changed = _with_list(lines, key, old[key], value) if listed else None
        if changed is None:
            place = _block(lines, key) or (len(lines), len(lines))
            changed = [*lines[: place[0]], *_dump({key: value}).splitlines(), *lines[place[1] :]]
        lines = changed
    made = "\n".join(lines) + "\n"
    try:
        same = yaml.safe_load(made) == content
    except yaml.YAMLError:
        same = False
    return made if same else _dump(content)
