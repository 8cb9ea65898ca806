# %% [markdown]
# # A judgement, and how to read its probability
#
# One photograph, from its pixels to the verdict: what is recognised in it, what each kind of
# evidence says, and what comes of it. Then what the probability means, how the thresholds are set,
# and what changes where casts are rarer. Nothing is computed here that autocast does not compute by
# itself; this only shows it.

# %%
import io
import math

import matplotlib.pyplot as plt
import numpy as np
from PIL import Image
from skimage import data

from autocast import Assumptions, Hint, Risks, judge
from autocast.advisor.risk import CONSENSUS, Curve
from autocast.colour import lab_to_linear, linear_to_srgb
from autocast.colour.grid import grid, posterior
from autocast.judgement import EVIDENT_FROM, SLIGHT_FROM, STRONG_FROM, strength_word
from autocast.judgement.probability import at_base_rate
from autocast.judgement.things import BY_NAME, CLASSES, OTHER_MARK, mark_of
from autocast.judging import examine
from autocast.modelstore import default_models
from autocast.picture import full_pixels
from autocast.rendering.scenes import RECIPES, STUDIES, render
from autocast.report.evidence_picture import draw
from autocast.report.text import judgement_text
from autocast.training.simulation import lay_cast

plt.rcParams.update({"figure.dpi": 110, "axes.spines.top": False, "axes.spines.right": False})

# %% [markdown]
# ## 1. A photograph with a cast that is known
#
# NASA's portrait of Eileen Collins (public domain) comes with scikit-image. Over a copy a green
# cast is laid, a\* −10, b\* +6 at L\* 60, in linear light, with all that a file goes through
# (exposure, contrast, compression). It is the picture that README judges.

# %%
uncast = data.astronaut()
laid = lay_cast(uncast, np.random.default_rng(3), "gain", math.hypot(-10, 6), math.atan2(6, -10))
photograph = Image.open(io.BytesIO(laid.data)).resize((480, 480), Image.Resampling.LANCZOS)

figure, panels = plt.subplots(1, 2, figsize=(9, 4.8), layout="constrained")
for axes, picture, title in zip(
    panels, (uncast, photograph), ("as published", "with the cast"), strict=True
):
    axes.imshow(picture)
    axes.set_title(title)
    axes.set_axis_off()
plt.show()

# %% [markdown]
# ## 2. What autocast says of it
#
# | in JSON | as printed | meaning |
# | --- | --- | --- |
# | `clear` | no evident cast | nothing worth acting on was found; a slight cast may be there |
# | `cast` | likely cast | a cast is likely, and its direction is given |
# | `ask` | a person should look | neither is sure enough, or what was found contradicts itself |

# %%
examination = examine(photograph)
judgement = examination.judgement
print(judgement_text(judgement, 80))

# %% [markdown]
# **The cast** is what a mid-grey (L\* 60) that ought to be neutral would read, as a\* and b\* of
# CIELAB with white point D65: +a\* is towards magenta-red, −a\* towards green, +b\* towards yellow
# (warmer), −b\* towards blue (colder). The figure after ± is one standard deviation. Sizes have
# words, by C\* = √(a\*² + b\*²): below 3 *negligible*, from 3 *slight*, from 6 *evident*, from 14
# *strong* (common practice, no source). Greys under casts of just these sizes:

# %%
hues = np.radians([0, 90, 180, 270])
sizes = [0.0, SLIGHT_FROM, EVIDENT_FROM, STRONG_FROM]
figure, panels = plt.subplots(1, 4, figsize=(9, 2.6), layout="constrained")
towards = ("magenta-red", "yellow", "green", "blue")
for axes, hue, name in zip(panels, hues, towards, strict=True):
    lab = np.array([[(60, size * np.cos(hue), size * np.sin(hue))] for size in sizes])
    axes.imshow(linear_to_srgb(lab_to_linear(lab)).clip(0, 1), aspect="auto")
    axes.set(title=f"towards {name}", xticks=[])
    axes.set_yticks(range(4), [f"{size:g}, {strength_word(size, 0)}" for size in sizes])
    axes.tick_params(length=0, labelleft=axes is panels[0])
