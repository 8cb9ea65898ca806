"""The figures of an evaluation as tables in plain text (Markdown, readable as it stands)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any


def figures_text(figures: Mapping[str, Any]) -> str:
    """All tables of :func:`autocast.training.evaluate.figures`."""
    return "\n\n".join("\n".join(part) for part in _parts(figures))


def _parts(figures: Mapping[str, Any]) -> Iterator[list[str]]:
    saw_none = "every row was judged by models that saw none of its group."
    yield [f"{figures['pictures']} pictures in {figures['groups']} groups; {saw_none}"]
    yield list(_laid(figures["laid"]))
    yield list(_judged(figures["judged"], figures["crossed"]))
    yield list(_verdicts(figures["verdicts"]))
    yield list(_calibration(figures["calibration"]))


def _laid(laid: Mapping[str, Any]) -> Iterator[str]:
    first = next(iter(laid.values()))
    yield "Casts laid in linear light over pictures of consensus none, against uncast copies:"
    yield "AUC of |c|, and median error of the estimate in a*b*"
    yield ""
    head = ["", *(f"{size} (n {row['n']})" for size, row in first.items())]
    body = [
        [name, *(f"{_auc(cell)} / {cell['error']:.1f}" for cell in row.values())]
        for name, row in laid.items()
    ]
    yield from _table(head, body)


def _judged(judged: Mapping[str, Any], crossed: Mapping[str, Any]) -> Iterator[str]:
    yield "Against the judgements of the photographs as they came: AUC"
    yield ""
    body = [
        [name, *(f"{_auc(row[kept])} (n {row[kept]['n']})" for kept in ("evident", "any"))]
        for name, row in judged.items()
        if name != "direction"
    ]
    yield from _table(["", "evident or none", "slight or evident, or none"], body)
    yield ""
    direction = judged["direction"]
    yield f"Casts that both looks call evident (n {direction['n']}): direction within 45 degrees"
    yield f"of theirs on {direction['within_45']:.1%}."
    yield f"Crossed casts (n {crossed['n']}): AUC {crossed['auc']:.3f} by the largest tone range's"
    yield f"cast, {crossed['auc_probability']:.3f} by probability."


def _verdicts(verdicts: Mapping[str, Any]) -> Iterator[str]:
    yield "Judgement by verdict (by probability alone)"
    yield ""
    body = [
        [name, *(str(row[verdict]) for verdict in ("clear", "ask", "cast"))]
        for name, row in verdicts["counts"].items()
    ]
    yield from _table(["consensus", "clear", "ask", "cast"], body)
    yield ""
    yield f"Left to a person: {verdicts['ask']:.1%}."
    for name, risk in verdicts["risks"].items():
        yield (
            f"{name}: {risk['share']:.1%} of {risk['n']}, one-sided 95 % bound "
            f"{risk['bound']:.1%}, target {risk['target']:.0%}."
        )


def _calibration(figures: Mapping[str, Any]) -> Iterator[str]:
    yield (
        f"Calibration (n {figures['n']}): slope {figures['slope']:.2f}, Brier skill "
        f"{figures['brier_skill']:.3f}, log-loss {figures['log_loss']:.3f}."
    )
    yield (
        f"ECE over 10 bins of equal count {figures['ece']:.3f}; a perfect forecaster stays "
        f"under {figures['ece_perfect_95']:.3f} in 95 of 100."
    )


def _auc(cell: Mapping[str, Any]) -> str:
    return f"{cell['auc']:.3f}{_interval(cell)}"


def _interval(cell: Mapping[str, Any]) -> str:
    if "interval" not in cell:
        return ""
    low, high = cell["interval"]
    return f" [{low:.3f}, {high:.3f}]"


def _table(head: list[str], rows: Iterable[list[str]]) -> Iterator[str]:
    body = [head, *rows]
    widths = [max(len(row[k]) for row in body) for k in range(len(head))]
    for number, row in enumerate(body):
        yield "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |"
        if number == 0:
            yield "|" + "|".join("-" * (w + 2) for w in widths) + "|"
