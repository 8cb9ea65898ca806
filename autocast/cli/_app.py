"""The one application that every command joins, and what commands share."""

from __future__ import annotations

import contextlib
import functools
import inspect
import os
import shutil
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer
import typer.core

from autocast.errors import AutocastError, ModelError
from autocast.judgement import Assumptions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from autocast.modelstore import Models


Command = TypeVar("Command", bound=Callable[..., Any])


class _Commands(typer.core.TyperGroup):
    """The commands in the order in which one meets them, each with its whole first sentence."""

    _FIRST = (
        "judge",
        "measure",
        "correct",
        "explain",
        "presort",
        "list",
        "review",
        "report",
        "demo",
    )

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]
        names = super().list_commands(ctx)
        met = [name for name in self._FIRST if name in names]
        return [*met, *(name for name in names if name not in met)]

    def invoke(self, ctx: typer.Context) -> Any:  # type: ignore[override]  # noqa: ANN401 -- click's
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise typer.Exit(130) from None  # as shells count it; click would say "Aborted!"

    def format_commands(self, ctx: typer.Context, formatter: Any) -> None:  # type: ignore[override]  # noqa: ANN401
        rows = []
        for name in self.list_commands(ctx):
            command = self.get_command(ctx, name)
            if command is not None:
                rows.append((name, (command.help or "").partition("\n\n")[0].replace("\n", " ")))
        with formatter.section("Commands"):
            formatter.write_dl(rows)


class _App(typer.Typer):
    """What may not be read is told by a sentence of autocast's own, and ends nothing else."""

    def command(self, *args: Any, **options: Any) -> Callable[[Command], Command]:  # noqa: ANN401 -- typer's
        join = super().command(*args, **options)

        def joined(command: Command) -> Command:
            parameters = list(inspect.signature(command, eval_str=True).parameters.values())
            for each in parameters:
                for said in getattr(each.annotation, "__metadata__", ()):
                    if isinstance(said, typer.models.ParameterInfo):
                        said.readable = False  # not asked for by typer
            taking(command, parameters)
            join(command)
            return command

        return joined


