"""The review: a person looks at what should be looked at, one picture at a time, and decides.

A server for one person on the machine that holds the pictures, and the pages of it. Its
pages ask for pictures by their number in the ledger and for nothing else. A decision is shown
as kept once it is on the disk. Pictures are only read.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from autocast.errors import OutputError

if TYPE_CHECKING:
    from autocast.modelstore import Models


def serve(  # noqa: PLR0913 -- the options of the command
    ledger: Path,
    *,
    person: str,
    port: int,
    browser: bool,
    models: Models | None,
    memory: int,
    say: Callable[[str], None],
) -> None:
    """Serve the review of a ledger; see :func:`autocast.review.server.run`.

    Raises OutputError where what it is served with is not installed.
    """
    try:
        import starlette  # noqa: F401 -- asked for here, so that one sentence can say what is missing
        import uvicorn  # noqa: F401
    except ImportError as error:
        raise OutputError(
            "The review is served with Starlette and Uvicorn; install them with: "
            "pip install 'autocast[review]'."
        ) from error
    from autocast.review.server import run

    run(ledger, person=person, port=port, browser=browser, models=models, memory=memory, say=say)
