"""The command that lets a person look through an archive and decide."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

from autocast.cli._app import Memory, ModelsFolder, allowed, app, models_in, one_sentence, say


@app.command()
def review(
    ledger: Annotated[
        Path, typer.Argument(metavar="LEDGER", help="The ledger that autocast presort wrote.")
    ],
    *,
    person: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Whose decisions these are.", show_default="the login name"
        ),
    ] = None,
    port: Annotated[
        int,
        typer.Option(
            metavar="N", min=0, max=65535, help="Port to listen at.", show_default="a free one"
        ),
    ] = 0,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="Only print the address; open no browser.")
    ] = False,
    memory: Memory = None,
    models: ModelsFolder = None,
) -> None:
    """Look through a pre-sorted archive in a browser, and decide picture by picture.

    Serves pages on this machine alone: the queues of pictures to look at, one
    picture at a time with the reasons to look at it, and what the decisions show
    about the archive. The address that is printed works once, in one browser. Decisions go
    into the ledger at once, each under NAME, and can be taken back; autocast
    presort may run meanwhile. Pictures are only read. Needs autocast[review].

    Exit codes: 0 ended by Ctrl-C or a request to end; 1 it could not begin,
    standard error says why; 2 the command was not understood.
    """
    with one_sentence():
        from autocast.review import serve

        serve(
            ledger,
            person=_login() if person is None else _named(person),
            port=port,
            browser=not no_open,
            models=models_in(models),
            memory=allowed(memory),
            say=say,
        )


def _named(person: str) -> str:
    if not person.strip():
        raise typer.BadParameter("a decision needs a name.", param_hint="--person")
    return person.strip()


def _login() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # no name is known for this user's number
        raise typer.BadParameter(
            "no login name is known here; say whose decisions these are.", param_hint="--person"
        ) from None
