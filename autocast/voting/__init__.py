"""All votes become one cast with its spread, and the probability of an evident one.

:func:`analyse` counts the votes jointly; :func:`extract` lists what the fitted
trees are given, :func:`predict` what they make of it; :func:`with_hints` takes in
what a person said of spots.
"""

from autocast.voting.analysis import Analysis as Analysis, analyse as analyse
from autocast.voting.conditioning import condition as condition, with_hints as with_hints
from autocast.voting.features import dictionary as dictionary, extract as extract
from autocast.voting.fitted import Prediction as Prediction, predict as predict
from autocast.voting.hints import (
    HintVote as HintVote,
    apart as apart,
    hint_votes as hint_votes,
    left_out as left_out,
    place_of as place_of,
)