plt.show()

# %% [markdown]
# The same is said for shadows (L\* 10–35, quoted at 25), midtones (35–70, at 50) and highlights
# (70–95, at 80), because a cast often differs between them.
#
# ## 3. What is recognised
#
# The picture is parted into a hundred-odd regions, and each is asked what it may be. Nothing is
# chosen because it is near grey: that would assume that there is no cast. Each region shows the
# kind of known colour that is most likely. They are guesses: here a lock of hair passes for a leaf.

# %%
classes = list(CLASSES)
held = np.stack(
    [
        examination.memberships[:, [examination.kinds.index(k) for k in CLASSES[c]]].sum(axis=1)
        for c in classes
    ]
    + [examination.memberships[:, -1]],
    axis=1,
)
colours = np.array([mark_of(c).colour for c in classes] + [OTHER_MARK.colour], dtype=np.uint8)
shown = colours[held.argmax(axis=1)][examination.labels]

figure, (left, right) = plt.subplots(1, 2, figsize=(9, 4.8), layout="constrained")
left.imshow(examination.picture.encoded.clip(0, 1))
right.imshow(shown)
names = [BY_NAME[c].plural for c in classes] + ["something else"]
handles = [plt.Rectangle((0, 0), 1, 1, color=colour / 255) for colour in colours]
figure.legend(handles, names, ncols=len(names), loc="outside lower center", frameon=False)
left.set_axis_off()
right.set(xticks=[], yticks=[])
plt.show()

# %% [markdown]
# ## 4. Every region under every cast
#
# *If the cast were this one, how well would the region be sky, a leaf, skin, a neutral, or
# something else?* A change of light is a shift in log-chromaticity, so taking a cast away is a
# subtraction. For each kind that gives a vote over all casts. Dark is likely; the cross is the cast
# that was laid.

# %%
casts = grid().casts
votes = examination.analysis.votes
figure, panels = plt.subplots(
    1, len(votes), figsize=(2.3 * len(votes), 2.9), sharex=True, sharey=True, layout="constrained"
)
for axes, (kind, vote) in zip(panels, votes.items(), strict=True):
    likely = posterior(vote.log_likelihood)
    axes.tricontourf(*casts.T, likely / likely.max(), levels=12, cmap="Greys")
    axes.plot(*laid.whole, "+", color="tab:red", markersize=12)
    axes.set(title=BY_NAME[kind].plural, xlim=(-30, 30), ylim=(-30, 30), aspect="equal")
    axes.set_xlabel("a*")
panels[0].set_ylabel("b*")
plt.show()

# %% [markdown]
# ## 5. What weighs, and what drove it
#
# Every cast that anything reads is a *voice*: each kind, published estimators of the light, what
# known colours count together, and fitted trees. A small fitted gate gives each a weight, picture
# by picture; the weighted mean is the estimate. What drove it is measured: each kind is left out,
# and the picture judged again.

# %%
voices = [each for each in judgement.evidence if each.explains is not None and each.weight]
asked = [each for each in judgement.evidence if each.drove is not None]
figure, (left, right) = plt.subplots(1, 2, figsize=(10, 4), layout="constrained")
for each in voices:
    mark = left.scatter(*each.explains, s=30 + 900 * each.weight, alpha=0.55, label=each.label)
left.plot(judgement.cast.a, judgement.cast.b, "kx", markersize=10, label="the estimate")
left.plot(*laid.whole, "+", color="tab:red", markersize=14, label="the cast that was laid")
left.axhline(0, color="grey", linewidth=0.6)
left.axvline(0, color="grey", linewidth=0.6)
left.set(xlabel="a*", ylabel="b*", xlim=(-16, 4), ylim=(-4, 16), aspect="equal")
left.set_title("what each voice implies, by weight")
left.legend(fontsize=8, markerscale=0.5, frameon=False)
right.barh([each.label for each in asked], [each.drove for each in asked], color="0.5")
right.invert_yaxis()
right.set(xlabel="the estimate moves by (a*b*)", title="left out, one by one")
plt.show()

