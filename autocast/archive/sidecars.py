"""Judgements and decisions as XMP sidecars beside the pictures (ISO 16684-1), where asked for.

A sidecar is named after the whole name of its picture (``harbour.tif.xmp``), so
that ``harbour.jpg`` beside it has one of its own. Where ``harbour.xmp`` is there
and only one file has that stem, it is that file's sidecar and is used.

What a sidecar says already stays: only properties of autocast's own namespace
are replaced, and of Dublin Core subjects, on request, only those that begin
with ``SUBJECT``. Needs lxml (``sidecars`` extra); entities and document types
are refused, the network is never asked.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from autocast.archive.decisions import Decided
from autocast.archive.rows import Row, is_address
from autocast.errors import OutputError
from autocast.judgement import DECISION_WORDS, VERDICT_WORDS, describe
from autocast.picture.reading import open_file
from autocast.picture.writing import write_whole

if TYPE_CHECKING:
    from lxml.etree import _Element, _ElementTree

NAMESPACE = "https://autocast.invalid/xmp/1.0/"
"""Our own; a name, not a place: nothing is ever fetched from it (RFC 2606)."""
PREFIX = "autocast"
SUBJECT = "autocast: "
"""How a Dublin Core subject of ours begins."""

# ISO 16684-1:2019.
_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_DC = "http://purl.org/dc/elements/1.1/"
_EMPTY = (
    '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    f'<rdf:RDF xmlns:rdf="{_RDF}"></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
).encode()

# Characters that XML 1.0 (section 2.2) does not have.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_LARGEST = 16 << 20
"""Bytes beyond which a sidecar is not read (project convention)."""


def write_sidecars(
    pages: Iterable[Iterable[Row]],
    decisions: Mapping[str, tuple[Decided, ...]],
    *,
    subjects: bool = False,
) -> Iterator[tuple[Row, Path | OutputError]]:
    """Write a sidecar for every judged picture; yields where, or why not.

    ``decisions`` are what people decided, by content. Addresses, and pictures
    that are gone or failed, are passed over. Raises OutputError when lxml is
    not installed.
    """
    try:
        import lxml.etree  # noqa: F401 -- asked for once, before anything is written
    except ImportError as error:
        raise OutputError(
            "Sidecars need lxml; install it with pip install 'autocast[sidecars]'."
        ) from error
    for page in pages:
        for row in page:
            if row.verdict is None or row.gone or is_address(row.path):
                continue
            try:
                said = decisions.get(row.hash or "", ())
                yield row, write_sidecar(row, said, subjects=subjects)
            except OutputError as error:
                yield row, error


def write_sidecar(row: Row, decisions: tuple[Decided, ...] = (), *, subjects: bool = False) -> Path:
    """Write or complete the sidecar of one judged picture. Raises OutputError."""
    picture = Path(row.name)
    _check_same(picture, row)
    try:
        target = sidecar_of(picture)
    except OSError as error:
        raise OutputError(f"{picture} gets no sidecar: {error.strerror}.") from error
    if target.is_symlink():
        raise OutputError(f"{target} is a link; replace it by a file, or take it away.")
    try:
        existing = _there(target)
        content = completed(existing, row, decisions, subjects=subjects)
    except OSError as error:
        raise OutputError(f"{target} cannot be read: {error.strerror}.") from error
    except ValueError as error:
        raise OutputError(f"{target} is left as it is: {error}.") from error
    write_whole(target, content)
    return target


def _there(target: Path) -> bytes | None:
    """What a sidecar holds; None where there is none. Raises OSError."""
    try:
        with open_file(target) as file:
            return file.read(_LARGEST + 1)
    except FileNotFoundError:
        return None


def sidecar_of(picture: Path) -> Path:
    """Where the sidecar of a picture is, or will be."""
    named = picture.with_name(picture.name + ".xmp")
    by_stem = picture.with_suffix(".xmp")
    if named.exists() or not by_stem.exists():
        return named
    sharing = [
        other
        for other in picture.parent.iterdir()
        if other.stem == picture.stem and other.suffix.lower() != ".xmp"
    ]
    return by_stem if sharing == [picture] else named


def _check_same(picture: Path, row: Row) -> None:
    try:
        facts = picture.stat()
    except OSError as error:
        raise OutputError(f"{picture} is not there any more; run presort again.") from error
    if (facts.st_size, facts.st_mtime_ns) != (row.size, row.mtime):
        raise OutputError(f"{picture} has changed since it was judged; run presort again.")


def completed(
    existing: bytes | None, row: Row, decisions: tuple[Decided, ...], *, subjects: bool
) -> bytes:
    """The bytes of a sidecar: what it said before, the judgement, and what people decided.

    Raises ValueError, in words, for what is no XMP.
    """
    tree = _read(_EMPTY if existing is None else existing)
    rdf = _rdf(tree)
    about = _forget_own(rdf)
    _add_own(rdf, _properties(row, decisions), about)
    if subjects:
        _set_subjects(rdf, _subjects(row, decisions), about)
    from lxml import etree

    return etree.tostring(tree, encoding="utf-8", xml_declaration=False) + b"\n"


def _read(content: bytes) -> _ElementTree:
    from lxml import etree

    if len(content) > _LARGEST:
        raise ValueError("it is too large for a sidecar")
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False
    )
    try:
        tree = etree.parse(io.BytesIO(content), parser)
    except etree.XMLSyntaxError as error:
        raise ValueError(f"it is no well-formed XML ({error.msg})") from error
    if tree.docinfo.internalDTD is not None:
        raise ValueError("it has a document type, which XMP has not")
    return tree


def _rdf(tree: _ElementTree) -> _Element:
    root = tree.getroot()
    found = [root] if root.tag == f"{{{_RDF}}}RDF" else root.findall(f"{{{_RDF}}}RDF")
    if len(found) != 1:
        raise ValueError("it is no XMP, which holds one rdf:RDF")
    return found[0]


def _descriptions(rdf: _Element) -> list[_Element]:
    return rdf.findall(f"{{{_RDF}}}Description")


def _forget_own(rdf: _Element) -> str:
    """Take our own properties out; what the descriptions are about (one resource, often '')."""
    abouts = []
    for description in _descriptions(rdf):
        abouts.append(description.get(f"{{{_RDF}}}about", ""))
        ours = [child for child in description if _is_ours(child.tag)]
        names = [str(name) for name in description.attrib if _is_ours(name)]
        for child in ours:
            description.remove(child)
        for name in names:
            del description.attrib[name]
        # A description that held nothing but ours goes with it.
        if (ours or names) and not len(description) and not _says(description):
            rdf.remove(description)
    return next((about for about in abouts if about), "")


def _is_ours(tag: object) -> bool:
    return str(tag).startswith(f"{{{NAMESPACE}}}")


def _says(description: _Element) -> bool:
    return any(str(name) != f"{{{_RDF}}}about" for name in description.attrib)


def _add_own(rdf: _Element, properties: Mapping[str, str | tuple[str, ...]], about: str) -> None:
    from lxml import etree

    description = _description(rdf, about, {PREFIX: NAMESPACE})
    for name, value in properties.items():
        element = etree.SubElement(description, f"{{{NAMESPACE}}}{name}")
        if isinstance(value, str):
            element.text = value
        else:
            bag = etree.SubElement(element, f"{{{_RDF}}}Bag")
            for each in value:
                etree.SubElement(bag, f"{{{_RDF}}}li").text = each


def _description(rdf: _Element, about: str, names: dict[str, str]) -> _Element:
    from lxml import etree

    description = etree.SubElement(rdf, f"{{{_RDF}}}Description", nsmap=names)
    description.set(f"{{{_RDF}}}about", about)
    return description


def _properties(row: Row, decisions: tuple[Decided, ...]) -> dict[str, str | tuple[str, ...]]:
    """Real numbers as ISO 16684-1 writes them; times in ISO 8601."""
    said: dict[str, str | tuple[str, ...]] = {
        "Verdict": row.verdict or "",
        "Probability": f"{row.probability:.4f}",
        "BaseRate": f"{row.base_rate:.4f}",
        "CastA": f"{row.a:.2f}",
        "CastB": f"{row.b:.2f}",
        "CastSpread": f"{row.spread:.2f}",
        "CastInWords": describe(row.a or 0.0, row.b or 0.0),
        "Remarks": row.remarks,
        "Model": row.model or "",
        "JudgedAt": row.at,
        "ContentSHA256": row.hash or "",
        "Decisions": tuple(
            _xml_text(f"{DECISION_WORDS[each.decision]}, by {each.person}, {each.at}")
            for each in decisions
        ),
        "DecisionNotes": tuple(
            _xml_text(f"{each.person}: {'; '.join(filter(None, (each.reason, each.note)))}")
            for each in decisions
            if each.reason or each.note
        ),
    }
    return {name: value for name, value in said.items() if value}


def _xml_text(text: str) -> str:
    """A text that XML 1.0 can hold."""
    return _NOT_XML.sub("\ufffd", text)


def _subjects(row: Row, decisions: tuple[Decided, ...]) -> Iterator[str]:
    # What a person decided goes before: who looks for likely casts must not find what was cleared.
    if row.verdict is not None and not decisions:
        yield SUBJECT + VERDICT_WORDS[row.verdict]
    for decision in sorted({each.decision for each in decisions}):
        yield f"{SUBJECT}decided: {DECISION_WORDS[decision]}"


def _set_subjects(rdf: _Element, subjects: Iterable[str], about: str) -> None:
    from lxml import etree

    item = f"{{{_RDF}}}li"
    bag = None
    for subject in rdf.iterfind(f"{{{_RDF}}}Description/{{{_DC}}}subject"):
        for found in subject.iter(f"{{{_RDF}}}Bag", f"{{{_RDF}}}Seq"):
            bag = found if bag is None else bag
            for li in found.findall(item):
                if (li.text or "").startswith(SUBJECT):
                    found.remove(li)
    if bag is None:
        description = _description(rdf, about, {"dc": _DC})
        subject = etree.SubElement(description, f"{{{_DC}}}subject")
        bag = etree.SubElement(subject, f"{{{_RDF}}}Bag")
    for subject_of_ours in subjects:
        etree.SubElement(bag, item).text = subject_of_ours
