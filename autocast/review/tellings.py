"""What the decisions show of an archive, in sentences and figures for its page."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from autocast.archive.learnt import Figures, Proposal, adopted, figures, proposal
from autocast.archive.rows import Counts
from autocast.archive.shares import LEAK_BELOW, LEAST_SAMPLED
from autocast.archive.thresholds import LEAST_DECIDED
from autocast.judgement import DECISION_WORDS, VERDICT_WORDS
from autocast.report.listing import own_text
from autocast.report.text import GLUE, counted, percent, printable
from autocast.review.views import agreement_words

if TYPE_CHECKING:
    from autocast.archive.ledger import Ledger
    from autocast.archive.shares import Plan
    from autocast.modelstore import Models


@dataclass(frozen=True, slots=True)
class Told:
    """The page in plain values. ``proposed`` is None where nothing is proposed: ``why`` says so.

    ``body`` is what adopting sends, so that only what was shown is adopted.
    """

    casts: tuple[str, ...]
    passed: tuple[str, ...]
    plans: tuple[tuple[str, int, int, str, str, str], ...]
    people: tuple[tuple[str, tuple[int, ...]], ...]
    agreements: tuple[str, ...]
    own: tuple[str, ...]
    proposed: tuple[str, ...]
    counts: tuple[tuple[str, str, str], ...]
    shares: tuple[tuple[str, str, str], ...]
    body: dict[str, Any]
    why: str


def told(ledger: Ledger, models: Models) -> Told:
    """Everything that the decisions tell."""
    found, offered, own = figures(ledger), proposal(ledger, models), adopted(ledger)
    why = (
        f"Thresholds of this archive's own are proposed after {LEAST_DECIDED} decisions, from "
        "any queue."
    )
    if offered is not None and offered.own.before == offered.own.after:
        why = (
            f"Going by {offered.own.decided:,} decided pictures, the thresholds are right as they "
            "are: nothing is proposed."
        )
        offered = None
    return Told(
        casts=tuple(_casts(found)),
        passed=tuple(_passed(found, ledger.counts().clear)),
        plans=tuple(
            (
                f"{100 * plan.aql:g}{GLUE}%",
                plan.sample,
                plan.accept,
                percent(plan.passes_at_aql),
                percent(plan.rejected_at),
                _so_far(plan, passes, found.audited),
            )
            for plan, passes in found.plans
        ),
        people=tuple(
            (printable(name), tuple(counts.get(each, 0) for each in DECISION_WORDS))
            for name, counts in found.decisions.items()
        ),
        agreements=tuple(agreement_words(each) for each in found.agreement),
        own=() if own is None else tuple(_own(own)),
        proposed=() if offered is None else tuple(_offered(offered)),
        counts=() if offered is None else tuple(_counts(offered.before, offered.after)),
        shares=() if offered is None else tuple(_shares(offered)),
        body={} if offered is None else {"proposal": mark(offered)},
        why=why,
    )


def mark(offered: Proposal) -> str:
    """Tells one proposal from another, so that what is adopted is what was shown."""
    return hashlib.sha256(repr((offered.own, offered.decisions)).encode()).hexdigest()


def _casts(found: Figures) -> Iterator[str]:
    if found.casts is None:
        missing = LEAST_SAMPLED - found.sampled
        more = f"{missing} more {'is' if missing == 1 else 'are'}"
        yield (
            f"The share of casts in the archive is estimated from {LEAST_SAMPLED} decisions on a "
            f"random sample of all pictures: {more} needed."
        )
    else:
        share = found.casts
        yield (
            f"About {percent(share.share)} of the {share.pictures:,} pictures have a cast that "
            f"needs correction, between {percent(share.low)} and {percent(share.high)} (95 % "
            f"interval), by {found.sampled:,} decisions on pictures drawn at random."
        )
    if found.rate is not None:
        yield (
            f"Going by the chances alone, without any decision, it would be about "
            f"{percent(found.rate.rate)}."
        )
    if found.missing:
        yield (
            f"Drawn, but not decided, or nobody could tell: {counted(found.missing, 'picture')}. "
            "Where such pictures differ from the others, these figures are off."
        )


def _passed(found: Figures, passed: int) -> Iterator[str]:
    if found.slipped is None or found.slipped.share is None:
        yield "No passed picture has been looked at yet."
    else:
        yield (
            f"Of {found.audited:,} passed pictures drawn at random, {percent(found.slipped.share)} "
            f"are casts; of all that was passed at most {percent(found.slipped.at_most)} "
            "(one-sided 95 % bound)."
        )
    if (
        found.slipped is not None
        and (found.slipped.share or 0) * found.audited > LEAK_BELOW * passed
    ):
        yield f"More than {percent(LEAK_BELOW)} of all that was passed are casts already."
    elif found.looks_needed and passed > found.audited:
        left = passed - found.audited
        more = (
            f"{found.looks_needed:,} more"
            if found.looks_needed < left
            else f"all {left:,} {'others' if found.audited else 'of them'}"
        )
        yield (
            f"To be sure that fewer than {percent(LEAK_BELOW)} slip through, {more} must be looked "
            "at, without a cast among them."
        )


def _so_far(plan: Plan, passes: bool | None, audited: int) -> str:  # noqa: FBT001 -- or unknown
    """What a sampling plan says of what was decided."""
    if passes is None:
        return f"{plan.sample - audited:,} more"
    return "passes" if passes else "fails"


def _own(kept: Mapping[str, Any]) -> Iterator[str]:
    if "assumed" in kept:
        yield " ".join(own_text(kept).split())
        yield "The judgements themselves stand as they were."
        return
    yield (
        f"The archive goes by thresholds of its own, adopted by {printable(str(kept['person']))} "
        f"on {str(kept['at'])[:10]}, from {counted(len(kept['decisions']), 'decision')}. "
        "The judgements themselves stand as they were."
    )


def _offered(offered: Proposal) -> Iterator[str]:
    own = offered.own
    yield (
        f"Going by {own.decided:,} decided pictures, this archive could have thresholds of its "
        "own. They keep the risks where this archive, or your eye, differs from what autocast was "
        "fitted to; they seldom leave fewer pictures to a person. Pictures left to a person say "
        "little about those that are passed: decide some from every queue. Expected:"
    )


def _shares(offered: Proposal) -> Iterator[tuple[str, str, str]]:
    """What is to be expected, in words, as it is and as it would be."""
    before, after = offered.own.before, offered.own.after
    words = {
        "asked": "of all pictures, left to a person",
        "clear": f"casts among those called {VERDICT_WORDS['clear']}",
        "missed": f"of all casts, called {VERDICT_WORDS['clear']}",
        "cast": f"fine among those called {VERDICT_WORDS['cast']}",
    }
    for name, said in words.items():
        yield said, percent(getattr(before, name)), percent(getattr(after, name))


def _counts(before: Counts, after: Counts) -> Iterator[tuple[str, str, str]]:
    for verdict, words in VERDICT_WORDS.items():
        yield words, f"{getattr(before, verdict):,}", f"{getattr(after, verdict):,}"