# %% [markdown]
# ## 6. What a person knows
#
# The white booster beside the shuttle is paint that ought to be neutral. Said so, it is evidence
# with a weight of its own: the estimate shifts a little, and is much surer.

# %%
told = judge(photograph, [Hint("neutral", 415, 110)])
for words, each in (("by itself", judgement), ("with the hint", told)):
    print(
        f"{words:<14} a* {each.cast.a:+5.1f}  b* {each.cast.b:+5.1f}  ±{each.cast.spread:.1f}  "
        f"probability {each.probability:.2f}"
    )
print(f"{'laid':<14} a* {laid.whole[0]:+5.1f}  b* {laid.whole[1]:+5.1f}")

# %% [markdown]
# All of it on one sheet, as `autocast judge PICTURE --picture OUT.png` draws it for any file:

# %%
sheet = io.BytesIO()
draw(examination, sheet, full_pixels(photograph))
figure, axes = plt.subplots(figsize=(10, 12), layout="constrained")
axes.imshow(Image.open(sheet))
axes.set_axis_off()
plt.show()

# %% [markdown]
# # The probability
#
# It says how likely it is, going by this picture alone, that a careful look would call the cast
# evident: over the whole picture, in a tone range or in part of the frame. Those looks were
# **automated viewers'** (a vision model with a patch reader, twice each); no person graded them.
#
# ## 7. Does it keep its word?
#
# With the models comes a curve: how many photographs of each grade lie at or below each
# probability, as predicted by fits that had not seen their group. Each dot is a tenth of those that
# no remark or rule keeps from *likely cast*: how sure autocast was, and how many were evident, with
# a 95 % interval (Wilson). On the line it keeps its word.

# %%
settings = default_models().verdict
curve = Curve.from_plain(settings["curve"])
evident, none, unknown = (CONSENSUS.index(name) for name in ("evident", "none", "cannot_tell"))
steps = np.diff(curve.cast, axis=0, prepend=0)
known = np.delete(steps, unknown, axis=1).sum(axis=1)
tenth = np.minimum(10 * (known.cumsum() - known) // known.sum(), 9)
n = np.bincount(tenth, known, 10)
sure = np.bincount(tenth, known * curve.levels, 10) / n
share = np.bincount(tenth, steps[:, evident], 10) / n
z = 1.96
middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
half = z * np.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)

figure, axes = plt.subplots(figsize=(4.6, 4.6), layout="constrained")
axes.plot([0, 1], [0, 1], color="0.7", linewidth=1)
axes.errorbar(sure, share, [share - middle + half, middle + half - share], fmt="ko", capsize=3)
axes.set(xlabel="probability", ylabel="share that was evident", xlim=(0, 1), ylim=(0, 1))
axes.set_aspect("equal")
plt.show()
print(f"{int(n.sum())} photographs; models/CARD.md has slope, intercept and error with intervals")

# %% [markdown]
# ## 8. It grows with the cast
#
# Scenes rendered from spectra that no tree was fitted to, each under a growing green cast. Grey
# lines are single scenes, the black one their mean. Below the dotted line a picture is passed,
# above the dashed one a cast is called likely; between them a person looks. A scene is not a
# photograph: this shows how the figure behaves, not how good it is.

# %%
laid_sizes = [0, 3, 6, 9, 12, 16, 20]
green = np.array([-0.87, 0.5])
scenes = [
    [
        render(np.random.default_rng(7), STUDIES["report"], name, tuple(size * green)).pixels
        for size in laid_sizes
    ]
    for name in RECIPES
]
probabilities = np.array([[judge(scene).probability for scene in row] for row in scenes])
figure, axes = plt.subplots(figsize=(7, 3.8), layout="constrained")
axes.plot(laid_sizes, probabilities.T, color="0.75", linewidth=1)
axes.plot(laid_sizes, probabilities.mean(axis=0), "k-o", linewidth=2)
axes.axhline(settings["clear_below"], color="0.4", linestyle=":")
axes.axhline(settings["cast_above"], color="0.4", linestyle="--")
axes.set(xlabel="C* of the cast laid, at L* 60", ylabel="probability", ylim=(0, 1))
plt.show()

