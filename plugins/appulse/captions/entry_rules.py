"""A list of pictures held against the user's own rules."""

from io import BytesIO

from PIL import Image, ImageCms, UnidentifiedImageError

from appulse.formats.provenance import file_sha256


def check_entries(rules, entries) -> list:
    """Hold the chosen pictures against the rules.

    Parameters
    ----------
    rules : Rules
    entries : list of Entry
        Their `problems`, `size_px`, `format` and `profile` are filled in.

    Returns
    -------
    list of str
        What is wrong with the set as a whole.
    """
    for entry in entries:
        entry.problems = _file_problems(rules, entry) + _word_problems(rules, entry)
    chosen = [entry for entry in entries if entry.chosen]
    whole = []
    if rules.count is not None and len(chosen) > rules.count:
        whole.append(f"{len(chosen)} pictures are chosen, at most {rules.count} are allowed")
    if rules.per_category is not None:
        for category in sorted({entry.category for entry in chosen}):
            n = sum(entry.category == category for entry in chosen)
            if n > rules.per_category:
                whole.append(f"{n} pictures in {category or 'no category'!r}, at most {rules.per_category}")
    sums = {}
    for entry in chosen:
        if entry.file.is_file():
            sums.setdefault(file_sha256(entry.file), []).append(entry.title)
    whole += [f"the same file twice: {' and '.join(titles)}" for titles in sums.values() if len(titles) > 1]
    return whole


def _file_problems(rules, entry) -> list:
    if not entry.file.is_file():
        return [f"{entry.file} is not there"]
    found = []
    try:
        with Image.open(entry.file) as image:
            entry.format = (image.format or "").lower()
            entry.size_px = image.size
            entry.profile = _profile(image)
    except (UnidentifiedImageError, OSError) as error:
        return [f"{entry.file.name} is no picture that can be read ({error})"]
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
    for rule, value, is_one, words in (
        (rules.composites, entry.composite, entry.composite is True, "composite"),
        (rules.hired, entry.instrument, entry.instrument == "hired", "hired instrument"),
    ):
        if rule == "forbidden" and is_one:
            found.append(f"{words}: not allowed")
        if rule != "allowed" and value is None:
            found.append(f"{words}: the list does not say")
    for role, path in (("facts", entry.facts), ("evidence", entry.evidence)):
        if path is not None and not path.is_file():
            found.append(f"{role}: {path} is not there")
    return found
