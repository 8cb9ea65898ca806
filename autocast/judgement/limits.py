"""Every constant set by hand that can change a verdict or earn a remark, with its standing.

They are common practice without a source, unless a line says otherwise;
"project convention" is a choice of this project's own. What is fitted lies in
the model files, and what only lays out work or words lies where it is used.
Casts are a*, b* at L* 60, shares those of the frame (0..1).
"""

from __future__ import annotations

# --- sizes of a cast ---------------------------------------------------------------------

SLIGHT_FROM = 3.0
"""C* from which a cast is called slight."""
EVIDENT_FROM = 6.0
"""C* from which a cast is called evident."""
STRONG_FROM = 14.0
"""C* from which a cast is called strong."""

# --- what kind of picture it is ----------------------------------------------------------

MONOCHROME_CHROMA = 2.0
"""C* that 98 % of a black-and-white's pixels stay under (rounding and JPEG leave about 1)."""
TONED_RESIDUE = 1.8
"""Mean distance in a*b* from the tone curve that a toned print stays under."""
TONED_SHARE = 0.15
"""The same distance over mean C*: light of one strong colour leaves more than this."""
TONED_RANGE = 12.0
"""Standard deviation of L* from which a tone curve can be told at all."""
TONED_CHROMA = 5.0
"""Mean C* from which a picture of one tone curve counts as toned."""
GRAPHIC_FLAT = 0.55
"""Share of pixels equal to both neighbours from which a picture looks drawn."""
GRAPHIC_COLOURS = 0.03
"""Distinct colours per pixel (5 bits a channel) below which a flat picture looks drawn."""
GRAPHIC_LIT = (20, 0.1)
"""8-bit code above which a pixel is lit, and the share of lit ones from which a drawing is told."""
DARK_LIGHTNESS = 12.0
"""L* that 98 % of an almost black picture stays under."""
CLIPPED_SHARE = 0.25
"""Share of clipped pixels worth a remark."""

# --- what may be what, by more than its colour ----------------------------------------------

NEUTRAL_CHROMA = (22.0, 30.0)
"""C* as it stands up to which a region may be neutral, and from which it is not, whatever the
cast: a cast so strong is seen without it, and skin under a lamp is not stone."""
SKY_BELOW = 0.1
"""How far what does not go on to the top of the frame may still be clear sky, 0..1."""

# --- things of strong colour, and neutrals by tone -----------------------------------------

UNEXPLAINED_FROM = 0.4
"""Membership in ``else`` from which no class explains a region."""
COLOURED_FROM = 22.0
"""C* beyond the cast from which a thing is strongly coloured."""
OBJECT_SHARE = 0.03
"""Share from which a strongly coloured thing is named."""
HUE_WITHIN = 45.0
"""Degrees of hue that count as one colour."""
NEUTRAL_FROM = 0.5
"""Membership from which a region counts as a probable neutral of its tone range."""
NEUTRAL_SHARE = 0.01
"""Share from which probable neutrals of a tone range count."""
NEUTRALS_AGREE = 6.0
"""Distance up to which the neutrals of two tone ranges agree."""

# --- remarks -------------------------------------------------------------------------------

READABLE_SHARE = 0.02
"""Share, neither clipped nor buried, below which nothing can be read."""
KNOWN_SHARE = 0.1
"""Share below which things of known colour count as not found."""
INFORMATIVE = 1.0
"""Narrowing of the prior, in nats, below which nothing was learned."""
CONFLICT_FROM = 4.0
"""Distance of two votes, in standard deviations, that is a conflict."""
SECOND_MODE = 0.3
"""Share of the posterior from which a second cast is as good as the first."""
VOUCHING_WITHIN = 8.0
"""C* up to which agreeing neutrals vouch that an object owns its colour."""
FEWEST_AGREEING = 2
"""Tone ranges whose neutrals must agree to vouch for anything."""
CONCENTRATED_FROM = 10.0
"""Distance of the mean from neutral, less the spread, from which a colour is concentrated."""
CONCENTRATED_SPREAD = 6.0
"""Spread up to which it is: one thing and its shading."""
DOMINANT_SHARE = 0.4
"""Share from which one colour dominates."""
CERTAIN_APART = 2.0
"""Standard deviations of the difference from which two casts surely differ."""
TONES_APART = 10.0
"""Distance of two tone ranges' casts from which a picture is not called clear.

Project convention: chosen among 5 to 10 by how many simulated casts that are crossed by tone
it lets pass, and how many photographs it leaves to a person."""
AREAS_APART = 11.0
"""Distance of two areas' counted casts that means mixed light."""
AREA_SHARE = 0.06
"""Share of probable neutrals from which an area's own cast counts."""
LEAST_COUNTED = 0.02
"""Share below which a part's cast is not counted."""
EDGE_SHARE = 0.1
"""Posterior on the grid's rim from which the cast may lie beyond it."""
WARM_HUES = (45.0, 100.0)
"""Hue angles, in degrees, of warmth that low sun or lamps lend a scene."""
WARMEST = 14.0
"""C* up to which warmth is believed of a scene without asking further."""

# --- hints ---------------------------------------------------------------------------------

HINT_DOUBTED_FROM = 2.1
"""Distance of a hint from all else, in standard deviations, from which it is doubted.

Project convention: set on laid casts, so that of spots of C* 25 or more that are
told as neutral nine in ten are named."""
GREYS_DIFFER = 1.0
"""Standard deviation of things that a person calls neutral.

A neutral is called green or magenta from 1 to 3 on."""
MISTAKEN = 0.02
"""Share of hints that are wild (project convention)."""

# --- verdicts ------------------------------------------------------------------------------

LARGEST_TOLD = 45.0
"""C* of the whole's estimate beyond which it is no cast that was ever fitted (training's own)."""
PLAIN_FROM = 7.5
"""C* of the whole's estimate from which a picture is not called clear (project convention)."""

# --- levels that training writes into verdict.json: a change takes effect with new models ----

FITTED_PARTS_APART = 0.07
"""Share of the pictures judged none that may count as having a cast on a part of the frame.

Project convention: chosen by how many simulated casts on a part of the frame it lets pass,
and how many photographs it leaves to a person. What is written are the log-odds it makes."""
MONOCHROME_PROBABILITY = 0.02
"""Probability given to a black-and-white: its greys have no cast (project convention)."""
