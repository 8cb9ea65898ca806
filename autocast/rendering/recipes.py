"""What rendered scenes show, recipe by recipe: layouts invented to look believable."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from autocast.rendering.canvas import Stuff
from autocast.rendering.stage import Stage

Floats = NDArray[np.floating[Any]]


class Recipe(NamedTuple):
    """How a scene is painted, where its light is met, and the things it holds for certain."""

    paint: Callable[[Stage], None]
    where: str
    holds: tuple[str, ...]


def _shadows(stage: Stage, sunny: bool, top: float) -> Floats:  # noqa: FBT001
    """Light on open ground, darkened by what stands beside or behind the viewer."""
    canvas, lit = stage.canvas, stage.canvas.open_light()
    if sunny:
        for _ in range(int(stage.rng.integers(0, 4))):
            x, y = stage.between(-0.1, 1.1), stage.between(top, 1.05)
            shape = canvas.oval(x, y, stage.between(0.1, 0.5), stage.between(0.03, 0.15))
            canvas.cast_shadow(lit, shape, stage.between(3, 10), stage.between(0, 3))
    return lit


def street(stage: Stage) -> None:
    """Fronts, a road and a walk, trees, cars and people under the sky."""
    canvas = stage.canvas
    foot = stage.between(0.55, 0.75)
    sunny = stage.heavens(foot)
    if stage.chance(0.6):
        canvas.paint(canvas.below(foot - stage.between(0.08, 0.2), 0.03), stage.foliage(),
                     ragged=2, veil=stage.between(0.1, 0.5))  # fmt: skip
    left = stage.between(-0.2, 0.15)
    while left < 1:
        right = left + stage.between(0.15, 0.45)
        stage.house(left, right, stage.between(0.08, 0.45), foot + 0.01, stage.between(0, 0.12))
        left = right + (stage.between(0.02, 0.25) if stage.chance(0.5) else 0)
    lit = _shadows(stage, sunny, foot)
    canvas.paint(canvas.below(foot), stage.paving(), lit=lit)
    curb = foot + stage.between(0.04, 0.12)
    canvas.paint(canvas.below(curb), stage.paving(), lit=lit)
    if stage.chance(0.4):
        line = canvas.box(-0.1, curb + 0.08, 1.1, curb + 0.095)
        canvas.paint(line, stage.white(), lit=lit, ragged=0.5)
    for _ in range(int(stage.rng.integers(0, 3))):
        tall = stage.between(0.3, 0.65)
        stage.tree(stage.between(0, 1), curb, tall)
    for _ in range(int(stage.rng.integers(0, 4))):
        at = curb + stage.between(0.02, 0.2)
        x, long = stage.between(0, 1), stage.between(0.15, 0.4)
        shade = canvas.oval(x, at, 0.55 * long, 0.02)
        canvas.paint(shade, stage.dark(), soft=4, level=0.6)
        stage.car(x, at, long)
    for _ in range(int(stage.rng.integers(0, 5))):
        stage.person(stage.between(0, 1), curb + stage.between(0, 0.2), stage.between(0.12, 0.3))


def garden(stage: Stage) -> None:
    """Trees and a hedge, a lawn, a path and a bed of flowers."""
    canvas = stage.canvas
    horizon = stage.between(0.25, 0.5)
    sunny = stage.heavens(horizon)
    canvas.paint(canvas.below(horizon - 0.1, 0.06), stage.foliage(), ragged=3,
                 veil=stage.between(0, 0.3))  # fmt: skip
    for _ in range(int(stage.rng.integers(1, 4))):
        stage.tree(stage.between(0, 1), horizon + 0.1, stage.between(0.4, 0.8))
    if stage.chance(0.4):
        left = stage.between(0, 0.6)
        stage.house(left, left + stage.between(0.2, 0.4), horizon - 0.15, horizon + 0.12, 0.0)
    lit = _shadows(stage, sunny, horizon)
    canvas.paint(canvas.below(horizon + 0.08, 0.01), stage.foliage(), ragged=3, lit=lit)
    ground = horizon + stage.between(0.12, 0.22)
    canvas.paint(canvas.below(ground, 0.005), stage.lawn(), ragged=1.5, lit=lit)
    if stage.chance(0.7):
        path = stage.between(ground + 0.1, 0.95)
        shape = canvas.below(path, 0.02, path + stage.between(0.05, 0.25))
        canvas.paint(shape, stage.paving() if stage.chance(0.7) else stage.earth(), lit=lit,
                     ragged=1.5)  # fmt: skip
    if stage.chance(0.4):
        stuff = stage.white() if stage.chance(0.5) else stage.wood()
        for x in np.arange(stage.between(0, 0.3), stage.between(0.5, 1), 0.035):
            canvas.paint(canvas.box(x, ground - 0.1, x + 0.02, ground + 0.06), stuff, lit=lit)
    blossoms = [stage.thing() for _ in range(int(stage.rng.integers(1, 4)))]
    bed = stage.between(0.6, 0.95)
    canvas.paint(canvas.oval(stage.between(0.2, 0.8), bed, 0.3, 0.08), stage.earth(), lit=lit,
                 ragged=3)  # fmt: skip
    for _ in range(int(stage.rng.integers(5, 40))):
        size = stage.between(0.006, 0.02)
        at = canvas.oval(stage.between(0, 1), bed + stage.between(-0.12, 0.1), size, size)
        canvas.paint(at, blossoms[int(stage.rng.integers(len(blossoms)))], ragged=1)
    for _ in range(int(stage.rng.integers(0, 2))):
        stage.person(stage.between(0.1, 0.9), bed, stage.between(0.25, 0.5), lit)


def interior(stage: Stage) -> None:
    """A room: walls, ceiling, floor, a window or a lamp, furniture."""
    canvas = stage.canvas
    fall = canvas.open_light() * np.linspace(
        stage.between(0.5, 1), stage.between(0.5, 1), canvas.width, dtype=np.float32
    )
    # Indoors what the lamp misses is lit by walls that the same lamp lights.
    level = stage.between(0.75, 1.0)
    wall = stage.white(0.45) if stage.chance(0.6) else Stuff("else", stage.dye(0.4), 0.03, "soft")
    canvas.paint(canvas.box(-1, -1, 2, 2), wall, lit=fall, level=level)
    corner = stage.between(0.1, 0.9)
    canvas.paint(canvas.box(-1, -1, corner, 2), wall, lit=fall, level=level * 0.8)
    # Where the walls are coloured the ceiling shows, so that something white always does.
    ceiling = stage.between(-0.1 if wall.thing == "white" else 0.06, 0.18)
    canvas.paint(canvas.box(-1, -1, 2, ceiling), stage.white(), lit=fall, level=0.9)
    floor = stage.between(0.65, 0.9)
    if stage.chance(0.6):
        ground = stage.wood()
    else:
        ground = stage.paving() if stage.chance(0.5) else stage.thing(0.6)
    canvas.paint(canvas.below(floor), ground, lit=fall)
    if stage.chance(0.6):
        x, y = stage.between(0.05, 0.7), stage.between(0.12, 0.3)
        w, h = stage.between(0.12, 0.3), stage.between(0.2, 0.4)
        canvas.paint(canvas.box(x - 0.015, y - 0.02, x + w + 0.015, y + h + 0.02), stage.white())
        if stage.chance(0.5):
            canvas.shine(canvas.box(x, y, x + w, y + h), stage.between(0.9, 1.6), 1.5)
        else:
            canvas.paint(canvas.box(x, y, x + w, y + h), stage.foliage(), level=2.0, veil=0.5)
        for bar in (x + w / 2, x + w):
            canvas.paint(canvas.box(bar - 0.006, y, bar + 0.006, y + h), stage.white())
    if stage.chance(0.4):
        x, y = stage.between(0.1, 0.9), stage.between(0.1, 0.5)
        canvas.shine(canvas.oval(x, y, 0.16, 0.18), 0.9, 30)
        canvas.shine(canvas.oval(x, y, 0.05, 0.06), 1.6, 2)
    for _ in range(int(stage.rng.integers(0, 4))):
        x, y = stage.between(0, 0.9), stage.between(0.15, 0.45)
        w, h = stage.between(0.06, 0.18), stage.between(0.08, 0.25)
        canvas.paint(canvas.box(x, y, x + w, y + h), stage.dark() if stage.chance(0.4)
                     else stage.wood())  # fmt: skip
        canvas.paint(canvas.box(x + 0.01, y + 0.015, x + w - 0.01, y + h - 0.015), stage.thing(0.8)
                     if stage.chance(0.7) else stage.white())  # fmt: skip
    for _ in range(int(stage.rng.integers(2, 6))):
        x, foot = stage.between(0, 0.9), floor + stage.between(0, 0.2)
        w, h = stage.between(0.1, 0.35), stage.between(0.12, 0.45)
        what = (stage.wood, stage.cloth, stage.thing, stage.white, stage.metal)
        stuff = what[int(stage.rng.choice(5, p=[0.4, 0.25, 0.15, 0.1, 0.1]))]()
        canvas.paint(canvas.oval(x + w / 2, foot, 0.6 * w, 0.03), stage.dark(), soft=6, level=0.8)
        canvas.paint(canvas.box(x, foot - h, x + w, foot), stuff, lit=fall, soft=2)
        canvas.paint(canvas.box(x, foot - h, x + w, foot - 0.85 * h), stuff, lit=fall, level=1.25)
    for _ in range(int(stage.rng.integers(0, 3))):
        stage.person(stage.between(0.1, 0.9), 1.0, stage.between(0.45, 0.75))


def portrait(stage: Stage) -> None:
    """A head and shoulders before something out of focus."""
    canvas = stage.canvas
    what = stage.rng.random()
    if what < 0.35 or not stage.outdoors:
        wall = stage.white(0.25) if stage.chance(0.6) else stage.thing(0.5)
        canvas.paint(canvas.box(-1, -1, 2, 2), wall, level=stage.between(0.5, 1.1))
        canvas.paint(canvas.box(-1, -1, stage.between(0, 0.5), 2), wall, level=0.7, soft=60)
    elif what < 0.7:
        stage.heavens(0.85)
        canvas.paint(canvas.below(stage.between(0.1, 0.5), 0.08), stage.foliage(), soft=14)
        canvas.paint(canvas.below(stage.between(0.6, 0.8)), stage.lawn(), soft=14)
    else:
        stage.heavens(0.9)
        for _ in range(3):
            x = stage.between(-0.2, 0.8)
            shape = canvas.box(x, stage.between(-0.1, 0.3), x + stage.between(0.2, 0.5), 0.8)
            canvas.paint(shape, stage.facade(), soft=12)
        canvas.paint(canvas.below(stage.between(0.55, 0.8)), stage.paving(), soft=12)
    for _ in range(int(stage.rng.integers(0, 5))):
        size = stage.between(0.02, 0.08)
        at = canvas.oval(stage.between(0, 1), stage.between(0, 0.8), size, size)
        canvas.paint(at, stage.thing(0.7), soft=10)
    _sitter(stage)


def _sitter(stage: Stage) -> None:
    canvas, paint = stage.canvas, stage.canvas.paint
    ratio = canvas.height / canvas.width
    tall = stage.between(0.17, 0.29)
    wide = tall * stage.between(0.68, 0.8) * ratio
    x, y = stage.between(0.35, 0.65), stage.between(0.34, 0.44)
    lit = canvas.open_light()
    if stage.chance(0.3):
        side = x + stage.between(-0.4, 0.4) * wide
        shade = canvas.box(-1, -1, side, 2) if stage.chance(0.5) else canvas.box(side, -1, 2, 2)
        canvas.cast_shadow(lit, shade, 40)
        lit = 0.35 + 0.65 * lit
    hair, skin, clothes = stage.hair(), stage.skin(), stage.cloth()
    long = stage.chance(0.5)
    back = canvas.oval(x, y + (0.3 * tall if long else -0.12 * tall), 1.18 * wide,
                       (1.35 if long else 1.05) * tall)  # fmt: skip
    paint(back, hair, form="ball", ragged=1.2, soft=3)
    shoulders = canvas.oval(x, y + 2.65 * tall, 2.3 * wide, 1.35 * tall)
    paint(shoulders, clothes, form="ball", lit=lit, soft=2.5)
    neck = canvas.box(x - 0.5 * wide, y + 0.5 * tall, x + 0.5 * wide, y + 1.5 * tall)
    paint(neck, skin, form="column", lit=lit, level=0.75, soft=4)
    paint(canvas.gable(x - 0.8 * wide, y + 1.95 * tall, x + 0.8 * wide, y + 1.3 * tall), skin)
    if stage.chance(0.4):
        collar = stage.white()
        for side in (-1, 1):
            paint(canvas.oval(x + side * 0.42 * wide, y + 1.55 * tall, 0.28 * wide, 0.16 * tall),
                  collar, lit=lit)  # fmt: skip
    for side in (-1, 1):
        paint(canvas.oval(x + side * 0.99 * wide, y + 0.08 * tall, 0.10 * wide, 0.2 * tall), skin,
              level=0.85, lit=lit)  # fmt: skip
    paint(canvas.oval(x, y, wide, tall), skin, form="ball", lit=lit, soft=3)
    _features(stage, x, y, wide, tall, skin, hair)
    top = canvas.oval(x, y - 0.9 * tall, 1.0 * wide, 0.42 * tall)
    paint(top, hair, form="ball", ragged=1.2, soft=3)


def _features(  # noqa: PLR0913, PLR0917 -- where the head lies, and what it is made of
    stage: Stage, x: float, y: float, wide: float, tall: float, skin: Stuff, hair: Stuff
) -> None:
    """Brows, eyes, nose and mouth."""
    canvas, paint = stage.canvas, stage.canvas.paint
    eye, white = stage.dark(), stage.white()
    for side in (-1, 1):
        at = x + side * 0.42 * wide
        paint(canvas.oval(at, y - 0.02 * tall, 0.24 * wide, 0.10 * tall), skin, level=0.75, soft=5)
        paint(canvas.oval(at, y, 0.17 * wide, 0.045 * tall), white, level=0.5)
        paint(canvas.oval(at, y, 0.075 * wide, 0.045 * tall), eye)
        paint(canvas.oval(at, y - 0.16 * tall, 0.24 * wide, 0.03 * tall), hair, ragged=0.4)
        paint(canvas.oval(x + side * 0.12 * wide, y + 0.36 * tall, 0.08 * wide, 0.03 * tall), skin,
              level=0.4, soft=3)  # fmt: skip
    paint(canvas.oval(x, y + 0.25 * tall, 0.16 * wide, 0.13 * tall), skin, form="ball", soft=6)
    # Lips are redder and darker than the skin about them (common practice, no source).
    fall = np.linspace(0.55, 0.95, skin.spectra.shape[1]) ** 1.2
    lips = Stuff("skin", skin.spectra * fall, 0.03, gloss=0.1)
    paint(canvas.oval(x, y + 0.58 * tall, 0.32 * wide, 0.07 * tall), lips, soft=2.5)


def still_life(stage: Stage) -> None:
    """Things on a table or a plain ground."""
    canvas = stage.canvas
    edge = stage.between(0.15, 0.6)
    backdrop = (stage.white, stage.cloth, stage.wood, stage.facade)
    ground = (stage.white, stage.wood, stage.cloth, stage.paving)
    behind = backdrop[int(stage.rng.integers(4))]()
    below = behind if stage.chance(0.3) else ground[int(stage.rng.integers(4))]()
    lit = canvas.open_light()
    places = []
    for _ in range(int(stage.rng.integers(2, 8))):
        x, foot = stage.between(0.1, 0.9), stage.between(max(edge + 0.1, 0.5), 0.95)
        size = stage.between(0.12, 0.4)
        places.append((foot, x, size))
        fall = canvas.oval(x - canvas.sun[0] * 0.3 * size, foot, 0.6 * size, 0.1 * size)
        canvas.cast_shadow(lit, fall, stage.between(4, 14))
    canvas.paint(canvas.box(-1, -1, 2, 2), behind, level=stage.between(0.4, 1.0))
    canvas.paint(canvas.below(edge), below, lit=0.25 + 0.75 * lit, soft=stage.between(1, 30))
    for foot, x, size in sorted(places):
        what = (stage.thing, stage.thing, stage.white, stage.metal, stage.wood, stage.lawn)
        stuff = what[int(stage.rng.choice(6, p=[0.35, 0.25, 0.12, 0.12, 0.08, 0.08]))]()
        canvas.paint(canvas.oval(x, foot, 0.35 * size, 0.03), stage.dark(), soft=5, level=1.5)
        stage.round_thing(x, foot, size, stuff)


def winter(stage: Stage) -> None:
    """Snow under the sky, with its blue shadows, trees and at times a hut or people."""
    canvas = stage.canvas
    horizon = stage.between(0.2, 0.5)
    sunny = stage.heavens(horizon + 0.1)
    for _ in range(int(stage.rng.integers(0, 3))):
        rock = stage.snowfield() if stage.chance(0.5) else stage.earth()
        canvas.paint(canvas.below(horizon - stage.between(0, 0.15), stage.between(0.02, 0.06)),
                     rock, veil=stage.between(0.2, 0.6))  # fmt: skip
    if stage.chance(0.6):
        canvas.paint(canvas.below(horizon - 0.02, 0.02), stage.foliage(), ragged=3, level=0.6,
                     veil=stage.between(0.1, 0.4))  # fmt: skip
    lit = _shadows(stage, sunny, horizon)
    if not sunny:
        lit[:] = 0.85
    canvas.paint(canvas.below(horizon + 0.05, 0.015), stage.snowfield(), lit=lit)
    if stage.chance(0.4):
        left = stage.between(0.05, 0.7)
        stage.house(left, left + 0.25, horizon - 0.1, horizon + 0.12, 0.0)
    for _ in range(int(stage.rng.integers(0, 5))):
        foot, tall = horizon + stage.between(0.05, 0.3), stage.between(0.25, 0.6)
        x, dark = stage.between(0, 1), stage.foliage()
        for part in range(4):
            half = tall * (0.06 + 0.04 * part)
            top = foot - tall + 0.22 * part * tall
            canvas.paint(canvas.gable(x - half, top, x + half, top + 0.36 * tall), dark, level=0.6,
                         ragged=2)  # fmt: skip
    for _ in range(int(stage.rng.integers(0, 4))):
        stage.person(stage.between(0, 1), stage.between(0.6, 0.95), stage.between(0.15, 0.35))


def beach(stage: Stage) -> None:
    """Sea, sand and sky, with towels, parasols, rocks and bathers."""
    canvas = stage.canvas
    horizon = stage.between(0.25, 0.5)
    sunny = stage.heavens(horizon)
    canvas.paint(canvas.below(horizon), stage.sea(), veil=stage.between(0.05, 0.3))
    shore = horizon + stage.between(0.08, 0.3)
    canvas.paint(canvas.below(shore - 0.03, 0.01), stage.white(), ragged=3, level=0.9, veil=0.1)
    lit = _shadows(stage, sunny, shore)
    canvas.paint(canvas.below(shore, 0.012), stage.earth("sand"), lit=lit)
    for _ in range(int(stage.rng.integers(0, 4))):
        x, y, size = stage.between(0, 1), stage.between(shore, 1), stage.between(0.03, 0.12)
        rock = Stuff("else", stage.measured("stone"), 0.2, relief=0.3)
        canvas.paint(canvas.oval(x, y, size, size * 0.6), rock, form="ball", ragged=2)
    for _ in range(int(stage.rng.integers(0, 5))):
        x, y, long = stage.between(0, 1), stage.between(shore + 0.05, 1), stage.between(0.05, 0.2)
        if stage.chance(0.5):
            canvas.paint(canvas.box(x, y, x + long, y + 0.25 * long), stage.thing(), ragged=1)
        else:
            canvas.paint(canvas.box(x - 0.004, y - long, x + 0.004, y), stage.white())
            cover = canvas.gable(x - long, y - 1.6 * long, x + long, y - long)
            canvas.paint(cover, stage.thing(), form="column")
    for _ in range(int(stage.rng.integers(1, 5))):
        stage.person(stage.between(0, 1), stage.between(shore + 0.05, 1), stage.between(0.15, 0.4),
                     lit)  # fmt: skip


def coloured_object(stage: Stage) -> None:
    """One strongly coloured thing that fills much of the frame, amid greys."""
    canvas = stage.canvas
    edge = stage.between(0.2, 0.6)
    back = stage.white(0.3) if stage.chance(0.5) else Stuff("else", stage.grey(0.1, 0.5), 0.05)
    canvas.paint(canvas.box(-1, -1, 2, 2), back, level=stage.between(0.6, 1))
    lit = canvas.open_light()
    x, foot = stage.between(0.35, 0.65), stage.between(0.75, 1.05)
    canvas.cast_shadow(lit, canvas.oval(x, foot, 0.45, 0.08), 14)
    canvas.paint(canvas.below(edge), stage.paving(), lit=lit, soft=3)
    thing = Stuff(
        "object", stage.dye(), stage.between(0.03, 0.15), mottle=1.2, gloss=stage.between(0, 0.4)
    )
    across, tall = stage.between(0.28, 0.48), stage.between(0.26, 0.42)
    forms = ("ball", "column", "flat")
    form = forms[int(stage.rng.integers(3))]
    if form == "ball":
        shape = canvas.oval(x, foot - tall, across, tall)
    else:
        shape = canvas.box(x - across, foot - 2 * tall, x + across, foot)
    canvas.paint(shape, thing, form=form, soft=2, lit=0.4 + 0.6 * canvas.open_light())
    for _ in range(int(stage.rng.integers(0, 4))):
        stuff = stage.metal() if stage.chance(0.5) else stage.white()
        stage.round_thing(stage.between(0, 1), stage.between(0.7, 1), stage.between(0.05, 0.15),
                          stuff)  # fmt: skip


def few_neutrals(stage: Stage) -> None:
    """Leaves, soil, wood and coloured things close by: nothing that ought to be grey."""
    canvas = stage.canvas
    makers = (stage.foliage, stage.earth, stage.wood, stage.lawn, stage.thing)
    order = stage.rng.choice(5, 3, p=[0.3, 0.2, 0.15, 0.15, 0.2])
    canvas.paint(canvas.box(-1, -1, 2, 2), makers[order[0]](), level=stage.between(0.5, 1.1))
    top = 0.0
    for which in order[1:]:
        top += stage.between(0.15, 0.5)
        lit = _shadows(stage, sunny=True, top=top)
        canvas.paint(canvas.below(top, stage.between(0, 0.05)), makers[which](), lit=lit,
                     ragged=stage.between(0, 2))  # fmt: skip
    for _ in range(int(stage.rng.integers(1, 8))):
        stuff = stage.thing() if stage.chance(0.7) else stage.foliage()
        stage.round_thing(stage.between(0, 1), stage.between(0.4, 1), stage.between(0.05, 0.3),
                          stuff)  # fmt: skip


RECIPES: Mapping[str, Recipe] = {
    "street": Recipe(street, "outdoor", ("pavement",)),
    "garden": Recipe(garden, "outdoor", ("vegetation",)),
    "interior": Recipe(interior, "indoor", ("white",)),
    "portrait": Recipe(portrait, "anywhere", ("skin",)),
    "still_life": Recipe(still_life, "anywhere", ()),
    "snow": Recipe(winter, "outdoor", ("snow",)),
    "beach": Recipe(beach, "outdoor", ("ground", "water")),
    "coloured_object": Recipe(coloured_object, "anywhere", ("object",)),
    "few_neutrals": Recipe(few_neutrals, "outdoor", ()),
}
"""Recipes by name."""
