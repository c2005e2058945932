"""ADES, the exchange format of astrometric observations (version 2022), in its two forms: PSV and XML.

Text stays text: what was read is written again digit for digit. Numbers are made by
:mod:`appulse.formats.observation_table`, texts by :mod:`appulse.formats.ades_build`.
"""

from __future__ import annotations

import re
from pathlib import Path

from appulse.errors import TableError
from appulse.formats.ades_build import build_blocks
from appulse.formats.ades_fields import ORDER, VERSION, AdesBlock, ordered
from appulse.formats.ades_xml import ades_xml, parse_xml, xml_text
from appulse.formats.output import write_text


def read_ades(path):
    """Read an ADES file, PSV or XML by its content.

    Parameters
    ----------
    path : path

    Returns
    -------
    list of AdesBlock

    Raises
    ------
    TableError
        Unreadable, neither form, an unknown field, or a line with more cells than fields; the line is named.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "a.psv"
    >>> _ = path.write_text("# version=2022\\npermID|mode|stn|obsTime|ra|dec|astCat\\n"
    ...                     "7|CCD|X05|2027-05-05T03:00:00Z|246.35|-24.40|Gaia3\\n")
    >>> read_ades(path)[0].rows[0]["ra"]
    '246.35'
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({error.strerror}); give an ADES file") from None
    text = xml_text(data, path)
    if text is not None:
        return parse_xml(text, path)
    try:
        return _parse_psv(data.decode("utf-8-sig"), path)
    except UnicodeDecodeError:
        raise TableError(f"{path}: not UTF-8 text; ADES files are PSV or XML text") from None


def write_ades(blocks, path, overwrite=False):
    """Write blocks as PSV, or as XML when the name ends in ``.xml``; returns the path.

    Raises
    ------
    TableError
        A field that ADES does not know, or a text that PSV cannot hold.
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_text`.
    """
    text = ades_xml(blocks) if str(path).lower().endswith(".xml") else ades_psv(blocks)
    return write_text(path, text, overwrite)


def write_ades_psv(table, path, header=None, *, overwrite=False, **options):
    """Write measured places of a residual table as ADES PSV.

    Parameters
    ----------
    table : Table
        :mod:`appulse.formats.residual_table`; rows without a measured place are left out.
    path : path
    header : AdesHeader, optional
        Who, where and with what; what is not given is marked as such in the file.
    overwrite : bool
    **options
        As :func:`appulse.formats.ades_build.build_blocks`: `observers`, `disclose_site`, `with_residuals`...

    Returns
    -------
    Path

    Raises
    ------
    TableError
        Nothing was measured.
    SiteError
        A private site whose coordinates may not be written.
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_text`.
    """
    return write_text(path, ades_psv(_blocks(table, header, options)), overwrite)


def write_ades_xml(table, path, header=None, *, overwrite=False, **options):
    """The same as :func:`write_ades_psv`, as XML."""
    return write_text(path, ades_xml(_blocks(table, header, options)), overwrite)


def _blocks(table, header, options):
    return [AdesBlock(context, rows) for context, rows in build_blocks(table, header, **options)]


def ades_psv(blocks):
    """Blocks as PSV text.

    Examples
    --------
    >>> print(ades_psv([AdesBlock([("observatory", [("mpcCode", "X05")])], [{"ra": "1.5", "stn": "X05"}])]))
    # version=2022
    # observatory
    ! mpcCode X05
    stn|ra
    X05|1.5
    <BLANKLINE>
    """
    lines, headed = [f"# version={VERSION}"], False
    for block in blocks:
        if headed and not block.context:
            raise TableError(
                "observations without a header after some with one would take that header in PSV; write XML "
                "instead"
            )
        headed = headed or bool(block.context)
        for name, content in block.context:
            if isinstance(content, str):
                lines.append(f"# {name} {content}")
            else:
                lines += [f"# {name}", *(f"! {part} {text}" for part, text in content)]
        lines += _psv_rows(block)
    return "\n".join(lines) + "\n"


def _psv_rows(block):
    names = ordered({name for row in block.rows for name in row})
    for row in block.rows:
        for name, text in row.items():
            if name == "localUse" or "|" in text or "\n" in text:
                raise TableError(f"ADES field {name} = {text!r} cannot be written as PSV; write XML instead")
    cells = [names, *([row.get(name, "") for name in names] for row in block.rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(names))]
    padded = [
        "|".join(f"{text:<{width}}" for text, width in zip(line, widths, strict=True)) for line in cells
    ]
    return [line.rstrip() if line.rstrip().count("|") == len(names) - 1 else line for line in padded]


def _parse_psv(text, path):
    blocks, block, names = [], None, None
    for number, line in enumerate(text.splitlines(), start=1):
        words = line.strip()
        if not words or re.fullmatch(r"#\s*version\s*=.*", words):
            continue
        if words[0] in "#!":
            if block is None or block.rows:
                block, names = AdesBlock(), None
                blocks.append(block)
            _psv_header(block, words, path, number)
            continue
        cells = [cell.strip() for cell in words.split("|")]
        # obsTime begins with a digit: a line of letters only is one of field names.
        if all(re.fullmatch(r"[A-Za-z_]\w*", cell) for cell in cells):
            unknown = [cell for cell in cells if cell not in ORDER]
            if unknown:
                raise TableError(f"{path}, line {number}: ADES has no field {unknown[0]!r}")
            if block is None:
                block = AdesBlock()
                blocks.append(block)
            elif block.rows and _kind(cells) != block.kind:
                block = AdesBlock(block.context)
                blocks.append(block)
            names, block.kind = cells, _kind(cells)
            continue
        if names is None:
            raise TableError(f"{path}, line {number}: not ADES PSV: a line of field names must come first")
        if len(cells) > len(names):
            raise TableError(f"{path}, line {number}: {len(cells)} cells for {len(names)} fields")
        block.rows.append({n: cell for n, cell in zip(names, cells, strict=False) if cell})
    if not blocks:
        raise TableError(f"{path}: no observations; ADES PSV has a line of field names with | between")
    return blocks


def _psv_header(block, words, path, number):
    name, _, content = words[1:].strip().partition(" ")
    content = content.strip()
    if words[0] == "#":
        block.context.append((name, content if content else []))
    elif not block.context or isinstance(block.context[-1][1], str):
        raise TableError(f"{path}, line {number}: '! {name}' needs a '# ' line before it")
    else:
        block.context[-1][1].append((name, content))


def _kind(names):
    names = set(names)
    if "trx" in names:
        return "radar"
    if "raStar" in names:
        return "occultation"
    if "obsCenter" in names:
        return "offset"
    if "resRA" in names and "ra" not in names:
        return "opticalResidual"
    return "radarResidual" if names & {"resDelay", "resDoppler"} else "optical"
