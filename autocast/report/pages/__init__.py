"""The report on an archive: static pages that open from the disk, and need nothing else.

``index.html`` gives the counts, the likeliest casts and where the casts
lie; ``pictures.html`` every picture with filters, its cards in files of a few
that are fetched when they are shown; ``ask.html`` what a person should look at, likewise,
each with its reason, the question that decides it, and a link to its card. Rows
are read and written a page at a time, so that a large archive needs no more
memory than a small one.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import autocast
from autocast.archive.decisions import Decided, by_content
from autocast.archive.folders import common_root
from autocast.archive.kept import check_folder
from autocast.archive.learnt import adopted
from autocast.archive.ledger import Ledger
from autocast.archive.rate import kept_rate
from autocast.archive.rows import Counts, Row
from autocast.judgement import DECISION_WORDS, REMARKS
from autocast.judgement.sentences import reasons
from autocast.picture import MEMORY
from autocast.report.listing import own_text, rate_text
from autocast.report.pages import overview
from autocast.report.pages.cards import Card
from autocast.report.pages.environment import environment
from autocast.report.pages.making import TOGETHER, Given, Made, Makers, Report
from autocast.report.pages.thumbnails import names
from autocast.report.pages.written import Written
from autocast.report.text import OUTCOME_WORDS, counted, percent, printable, rates_words

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

PER_FILE = 20
"""Cards in one file (project convention, as are the next two)."""
FIRST = 60
"""Pictures on a page itself, for a browser without JavaScript: three printed sheets."""
FOREMOST = 6
"""Pictures shown on the overview."""
_STEP = 240
"""Pictures after which it is told how far it has come."""
_ONE_LINE = 10_000
"""Columns that no sentence fills: a browser breaks lines."""
_DECIDED = ("undecided", "decided", *DECISION_WORDS.values())
"""What can be chosen of decisions, in the order of a menu."""
_SERIES = "series"
_ASKING = {code for code, text in REMARKS.items() if text.asks}
_SERIES_WORDS = "Its series shares one cast."


def write(
    ledger: Ledger,
    to: Path,
    *,
    assumed: Mapping[str, Any] | None = None,
    memory: int = MEMORY,
    step: Callable[[int, int], None] = lambda _done, _total: None,
) -> Path:
    """Write the report on a ledger into the folder ``to``; gives the page to open.

    ``to`` is made where it is missing; a report that is there is renewed. ``assumed``
    is what the ledger is read as if it went by (:func:`autocast.archive.learnt.suppose`);
    ``memory`` is what opening one picture may take, in bytes; what takes more is shown without
    its picture. ``step`` is called with how many of how many pictures are done. Raises
    OutputError where ``to`` holds anything else or cannot be written, or where Jinja2 is missing.
    """
    pages = environment()
    check_folder(ledger, to)
    counts = ledger.counts()
    root, told = _ahead(ledger, counts)
    decisions, rate = by_content(ledger), ledger.rate_of_casts()
    with Written(to) as written:
        writer = _Writer(pages, written, counts, root, told)
        report = Report(to.absolute(), root, frozenset(told), rate, memory)
        with Makers(report, counts.pictures) as makers:
            for given, made in makers.all(_parts(ledger, decisions, written)):
                writer.take(given, made, report)
                if given.at % _STEP == 0:
                    step(given.at, counts.pictures)
        if counts.pictures % _STEP:
            step(counts.pictures, counts.pictures)
        writer.finish(ledger, assumed or adopted(ledger))
        written.sweep()
    return to / "index.html"


def _parts(
    ledger: Ledger, decisions: Mapping[str, Sequence[Decided]], written: Written
) -> Iterator[list[Given]]:
    """What is given to be made, a part at a time."""
    at = 0
    for rows in ledger.pages(size=TOGETHER, documents=True):
        yield [
            Given(row, tuple(decisions.get(row.hash or "", ())), k, written.listed(names(row)))
            for k, row in enumerate(rows, start=at + 1)
        ]
        at += len(rows)


def _ahead(ledger: Ledger, counts: Counts) -> tuple[bytes, dict[str, int]]:
    """What must be known before the first card is written.

    The folder that holds all, and the remarks that more than half of the judged
    pictures have, with their counts: said on every other card, they would hide the rest.
    """
    folders: set[bytes] = set()
    remarked: Counter[str] = Counter()
    for rows in ledger.pages():
        folders.update(row.folder for row in rows)
        for row in rows:
            remarked.update(row.remarks)
    half = (counts.pictures - counts.failed) / 2
    told = {k: n for k, n in remarked.most_common() if n > half and not REMARKS[k].asks}
    return common_root(folders), told


@dataclass(slots=True)
class _Index:
    """What the filters need of every picture, in the order of the sheet."""

    verdict: list[str] = field(default_factory=list)
    hue: list[int] = field(default_factory=list)
    reasons: list[list[int]] = field(default_factory=list)
    remarks: list[list[int]] = field(default_factory=list)
    folder: list[int] = field(default_factory=list)
    decided: list[list[int]] = field(default_factory=list)


class _Writer:
    """Takes rows in order and writes files as they fill."""

    def __init__(
        self,
        pages: Environment,
        written: Written,
        counts: Counts,
        root: bytes,
        told: Mapping[str, int],
    ) -> None:
        self.pages = pages
        self.written = written
        self.counts = counts
        self.told = told
        self.gathered = overview.Gathered(root)
        self.index = _Index()
        self.hues: dict[str, int] = {}
        self.remarks: dict[str, int] = {}
        self.reasons: dict[str, int] = {}
        self.reason_words: dict[str, str] = {}
        self.foremost: list[Card] = []
        self.sheet, self.asks = _Sheet("cards", written), _Sheet("asks", written)

    def take(self, given: Given, made: Made, report: Report) -> None:
        """One picture, in the order of the sheet, and what was made of it for a report."""
        for name, content in made.new:
            self.written.write(name, content)
        for name in made.kept:
            self.written.keep(name)
        row, said, index = given.row, given.said, self.index
        index.decided.append(_decided(row, said))
        index.folder.append(self.gathered.add(row))
        index.verdict.append(row.verdict or "failed")
        index.hue.append(-1 if row.hue is None else self.hues.setdefault(row.hue, len(self.hues)))
        keys = [*row.remarks]
        if row.series is not None and row.series.finding and not row.series.odd:
            keys.append(_SERIES)
        index.remarks.append([self.remarks.setdefault(k, len(self.remarks)) for k in keys])
        # The same that the card shows, but for figures: the counts are of rows that say so.
        why = {} if row.verdict is None else reasons(row.verdict, row.remarks)
        self.reason_words.update(why)
        index.reasons.append([self.reasons.setdefault(k, len(self.reasons)) for k in why])
        if row.verdict in {"cast", "ask"} and not said and len(self.foremost) < FOREMOST:
            self.foremost.append(report.card(given, made.shown))
        self.sheet.take(made.card)
        if made.asking is not None:
            self.asks.take(made.asking)

    def _write(self, name: str, text: str) -> None:
        self.written.write(name, text.encode("utf-8"))

    def _page(self, template: str, name: str, **values: object) -> None:
        self._write(name, self.pages.get_template(template).render(**values))

    def finish(self, ledger: Ledger, own: Mapping[str, Any] | None) -> None:
        """The pages themselves, the overview last; ``own`` is what verdicts go by, where told."""
        among_all, in_archive = ledger.assumed_rate(), ledger.rate_of_casts()
        is_supposed = own is not None and "assumed" in own
        self.sheet.end()
        self.asks.end()
        folders = self.gathered.by_folder()
        common: dict[str, Any] = {
            "archive": printable(ledger.path.name),
            "counts": self.counts,
            "written": datetime.now(UTC).strftime("%-d %B %Y"),
            "version": autocast.__version__,
            "models": _models_words(ledger.models()),
            "chances": ""
            if among_all is None
            else rates_words(
                in_archive, among_all, supposed=is_supposed and kept_rate(ledger) is not None
            ),
        }
        above, folder_names = self.gathered.tree()
        self._write_index(above)
        for name in ("style.css", "pictures.js"):
            source = Path(__file__).parent / "templates" / name
            self.written.write(name, source.read_bytes())
        everything = range(len(self.index.verdict))
        asking = [i for i in everything if self.index.verdict[i] == "ask"]
        self._page(
            "ask.html",
            "ask.html",
            **common,
            page="ask",
            reasons=self._reasons(everything),
            menus=self._menus(asking, above, folder_names),
            first=self.asks.first,
            decided=sum(1 in self.index.decided[i] for i in asking),
        )
        self._page(
            "pictures.html",
            "pictures.html",
            **common,
            page="pictures",
            first=self.sheet.first,
            menus=[
                ("Verdict", "verdict", [*OUTCOME_WORDS.items()]),
                *self._menus(everything, above, folder_names),
            ],
            told=[(REMARKS[code].sentence, count) for code, count in self.told.items()],
            judged=self.counts.pictures - self.counts.failed,
        )
        points = self.gathered.everything()
        self._page(
            "index.html",
            "index.html",
            **common,
            page="overview",
            tally=_tally(self.counts),
            notes=_notes(ledger, self.counts, sum(1 in some for some in self.index.decided), own),
            root=printable(os.fsdecode(self.gathered.root)),
            foremost=self.foremost,
            points=points,
            reach=overview.reach(points),
            drawn=len(points),
            judged=sum(1 for a, _ in self.gathered.casts if a == a),  # noqa: PLR0124 -- not NaN
            folders=folders,
            within=f"{overview.CLUSTER_WITHIN:g}",
            least=overview.CLUSTER_LEAST,
            share=percent(overview.CLUSTER_SHARE),
        )

    def _write_index(self, above: list[int]) -> None:
        data = {"perFile": PER_FILE, **asdict(self.index), "above": above}
        self._write("data/index.js", f"globalThis.autocastIndex = {script(data)};\n")

    def _menus(
        self, of: Sequence[int], above: Sequence[int], folder_names: Sequence[tuple[int, str]]
    ) -> list[tuple[str, str, list[tuple[int, str]]]]:
        """What pictures can be chosen by: label, name, and the offers that some of them meet."""
        index = self.index
        hues = Counter(index.hue[i] for i in of)
        remarks = Counter(k for i in of for k in index.remarks[i])
        decided = {k for i in of for k in index.decided[i]}
        folders = {index.folder[i] for i in of}
        for folder in [*folders]:
            at = folder
            while at >= 0:
                folders.add(at)
                at = above[at]
        sentences = {**{k: v.sentence for k, v in REMARKS.items()}, _SERIES: _SERIES_WORDS}
        # Those that ask are reasons, and told as such.
        said = {k: sentences[key] for key, k in self.remarks.items() if key not in _ASKING}
        named = {k: name for name, k in self.hues.items()}
        return [
            ("Reason to look", "reason", [(k, words) for words, _, k in self._reasons(of)]),
            ("Hue of the cast", "hue", [(k, named[k]) for k, _ in hues.most_common() if k >= 0]),
            ("Remark", "remark", [(k, said[k]) for k, _ in remarks.most_common() if k in said]),
            ("Decision", "decision", [(k, _DECIDED[k]) for k in sorted(decided)]),
            (
                "Folder, and all below",
                "folder",
                [(k, name) for k, name in folder_names if k in folders],
            ),
        ]

    def _reasons(self, of: Sequence[int]) -> list[tuple[str, int, int]]:
        """Each reason to look in words, how many pictures show it, and its number."""
        count = Counter(k for i in of for k in self.index.reasons[i])
        keys = [*self.reasons]
        return [(self.reason_words[keys[k]], n, k) for k, n in count.most_common()]


class _Sheet:
    """What is shown of pictures, in files of a few; ``first`` stand on the page itself."""

    def __init__(self, name: str, written: Written) -> None:
        self.first: list[Markup] = []
        self._name = name
        self._written = written
        self._waiting: list[Markup] = []
        self._files = 0

    def take(self, shown: Markup) -> None:
        """One picture, in the order of the sheet."""
        if len(self.first) < FIRST:
            self.first.append(shown)
        self._waiting.append(shown)
        if len(self._waiting) == PER_FILE:
            self.end()

    def end(self) -> None:
        """Write what waits."""
        if self._waiting:
            name = f"data/{self._name}-{self._files:05d}.js"
            text = f"autocastCards({self._files}, {script(self._waiting)});\n"
            self._written.write(name, text.encode("utf-8"))
            self._files += 1
            self._waiting = []


def script(value: object) -> str:
    """A value as JavaScript in ASCII, which cannot end the element or file it stands in."""
    return json.dumps(value, separators=(",", ":")).replace("<", "\\u003c")


def _tally(counts: Counts) -> list[tuple[str, str, int, str, str]]:
    meanings = {
        "cast": "a cast is likely, and its direction is given",
        "ask": "neither is sure enough, or the evidence contradicts itself",
        "clear": "none worth acting on was found",
        "failed": "damaged, or not a picture",
    }
    return [
        (
            key,
            OUTCOME_WORDS[key],
            getattr(counts, key),
            meaning,
            "ask.html" if key == "ask" else f"pictures.html#verdict={key}",
        )
        for key, meaning in meanings.items()
    ]


def _decided(row: Row, said: Sequence[Decided]) -> list[int]:
    """Which of :data:`_DECIDED` a picture is, as a list is narrowed by them."""
    if not said:
        # Nobody can decide what could not be read.
        return [] if row.hash is None else [0]
    return [1, *sorted({_DECIDED.index(DECISION_WORDS[each.decision]) for each in said})]


def _models_words(models: Mapping[str, int]) -> str:
    """Which model judged the pictures, or how many each did."""
    if len(models) == 1:
        return f"Judged by model {printable(next(iter(models)))}."
    some = (f"{n:,} by {printable(model)}" for model, n in models.items())
    return f"Judged by models: {', '.join(some)}." if models else ""


def _notes(
    ledger: Ledger, counts: Counts, decided: int, own: Mapping[str, Any] | None
) -> list[str]:
    notes = [] if own is None else [own_text(own, _ONE_LINE)]
    if decided:
        notes.append(f"People have decided {counted(decided, 'picture')}; each says what and who.")
    if counts.gone:
        notes.append(f"Gone when the archive was last walked, and left out: {counts.gone:,}.")
    if counts.closed_folders:
        notes.append(f"{counted(counts.closed_folders, 'folder')} could not be read.")
    rate = kept_rate(ledger)
    if rate is not None:
        supposed = ledger.rate_of_casts() if own is not None and "assumed" in own else None
        notes.insert(int(own is not None), rate_text(rate, _ONE_LINE, supposed=supposed))
    return notes
