"""What a user reads, held against the glossary of the guide: no retired word, one option for one thing."""

import argparse
import ast
import re
from pathlib import Path

import pytest

from appulse.cli.guide import pages
from appulse.cli.main import COMMANDS, OLD_COMMANDS, OLD_OPTIONS, build_parser, main, present_names

ROOT = Path(__file__).resolve().parents[1]
GLOSSARY = (ROOT / "plugins" / "appulse" / "guide" / "words.md").read_text(encoding="utf-8")


def retired_words():
    """The left column of the glossary's last table, one phrase each."""
    table = GLOSSARY[GLOSSARY.index("| retired |") :].splitlines()[2:]
    cells = [line.split("|")[1] for line in table if line.startswith("|")]
    return [phrase.strip() for cell in cells for phrase in cell.split(",")]


def pattern(phrase):
    """Whole words; abbreviations in capitals only, for columns and keys are small letters."""
    flags = 0 if phrase.isupper() else re.IGNORECASE
    return re.compile(rf"(?<![\w-]){re.escape(phrase)}(?![\w-])", flags)


RETIRED = {phrase: pattern(phrase) for phrase in retired_words()}


def found_in(text):
    return [phrase for phrase, wanted in RETIRED.items() if wanted.search(text)]


def literals(path):
    """The strings of a module but its docstrings: messages, labels, keys, help; f-strings as they stand."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    # a string that is a statement of its own documents a module, a function or the constant before it
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    inner = {id(part) for node in ast.walk(tree) if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = [part.value if isinstance(part, ast.Constant) else "{}" for part in node.values]
            yield node.lineno, "".join(parts)
        elif isinstance(node, ast.Constant) and id(node) not in docstrings | inner:
            yield node.lineno, str(node.value)


def parsers(parser):
    """A command's parser and those of its actions."""
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in dict.fromkeys(action.choices.values()):
                yield from parsers(inner)


def options(inner):
    """The options of a command that its help shows."""
    return {option for parser in inner for action in parser._actions for option in action.option_strings}


@pytest.fixture(scope="module")
def commands():
    """Parsers by command."""
    found = {}
    for command in COMMANDS:
        top = build_parser(command)
        inner = next(a for a in top._actions if isinstance(a, argparse._SubParsersAction))
        found[command.name] = list(parsers(inner.choices[command.name]))
    return found


def test_the_glossary_is_read():
    assert len(RETIRED) > 40
    assert found_in("No night serves: nothing the matter.") == ["night serves", "nothing the matter"]
    assert found_in("the kind of skin") == []


@pytest.mark.parametrize("room", ["appulse", "glue_appulse"])
def test_no_message_or_label_has_a_retired_word(room):
    bad = []
    for path in sorted((ROOT / "plugins" / room).rglob("*.py")):
        for line, text in literals(path):
            bad += [f"{path.name}:{line}: {phrase}" for phrase in found_in(text) if " " in text.strip()]
    assert not bad


def test_no_help_has_a_retired_word(commands):
    for name, inner in commands.items():
        for parser in inner:
            assert not found_in(parser.format_help()), name


def test_no_page_has_a_retired_word():
    texts = {name: text for name, text in pages().items() if name != "words"}
    texts["README"] = (ROOT / "README.md").read_text(encoding="utf-8")
    for path in (ROOT / "plugins").rglob("*"):
        if path.suffix in (".html", ".md") and path.name != "words.md":
            texts[path.name] = path.read_text(encoding="utf-8")
    texts["campaign.yaml"] = (ROOT / "sample_data" / "campaign.yaml").read_text(encoding="utf-8")
    assert not {name: found_in(text) for name, text in texts.items() if found_in(text)}


def test_old_options_are_in_no_help_and_lead_to_ones_that_are(commands):
    for name, replaced in OLD_OPTIONS.items():
        shown = options(commands[name])
        assert not shown & set(replaced)
        assert set(replaced.values()) <= shown
    assert not set(OLD_COMMANDS) & set(commands)
    assert set(OLD_COMMANDS.values()) <= set(commands)


def test_options_for_the_same_thing_have_the_same_name(commands):
    """The glossary's table of options: no command shows an old name."""
    table = GLOSSARY[GLOSSARY.index("| option |") : GLOSSARY.index("Retired;")]
    cells = [line.split("|")[3] for line in table.splitlines() if line.startswith("|")]
    old = {name for cell in cells for name in re.findall(r"`(--[a-z-]+)`", cell)}
    assert {"--bodies", "--targets", "--faintest", "--share-site", "--exact-place", "--limit"} <= old
    for name, inner in commands.items():
        assert not options(inner) & old, name


def test_every_output_has_a_default_that_is_shown(commands):
    """Facts are printed where no folder is named; orbits go to the user's own collection."""
    for name, inner in commands.items():
        for parser in inner:
            for action in parser._actions:
                if "--out" in action.option_strings and name not in ("facts", "orbits"):
                    assert str(action.default).startswith(f"appulse-{name}"), name
                    assert str(action.default) in action.help, name


def test_examples_are_of_one_invented_place(commands):
    """No real observatory in a help text: YOUR_CODE stands for the reader's own."""
    for name, inner in commands.items():
        for parser in inner:
            text = parser.format_help()
            assert not re.search(r"\b(X05|W84|G96)\b|-70\.8|-68,", text), name
            named = set(re.findall(r"--site (-?[\d.]+,[-\d.,]+)", text))
            assert named <= {"20.5,-23,1250", "11,50,400"}, name  # the sample's two


def test_old_names_are_understood_and_said(capsys):
    assert present_names(["online", "places", "--share-site"])[0] == ["online", "places", "--disclose-site"]
    assert present_names([])[0] == []
    assert main(["sequence"]) == 2
    err = capsys.readouterr().err
    assert "sequence is called picture now" in err
    assert "frames and --body NAME are needed" in err
