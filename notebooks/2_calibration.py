# %% [markdown]
# # What the probability means
#
# A judgement says, for instance, *87 % chance that a careful look calls a cast evident*. Three
# questions: of what is that the chance, does it keep its word, and what does it say in an archive
# where casts are rarer or more common than where it was fitted?

# %%
import matplotlib.pyplot as plt
import numpy as np

from autocast import judge
from autocast.archive.rate import archive_rate
from autocast.judgement.probability import at_base_rate
from autocast.modelstore import default_models
from autocast.rendering.scenes import RECIPES, STUDIES, render

settings = default_models().verdict
for name in ("base_rate", "clear_below", "cast_above", "risks"):
    print(f"{name:12}", settings[name])

# %% [markdown]
# `base_rate` is the share of evident casts among the photographs that the probability was fitted
# to; below `clear_below` a picture is passed, above `cast_above` a cast is likely, and between them
# a person looks. The two are chosen so that errors stay under limits on groups of photographs that
# the fit never saw; `models/CARD.md` gives limits and measured figures, and the reliability of the
# probability on real photographs. What follows uses rendered scenes of known truth, and shows how
# the figure behaves, not how good it is.
#
# ## The chance grows with the cast
#
# The same scenes, rendered from spectra that no tree was fitted to, under a growing green cast.

# %%
sizes = [0, 3, 6, 9, 12, 16, 20]
green = np.array([-0.87, 0.5])
unfitted = STUDIES["report"]
casts = [tuple(size * green) for size in sizes]
probabilities = np.array(
    [
        judge(render(np.random.default_rng(7), unfitted, name, cast).pixels).probability
        for name in RECIPES
        for cast in casts
    ]
).reshape(len(RECIPES), len(casts))
figure, axes = plt.subplots(figsize=(8, 4), layout="constrained")
for name, row in zip(RECIPES, probabilities, strict=True):
    axes.plot(sizes, row, marker="o", label=name)
axes.axhline(settings["clear_below"], color="grey", linestyle=":")
axes.axhline(settings["cast_above"], color="grey", linestyle="--")
axes.set(xlabel="C* of the cast laid, at L* 60", ylabel="probability", ylim=(0, 1))
figure.legend(loc="outside right center")
plt.show()

# %% [markdown]
# ## It holds for one base rate, and can be moved to another
#
# The chance is that of one picture among pictures of which `base_rate` have an evident cast. In an
# archive with fewer, the same evidence means less: Bayes' rule moves it. `autocast presort`
# estimates the archive's own rate from its scores, and the report gives both figures.

# %%
chances = np.linspace(0.01, 0.99, 99)
figure, axes = plt.subplots(figsize=(5, 5))
for rate in (0.02, 0.1, settings["base_rate"], 0.5):
    axes.plot(
        chances,
        at_base_rate(chances, settings["base_rate"], rate),
        label=f"{rate:.0%} of the archive",
    )
axes.set(xlabel="chance as judged", ylabel="chance in the archive", aspect="equal")
axes.legend()
plt.show()

# %%
clean = archive_rate(probabilities[:, 0], np.full(len(RECIPES), settings["base_rate"]))
mixed = archive_rate(probabilities.ravel(), np.full(probabilities.size, settings["base_rate"]))
print(f"scenes without cast: about {clean.rate:.0%} evident (n {clean.pictures})")
print(f"all of them:         about {mixed.rate:.0%} evident (n {mixed.pictures})")

# %% [markdown]
# ## What it is not
#
# It was fitted to what automated viewers said of photographs; no person graded them. It is not the
# chance that a picture was altered, and not the chance that its colour is right when no cast is
# seen.
