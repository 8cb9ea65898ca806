"""The props of rendered scenes: materials made ready to paint, and things built of them.

Sizes, colours and chances are invented so that scenes look believable; common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from autocast.rendering.canvas import Canvas, Stuff
from autocast.rendering.materials import Palette, snow, water

Floats = NDArray[np.floating[Any]]
Array = NDArray[np.float64]


@dataclass(eq=False)
class Stage:
    """A canvas, what may be painted on it, and a record of what was.

    ``skin_rng`` draws skin alone, so that the same scene can be rendered with
    another complexion; ``ita`` is the angle of the skin last drawn. ``outdoors``
    says whether daylight falls on the scene.
    """

    canvas: Canvas
    palette: Palette
    skin_rng: np.random.Generator
    outdoors: bool
    ita_group: str | None = None
    used: set[str] = field(default_factory=set)
    ita: float | None = None

    @property
    def rng(self) -> np.random.Generator:
        """The source of all chance but skin's."""
        return self.canvas.rng

    def chance(self, share: float) -> bool:
        """True in this share of draws."""
        return bool(self.rng.random() < share)

    def between(self, low: float, high: float) -> float:
        """An even draw."""
        return float(self.rng.uniform(low, high))

    # Materials -----------------------------------------------------------------------------

    def measured(self, material: str) -> Array:
        """Two spectra of a measured material, its studies noted."""
        pair, studies = self.palette.pair(self.rng, material)
        self.used |= studies
        return pair

    def grey(self, low: float, high: float) -> Array:
        """A plain grey of a mean reflectance between these."""
        pair, studies = self.palette.neutral(self.rng, low, high)
        self.used |= studies
        return pair

    def dye(self, strength: float = 1.0) -> Array:
        """Any colour."""
        pair, studies = self.palette.dye(self.rng, strength)
        self.used |= studies
        return pair * self.between(0.5, 0.95)

    def foliage(self) -> Stuff:
        """Leaves in light and shade, some of them dry."""
        green, dry = self.measured("canopy"), self.measured("dry")
        share = self.between(0, 0.25) if self.chance(0.8) else self.between(0.25, 0.7)
        # Canopies are given from above at noon: seen from the side they are a little darker.
        spectra = (1 - share) * green + share * dry
        return Stuff(
            "vegetation", spectra * self.between(0.8, 1.3), rough=self.between(0.2, 0.45),
            grain="fine", mottle=1.2, relief=self.between(0.15, 0.4),
        )  # fmt: skip

    def lawn(self) -> Stuff:
        """Grass: lighter and more even than trees, with soil between."""
        green, bare = self.measured("canopy"), self.measured("soil")
        share = self.between(0, 0.3)
        spectra = ((1 - share) * green + share * bare) * self.between(1.0, 1.8)
        return Stuff("vegetation", spectra, rough=self.between(0.1, 0.25), grain="fine", mottle=1.4,
                     relief=self.between(0.05, 0.2))  # fmt: skip

    def paving(self) -> Stuff:
        """A road, a walk or a yard."""
        material = str(self.rng.choice(["road", "pavement", "stone"], p=[0.5, 0.4, 0.1]))
        grain = str(self.rng.choice(["fine", "even"]))
        return Stuff("pavement", self.measured(material), rough=self.between(0.05, 0.2),
                     grain=grain, mottle=1.2, gloss=self.between(0, 0.1))  # fmt: skip

    def earth(self, material: str = "soil") -> Stuff:
        """Soil or sand."""
        # The archive's soils were dried and sieved; soil outside is darker.
        level = 1.0 if material == "sand" else self.between(0.45, 0.9)
        return Stuff("ground", level * self.measured(material), self.between(0.06, 0.2), mottle=1.2,
                     relief=self.between(0.05, 0.3))  # fmt: skip

    def facade(self) -> Stuff:
        """A wall outside: paint, plaster, brick or stone."""
        rough = self.between(0.03, 0.10)
        what = self.rng.random()
        if what < 0.35:
            return Stuff("else", self.measured("wall"), rough, mottle=1.0)
        if what < 0.6:
            return self.white(0.5)
        if what < 0.8:
            return Stuff("pavement", self.measured("pavement"), rough, mottle=1.0)
        if what < 0.9:
            return Stuff("else", self.measured("wood"), rough, mottle=1.0)
        return Stuff("else", self.dye(0.5), rough, mottle=0.8)

    def white(self, low: float = 0.65) -> Stuff:
        """White paint, plaster, cloth: often a little warm, as measured paints are."""
        warm = self.measured("wall").mean(axis=0)
        warm = warm / warm.mean()
        share = self.between(0, 0.12) if self.chance(0.5) else 0.0
        spectra = self.grey(low, 0.9)
        return Stuff("white", spectra * ((1 - share) + share * warm), self.between(0.01, 0.05),
                     grain="soft", mottle=0.6)  # fmt: skip

    def dark(self) -> Stuff:
        """Tyres, black cloth, tar."""
        spectra = self.grey(0.02, 0.06) if self.chance(0.6) else self.measured("char") * 0.4
        return Stuff("dark", spectra, self.between(0.05, 0.2), gloss=self.between(0, 0.15))

    def metal(self) -> Stuff:
        """Bare or grey-painted metal."""
        return Stuff("metal", self.measured("metal"), self.between(0.02, 0.08), grain="soft",
                     gloss=self.between(0.1, 0.6))  # fmt: skip

    def thing(self, strength: float = 1.0) -> Stuff:
        """A coloured object."""
        grain = str(self.rng.choice(["fine", "even", "soft"]))
        return Stuff("object", self.dye(strength), self.between(0.03, 0.18), grain,
                     mottle=self.between(0.4, 1.6), gloss=self.between(0, 0.3))  # fmt: skip

    def wood(self) -> Stuff:
        """Timber, sawn or weathered."""
        pair = self.measured("wood") * self.between(0.8, 1.6)
        return Stuff("else", np.minimum(pair, 0.9), self.between(0.05, 0.15), mottle=1.4)

    def cloth(self) -> Stuff:
        """Clothes: white, grey, black or of any colour."""
        what = self.rng.random()
        if what < 0.2:
            return self.white(0.6)
        if what < 0.45:
            return self.dark()
        if what < 0.6:
            return Stuff("else", self.grey(0.1, 0.5), 0.08, grain="soft")
        return Stuff("object", self.dye(self.between(0.4, 1.0)), 0.10, grain="soft")

    def skin(self) -> Stuff:
        """Skin of a face."""
        pair, studies, self.ita = self.palette.face(self.skin_rng, self.ita_group)
        self.used |= studies
        return Stuff("skin", pair, self.between(0.02, 0.06), grain="even", mottle=1.2,
                     gloss=self.between(0.02, 0.12))  # fmt: skip

    def hair(self) -> Stuff:
        """Dark hair mostly; fair or grey hair at times."""
        what = self.rng.random()
        if what < 0.65:
            pair = self.measured("char") * self.between(0.15, 0.5)
        elif what < 0.85:
            pair = self.measured("dry") * self.between(0.5, 1.6)
        else:
            pair = self.grey(0.15, 0.5)
        return Stuff("else", pair, self.between(0.15, 0.35), grain="even", gloss=0.08)

    def snowfield(self) -> Stuff:
        """Fresh or trodden snow."""
        return Stuff("snow", snow(self.rng), self.between(0.02, 0.08), grain="soft",
                     relief=self.between(0.1, 0.9))  # fmt: skip

    def sea(self) -> Stuff:
        """Open water."""
        return Stuff("water", water(self.rng) * self.between(1.0, 3.0), self.between(0.1, 0.3),
                     grain="even", mottle=1.4, gloss=self.between(0, 0.2))  # fmt: skip

    # Things --------------------------------------------------------------------------------

    def heavens(self, horizon: float) -> bool:
        """A sky down to ``horizon``; True where the sun shines."""
        if self.chance(0.25):
            # Under cloud the light comes from everywhere and has one colour.
            lighting = self.canvas.lighting
            fill = self.between(0.5, 0.8)
            self.canvas.lighting = replace(lighting, skylight=lighting.light, fill=fill)
            self.canvas.overcast(horizon)
            return False
        self.canvas.sky(horizon, self.between(0.1, 0.7) if self.chance(0.65) else 0.0)
        return True

    def tree(self, x: float, foot: float, tall: float, lit: Floats | None = None) -> None:
        """A trunk and a ragged crown, standing at ``foot``."""
        wide = tall * self.between(0.22, 0.4)
        trunk = Stuff("else", self.measured("wood"), 0.15)
        self.canvas.paint(
            self.canvas.box(x - 0.02 * tall, foot - 0.45 * tall, x + 0.02 * tall, foot), trunk,
            form="column", lit=lit,
        )  # fmt: skip
        leaves = self.foliage()
        for _ in range(int(self.rng.integers(1, 4))):
            crown = self.canvas.oval(
                x + self.between(-0.3, 0.3) * wide, foot - self.between(0.6, 0.72) * tall,
                wide * self.between(0.6, 1.0), tall * self.between(0.25, 0.38),
            )  # fmt: skip
            self.canvas.paint(crown, leaves, form="ball", ragged=self.between(2, 5), lit=lit)

    def person(self, x: float, foot: float, tall: float, lit: Floats | None = None) -> None:
        """A small figure in clothes."""
        paint, canvas = self.canvas.paint, self.canvas
        wide = tall * 0.14 * canvas.height / canvas.width
        paint(canvas.box(x - 0.8 * wide, foot - 0.5 * tall, x + 0.8 * wide, foot), self.cloth(),
              form="column", lit=lit, ragged=0.6)  # fmt: skip
        paint(canvas.box(x - wide, foot - 0.85 * tall, x + wide, foot - 0.42 * tall), self.cloth(),
              form="column", lit=lit, ragged=0.6)  # fmt: skip
        paint(canvas.oval(x, foot - 0.94 * tall, 0.5 * wide, 0.075 * tall), self.hair(), lit=lit)
        paint(canvas.oval(x, foot - 0.91 * tall, 0.42 * wide, 0.06 * tall), self.skin(),
              form="ball", lit=lit)  # fmt: skip

    def car(self, x: float, foot: float, long: float, lit: Floats | None = None) -> None:
        """A car from the side, glossy, on dark wheels."""
        paint, canvas = self.canvas.paint, self.canvas
        tall = long * 0.3 * canvas.width / canvas.height
        what = self.rng.random()
        if what < 0.5:
            spectra = self.grey(0.03, 0.8)
        elif what < 0.7:
            spectra = self.measured("metal")
        else:
            spectra = self.dye()
        body = Stuff("object", spectra, 0.03, grain="soft", gloss=0.4)
        glass = Stuff("dark", self.grey(0.03, 0.08), 0.2, grain="soft", gloss=0.2)
        half = long / 2
        cabin = canvas.oval(x + 0.05 * long, foot - 0.62 * tall, 0.62 * half, 0.40 * tall)
        paint(cabin, body, form="ball", lit=lit)
        windows = canvas.oval(x + 0.05 * long, foot - 0.64 * tall, 0.50 * half, 0.26 * tall)
        paint(windows, glass, lit=lit)
        hull = canvas.box(x - half, foot - 0.62 * tall, x + half, foot - 0.15 * tall)
        paint(hull, body, form="column", lit=lit, soft=2.0)
        for side in (-0.62, 0.62):
            wheel = canvas.oval(x + side * half, foot - 0.15 * tall, 0.17 * half, 0.18 * tall)
            paint(wheel, self.dark(), lit=lit)

    def house(self, left: float, right: float, top: float, foot: float, veil: float) -> None:
        """A front with rows of windows and, at times, a roof and a shadow down one side."""
        canvas, wall = self.canvas, self.facade()
        lit = canvas.open_light()
        if self.chance(0.5):
            edge = self.between(left, right)
            swing = canvas.box(left - 0.1, top + self.between(-0.3, 0.3), edge, 1.2)
            canvas.cast_shadow(lit, swing, self.between(1, 4))
        if self.chance(0.25):
            lit[:] = 0
        if self.chance(0.6):
            roof = Stuff("else", self.measured("roof"), 0.1)
            rise = self.between(0.04, 0.12)
            shape = canvas.gable(left - 0.01, top - rise, right + 0.01, top + 0.01)
            canvas.paint(shape, roof, lit=lit, veil=veil)
        canvas.paint(canvas.box(left, top, right, foot), wall, lit=lit, veil=veil)
        glass = Stuff("dark", self.grey(0.03, 0.12), 0.25, grain="soft", gloss=0.25)
        frame = self.white() if self.chance(0.6) else self.wood()
        columns, rows = int(self.rng.integers(1, 6)), int(self.rng.integers(1, 5))
        for row in range(rows):
            for column in range(columns):
                x = left + (right - left) * (column + 0.5) / columns
                y = top + (foot - top) * (row + 0.45) / rows
                w, h = 0.28 * (right - left) / columns, 0.27 * (foot - top) / rows
                pane = canvas.box(x - w, y - h, x + w, y + h)
                canvas.paint(pane, frame, lit=lit, veil=veil)
                w, h = 0.8 * w, 0.85 * h
                pane = canvas.box(x - w, y - h, x + w, y + h)
                canvas.paint(pane, glass, lit=lit, level=self.between(0.5, 2.5), veil=veil)

    def round_thing(
        self, x: float, foot: float, size: float, stuff: Stuff, lit: Floats | None = None
    ) -> None:
        """A ball, a jar or a box of about ``size`` (of the height), standing at ``foot``."""
        canvas = self.canvas
        wide = size * canvas.height / canvas.width
        what = self.rng.random()
        if what < 0.45:
            canvas.paint(canvas.oval(x, foot - size / 2, wide / 2, size / 2), stuff, form="ball",
                         lit=lit)  # fmt: skip
        elif what < 0.8:
            tall = size * self.between(0.9, 1.8)
            canvas.paint(canvas.box(x - wide / 2.4, foot - tall, x + wide / 2.4, foot), stuff,
                         form="column", lit=lit, soft=2.0)  # fmt: skip
        else:
            turn = self.between(0.2, 0.8) * wide
            for left, right, level in (
                (-wide / 2, turn - wide / 2, 0.6),
                (turn - wide / 2, wide / 2, 1),
            ):
                canvas.paint(canvas.box(x + left, foot - size, x + right, foot), stuff,
                             level=level, lit=lit)  # fmt: skip
