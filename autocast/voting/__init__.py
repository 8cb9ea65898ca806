"""All votes become one cast with its spread, and the probability of an evident one.

:func:`analyse` counts the votes jointly; :func:`extract` lists what the fitted
trees are given, :func:`predict` what they make of it; :func:`with_hints` takes in
what a person said of spots.
"""

from autocast.voting.analysis import Analysis, analyse
from autocast.voting.conditioning import condition, with_hints
from autocast.voting.features import dictionary, extract
from autocast.voting.fitted import Prediction, predict
from autocast.voting.hints import HintVote, apart, hint_votes, left_out, place_of

__all__ = [
    "Analysis",
    "HintVote",
    "Prediction",
    "analyse",
    "apart",
    "condition",
    "dictionary",
    "extract",
    "hint_votes",
    "left_out",
    "place_of",
    "predict",
    "with_hints",
]
