"""Reading and writing ADES files, the exchange format of astrometric observations, as PSV and as XML.

Text stays text: what was read is written again digit for digit.

Source: the IAU's astrometry data exchange standard, version 2022; field names and order as in its schema.
"""

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, field
from pathlib import Path

from appulse.errors import TableError
from appulse.files import TABLE_BYTES, read_bytes

VERSION = "2022"
KINDS = ("optical", "offset", "occultation", "radar", "opticalResidual", "radarResidual")
_NAMES = """
    permID provID artSat trkSub obsID obsSubID trkID trkMPC mode stn trx rcv sys ctr pos1 pos2 pos3 vel1
    vel2 vel3 posCov11 posCov12 posCov13 posCov22 posCov23 posCov33 prog obsTime rmsTime obsCenter raStar
    decStar ra dec deltaRA deltaDec dist pa rmsRA rmsDec rmsDist rmsPA rmsCorr doppler rmsDoppler delay
    rmsDelay astCat mag rmsMag band fltr photCat photAp nucMag logSNR shapeOcc seeing exp rmsFit com frq
    nStars ref disc subFrm subFmt precTime precRA precDec uncTime notes remarks orbProd orbID resRA resDec
    selAst sigRA sigDec sigCorr sigTime biasRA biasDec biasTime photProd resMag selPhot sigMag biasMag
    photMod resDelay selDelay sigDelay resDoppler selDoppler sigDoppler deprecated localUse
"""
# Every field, in an order that the sequences of all kinds of observation agree with.
FIELDS = tuple(_NAMES.split())
ORDER = {name: place for place, name in enumerate(FIELDS)}


@dataclass
class AdesBlock:
    """Observations that share a header.

    Attributes
    ----------
    context : list of (str, str or list of (str, str))
        Header elements in order: a text, or name and text of each part, e.g.
        ``("observatory", [("mpcCode", "XXX")])``. Empty where the file has none.
    rows : list of dict
        Field name to text; empty fields are left out.
    kind : str
        One of :data:`KINDS`.
    """

    context: list = field(default_factory=list)
    rows: list = field(default_factory=list)
    kind: str = "optical"


def ordered(names):
    """Field names in the standard's order."""
    unknown = sorted(set(names) - set(FIELDS))
    if unknown:
        raise TableError(f"ADES has no field {unknown[0]!r}; allowed: {', '.join(FIELDS)}")
    return sorted(names, key=ORDER.__getitem__)


def ades_xml(blocks):
    """Blocks as XML text."""
    root, own = ET.Element("ades", version=VERSION), []
    for block in blocks:
        parent = root
        if block.context:
            outer = ET.SubElement(root, "obsBlock")
            context = ET.SubElement(outer, "obsContext")
            for name, content in block.context:
                element = ET.SubElement(context, name)
                if isinstance(content, str):
                    element.text = content
                else:
                    for part, text in content:
                        ET.SubElement(element, part).text = text
            parent = ET.SubElement(outer, "obsData")
        for row in block.rows:
            element = ET.SubElement(parent, block.kind)
            for name in ordered(row):
                if name == "localUse":
                    own.append((element, len(element), ET.fromstring(row[name])))  # noqa: S314 (own text)
                    ET.SubElement(element, name)
                else:
                    ET.SubElement(element, name).text = row[name]
    ET.indent(root)
    for element, place, local in own:
        # What is others' own keeps its white space.
        local.tail = element[place].tail
        element[place] = local
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


_DECLARED = re.compile(r"""\s*<\?xml[^>]*?encoding\s*=\s*["']([-\w.]+)["'][^>]*\?>""")
# How a file of each encoding begins (XML 1.0, appendix F).
_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32"), (b"\x00\x00\xfe\xff", "utf-32"), (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "utf-8-sig"), (b"\x00\x00\x00<", "utf-32-be"),
    (b"<\x00\x00\x00", "utf-32-le"), (b"\x00<", "utf-16-be"), (b"<\x00", "utf-16-le"),
    (b"\x4c\x6f\xa7\x94", "cp037"),
)  # fmt: skip
_ALIASES = {"iso-latin-1": "latin-1", "ucs-4": "utf-32", "iso-10646-ucs-4": "utf-32"}


