r"""Weak prior: every probability of a model may lie anywhere from 0 to 1 before the data.

From a small survey the likelihood can run to the edge of a range: no unit ever changes, all
neighbours are alike. Taken for the truth, such an estimate makes every unit surer than anyone
can be. A flat prior on a probability p, density :math:`p (1 - p)` on the logit scale, adds

.. math:: \log p + \log (1 - p)

to the log-likelihood: as much as one used and one unused unit seen for sure (Laplace's rule of
succession). The maximum then always lies inside, and the limits come from the curvature
there. A part with covariates has the prior on its probability at their mean; its slopes have
none. With many units it is outweighed.

Source: the penalty is that of log-F(2, 2) priors, Greenland & Mansournia 2015, Stat Med
34:3133-3143 (from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.fitting import Evaluate
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.two_states import Evaluation


def with_weak_prior(evaluate: Evaluate, positions: IntArray) -> Evaluate:
    """Return the log-likelihood plus the log of the prior of the logits at `positions`.

    Examples
    --------
    >>> nothing = lambda x: Evaluation(0.0, np.zeros(1), np.zeros((1, 1)))
    >>> at_one_half = with_weak_prior(nothing, np.array([0]))(np.zeros(1))
    >>> round(float(np.exp(at_one_half.loglik)), 3), at_one_half.gradient.tolist()
    (0.25, [0.0])
    """

    def both(parameters: FloatArray) -> Evaluation:
        data = evaluate(parameters)
        logits = parameters[positions]
        p = expit(logits)
        gradient, hessian = data.gradient.copy(), data.hessian.copy()
        gradient[positions] += 1.0 - 2.0 * p
        hessian[positions, positions] -= 2.0 * p * (1.0 - p)
        prior = -np.logaddexp(0.0, logits) - np.logaddexp(0.0, -logits)
        return Evaluation(data.loglik + float(prior.sum()), gradient, hessian)

    return both
