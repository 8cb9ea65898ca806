"""All votes become one cast with its spread, and the probability of an evident one.

:func:`analyse` counts the votes jointly, :func:`extract` lists what the fitted stages
are given, and :func:`weigh` gives the estimate, hints taken in.
"""

from autocast.voting.analysis import Analysis as Analysis, analyse as analyse
from autocast.voting.conditioning import (
    Estimate as Estimate,
    condition as condition,
    sureness as sureness,
)
from autocast.voting.features import dictionary as dictionary, extract as extract
from autocast.voting.hints import (
    HintVote as HintVote,
    apart as apart,
    checked as checked,
    hint_votes as hint_votes,
    left_out as left_out,
    place_of as place_of,
)
from autocast.voting.weighing import Weighed as Weighed, weigh as weigh
