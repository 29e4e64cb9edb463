"""Where a staircase was going when its strokes cannot be told apart: the law of the climb in time."""

import numpy as np

from gaugelink.peak.climb import Climb, weighed
from gaugelink.peak.events import FloatArray
from gaugelink.peak.staircase import SAMPLES_PER_STROKE, Plateau, Staircase

_USUAL_SHARE = 0.38
_FASTEST_S = 0.066
"""Time between strokes of a two-stroke at 900 rev/min."""
_RATE_SPREAD = 0.8
"""Spread of the slope's prior, as a share of the usual slope."""
_SLACK = 0.16
"""Share of the remaining climb by which a sample that lies anywhere on a step is off the smooth law: a step in
logarithm, ln(1 - share), over the square root of 12."""
_LEFT_SPREAD = 1.0
"""Spread of the logarithm of what the last step leaves."""


def project_in_time(stairs: Staircase, plateau: Plateau, u_kpa: float) -> Climb | None:
    """Where the climb was going; None when there are too few samples.

    For every goal the logarithm of what is left falls along a straight line, off it by where on its step a sample
    lies; the line and its slope are integrated out (a normal prior of the slope), and the goals are weighed.
    """
    if len(stairs.time_s) < 4:
        return None
    t = np.append(stairs.time_s[1:-1], stairs.last_rise_s)
    level: FloatArray = np.append(stairs.level_kpa[1:-1], plateau.level_kpa)
    dt = float(np.median(np.diff(stairs.time_s)))
    t = t - t[0]
    last = float(level[-1])
    span = max(float(np.ptp(level)), u_kpa, 1e-3)
    goals = last + np.geomspace(max(0.3 * u_kpa, 3e-4 * span), 3 * span, 200)
    left = np.maximum(goals[:, None] - level[None, :], 0.5 * u_kpa + 1e-9)
    sigma = np.hypot(_SLACK, u_kpa / left)
    period = float(np.sqrt(_FASTEST_S * max(2 * _FASTEST_S, SAMPLES_PER_STROKE * dt)))
    usual = -float(np.log(1 - _USUAL_SHARE)) / period
    weight = sigma**-2
    y = np.log(left) + usual * t
    a11, a12 = weight.sum(axis=1), -(weight @ t)
    a22 = weight @ t**2 + 1 / (_RATE_SPREAD * usual) ** 2
    b1, b2 = (weight * y).sum(axis=1), -(weight * y) @ t
    det = a11 * a22 - a12**2
    height, extra = (a22 * b1 - a12 * b2) / det, (a11 * b2 - a12 * b1) / det
    chi2 = (weight * y**2).sum(axis=1) - height * b1 - extra * b2
    step = max(last - float(np.interp(t[-1] - period, t, level)), u_kpa)
    usually_left = step * (1 - _USUAL_SHARE) / _USUAL_SHARE
    prior = -0.5 * (np.log((goals - last) / usually_left) / _LEFT_SPREAD) ** 2
    log = prior - 0.5 * chi2 - 0.5 * np.log(det) - np.log(sigma * left).sum(axis=1)
    p = np.exp(log - log.max())
    rate = float(p @ (usual + extra) / p.sum())
    return weighed(last, goals - last, p, 1 - float(np.exp(-max(rate, 0.0) * period)))
