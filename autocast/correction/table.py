"""A move as a Common LUT Format file (SMPTE ST 2136-1:2024): one 3D table.

The table takes encoded values of the file's own RGB to corrected ones, with the
lightness put back, 0..1 both ways; the blue index runs fastest, as the standard
has it, and values between are found by tetrahedral interpolation.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from autocast.correction.tone_curves import Curves
from autocast.picture import check_target
from autocast.picture.writing import whole

NAMESPACE = "urn:AMPAS:CLF:v3.0"
"""That of version 3 (Academy S-2014-006), which SMPTE made a standard; most readers take it."""
SIDE = 65
"""Nodes along each side of the table (common practice, no source)."""


def clf_text(applied: Curves, name: str) -> str:
    """The XML document of a move in one RGB space.

    Parameters
    ----------
    applied : Curves
        The move in that space.
    name : str
        Of which picture it is.

    Returns
    -------
    str
        One 3D table of :data:`SIDE` nodes a side, to six digits.

    References
    ----------
    SMPTE ST 2136-1:2024.
    """
    from xml.sax.saxutils import escape, quoteattr

    axis = np.linspace(0.0, 1.0, SIDE)
    nodes = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    rows = "\n".join(f"{r:.6f} {g:.6f} {b:.6f}" for r, g, b in applied(nodes))
    space = escape(applied.space.label)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<ProcessList xmlns="{NAMESPACE}" id="autocast-move" compCLFversion="3.0" '
        f"name={quoteattr(name)}>\n"
        "<Description>Takes a colour cast away and leaves CIE L* as it was.</Description>\n"
        f"<InputDescriptor>{space}</InputDescriptor>\n"
        f"<OutputDescriptor>{space}</OutputDescriptor>\n"
        '<LUT3D id="move" interpolation="tetrahedral" inBitDepth="32f" outBitDepth="32f">\n'
        f'<Array dim="{SIDE} {SIDE} {SIDE} 3">\n{rows}\n</Array>\n'
        "</LUT3D>\n</ProcessList>\n"
    )


def check_clf(to: Path, original: Path, *, force: bool) -> None:
    """Refuse, before any work is done, a place where the file must not go.

    Parameters
    ----------
    to : Path
        Where it would go.
    original : Path
        The picture, which is never changed.
    force : bool
        Let a file at ``to`` be replaced.

    Raises
    ------
    OutputError
        It must not go there, or the name does not end in ``.clf``.
    """
    what = "The correction is a CLF file"
    check_target(original, to, force=force, suffixes=(".clf",), what=what)


def write_clf(applied: Curves, name: str, to: Path, *, force: bool) -> None:
    """Write the file, whole or not at all.

    Parameters
    ----------
    applied : Curves
        The move in the picture's own RGB.
    name : str
        Of which picture it is.
    to : Path
        Where it goes.
    force : bool
        Let a file at ``to`` be replaced.

    Raises
    ------
    OutputError
        It cannot be written there.
    """
    with whole(to, force=force) as beside:
        beside.write_text(clf_text(applied, name), encoding="utf-8", newline="\n")
