"""A year's pictures cut to a handful: the list with the user's own rules, and the manifest of what is sent.

Nothing here ranks pictures: what is chosen, and in which order, stands in the list.
"""

import stat
import warnings
from dataclasses import dataclass, replace
from datetime import date
from io import BytesIO
from pathlib import Path

import yaml
from PIL import Image, ImageCms, UnidentifiedImageError

from appulse.errors import InputError
from appulse.formats import Fields, Problems, file_sha256, load_yaml, short

ALLOWED = ("allowed", "declared", "forbidden")
FORMATS = ("jpeg", "tiff", "png")
INSTRUMENTS = ("own", "hired")
OPENED = ("JPEG", "TIFF", "PNG", "WEBP", "GIF", "BMP", "JPEG2000")
"""Pillow's names of what is opened as a picture: none of these starts another program, as PostScript does."""
LONGEST_TEXT = 20_000_000
"""Bytes of facts or evidence to go with a picture: a sheet with its pictures inside has some 2 MB."""


@dataclass(frozen=True)
class Rules:
    """The user's own rules; what is not given is not checked."""

    count: int | None = None  # most pictures
    shortest_px: float | None = None  # limits of the longer side
    longest_px: float | None = None
    megabytes: float | None = None  # largest file
    formats: tuple = ()
    profile: str | None = None  # part of the colour profile's description, e.g. sRGB
    taken_from: str | None = None  # days between which every capture lies, YYYY-MM-DD
    taken_to: str | None = None
    # allowed, declared (the list must say of every picture whether it is one) or forbidden
    composites: str = "allowed"
    hired: str = "allowed"
    categories: tuple = ()
    per_category: int | None = None


@dataclass(frozen=True)
class Entry:
    """One picture of the list; the last five are known after :func:`check_entries`."""

    file: Path
    title: str
    category: str = ""
    caption: str = ""
    dates: tuple = ()  # days of capture, YYYY-MM-DD
    instrument: str | None = None  # own or hired
    composite: bool | None = None
    facts: Path | None = None
    evidence: Path | None = None
    chosen: bool = True
    problems: tuple = ()
    texts: tuple = ()  # those of facts and evidence that are what they should be
    size_px: tuple | None = None
    profile: str = ""
    format: str = ""


def read_entries(path, allow_outside=False):
    """Read the list.

    Parameters
    ----------
    path : path
        YAML with `pictures` and, optionally, `rules`.
    allow_outside : bool
        Also take files that lie outside the list's folder. Whoever wrote the list chooses what is copied into
        the set, so that a list from elsewhere is kept to its own folder.

    Returns
    -------
    rules : Rules
    entries : list of Entry
        Files are looked for from the list's folder.

    Raises
    ------
    InputError
        With the line of every mistake.
    """
    path = Path(path)
    problems = Problems(path)
    top = Fields(load_yaml(path), problems, "list")
    section = top.section("rules")
    rules = Rules() if section is None else _rules(section)
    entries = [_entry(fields, path.parent, allow_outside) for fields in top.sections("pictures")]
    top.done()
    if not entries:
        problems.add(1, "'pictures' holds nothing: '- file: ...' for every picture")
    problems.raise_any()
    return rules, entries


def _rules(fields) -> Rules:
    def whole(key):
        value = fields.number(key, minimum=1)
        return None if value is None else int(value)

    rules = Rules(
        count=whole("count"),
        shortest_px=fields.number("shortest_px", above=0),
        longest_px=fields.number("longest_px", above=0),
        megabytes=fields.number("megabytes", above=0),
        formats=tuple(word.lower().replace("jpg", "jpeg") for word in fields.texts("formats")),
        profile=fields.text("profile"),
        taken_from=_day(fields, "taken_from"),
        taken_to=_day(fields, "taken_to"),
        composites=fields.text("composites", "allowed", choices=ALLOWED),
        hired=fields.text("hired", "allowed", choices=ALLOWED),
        categories=tuple(fields.texts("categories")),
        per_category=whole("per_category"),
    )
    for word in rules.formats:
        if word not in FORMATS:
            fields.problem("formats", f"{word!r} is not known; allowed: {', '.join(FORMATS)}")
    fields.done()
    return rules