def begins_as_xml(data):
    """Whether the first bytes of a file are those of XML in some encoding."""
    coding = next((name for mark, name in _MARKS if data.startswith(mark)), None)
    return data[:400].decode(coding or "latin-1", errors="replace").lstrip("\ufeff \t\r\n").startswith("<")


def xml_text(data, path):
    """Text of an XML file of any encoding, without its declaration; None for what is no XML."""
    coding = next((name for mark, name in _MARKS if data.startswith(mark)), None)
    start = data[:400].decode(coding or "latin-1", errors="replace")
    if not begins_as_xml(data):
        return None
    declared = _DECLARED.match(start.lstrip("\ufeff"))
    if declared and coding in (None, "cp037"):
        coding = _ALIASES.get(declared[1].lower(), declared[1])
    try:
        text = data.decode(coding or "utf-8").lstrip("\ufeff")
    except LookupError:
        raise TableError(f"{path}: encoding {declared[1]!r} is not known; write the file as UTF-8") from None
    except UnicodeError:
        words = (
            f"not {declared[1]} as it says"
            if declared
            else "not UTF-8 text, and no other encoding is declared"
        )
        raise TableError(f"{path}: {words}; ADES files are PSV or XML text") from None
    return re.sub(r"\A\s*<\?xml.*?\?>", "", text, flags=re.DOTALL).lstrip()


def parse_xml(text, path):
    """Blocks of a text without declaration."""
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise TableError(f"{path}: XML with a document type of its own is not read; ADES has none")
    try:
        # Without a document type there are no entities to expand or to fetch.
        root = ET.fromstring(text)  # noqa: S314
    except ET.ParseError as error:
        raise TableError(f"{path}: broken XML ({error})") from None
    if root.tag != "ades":
        raise TableError(f"{path}: the outermost element is <{root.tag}>; an ADES file has <ades>")
    blocks = []
    for child in root:
        context, data = [], [child]
        if child.tag == "obsBlock":
            found = child.find("obsContext")
            context = [] if found is None else [_xml_header(element) for element in found]
            data = child.find("obsData")
            data = [] if data is None else data
        for element in data:
            if element.tag not in KINDS:
                raise TableError(f"{path}: <{element.tag}> is not a kind of observation; ADES: {KINDS}")
            last = blocks[-1] if blocks else None
            if last is None or last.kind != element.tag or last.context is not context:
                # Loose observations of one kind that follow each other are one block.
                if last is not None and not context and not last.context and last.kind == element.tag:
                    context = last.context
                else:
                    blocks.append(AdesBlock(context, [], element.tag))
            blocks[-1].rows.append(_xml_row(element, path))
    if not blocks:
        raise TableError(f"{path}: an ADES file without observations")
    return blocks


def _xml_header(element):
    if len(element):
        return element.tag, [(part.tag, (part.text or "").strip()) for part in element]
    return element.tag, (element.text or "").strip() or []


def _xml_row(element, path):
    row = {}
    for part in element:
        if part.tag not in ORDER:
            raise TableError(f"{path}: ADES has no field {part.tag!r}")
        local = part.tag == "localUse"
        row[part.tag] = ET.tostring(part, encoding="unicode").strip() if local else (part.text or "").strip()
    return {name: text for name, text in row.items() if text}


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
    ...                     "7|CCD|XXX|2027-05-05T03:00:00Z|246.35|-24.40|Gaia3\\n")
    >>> read_ades(path)[0].rows[0]["ra"]
    '246.35'
    """
    path = Path(path)
    data = read_bytes(path, "an ADES file", TableError, TABLE_BYTES)
    text = xml_text(data, path)
    if text is not None:
        return parse_xml(text, path)
    try:
        return _parse_psv(data.decode("utf-8-sig"), path)
    except UnicodeDecodeError:
        raise TableError(f"{path}: not UTF-8 text; ADES files are PSV or XML text") from None


def ades_psv(blocks):
    """Blocks as PSV text."""
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
            # A second line of names under the same header begins a block only where the kind changes.
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
