# %% [markdown]
# # An archive, read and decided
#
# An invented archive is made, judged once, and read: what to see first, why a person should
# look, how the fault of one scanner shows. Then somebody decides, and the decisions tell about the
# whole. On the command line this is `autocast presort`, `list`, `report` and `review`;
# `autocast demo` makes the same archive with its report.

# %%
import os
import tempfile
from collections import Counter
from pathlib import Path

import matplotlib.pyplot as plt

from autocast.archive.decisions import Wish, decide
from autocast.archive.ledger import Ledger
from autocast.archive.learnt import figures
from autocast.archive.queues import Queue, following
from autocast.archive.rows import Wanted
from autocast.demonstration import LEDGER, demonstrate
from autocast.demonstration.scoring import score_text
from autocast.judgement import REMARKS, VERDICT_WORDS
from autocast.picture import reduced_pixels

plt.rcParams.update({"figure.dpi": 110, "axes.spines.top": False, "axes.spines.right": False})

holder = tempfile.TemporaryDirectory()
place = Path(holder.name) / "demo"
done = demonstrate(place, print)

# %% [markdown]
# ## 1. What the ledger holds
#
# One SQLite file holds what was said of every picture. It is read a page at a time.

# %%
ledger = Ledger.read(place / LEDGER)
counts = ledger.counts()
print(
    f"{counts.pictures} files: {counts.clear} {VERDICT_WORDS['clear']}, {counts.cast} "
    f"{VERDICT_WORDS['cast']}, {counts.ask} {VERDICT_WORDS['ask']}, {counts.failed} unreadable"
)

# %% [markdown]
# ## 2. What to see first
#
# A series that shares one fault is one line (here its example); then come likely and strong casts,
# then what asks, the nearest to a cast first.

# %%
first = ledger.page(0, Wanted(findings=True), size=8)
figure, panels = plt.subplots(2, 4, figsize=(10, 6), layout="constrained", facecolor="#777777")
for axes, row in zip(panels.ravel(), first, strict=True):
    axes.imshow(reduced_pixels(os.fsdecode(row.path), 320).clip(0, 1))
    axes.set_title(
        f"{Path(os.fsdecode(row.path)).name}\n{row.strength}, {row.hue}, {row.probability:.0%}",
        fontsize=8,
        color="white",
    )
    axes.set_axis_off()
plt.show()

# %% [markdown]
# ## 3. Why a person should look
#
# Where no remark asks by itself, the probability lies between the thresholds.

# %%
asking = [row for page in ledger.pages(Wanted(verdicts=("ask",))) for row in page]
named = [[REMARKS[key].sentence for key in row.remarks if REMARKS[key].asks] for row in asking]
reasons = Counter(reason for each in named for reason in each or ["Possible cast, not certain."])
figure, axes = plt.subplots(figsize=(9, 3.2), layout="constrained")
axes.barh(*zip(*reasons.most_common(), strict=True), color="0.5")
axes.invert_yaxis()
axes.set(xlabel="pictures")
plt.show()

# %% [markdown]
# ## 4. A fault shows as a cluster
#
# Each picture is a point on the a\*b\* plane. One scanner laid the same cast over a whole box of
# slides: its folder (circles) lies together, away from the middle, whatever its pictures show.
# Other folders with a fault are marked as well; grey is all the rest.

# %%
rows = [row for page in ledger.pages(Wanted(failed=False)) for row in page]
marked = {"slides-box-7": "ko", "works-office": "k^", "town-hall/evening": "kx", "": "."}
folders = [os.fsdecode(row.folder).rpartition("/archive/")[2] for row in rows]
names = [folder * (folder in marked) for folder in folders]
figure, axes = plt.subplots(figsize=(6, 6), layout="constrained")
for name, style in marked.items():
    inside = [row for row, folder in zip(rows, names, strict=True) if folder == name]
    grey = {"color": "0.6"} if not name else {"fillstyle": "none"}
    axes.plot(
        [row.a for row in inside],
        [row.b for row in inside],
        style,
        label=name or "all others",
        **grey,
    )
axes.axhline(0, color="0.8", linewidth=0.8, zorder=0)
axes.axvline(0, color="0.8", linewidth=0.8, zorder=0)
axes.set(xlabel="a*", ylabel="b*", xlim=(-35, 35), ylim=(-20, 45), aspect="equal")
axes.legend(frameon=False, loc="upper left")
plt.show()

# %% [markdown]
# **Series.** Pictures of one folder and one camera, taken without a long pause or numbered by a
# scanner, may share their light. Heard together they say more than each alone, and where they do
# not agree, each keeps what it said. A picture that stands apart from a series that agrees is
# marked. A shared cast is still no proof of a fault.
#
# ## 5. A person decides
#
# In `autocast review` somebody goes through a random sample of everything. Here the invented truth
# answers in their place: what was laid is a *cast*, lamplight is *meant so*, the rest is *fine*. A
# decision is a row that is only ever added; the judgement stays as it is.

# %%
faulty = ("slides-box-7", "works-office", "press/copies")
lamplit = ("town-hall/evening",)
sayings = dict.fromkeys(faulty, "cast") | dict.fromkeys(lamplit, "meant_so")
with Ledger.share(place / LEDGER) as shared:
    for number in following(shared, Queue("sample", "ada"), count=40):
        folder = os.fsdecode(shared.row(number).folder).rpartition("/archive/")[2]
        decide(shared, Wish(number, sayings.get(folder, "fine"), "ada", queue="sample"))

# %% [markdown]
# ## 6. What the decisions show
#
# *How many casts the archive holds*, from 30 decisions on a random sample on, with a 95 % interval:
# what autocast said of every picture is set right by what people said of some (prediction-powered
# inference, Angelopoulos et al., Science 2023). *How many slipped through* at most, among those
# that were passed (one-sided 95 % bound, Clopper and Pearson).

# %%
told = figures(ledger)
truth = sum(folder in faulty for folder in folders) / len(folders)
by_scores = told.rate
named = ("as laid", "by 40 decisions", "by scores alone")
values = (truth, told.casts.share, by_scores.rate)
low = (truth, told.casts.low, by_scores.rate - 1.96 * by_scores.error)
high = (truth, told.casts.high, by_scores.rate + 1.96 * by_scores.error)
figure, axes = plt.subplots(figsize=(7, 2.2), layout="constrained")
axes.hlines(named, low, high, color="0.5", linewidth=6)
axes.plot(values, named, "ko")
axes.invert_yaxis()
axes.set(xlabel="share of casts in the archive", xlim=(0, 1))
plt.show()
print(
    f"Of {told.audited} passed pictures drawn at random {told.slipped.share:.0%} are casts; of all "
    f"that were passed at most {told.slipped.at_most:.0%}."
)

# %% [markdown]
# The scores alone count lamplight, for one, among the casts: nobody told them that it is meant. Two
# or more people decide apart (`review --person NAME`); what they see differently is a queue of its
# own. From 50 decisions on, the page proposes thresholds for this archive, with the counts before
# and after; a person adopts them, or takes them back.
#
# ## 7. How often it was right
#
# The archive is invented, so what is right is known. A person is asked where autocast is not sure;
# that costs a look, but no picture is spoilt by it.

# %%
print(score_text(done.scores))

# %% [markdown]
# A verdict by anybody's decision is still no proof of anything. This notebook throws its archive
# away; `autocast demo` keeps it, with the report to open in a browser.

# %%
ledger.close()
holder.cleanup()