def _day(fields, key, value=None):
    text = fields.text(key) if value is None else value
    if text is not None and not _is_day(text):
        fields.problem(key, f"{text!r} is not a date; write YYYY-MM-DD")
        return None
    return text


def _is_day(text) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return len(text) == 10  # fromisoformat also takes 20270504 and week dates


def _entry(fields, folder, allow_outside) -> Entry:
    def path_of(key, required=False):
        text = fields.text(key, required=required)
        if text is None:
            return None
        if "\0" in text:
            return fields.problem(key, f"'{key}' is no name of a file: {short(text)}")
        # A link is followed first: one within the folder may lead out of it.
        if not allow_outside and not (folder / text).resolve().is_relative_to(folder.resolve()):
            return fields.problem(
                key,
                f"'{key}' is {short(text)}, outside the list's folder; copy it there, or give "
                "--allow-outside if the list is your own",
            )
        return folder / text

    composite = fields.raw("composite")
    if composite is not None and not isinstance(composite, bool):
        fields.problem("composite", f"'composite' must be true or false, got {composite!r}")
    dates = fields.texts("dates")
    for day in dates:
        _day(fields, "dates", day)
    entry = Entry(
        file=path_of("file", required=True) or folder,
        title=fields.text("title", "", required=True),
        category=fields.text("category", ""),
        caption=fields.text("caption", ""),
        dates=tuple(dates),
        instrument=fields.text("instrument", choices=INSTRUMENTS),
        composite=composite,
        facts=path_of("facts"),
        evidence=path_of("evidence"),
        chosen=fields.flag("chosen", True),
    )
    fields.done()
    return entry


def safe_suffix(path) -> str:
    """The ending of a file's name in small letters; empty where it is none that any system takes.

    Examples
    --------
    >>> safe_suffix(Path("a.TIF")), safe_suffix(Path("b.not one"))
    ('.tif', '')
    """
    suffix = path.suffix.lower()
    return suffix if len(suffix) <= 6 and suffix[1:].isascii() and suffix[1:].isalnum() else ""


def safe_name(number, title, suffix) -> str:
    """A file name that any system takes.

    Examples
    --------
    >>> safe_name(3, "(7) Iris: dots & dust", ".jpg")
    '03_7_iris_dots_dust.jpg'
    """
    words = "".join(letter if letter.isascii() and letter.isalnum() else " " for letter in title.lower())
    return f"{number:02d}_{'_'.join(words.split())[:60] or 'picture'}{suffix}"


def copies_of(entry, number) -> tuple[str, list]:
    """What of an entry is copied into the set, and under which names.

    Parameters
    ----------
    entry : Entry
        Checked: what could not be opened as a picture, or read as text, is not handed on.
    number : int
        Its place in the set, from 1.

    Returns
    -------
    name : str
        Of the picture's copy.
    copies : list of (Path, str)
        File and name of its copy.

    Examples
    --------
    >>> copies_of(Entry(Path("a.JPG"), "One", size_px=(9, 9)), 1)
    ('01_one.jpg', [(...Path('a.JPG'), '01_one.jpg')])
    """
    name = safe_name(number, entry.title, safe_suffix(entry.file))
    copies = [] if entry.size_px is None else [(entry.file, name)]
    copies += [(getattr(entry, role), copy) for role, copy in _text_names(entry, Path(name).stem)]
    return name, copies


