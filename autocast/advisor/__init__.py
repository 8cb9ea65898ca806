"""A probability and remarks become a verdict at stated risks, with reasons and places to look.

:func:`advise` does all of it. The thresholds are chosen by
:mod:`~autocast.advisor.risk`, remarks are earned in
:mod:`~autocast.advisor.gates`, which also say what verdicts they leave.
"""

from autocast.advisor.advice import advise as advise