# %% [markdown]
# ## 9. Thresholds follow from risks
#
# Three risks decide which probabilities are `clear`, which are `cast`, and which are left to a
# person:
#
# | option | allowed share, by consensus of two looks | where nothing is given |
# | --- | --- | --- |
# | `--risk-clear` | evident casts among pictures called `clear` | 0.05 |
# | `--risk-missed` | pictures called `clear` among all evident casts | 0.15 |
# | `--risk-cast` | pictures judged to have no cast among those called `cast` | 0.10 |
#
# A threshold keeps a risk on average: one error more among one picture more would still be within
# it (the finite-sample correction of conformal risk control, Angelopoulos et al., ICLR 2024). With
# `--strict` it keeps it in 95 of 100 cases, by the upper bound of the share of errors (Clopper and
# Pearson), and more is left to a person. Where too few pictures were judged for either, the share
# itself is kept; `verdict.json` says which (`clear_held`, `cast_held`).

# %%
passed = curve.clear.sum(axis=1)
called = np.maximum((curve.cast[-1] - curve.cast).sum(axis=1), 1)
figure, (left, right) = plt.subplots(1, 2, figsize=(9.5, 3.6), sharey=True, layout="constrained")
left.plot(curve.levels, curve.clear[:, evident] / passed, "k", label="evident among clear")
left.plot(
    curve.levels,
    curve.clear[:, evident] / curve.total[evident],
    "k--",
    label="clear among evident",
)
left.axvline(settings["clear_below"], color="tab:red", label="as shipped")
left.set(xlabel="clear at or below", ylabel="share", xlim=(0, 0.5), ylim=(0, 0.3))
right.plot(
    curve.levels,
    (curve.cast[-1, none] - curve.cast[:, none]) / called,
    "k",
    label="none among cast",
)
right.axvline(settings["cast_above"], color="tab:red", label="as shipped")
right.set(xlabel="cast above", xlim=(0, 0.85))
for axes in (left, right):
    axes.legend(frameon=False)
plt.show()

# %% [markdown]
# ## 10. It holds for one base rate, and can be moved to another
#
# The probability is that of one picture among pictures of which a quarter have an evident cast. In
# an archive with fewer, the same evidence means less: `--base-rate` moves it by Bayes' rule (left),
# and the thresholds are chosen anew (right), since those that keep a risk at one base rate do not
# keep it at another. It assumes that your pictures are like those of the fit but for how many of
# them have a cast. `autocast presort` estimates an archive's own rate from its scores.

# %%
chances = np.linspace(0.01, 0.99, 99)
fitted = settings["base_rate"]
rates = np.linspace(0.02, 0.6, 59)
risks = Risks(**settings["risks"])
chosen = [curve.thresholds(risks, rate) for rate in rates]
low = [each.clear_below for each in chosen]
high = [each.cast_above for each in chosen]

figure, (left, right) = plt.subplots(1, 2, figsize=(9.5, 4.2), layout="constrained")
for rate, style in ((0.02, ":"), (0.1, "--"), (fitted, "-"), (0.5, "-.")):
    left.plot(chances, at_base_rate(chances, fitted, rate), f"k{style}", label=f"{rate:.0%} casts")
left.set(xlabel="probability as judged", ylabel="probability there", aspect="equal")
left.legend(title="an archive with", frameon=False)
right.fill_between(rates, 0, low, color="0.9", label="clear")
right.fill_between(rates, low, high, color="0.7", label="a person")
right.fill_between(rates, high, 1, color="0.45", label="cast")
right.axvline(fitted, color="tab:red", linewidth=1)
right.set(xlabel="base rate", ylabel="probability as judged", xlim=(0.02, 0.6), ylim=(0, 1))
right.legend(loc="upper right", framealpha=1)
plt.show()

rare = judge(photograph, assumptions=Assumptions(base_rate=0.05))
print(f"this picture, where 5 % have an evident cast: {rare.probability:.2f}, {rare.verdict}")

# %% [markdown]
# ## What it is not
#
# A verdict describes a picture; it proves nothing. The probability is not the chance that a picture
# was altered, and one minus it is not the chance that its colour is right. A reading of skin says
# nothing about a person's health or origin.
