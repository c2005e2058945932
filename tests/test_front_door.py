"""``import appulse``: what a notebook finds there, at what cost, and whether its examples run."""

import doctest
import importlib
import inspect
import re
import subprocess
import sys

import pytest

import appulse

FLAGS = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
FUNCTION_SECTIONS = ("Parameters", "Returns", "Raises", "Examples")
CLASS_SECTIONS = ("Examples",)
"""A class states its attributes; what its methods raise stands with them."""


def sections(thing) -> set[str]:
    return set(re.findall(r"^(\w+)\n-+$", inspect.getdoc(thing) or "", re.MULTILINE))


def test_the_front_door_holds_what_a_notebook_needs():
    wanted = {
        "read_frame", "read_orbits", "predict", "bodies_in_field", "objects_near", "track_in_frame",
        "outline_in_frame", "check_plate", "measure", "measure_night", "judge", "find_passes", "plan_capture",
        "stack", "find_movers", "read_star_table", "Site", "read_table", "write_table",
    }  # fmt: skip
    assert wanted <= set(appulse.__all__) <= set(dir(appulse))
    assert len(appulse.__all__) <= 30


@pytest.mark.parametrize("name", sorted(appulse.__all__))
def test_every_name_is_there_and_documented(name):
    thing = getattr(appulse, name)
    needed = CLASS_SECTIONS if inspect.isclass(thing) else FUNCTION_SECTIONS
    assert set(needed) <= sections(thing)


@pytest.mark.parametrize("name", sorted(appulse.__all__))
def test_every_example_runs_as_a_notebook_would_paste_it(name):
    thing = getattr(appulse, name)
    names = dict(vars(importlib.import_module(thing.__module__)))
    found = doctest.DocTestFinder(recurse=False).find(thing, name, globs=names)
    results = [doctest.DocTestRunner(optionflags=FLAGS).run(example) for example in found]
    assert sum(result.attempted for result in results) > 0, "no example"
    assert sum(result.failed for result in results) == 0


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = appulse.no_such_name


def test_importing_costs_next_to_nothing():
    code = "import sys, appulse; print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not {"numpy", "scipy", "astropy", "matplotlib", "glue", "qtpy"} & set(found.stdout.split())