def manifest(rules, entries, names, whole) -> str:
    """The manifest as YAML: every chosen picture with its checksum and what the rules say of it.

    Parameters
    ----------
    rules : Rules
    entries : list of Entry
        The chosen ones.
    names : list of str
        Of their copies.
    whole : list of str
        From :func:`appulse.captions.entry_list.check_entries`.

    Raises
    ------
    InputError
        If lists differ in length.
    """
    if len(entries) != len(names):
        raise InputError(f"{len(entries)} pictures and {len(names)} names: one for each is needed")
    pictures = [_kept(_picture(entry, name)) for entry, name in zip(entries, names, strict=True)]
    content = {"rules": _kept(vars(rules)), "problems": whole, "pictures": pictures}
    return yaml.safe_dump(content, sort_keys=False, allow_unicode=True, width=110)


def _kept(values) -> dict:
    """What has a value; YAML has no tuples."""
    plain = {key: list(value) if isinstance(value, tuple) else value for key, value in values.items()}
    return {key: value for key, value in plain.items() if value not in (None, "", [])}


def _picture(entry, name) -> dict:
    stem = Path(name).stem
    own = ("title", "category", "caption", "dates", "instrument", "composite", "size_px", "format", "profile")
    return {
        "file": name,
        "sha256": file_sha256(entry.file) if entry.size_px is not None else None,
        "from": entry.file.name,
        **{key: getattr(entry, key) for key in own},
        **dict(_text_names(entry, stem)),
        "problems": entry.problems,
    }


def _text_names(entry, stem) -> list:
    """(role, name of its copy) of the texts that go with a picture."""
    endings = {"facts": "", "evidence": "_evidence"}
    return [(role, f"{stem}{endings[role]}{safe_suffix(getattr(entry, role))}") for role in entry.texts]


def check_entries(rules, entries):
    """Hold the chosen pictures against the rules.

    Parameters
    ----------
    rules : Rules
    entries : list of Entry

    Returns
    -------
    checked : list of Entry
        The entries with their `problems`, `size_px`, `format` and `profile`.
    whole : list of str
        What is wrong with the set as a whole.
    """
    checked = [_checked(rules, entry) for entry in entries]
    chosen = [entry for entry in entries if entry.chosen]
    whole = []
    if rules.count is not None and len(chosen) > rules.count:
        whole.append(f"{len(chosen)} pictures are chosen, at most {rules.count} are allowed")
    if rules.per_category is not None:
        for category in sorted({entry.category for entry in chosen}):
            n = sum(entry.category == category for entry in chosen)
            if n > rules.per_category:
                whole.append(f"{n} pictures in {category or 'no category'!r}, at most {rules.per_category}")
    # the same picture under two names is found by what is in the file
    sums = {}
    for entry in chosen:
        if _ordinary(entry.file):
            sums.setdefault(file_sha256(entry.file), []).append(entry.title)
    whole += [f"the same file twice: {' and '.join(titles)}" for titles in sums.values() if len(titles) > 1]
    return checked, whole


def _checked(rules, entry) -> Entry:
    """An entry with what its file is, and all that breaks a rule."""
    texts, wrong = _texts(entry)
    words = (*_word_problems(rules, entry), *wrong)
    entry = replace(entry, texts=texts)
    if not entry.file.exists():
        return replace(entry, problems=(f"{entry.file} is not there", *words))
    if not _ordinary(entry.file):
        return replace(entry, problems=(f"{entry.file} is not an ordinary file", *words))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of Pillow, on large pictures; the largest are refused
            with Image.open(entry.file, formats=OPENED) as image:
                kind = (image.format or "").lower()
                seen = {"format": kind, "size_px": image.size, "profile": _profile(image)}
                image.load()  # the whole of it: the head of a cut or damaged file is often sound
    # Pillow's readers raise whatever a damaged file made them stumble over.
    except Exception as error:
        unread = f"{entry.file.name} is not a picture that can be read ({_reason(error)})"
        return replace(entry, problems=(unread, *words))
    entry = replace(entry, **seen)
    return replace(entry, problems=(*_file_problems(rules, entry), *words))


