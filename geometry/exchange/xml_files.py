"""XML from strangers: nothing is expanded, fetched or believed."""

from __future__ import annotations

from pathlib import Path

from lxml import etree

from geometry.errors import Faults

__all__ = ["LARGEST_XML", "Element", "element_name", "read_xml", "where_is", "xml_words"]

LARGEST_XML = 200_000_000  # bytes; a line of 500 km with its points needs a tenth
Element = etree._Element


def read_xml(path: Path, faults: Faults) -> Element | None:
    """Return the root of an XML file, or None with the reason in `faults`.

    Document type declarations are refused, since they define entities; the depth is bounded; nothing is fetched.
    """
    if path.is_dir() or not path.exists():
        faults.error(str(path), "a file", "a folder" if path.is_dir() else "nothing of that name")
        return None
    size = path.stat().st_size
    if size > LARGEST_XML:
        faults.error(path.name, f"a file of at most {LARGEST_XML / 1e6:.0f} MB", f"{size / 1e6:.0f} MB",
                     "leave surfaces and cross sections out of the export")  # fmt: skip
        return None
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False, remove_comments=True, remove_pis=True
    )
    try:
        root = etree.fromstring(path.read_bytes(), parser)
    except OSError as fault:
        faults.error(str(path), "a file that can be read", (fault.strerror or str(fault)).lower())
        return None
    except (etree.XMLSyntaxError, ValueError) as fault:
        line = getattr(fault, "lineno", None)
        text = str(getattr(fault, "msg", None) or fault)
        faults.error(f"{path.name}:{line}" if line else path.name, "well-formed XML", text,
                     "cut off while it was written?" if "remature end" in text else "")  # fmt: skip
        return None
    if root.getroottree().docinfo.internalDTD is not None:
        faults.error(path.name, "XML without a document type declaration", "one",
                     "entities are not expanded: remove <!DOCTYPE ...>")  # fmt: skip
        return None
    return root


def element_name(element: Element) -> str:
    """Return the name of an element without its namespace."""
    return str(etree.QName(element).localname)


def xml_words(text: str) -> str:
    r"""Return a text that XML can hold: signs of control as their pictures.

    Examples
    --------
    >>> xml_words("a\tb"), xml_words("bell \a")
    ('a\tb', 'bell ␇')
    """
    return "".join(
        chr(0x2400 + ord(letter)) if ord(letter) < 32 and letter not in "\t\n\r"
        else "\ufffd" if 0xD800 <= ord(letter) < 0xE000 or letter in "\ufffe\uffff" else letter
        for letter in text
    )  # fmt: skip


def where_is(file: str, element: Element) -> str:
    """Return file, line and element in words: ``line.xml:12: Spiral 'S1'``."""
    name = element.get("name")
    return f"{file}:{element.sourceline}: {element_name(element)}{f' {name!r}' if name else ''}"
