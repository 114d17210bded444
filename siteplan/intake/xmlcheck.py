"""XML read without trust: nothing is declared, fetched or expanded.

GPX and KML need no document type, so a file with one is refused.  That leaves no way for an entity
to be expanded (a few hundred bytes can otherwise become gigabytes) or for another file to be
read (W3C Extensible Markup Language 1.0, section 4.2.2).
"""

from __future__ import annotations

from collections.abc import Callable
from xml.parsers import expat

from siteplan.errors import DataError
from siteplan.intake.paths import EXPORT_AGAIN, file_fault

StartElement = Callable[[str, dict[str, str]], None]
EndElement = Callable[[str], None]
Characters = Callable[[str], None]


def parse_xml(
    data: bytes,
    label: str,
    *,
    start: StartElement | None = None,
    end: EndElement | None = None,
    characters: Characters | None = None,
    attach: Callable[[expat.XMLParserType], None] | None = None,
) -> None:
    """Walk through an XML text; names come without their namespace.

    Parameters
    ----------
    data : the file
    label : the file, for messages
    start, end, characters : called for each element and its text
    attach : is given the parser, which knows the current line

    Raises
    ------
    DataError : not well-formed (with the line), or with a document type
    """
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True

    def refuse(*_: object) -> None:
        raise file_fault(
            "xml-doctype",
            f"line {parser.CurrentLineNumber} declares a document type, by which a small file can grow "
            "without bounds or read other files",
            "Take the <!DOCTYPE ...> out; neither GPX nor KML needs one",
            label,
        )

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    if start is not None:
        parser.StartElementHandler = lambda name, attributes: start(name.rpartition(" ")[2], attributes)
    if end is not None:
        parser.EndElementHandler = lambda name: end(name.rpartition(" ")[2])
    if characters is not None:
        parser.CharacterDataHandler = characters
    if attach is not None:
        attach(parser)
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        raise _damaged(error, label) from None
    except (LookupError, ValueError) as error:
        if isinstance(error, DataError):
            raise
        raise file_fault(
            "damaged-file", f"the XML names an encoding nobody knows ({error})", EXPORT_AGAIN, label
        ) from None


def _damaged(error: expat.ExpatError, label: str) -> DataError:
    said = expat.ErrorString(error.code)
    return file_fault(
        "damaged-file", f"the XML is broken in line {error.lineno}, column {error.offset + 1}: {said}",
        EXPORT_AGAIN, label,
    )  # fmt: skip


def check_xml(data: bytes, label: str, root: str) -> dict[str, int]:
    """Refuse XML that is broken, has a document type, or another root element.

    Returns
    -------
    How many elements of each name there are.
    """
    counts: dict[str, int] = {}

    def count(name: str, _: dict[str, str]) -> None:
        if not counts and name != root:
            raise file_fault(
                "not-a-known-format",
                f"the file is XML, but its root is <{name}>, not <{root}>",
                EXPORT_AGAIN,
                label,
            )
        counts[name] = counts.get(name, 0) + 1

    parse_xml(data, label, start=count)
    return counts
