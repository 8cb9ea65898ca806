# %% [markdown]
# # How a judgement is made
#
# One photograph, room by room: what is seen of it, what is recognised in it, what each kind of
# evidence votes for, and what comes of it. Nothing is computed here that autocast does not compute
# by itself; this only shows it.

# %%
import io
from importlib.util import find_spec
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

from autocast.colour.grid import grid, posterior
from autocast.judging import examine, prepare
from autocast.picture import full_pixels, open_picture
from autocast.report.evidence_picture import draw
from autocast.training.simulation import lay_cast

folder = Path(find_spec("sklearn").origin).parent / "datasets" / "images"
photograph = folder / "china.jpg"

# %% [markdown]
# ## 1. Pixels that can be trusted
#
# The decoder is asked for a reduced picture; orientation and colour profile are applied, plain
# borders cut away, and what is left is averaged to at most 256 pixels. The original is only read.

# %%
picture = open_picture(photograph)
print(picture.width, "x", picture.height, "pixels, read as", picture.profile)
print("judged on", picture.pixels.shape[1], "x", picture.pixels.shape[0])

# %% [markdown]
# To have something to find, a known cast is laid over a copy: blue, C* 14 at L* 60, in linear
# light, with all that a real file goes through (exposure, contrast, compression).

# %%
pixels = np.rint(full_pixels(photograph) * 255).astype(np.uint8)
laid = lay_cast(pixels, np.random.default_rng(1), "gain", 14.0, np.radians(270))
print(f"laid: a* {laid.whole[0]:+.1f}, b* {laid.whole[1]:+.1f}")

figure, (left, right) = plt.subplots(1, 2, figsize=(10, 3.6))
left.imshow(picture.encoded.clip(0, 1))
left.set_title("as it is")
right.imshow(open_picture(laid.data).encoded.clip(0, 1))
right.set_title("with the cast")
for axes in (left, right):
    axes.set_axis_off()
plt.show()

# %% [markdown]
# ## 2. Regions
#
# The pixels are parted into a hundred-odd regions. Nothing has been said about neutral, sky or leaf
# yet: choosing neutrals because they are near grey would assume that there is no cast.

# %%
analysis = prepare(laid.data)
regions = analysis.scene.regions
print(len(regions.area), "regions")
figure, axes = plt.subplots(figsize=(5, 3.6))
axes.imshow(regions.labels, cmap="nipy_spectral", interpolation="nearest")
axes.set_axis_off()
plt.show()

# %% [markdown]
# ## 3. Evidence: every region is asked under every cast
#
# *If the cast were c, how well would this region be sky, leaf, skin, a neutral, or something else?*
# A change of light is a shift in log-chromaticity, so taking a cast away is a subtraction. For each
# kind that gives a likelihood over the grid of casts: its vote. Dark is likely; the cross is where
# the cast was laid.

# %%
casts = grid().casts
figure, panels = plt.subplots(1, len(analysis.votes), figsize=(14, 3.2), sharex=True, sharey=True)
for axes, (kind, vote) in zip(panels, analysis.votes.items(), strict=True):
    axes.scatter(*casts.T, c=posterior(vote.log_likelihood), cmap="Greys", s=14, marker="s")
    axes.plot(*laid.whole, "+", color="tab:red", markersize=12)
    axes.set(title=kind, xlabel="a*", xlim=(-40, 40), ylim=(-40, 40), aspect="equal")
panels[0].set_ylabel("b*")
plt.show()

# %% [markdown]
# ## 4. The count, and the weighing
#
# The votes are added under a prior by which most pictures have little cast. Fitted trees then read
# the whole case as a list of figures, because the count knows what each class should read, but not
# how far it can be trusted in which company.

# %%
examination = examine(laid.data)
judgement = examination.judgement
cast = judgement.cast
print(f"laid      a* {laid.whole[0]:+.1f} b* {laid.whole[1]:+.1f}")
print(f"estimated a* {cast.a:+.1f} b* {cast.b:+.1f} ±{cast.spread:.1f}, {cast.words}")
for sentence in judgement.sentences:
    print(sentence)

# %% [markdown]
# What drove it is measured: each kind is left out, and the picture judged again.

# %%
# What rests on every kind at once cannot be left out.
asked = [each for each in judgement.evidence if each.drove is not None]
for evidence in asked:
    print(
        f"{evidence.kind:<11} weight {evidence.weight:.2f}; left out, the cast moves "
        f"{evidence.drove:4.1f} and the chance {-100 * evidence.drove_probability:+5.1f} points"
    )

# %% [markdown]
# ## 5. The evidence picture
#
# The same on one sheet; `autocast judge PICTURE --picture OUT.png` draws it for any file. A verdict
# describes a picture; it proves nothing.

# %%
sheet = io.BytesIO()
draw(examination, sheet, full_pixels(laid.data))
sheet.seek(0)
figure, axes = plt.subplots(figsize=(12, 15))
axes.imshow(plt.imread(sheet))
axes.set_axis_off()
plt.show()