def _reason(error) -> str:
    if isinstance(error, UnidentifiedImageError):
        return f"none of {', '.join(OPENED)}"
    if isinstance(error, MemoryError):
        return "it takes more memory than there is"
    return " ".join(str(error).split())[:160] or type(error).__name__


def _ordinary(path) -> bool:
    """Whether a path leads to an ordinary file: a pipe is waited for and a device has no end."""
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except OSError:
        return False


def _texts(entry) -> tuple[tuple, list]:
    """Roles whose file is a text that may go with the picture, and what is wrong with the others."""
    good, wrong = [], []
    for role in ("facts", "evidence"):
        path = getattr(entry, role)
        if path is None:
            continue
        why = _no_text(path, pdf=role == "evidence")
        if why:
            wrong.append(f"{role}: {path} {why}")
        else:
            good.append(role)
    return tuple(good), wrong


def _no_text(path, pdf) -> str:
    if not path.exists():
        return "is not there"
    if not _ordinary(path):
        return "is not an ordinary file"
    if path.stat().st_size > LONGEST_TEXT:
        return f"has {path.stat().st_size / 1e6:.0f} MB, at most {LONGEST_TEXT / 1e6:.0f} are taken"
    try:
        content = path.read_bytes()
        if pdf and content.startswith(b"%PDF-"):
            return ""
        if "\0" in content.decode("utf-8"):
            return "is no text; it is not copied"
    except UnicodeDecodeError:
        return f"is no UTF-8 text{' and no PDF' if pdf else ''}; it is not copied"
    except OSError as error:
        return f"cannot be read ({error.strerror or error})"
    return ""


def _file_problems(rules, entry) -> list:
    found = []
    longer = max(entry.size_px)
    if rules.shortest_px is not None and longer < rules.shortest_px:
        found.append(f"the longer side has {longer} px, at least {rules.shortest_px:g} are asked for")
    if rules.longest_px is not None and longer > rules.longest_px:
        found.append(f"the longer side has {longer} px, at most {rules.longest_px:g} are allowed")
    size = entry.file.stat().st_size / 1e6
    if rules.megabytes is not None and size > rules.megabytes:
        found.append(f"{size:.1f} MB, at most {rules.megabytes:g} are allowed")
    if rules.formats and entry.format not in rules.formats:
        found.append(f"a {entry.format}, allowed: {', '.join(rules.formats)}")
    if rules.profile and rules.profile.lower() not in entry.profile.lower():
        found.append(f"colour profile {entry.profile or 'none'}, {rules.profile} is asked for")
    return found


def _profile(image) -> str:
    data = image.info.get("icc_profile")
    if data:
        try:
            return ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(BytesIO(data))).strip()
        except ImageCms.PyCMSError:
            return "unreadable"
    return "sRGB" if "srgb" in image.info else ""


def _word_problems(rules, entry) -> list:
    found = []
    if rules.categories and entry.category not in rules.categories:
        found.append(f"category {entry.category or 'none'!r}, allowed: {', '.join(rules.categories)}")
    limits = rules.taken_from or rules.taken_to
    if limits and not entry.dates:
        found.append("no capture dates, and the rules ask for them")
    for day in entry.dates:
        if (rules.taken_from and day < rules.taken_from) or (rules.taken_to and day > rules.taken_to):
            span = f"{rules.taken_from or '...'} to {rules.taken_to or '...'}"
            found.append(f"taken {day}, outside {span}")
    # 'declared' asks that the list says of every picture whether it is one, whatever the answer
    for rule, value, is_one, words in (
        (rules.composites, entry.composite, entry.composite is True, "composite"),
        (rules.hired, entry.instrument, entry.instrument == "hired", "hired instrument"),
    ):
        if rule == "forbidden" and is_one:
            found.append(f"{words}: not allowed")
        if rule != "allowed" and value is None:
            found.append(f"{words}: the list does not say")
    return found
