"""The templates of all pages: where they lie, how they are escaped, and what they may call."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from autocast.errors import OutputError
from autocast.judgement import EVIDENT_FROM
from autocast.judgement.things import THINGS

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

REPORT = "autocast.report.pages"


def environment(*packages: str) -> Environment:
    """Templates of the packages, the first that has a name before the others; then the report's.

    All values are escaped; a name that is not given is an error. Raises OutputError
    where Jinja2 is missing.
    """
    try:
        from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
    except ImportError as error:
        raise OutputError(
            "Pages are made with Jinja2; install it with: pip install 'autocast[report]'."
        ) from error
    pages = Environment(
        loader=ChoiceLoader([PackageLoader(package) for package in (*packages, REPORT)]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.filters["breakable"] = breakable
    pages.globals["evident"] = EVIDENT_FROM
    pages.globals["things"] = [(thing.name, thing.mark) for thing in THINGS]
    pages.globals["cautions"] = [thing.caution for thing in THINGS if thing.caution]
    return pages


def breakable(text: str) -> Markup:
    """A path that a line may break after its slashes, dashes and underscores."""
    from markupsafe import Markup, escape

    return Markup(re.sub(r"([/_-])", r"\1<wbr>", str(escape(text))))  # noqa: S704 -- escaped before
