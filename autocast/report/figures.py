"""The figures of an evaluation as plain text of at most 80 columns.

Below a figure stands its 95 % interval, where groups enough allow one.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

WIDTH = 80
NAME = 30
"""Columns of the first column (project convention)."""
RISK_WORDS = {
    "clear": "evident among clear",
    "missed": "clear among evident",
    "cast": "none among cast",
}
VERDICTS = ("clear", "ask", "cast")

Cell = Mapping[str, Any] | None
Shown = Callable[[Mapping[str, Any]], str]
Span = Callable[[Cell], str]
Rows = Iterable[Sequence[str]]


def figures_text(figures: Mapping[str, Any]) -> str:
    """All tables of :func:`autocast.evaluation.figures.figures`, or of untouched pictures."""
    return "\n\n".join("\n".join(part) for part in _parts(figures)) + "\n"


def _parts(figures: Mapping[str, Any]) -> Iterator[list[str]]:
    yield list(_head(figures))
    yield from (list(part) for part in _simulated(figures["simulated"]))
    if "judged" in figures:
        yield list(_judged(figures["judged"]))
        yield list(_verdicts(figures["verdicts"]))
        yield list(_rules(figures["rules"]))
        if figures["scenes"]:
            yield list(_scenes(figures["scenes"]))
    if figures["by_tone"]:
        yield list(_by_tone(figures["by_tone"]))
    if figures["kinds"]:
        yield list(_kinds(figures["kinds"]))
    if figures["spreads"]:
        yield list(_spreads(figures["spreads"]))
    if "judged" in figures:
        yield list(_traces(figures["traces"]))
        yield list(_calibration(figures["calibration"]))
        yield list(_coverage(figures["coverage"]))
        yield list(_asking(figures))
        yield list(_risks(figures))
        if figures["without"]:
            yield list(_without(figures["without"]))
    if "second_opinion" in figures:
        yield list(_mend(figures["second_opinion"]["mend"]))
        yield list(_proof(figures["second_opinion"]["proof"]))
        yield list(_hints(figures["second_opinion"]["hints"]))


def _head(figures: Mapping[str, Any]) -> Iterator[str]:
    size = f"{figures['pictures']} pictures in {figures['groups']} groups"
    if figures["fit"] == "none":
        yield from _prose(
            f"{size}, without judgements. Casts are laid over the pictures as they are; untouched "
            f"is not clean, so a cast that a picture already carries counts as none here. Asked "
            f"are the models {figures['model']}; nothing was fitted."
        )
    else:
        yield from _prose(
            f"{size}. Every row was judged by trees grown without its group, and its "
            f"probability calibrated, and thresholds chosen, on what such trees predict of others."
        )
    yield from _prose(
        "Under a figure stands its 95 % interval (bootstrap over groups), where there are groups "
        "enough for one. AUC is the chance that of two pictures the one with the cast is given "
        "more; 0.5 is guessing."
    )


def _simulated(simulated: Mapping[str, Any]) -> Iterator[Iterator[str]]:
    sizes = {size: row["n"] for rows in simulated.values() for size, row in rows.items()}
    for key, title, value, span in (
        ("auc", "Casts simulated in linear light, against uncast copies: AUC", _auc, _auc_span),
        ("error", "The same: median error of the estimate, in a*b*", _units, _units_span),
    ):
        yield _section(
            title,
            "By C* of the cast; by the size of the estimate, or by probability."
            if key == "auc"
            else "",
            _table(
                list(sizes),
                [
                    ["n", *map(str, sizes.values())],
                    *(
                        row
                        for name, cells in simulated.items()
                        if any(key in cell for cell in cells.values())
                        for row in _two(name, [cells[s].get(key) for s in sizes], value, span)
                    ),
                ],
            ),
        )


def _judged(judged: Mapping[str, Any]) -> Iterator[str]:
    first = next(iter(judged.values()))
    both = next((row["direction"]["n"] for row in judged.values() if "direction" in row), 0)
    looked = (
        f" Where both looks call the cast evident (n {both}): how often the direction lies within "
        f"45 degrees of theirs, and the median distance from their cast, in a*b*."
    )
    columns = ("evident", "any", "direction", "distance")
    rows: list[list[str]] = []
    for name, row in judged.items():
        shown, spans = [], []
        for key in columns:
            value, span = _FORMATS[key]
            shown.append(_or_blank(row.get(key), value))
            spans.append(span(row.get(key)))
        rows += [[name, *shown], ["", *spans]]
    yield from _section(
        "Photographs as they came, against their judgements",
        f"AUC of evident against none (n {first['evident']['n']}), and of slight or evident "
        f"against none (n {first['any']['n']})." + (looked if both else ""),
        _table(["evident", "any", "within 45", "distance"], rows, width=11),
    )


def _verdicts(counts: Mapping[str, Any]) -> Iterator[str]:
    rows = []
    for name, row in counts.items():
        total = sum(row.values())
        if total:
            shares = (f"{row[v]} ({row[v] / total:.0%})" for v in VERDICTS)
            rows.append([name, *shares, str(total)])
    yield from _section(
        "Judgement by verdict",
        "As they are given, remarks considered.",
        _table([*VERDICTS, "all"], rows, width=11),
    )


def _rules(rules: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    rows = []
    for row in rules:
        name = f"called {row['verdict']}" if row["rule"] is None else f"  {row['rule']}"
        cells = [row["wrong"], row["alone_wrong"]]
        counts = ["" if row[n] is None else str(row[n]) for n in ("n", "alone")]
        rows.append([name, *_between(counts, [_or_blank(cell, _share) for cell in cells])])
        rows.append(["", *_between(["", ""], [_share_span(cell) for cell in cells])])
    yield from _section(
        "Rules that keep a picture from a verdict, whatever its probability",
        "Pictures that the probability alone would call so and a rule does not, and the share of "
        "them that would be an error (evident among clear, none among cast); alone are those that "
        "no other rule keeps from it. A rule whose share is no higher than that of what is called "
        "so prevents nothing.",
        _table(["n", "wrong", "alone", "wrong"], rows, widths=[6, 12, 7, 12]),
    )


def _between(counts: Sequence[str], shares: Sequence[str]) -> Iterator[str]:
    """Each count, and its share after it."""
    return (cell for pair in zip(counts, shares, strict=True) for cell in pair)


def _scenes(scenes: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    rows = []
    for row in scenes:
        numbers = [str(row["n"]), f"{row['none']}/{row['evident']}"]
        verdicts = [f"{row[v]:.0%}" for v in VERDICTS]
        name = row["scene"] or "(not named)"
        rows.append([name, *numbers, _or_blank(row["auc"], _auc), *verdicts])
        rows.append(["", "", "", _auc_span(row["auc"])])
    yield from _section(
        "By kind of scene",
        "Kinds that the manifest names for 30 pictures or more; none/evident are the pictures "
        "behind the AUC of the probability. Shares of all pictures of the kind by verdict.",
        _table(["n", "none/evid.", "AUC", *VERDICTS], rows, widths=[5, 12, 9, 7, 7, 7]),
    )


def _by_tone(by_tone: Mapping[str, Any]) -> Iterator[str]:
    columns = ("shadows", "midtones", "highlights", "largest", "apart")
    rows: list[list[str]] = []
    for name, row in by_tone.items():
        if name in {"n", "uncast", "probability"}:
            continue
        rows += _two(name, [row[c]["auc"] for c in columns], _auc, _auc_span)
    rows += _two("probability", [None] * 4 + [by_tone["probability"]["auc"]], _auc, _auc_span)
    rows.append(["median error, a*b*"])
    for name in ("quoted", "trees", "counted"):
        cells = [by_tone[name][c]["error"] for c in columns[:3]]
        rows += _two(f"  {name}", cells, _units, _units_span)
    yield from _section(
        "Crossed casts, about 12 codes at the ends of the scale, by tone range: AUC",
        f"n {by_tone['n']} against {by_tone['uncast']} uncast copies, by the size of the cast "
        f"found in the range; largest goes by the largest of the three, apart by the largest "
        f"distance of two of them, which can keep a picture from clear. Such a cast changes sides "
        f"in the midtones and hardly moves them.",
        _table(columns, rows, name=26, width=10),
    )


def _kinds(kinds: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    auc = (_auc, _auc_span)
    columns = dict.fromkeys(("probability", "quoted", "largest", "counted"), auc)
    text = (
        "By probability; by the quoted cast of the whole; by the largest quoted cast of whole "
        "and tone ranges; by the counted cast of the whole."
    )
    if any("clear" in kind for kind in kinds):
        columns["clear"] = _SHARE
        text += " Clear: the share called so."
    rows = [
        row
        for kind in kinds
        for row in _mixed(
            f"{kind['kind'].replace('_', ' ')} (n {kind['n']})",
            [(kind[name], form) for name, form in columns.items()],
        )
    ]
    yield from _section(
        "By kind of simulated cast, evident somewhere: AUC against uncast copies",
        text,
        _table(list(columns), rows, name=24, width=11),
    )


def _spreads(spreads: Mapping[str, Any]) -> Iterator[str]:
    columns = list(next(iter(spreads.values())))
    yield from _section(
        "How far the quoted spreads hold",
        "Simulated casts of every kind (of the whole: gains and uncast copies) whose truth lies "
        "within the ellipse that should hold so many of them.",
        _table(
            columns,
            [
                line
                for target, row in spreads.items()
                for line in _mixed(target, [(row[c], _SHARE) for c in columns])
            ],
            width=11,
        ),
    )


def _traces(cell: Mapping[str, Any]) -> Iterator[str]:
    yield from _section(
        "Traces of the simulation",
        "AUC of a probe that is taught to tell uncast copies from the pictures they were made of; "
        "at 0.5 it sees nothing, so that nothing else can be learned from the copies than casts.",
        _table(["n", "AUC"], [["", str(cell["n"]), _auc(cell)], ["", "", _auc_span(cell)]]),
    )


def _calibration(figures: Mapping[str, Any]) -> Iterator[str]:
    ece = figures["ece"]
    low, high = ece["perfect"]
    rows = []
    for name, key in (
        ("slope (1 is right)", "slope"),
        ("intercept (0 is right)", "intercept"),
        ("Brier skill", "brier_skill"),
        ("log-loss", "log_loss"),
    ):
        cell = figures[key]
        rows.append([name, f"{cell['value']:.3f}", _span(cell, "{:.3f}", " to ")])
    rows.append(
        [
            f"ECE, {ece['bins']} bins of equal count",
            f"{ece['value']:.3f}",
            f"a perfect forecaster: {low:.3f} to {high:.3f}",
        ]
    )
    yield from _section(
        "Calibration of the probability",
        f"Evident against the rest of {figures['n']} pictures that could be judged, "
        f"{figures['base_rate']:.1%} of them evident.",
        _table(["", ""], rows, widths=[8, 37]),
    )
    bins = [
        [
            f"  {row['from']:.3f} to {row['to']:.3f}",
            f"{row['predicted']:.3f}",
            f"{row['observed']['value']:.3f}",
            _span(row["observed"], "{:.2f}"),
            str(row["observed"]["n"]),
        ]
        for row in figures["reliability"]
    ]
    yield ""
    yield from _table(["predicted", "observed", "95 %", "n"], bins, widths=[11, 10, 13, 7])


def _coverage(figures: Mapping[str, Any]) -> Iterator[str]:
    rows = [
        [
            f"surest {row['coverage']:.0%}" if row["coverage"] < 1 else "all",
            f"{row['risk']['value']:.1%}",
            _span(row["risk"], "{:.1%}"),
        ]
        for row in figures["at"]
    ]
    for name, key in (
        ("AURC", "aurc"),
        ("  best that these calls allow", "best"),
        ("AUGRC", "augrc"),
    ):
        rows.append([name, f"{figures[key]['value']:.3f}", _span(figures[key], "{:.3f}")])
    yield from _section(
        "Risk against coverage",
        f"Calls of evident or not at one half, wrong by consensus, as the least sure of "
        f"{figures['n']} pictures are left to a person.",
        _table(["wrong", "95 %"], rows, widths=[9, 17]),
    )
    decided = figures["decided"]
    if decided["risk"] is not None:
        yield ""
        yield from _prose(
            f"The verdicts decide {_percent(decided['coverage'])} of these pictures, and "
            f"{_percent(decided['risk'])} of those wrongly (clear but evident, or cast but not "
            f"evident)."
        )


def _asking(figures: Mapping[str, Any]) -> Iterator[str]:
    right, risks = figures["right_to_ask"], figures["risks"]
    text = f"Left to a person: {_percent(risks['ask'])} of {risks['ask']['n']} pictures."
    if figures["risks_at_mix"] is not None:
        text += f" At the mix below: {_percent(figures['risks_at_mix']['ask'])}."
    for key, who in (("asked", "asked about"), ("others", "others")):
        if right[key] is not None:
            text += f" Of the {right[key]['n']} {who}, {_percent(right[key])} were unsure."
    text += (
        " Unsure are those judged slight or cannot_tell, and those on which the two looks differ."
    )
    yield from _section("Was it right to ask?", text, ())


def _risks(figures: Mapping[str, Any]) -> Iterator[str]:
    rows = []
    for title, risks in (
        ("at the mix of the folder", figures["risks"]),
        ("at the mix assumed", figures["risks_at_mix"]),
    ):
        if risks is None:
            continue
        rows.append([title])
        for key, words in RISK_WORDS.items():
            risk = risks[key]
            share = "–" if risk["value"] is None else f"{risk['value']:.1%}"
            rows.append(
                [
                    f"  {words}",
                    share,
                    _span(risk, "{:.1%}"),
                    f"{risk['bound']:.1%}",
                    f"{risk['target']:.0%}",
                    str(risk["n"]),
                ]
            )
    mix = ", ".join(f"{share:.0%} {name}" for name, share in figures["mix"].items())
    yield from _section(
        "Risks of the verdicts",
        f"With the one-sided 95 % upper bound (Clopper-Pearson, moved to the mix as a share "
        f"is) and the share allowed. The mix assumed: {mix}; doubtful pictures "
        f"have no share in it"
        + ("." if figures["risks_at_mix"] else ", and it is left out, as some of it is absent."),
        _table(["share", "95 %", "bound", "allowed", "n"], rows, widths=[8, 15, 8, 10, 7]),
    )
    yield ""
    yield from _prose(
        "Thresholds of each fold, chosen on the other folds, and what keeps the risk there: "
        "the share that is expected, with one error more among one picture more; the share alone, "
        "where too few pictures allow that; or none, and then nothing is called so."
    )
    yield ""
    folds = [
        [
            f"  fold {k}",
            f"{row['clear_below']:.3f}",
            row["clear_held"],
            f"{row['cast_above']:.3f}",
            row["cast_held"],
        ]
        for k, row in enumerate(figures["thresholds"], start=1)
    ]
    yield from _table(["clear to", "by", "cast above", "by"], folds, widths=[9, 8, 13, 8], name=14)


def _without(without: Mapping[str, Any]) -> Iterator[str]:
    rows = []
    for kind, row in without.items():
        cells = [row[label][key] for label in ("evident", "any") for key in ("without", "adds")]
        shown = [_auc(c) if k % 2 == 0 else f"{c['value']:+.3f}" for k, c in enumerate(cells)]
        spans = [
            _auc_span(c) if k % 2 == 0 else _span(c, "{:+.3f}", " to ") for k, c in enumerate(cells)
        ]
        rows += [[kind, *shown], ["", *spans]]
    yield from _section(
        "Each kind of evidence withheld when judging",
        "AUC of the probability without it, and what it adds (paired over groups): evident against "
        "none, then slight or evident against none. A plain fit is given the statistics alone.",
        _table(["evident", "adds", "any", "adds"], rows, name=14, widths=[10, 19, 10, 19]),
    )


def _mend(mend: Mapping[str, Any]) -> Iterator[str]:
    every = mend["all"]
    shown = {"written": _SHARE, "nearer": _SHARE, "before": _UNITS, "after": _UNITS}
    columns = ("written", "nearer", "residual", "over_all", "best_guess", "before", "after")
    yield from _section(
        "Copies corrected, by kind of simulated cast",
        f"Simulated on photographs judged to have none (n {every['written']['n']}), of C* 12 or "
        "more. Of those written, how many are nearer to the uncast picture in mean CIEDE2000 (its "
        "median before and after), and the median share of the cast that is left; the same over "
        "all, where 1 counts for what a person is asked about, and as if all had been corrected "
        f"that are not called clear. L* changes by {every['lightness']['value']:.2f} on average, "
        f"and by {every['lightness_most']['value']:.2f} at most at a copy's 99th percentile.",
        _table(
            ["written", "nearer", "left", "over all", "best guess", "before", "after"],
            (
                line
                for kind, row in mend.items()
                for line in _mixed(kind, [(row[c], shown.get(c, _HUNDREDTHS)) for c in columns])
            ),
            name=9,
            width=10,
        ),
    )


def _proof(proof: Mapping[str, Any]) -> Iterator[str]:
    columns = ("passed", "right", "sure", "nearer", "failed", "failed_nearer")
    yield from _section(
        "What the proof says of corrected copies",
        "Passed: of casts of C* 14 to 18, how many are written and pass. Of all that are "
        "written: how many of those passed are nearer to the uncast picture, how sure the "
        "proof is of it on average, how many are; and how many are called failed, and how many "
        "of them all are so although they are nearer by 1 CIEDE2000 or more.",
        _table(
            ["passed", "right", "sure", "nearer", "failed", "wrongly"],
            (
                line
                for kind, row in proof.items()
                for line in _mixed(kind, [(row[c], _SHARE) for c in columns])
            ),
            name=10,
            width=11,
        ),
    )


def _hints(hints: Mapping[str, Any]) -> Iterator[str]:
    every = hints["all"]
    columns = (
        ("neutral", "unhinted", _UNITS),
        ("neutral", "error", _UNITS),
        ("nearly", "error", _UNITS),
        ("any", "error", _UNITS),
        ("nearly", "doubted", _SHARE),
        ("false", "doubted", _SHARE),
        ("neutral", "residual", _HUNDREDTHS),
    )
    counts = ", ".join(
        str(0 if every[name]["error"] is None else every[name]["error"]["n"])
        for name in ("neutral", "nearly", "false")
    )
    yield from _section(
        "A spot called neutral",
        "Median error of the estimate without it; with the spot nearest to L* 60 that is neutral "
        "within C* 1, or nearly so (within 2); with any of the latter. How many of the near ones "
        "are doubted, and how many spots of C* 25 or more; and what the correction leaves of the "
        f"cast after the true one (n {counts}). A true hint raises the probability of "
        f"{_or_blank(every['faultless']['raised'], _percent)} of the pictures without a cast by "
        "more than .03.",
        _table(
            ["without", "true", "nearly", "any", "doubted", "false", "left"],
            (
                line
                for kind, row in hints.items()
                for line in _mixed(kind, [(row[n][key], form) for n, key, form in columns])
            ),
            name=10,
            width=10,
        ),
    )


def _mixed(name: str, cells: Sequence[tuple[Cell, tuple[Shown, Span]]]) -> Iterator[list[str]]:
    """A row of cells that are each shown in their own way, and their intervals below."""
    yield [name, *(_or_blank(cell, shown) for cell, (shown, _) in cells)]
    yield ["", *(span(cell) for cell, (_, span) in cells)]


def _section(title: str, text: str, table: Iterable[str]) -> Iterator[str]:
    yield title
    yield "-" * len(title)
    yield from _prose(text)
    lines = list(table)
    if lines:
        yield ""
        yield from lines


def _prose(text: str) -> Iterator[str]:
    yield from textwrap.wrap(text, WIDTH)


def _table(
    head: Sequence[str],
    rows: Rows,
    *,
    name: int = NAME,
    width: int = 8,
    widths: Sequence[int] | None = None,
) -> Iterator[str]:
    """Names to the left, figures to the right."""
    # A head keeps its distance from the one before.
    across = [
        max(each, len(words) + 1)
        for each, words in zip(widths or [width] * len(head), head, strict=False)
    ]

    def line(first: str, cells: Sequence[str]) -> str:
        row = "".join(c.rjust(w) for c, w in zip(cells, across, strict=False))
        return (first.ljust(name) + row).rstrip()

    if any(head):
        yield line("", head)
    for first, *cells in rows:
        text = line(first, cells)
        if text:
            yield text


def _two(name: str, cells: Sequence[Cell], value: Shown, span: Span) -> Iterator[list[str]]:
    yield [name, *(_or_blank(cell, value) for cell in cells)]
    yield ["", *(span(cell) for cell in cells)]


def _or_blank(cell: Cell, value: Shown) -> str:
    return "" if cell is None else value(cell)


def _auc(cell: Mapping[str, Any]) -> str:
    return f"{cell['value']:.3f}"


def _auc_span(cell: Cell) -> str:
    return _span(cell, "{:.2f}").replace("0.", ".").replace("1.00", "1.0")


def _units(cell: Mapping[str, Any]) -> str:
    return f"{cell['value']:.1f}"


def _units_span(cell: Cell) -> str:
    wide = cell is not None and cell["interval"] is not None and cell["interval"][1] >= 9.95
    return _span(cell, "{:.0f}" if wide else "{:.1f}")


def _hundredths(cell: Mapping[str, Any]) -> str:
    return f"{cell['value']:.2f}"


def _hundredths_span(cell: Cell) -> str:
    return _span(cell, "{:.2f}").replace("0.", ".")


def _share(cell: Mapping[str, Any]) -> str:
    return f"{cell['value']:.0%}"


def _share_span(cell: Cell) -> str:
    return _span(cell, "{:.0%}").replace("%–", "–")


def _span(cell: Cell, form: str, between: str = "–") -> str:
    if cell is None or cell["interval"] is None:
        return ""
    return between.join(form.format(end) for end in cell["interval"])


def _percent(cell: Mapping[str, Any]) -> str:
    span = _span(cell, "{:.1%}")
    return f"{cell['value']:.1%}" + (f" [{span}]" if span else "")


_UNITS = (_units, _units_span)
_SHARE = (_share, _share_span)
_HUNDREDTHS = (_hundredths, _hundredths_span)
_FORMATS: Mapping[str, tuple[Shown, Span]] = {
    "evident": (_auc, _auc_span),
    "any": (_auc, _auc_span),
    "direction": (_share, _share_span),
    "distance": (_units, _units_span),
}
