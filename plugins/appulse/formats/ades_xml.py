"""ADES as XML."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from appulse.errors import TableError
from appulse.formats.ades_fields import KINDS, ORDER, VERSION, AdesBlock, ordered


def ades_xml(blocks):
    """Blocks as XML text.

    Examples
    --------
    >>> print(ades_xml([AdesBlock([], [{"ra": "1.5", "stn": "X05"}])]))
    <?xml version="1.0" encoding="UTF-8"?>
    <ades version="2022">
      <optical>
        <stn>X05</stn>
        <ra>1.5</ra>
      </optical>
    </ades>
    <BLANKLINE>
    """
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
                    own.append((element, len(element), ET.fromstring(row[name])))
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
_MARKS = (
    (b"\xff\xfe\x00\x00", "utf-32"), (b"\x00\x00\xfe\xff", "utf-32"), (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "utf-8-sig"), (b"\x00\x00\x00<", "utf-32-be"),
    (b"<\x00\x00\x00", "utf-32-le"), (b"\x00<", "utf-16-be"), (b"<\x00", "utf-16-le"),
    (b"\x4c\x6f\xa7\x94", "cp037"),
)  # fmt: skip
"""How a file of each encoding begins (XML 1.0, appendix F)."""
_ALIASES = {"iso-latin-1": "latin-1", "ucs-4": "utf-32", "iso-10646-ucs-4": "utf-32"}


def xml_text(data, path):
    """Text of an XML file of any encoding, without its declaration; None for what is no XML.

    Parameters
    ----------
    data : bytes
    path : path
        For messages.

    Returns
    -------
    str or None

    Raises
    ------
    TableError
        An encoding that is not known, or bytes that it does not have.

    Examples
    --------
    >>> xml_text("<?xml version='1.0' encoding='latin-1'?><a>\u00e9</a>".encode("latin-1"), "a.xml")
    '<a>\u00e9</a>'
    >>> xml_text("<a/>".encode("utf-16"), "a.xml")
    '<a/>'
    >>> xml_text(b"permID|ra", "a.psv") is None
    True
    """
    coding = next((name for mark, name in _MARKS if data.startswith(mark)), None)
    start = data[:400].decode(coding or "latin-1", errors="replace")
    if not start.lstrip("\ufeff \t\r\n").startswith("<"):
        return None
    declared = _DECLARED.match(start.lstrip("\ufeff"))
    if declared and coding in (None, "cp037"):
        coding = _ALIASES.get(declared[1].lower(), declared[1])
    try:
        text = data.decode(coding or "utf-8").lstrip("\ufeff")
    except LookupError:
        raise TableError(f"{path}: encoding {declared[1]!r} is not known; write the file as UTF-8") from None
    except UnicodeDecodeError:
        words = (
            f"not {declared[1]} as it says"
            if declared
            else "not UTF-8 text, and no other encoding is declared"
        )
        raise TableError(f"{path}: {words}; ADES files are PSV or XML text") from None
    return re.sub(r"\A\s*<\?xml.*?\?>", "", text, flags=re.DOTALL).lstrip()


def parse_xml(text, path):
    """Blocks of a text without declaration.

    Raises
    ------
    TableError
        Broken XML, another document, or a field or kind that ADES does not know.
    """
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise TableError(f"{path}: XML with a document type of its own is not read; ADES has none")
    try:
        root = ET.fromstring(text)
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
                raise TableError(f"{path}: <{element.tag}> is no kind of observation; ADES: {KINDS}")
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