app = _App(
    name="autocast",
    cls=_Commands,
    help="Says whether the colour of a photograph can be trusted.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _share(value: float | None) -> float | None:
    """Refuse what is no share, before any work is done."""
    if value is not None and not 0 < value < 1:
        raise typer.BadParameter("give a share between 0 and 1, such as 0.05 for 5 %.")
    return value


def _share_of(words: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(metavar="SHARE", callback=_share, help=words)
    return option


BaseRate = Annotated[
    float | None, _share_of("Share of evident casts among such pictures; 0.1 is 10 %.")
]
RiskClear = Annotated[
    float | None,
    _share_of("Allowed share of evident casts among those called clear; 0.05 is 5 %."),
]
RiskMissed = Annotated[
    float | None, _share_of("Allowed share of all evident casts that is called clear.")
]
RiskCast = Annotated[
    float | None,
    _share_of("Allowed share of pictures without a cast among those called a cast."),
]

Strict = Annotated[
    bool,
    typer.Option(
        "--strict",
        help="Keep the risks with 95 % certainty, not on average; more is left to a person.",
    ),
]

_ASSUMED: Mapping[str, tuple[object, Any]] = {
    "base_rate": (BaseRate, None),
    "risk_clear": (RiskClear, None),
    "risk_missed": (RiskMissed, None),
    "risk_cast": (RiskCast, None),
    "strict": (Strict, False),
}
"""The options of what is assumed, with their defaults, by the names of Assumptions."""


def with_assumptions(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of what is assumed; it is handed them as ``assumptions``."""
    signature = inspect.signature(command, eval_str=True)
    parameters: list[inspect.Parameter] = []
    for each in signature.parameters.values():
        if each.name != "assumptions":
            parameters.append(each)
            continue
        kind = inspect.Parameter.KEYWORD_ONLY
        parameters += [
            inspect.Parameter(name, kind, default=default, annotation=option)
            for name, (option, default) in _ASSUMED.items()
        ]

    @functools.wraps(command)
    def parsed(**given: Any) -> None:  # noqa: ANN401 -- whatever the command takes
        assumptions = Assumptions(**{name: given.pop(name) for name in _ASSUMED})
        command(**given, assumptions=assumptions)

    return taking(parsed, parameters)


def taking(
    command: Callable[..., None], parameters: Sequence[inspect.Parameter]
) -> Callable[..., None]:
    """A command that takes these parameters, told where typer reads it."""
    command.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    command.__annotations__ = {p.name: p.annotation for p in parameters}
    return command


ModelsFolder = Annotated[
    Path | None,
    typer.Option(
        "--models",
        metavar="FOLDER",
        help="Folder of model files to judge with, as autocast train writes them.",
    ),
]


def _size(text: str) -> int:
    """Bytes that a text names, refused before any work is done."""
    from autocast.picture import size_of

    size = size_of(text)
    if size is None:
        raise typer.BadParameter(
            f"{text!r} is no size; give a number and MB or GB, such as 800MB or 1.5GB."
        )
    return size


Memory = Annotated[
    int | None,
    typer.Option(
        "--memory",
        metavar="SIZE",
        parser=_size,
        help="Memory that opening or copying a picture may take, such as 800MB or 3GB; 1GB unless "
        "given. One that takes more is refused.",
        show_default=False,
    ),
]


def allowed(memory: int | None) -> int:
    """The bytes that opening a picture may take, by what was given."""
    from autocast.picture import MEMORY

    return MEMORY if memory is None else memory


FEW = 4
"""Up to so many pictures are judged without a progress bar."""
WIDEST = 100
"""Columns beyond which lines grow no longer, on a wider terminal."""


def _version(wanted: bool) -> None:  # noqa: FBT001 -- typer calls it so
    if wanted:
        from autocast import __version__

        typer.echo(f"autocast {__version__}")
        raise typer.Exit


@app.callback()
def _autocast(
    *,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Says whether the colour of a photograph can be trusted."""


@contextlib.contextmanager
def one_sentence() -> Iterator[None]:
    """Turn what autocast raises on purpose into one sentence and exit code 1."""
    from autocast.report.text import printable

    try:
        yield
    except AutocastError as error:
        typer.echo(f"autocast: {printable(str(error))}", err=True)
        raise typer.Exit(1) from error


def models_in(folder: Path | None) -> Models | None:
    """The models in a folder, None for those that autocast came with. Raises ModelError."""
    if folder is None:
        return None
    from autocast.modelstore import Models
    from autocast.modelstore.files import REGISTRY_NAME

    if not (folder / REGISTRY_NAME).is_file():
        raise ModelError(f"{folder} holds no models; give a folder that autocast train wrote into.")
    return Models.load(folder)


def say(line: str) -> None:
    """One line of progress, on standard error."""
    typer.echo(line, err=True)


def duration(seconds: float) -> str:
    """A time in plain words: ``12 s``, ``3 min 20 s``, ``1 h 5 min``."""
    whole = max(0, round(seconds))
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60} min"


@contextlib.contextmanager
def timed(then: str = "") -> Iterator[Callable[[str], None]]:
    """A function for lines of progress, which tells the time; at the end how long it took.

    ``then`` is the command that goes on from here.
    """
    started = time.monotonic()

    def step(line: str) -> None:
        say(f"{duration(time.monotonic() - started):>12}  {line}")

    yield step
    took = f"Took {duration(time.monotonic() - started)}."
    say(f"{took} Next: {then}" if then else took)


def left(done: int, total: int, since: float) -> str:
    """How many of how many, and about how long the rest takes, going by the time since."""
    text = f"{done:,} of {total:,}"
    if 0 < done < total:
        text += f", about {duration((time.monotonic() - since) / done * (total - done))} left"
    return text


def terminal() -> tuple[int, bool]:
    """Columns to fill, and whether colour is welcome (the NO_COLOR convention, no-color.org)."""
    columns = min(shutil.get_terminal_size((80, 24)).columns, WIDEST)
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return columns, sys.stdout.isatty() and not plain


@contextlib.contextmanager
def progress(total: int) -> Iterator[Callable[..., None]]:
    """A function that prints one result and moves the bar, where there is one, out of its way."""
    if total <= FEW or not sys.stderr.isatty():
        yield typer.echo
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    bar = Progress(
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    task = bar.add_task("", total=total)

    def step(text: str, *, err: bool) -> None:
        bar.stop()
        typer.echo(text, err=err)
        bar.advance(task)
        bar.start()

    with bar:
        yield step
