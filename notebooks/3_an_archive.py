# %% [markdown]
# # Pre-sorting and reading an archive
#
# An invented archive is made, judged once, and read: what to look at first, why a person should
# look, and how the fault of one scanner shows. On the command line this is `autocast presort`,
# `autocast list` and `autocast report`; `autocast demo` does all of it at once.

# %%
import tempfile
from collections import Counter
from pathlib import Path

import matplotlib.pyplot as plt

from autocast.archive.ledger import Ledger
from autocast.archive.rows import Wanted
from autocast.demonstration import LEDGER, demonstrate
from autocast.demonstration.scoring import score_text
from autocast.judgement import REMARKS
from autocast.report.text import printable

holder = tempfile.TemporaryDirectory()
place = Path(holder.name) / "demo"
done = demonstrate(place, print)

# %% [markdown]
# ## The ledger
#
# One SQLite file holds what was said of every picture. It is read a page at a time.

# %%
ledger = Ledger.read(place / LEDGER)
print(ledger.counts())
for row in ledger.page(0, Wanted(findings=True), size=8):
    print(f"{row.verdict}  {row.probability:.2f}  {row.strength}, {row.hue}  {Path(row.name).name}")

# %% [markdown]
# ## Why a person should look

# %%
asking = [row for page in ledger.pages(Wanted(verdicts=("ask",))) for row in page]
reasons = Counter(key for row in asking for key in row.remarks if REMARKS[key].asks)
for key, count in reasons.most_common():
    print(f"{count:3}  {REMARKS[key].sentence}")

# %% [markdown]
# ## A fault shows as a cluster
#
# Each picture is a point on the a*b* plane. One scanner laid the same cast over a whole box of
# slides: its folder lies together, away from the middle, whatever its pictures show.

# %%
rows = [row for page in ledger.pages(Wanted(failed=False)) for row in page]
figure, axes = plt.subplots(figsize=(7, 7))
folders = sorted({row.folder for row in rows})
for number, folder in enumerate(folders):
    inside = [row for row in rows if row.folder == folder]
    name = printable(folder.decode().rpartition("/archive/")[2])
    marker = "osD^vP*X<>"[number % 10]
    axes.plot([r.a for r in inside], [r.b for r in inside], marker, label=name, alpha=0.8)
axes.axhline(0, color="grey", linewidth=0.8)
axes.axvline(0, color="grey", linewidth=0.8)
axes.set(xlabel="a*", ylabel="b*", xlim=(-40, 40), ylim=(-40, 45), aspect="equal")
axes.legend(fontsize=8, loc="lower right")
plt.show()

# %% [markdown]
# ## How often it was right
#
# The archive is invented, so what is right is known. A person is asked where autocast is not sure;
# that costs a look, but no picture is spoilt by it.

# %%
print(score_text(done.scores))

# %% [markdown]
# The pages of the report lie in the `report` folder beside the ledger, `index.html` first; they
# need no network. This notebook throws its archive away.

# %%
print(sorted(p.name for p in done.page.parent.iterdir()))
ledger.close()
holder.cleanup()
