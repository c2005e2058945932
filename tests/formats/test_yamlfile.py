"""YAML with line numbers: traps of YAML 1.1, hostile files, messages that say where."""

import pytest

from appulse.errors import InputError
from appulse.formats.yamlfile import Fields, Located, Problems, load_yaml


def write(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "file.yaml"
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("22:30", "22:30"),  # YAML 1.1 would make 1350 of it
        ("2027-05-04", "2027-05-04"),  # and a date object of this
        ("007", 7),
        ("-23", -23),
        ("1e3", 1000.0),
        ("1.5", 1.5),
        ("-70:48:12", "-70:48:12"),
        ("2027-05-04T22:30:00Z", "2027-05-04T22:30:00Z"),
        (".5", 0.5),
        ("nan", "nan"),
        ("true", True),
    ],
)
def test_scalars_stay_what_was_written(tmp_path, text, value):
    assert load_yaml(write(tmp_path, f"key: {text}\n"))["key"] == value


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: 1\na: 2\n", ":2: not valid YAML: 'a' appears twice (first in line 1)"),
        ("a: [1, 2\nb: 3\n", "not valid YAML"),
        ("- 1\n- 2\n", "'key: value' lines expected at the top level, not a list"),
        ("a: !!python/object/apply:os.system ['true']\n", "not valid YAML"),
        ("a:\n\tb: 1\n", ":2: not valid YAML: found character '\\t'"),
        ("a:\n\tb: 1\n", "indent with spaces"),
        ("a: " + "[" * 3000, "too deep"),
        ("a: 1\x00\n", "not valid YAML"),
    ],
)
def test_hostile_files_are_named(tmp_path, text, said):
    with pytest.raises(InputError) as caught:
        load_yaml(write(tmp_path, text))
    assert said in str(caught.value)
    assert "file.yaml" in str(caught.value)


def test_missing_and_foreign_encoding(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load_yaml(tmp_path / "none.yaml")
    with pytest.raises(InputError, match="not UTF-8"):
        load_yaml(write(tmp_path, "name: Höhe\n", "latin-1"))


def test_empty_file_is_an_empty_mapping(tmp_path):
    assert load_yaml(write(tmp_path, "")) == {}


def test_all_problems_are_told_with_their_lines(tmp_path):
    text = "site:\n  name: [1]\n  height: tall\n  lattitude: 5\n  share: 1.5\n"
    path = write(tmp_path, text)
    problems = Problems(path)
    site = Fields(load_yaml(path), problems, "campaign").section("site")
    site.text("name")
    site.number("height")
    site.number("latitude", required=True)
    site.number("share", minimum=0, maximum=1)
    site.done()
    with pytest.raises(InputError) as caught:
        problems.raise_any()
    *said, count = str(caught.value).splitlines()
    assert count == "5 problems found"
    assert [line.split(":")[1] for line in said] == ["2", "2", "3", "4", "5"]
    assert "did you mean 'latitude'?" in said[3]
    assert "at least 0 and at most 1" in said[4]


def test_lists_and_flags():
    problems = Problems("x.yaml")
    fields = Fields(
        Located({"bodies": "7, 15 ,", "sizes": [1, 2], "bad": [1, float("nan")], "yes": "yes!", "n": True}),
        problems,
        "top",
    )
    assert fields.texts("bodies") == ["7", "15"]
    assert fields.numbers("sizes", length=2) == [1.0, 2.0]
    assert fields.numbers("bad") is None
    assert fields.flag("yes") is False
    assert fields.number("n") is None
    assert len(problems.found) == 3


@pytest.mark.parametrize("digits", [299, 400, 6000])
def test_a_number_beyond_all_numbers_is_named_not_raised(tmp_path, digits):
    problems = Problems("file.yaml")
    found = load_yaml(write(tmp_path, f"within: 1{'0' * digits}\n"))
    Fields(found, problems, "passes").number("within", maximum=600)
    [(line, said)] = problems.found
    assert line == 1
    assert "'within'" in said
    assert len(said) < 500


def test_whole_numbers_and_lines_of_items(tmp_path):
    found = load_yaml(write(tmp_path, "bits: 12.5\nnights: 3.0\nnames:\n  - a\n  - b\n"))
    problems = Problems("file.yaml")
    fields = Fields(found, problems, "camera")
    assert fields.number("bits", 16, whole=True) == 16
    assert fields.number("nights", whole=True) == 3
    assert problems.found == [(1, "camera: 'bits' must be a whole number, got 12.5")]
    assert [fields.line_of_item("names", i) for i in range(3)] == [4, 5, 3]


def test_what_was_got_is_shown_short(tmp_path):
    laughs = "a: &a [1,1,1,1,1,1,1,1,1]\n" + "".join(
        f"{two}: &{two} [*{one},*{one},*{one},*{one},*{one},*{one},*{one}]\n"
        for one, two in zip("abcdefgh", "bcdefghi", strict=True)
    )
    problems = Problems("file.yaml")
    Fields(load_yaml(write(tmp_path, laughs)), problems, "site").number("i")
    assert len(problems.found[0][1]) < 3000
