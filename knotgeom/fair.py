"""Fair pieces of curve: quintics whose curvature is as low and even as their ends allow.

A polynomial of degree five has six coefficients a coordinate, so place, first and second derivative at both ends fix it
(quintic Hermite interpolation; G. Farin, Curves and Surfaces for CAGD, cited from memory). Of a curve that joins others
only the place, the direction and the curvature are given. That leaves the speed with which each end is passed free,
since a curve run through at another speed is another quintic with the same ends: with unit tangent t, normal n,
curvature k and speed s, velocity is s t and acceleration k s^2 n (what it has along t changes the speed alone, and is
left 0). A bend has two speeds to choose, and the curvature at a crossing, and the best of a grid of them is taken.

Lengths only scale, and a bend to the right is one to the left in a mirror; so each bend is searched in a frame of its
own, and equal bends once.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from .mesh import Floats


def turn_between(into: Floats, out: Floats) -> float:
    """Signed angle from one direction to another."""
    return float(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))


def fair_piece(
    p: Floats,
    along_p: Floats,
    q: Floats,
    along_q: Floats,
    end_bend: float,
    leaving: bool,
    known: float | None,
) -> tuple[float, float, float]:
    """The fairest piece between a crossing and the next knot of a bend.

    Returns the curvature at the crossing and the speeds at the crossing and at the other knot. The search runs in a
    frame of its own (crossing at the origin, strand along x, bend to the left), so that equal bends are searched once.
    """
    if not leaving:  # seen backwards, a left turn is a right turn
        p, along_p, q, along_q = q, -along_q, p, -along_p
        end_bend, known = -end_bend, None if known is None else -known
    forward, left = along_p, np.array([-along_p[1], along_p[0]])
    turn = turn_between(along_p, along_q)
    side = 1.0 if turn >= 0 else -1.0
    d = q - p
    key = (d @ forward, side * (d @ left), abs(turn), side * end_bend, None if known is None else side * known)
    bend, near, far = _searched(*(None if value is None else round(float(value), 6) for value in key))
    return side * bend * (1.0 if leaving else -1.0), near, far


@lru_cache(maxsize=4096)
def _searched(x: float, y: float, turn: float, end_bend: float, known: float | None) -> tuple[float, float, float]:
    """Least greatest curvature over a grid of curvatures at the crossing and speeds at both ends.

    Curves that swing past the tangent at their far end, towards the wall, count as worse, and so, a little, does
    curvature at the crossing, since the straight step beyond must bow to take it up.
    """
    chord = math.hypot(x, y)
    shares = np.linspace(0.0, 2.4, 13) * turn / chord if known is None else np.array([known])
    share, near, far = (
        a.ravel() for a in np.meshgrid(shares, np.linspace(0.7, 1.7, 11) * chord, np.linspace(0.7, 1.7, 11) * chord)
    )
    zero = np.zeros_like(share)
    ahead, aside = math.cos(turn), math.sin(turn)
    control_x = np.stack([zero, near, zero, zero + x, far * ahead, -aside * end_bend * far**2])
    control_y = np.stack([zero, zero, share * near**2, zero + y, far * aside, ahead * end_bend * far**2])
    value, velocity, acceleration = quintic_weights(np.linspace(0, 1, 17)[:, None])
    px, py = value @ control_x, value @ control_y
    vx, vy = velocity @ control_x, velocity @ control_y
    ax, ay = acceleration @ control_x, acceleration @ control_y
    speed = np.hypot(vx, vy)
    greatest = (np.abs(vx * ay - vy * ax) / np.maximum(speed, 1e-9 * chord) ** 3).max(0)
    past = np.maximum((px - x) * aside - (py - y) * ahead, 0.0).max(0)
    uneven = speed.max(0) / np.maximum(speed.min(0), 1e-9)
    cost = greatest * chord + 0.05 * np.abs(share) * chord + 200 * np.maximum(past / chord - 0.01, 0) + 0.02 * uneven
    best = int(cost.argmin())
    return float(share[best]), float(near[best]), float(far[best])


def quintic_weights(u: Floats) -> tuple[Floats, Floats, Floats]:
    """Weights of value, velocity and acceleration at both ends in a quintic and its two derivatives, each (n, 6)."""
    u2, u3, u4 = u * u, u**3, u**4
    u5 = u4 * u
    return (
        np.hstack(
            [
                1 - 10 * u3 + 15 * u4 - 6 * u5,
                u - 6 * u3 + 8 * u4 - 3 * u5,
                0.5 * u2 - 1.5 * u3 + 1.5 * u4 - 0.5 * u5,
                10 * u3 - 15 * u4 + 6 * u5,
                -4 * u3 + 7 * u4 - 3 * u5,
                0.5 * u3 - u4 + 0.5 * u5,
            ]
        ),
        np.hstack(
            [
                -30 * u2 + 60 * u3 - 30 * u4,
                1 - 18 * u2 + 32 * u3 - 15 * u4,
                u - 4.5 * u2 + 6 * u3 - 2.5 * u4,
                30 * u2 - 60 * u3 + 30 * u4,
                -12 * u2 + 28 * u3 - 15 * u4,
                1.5 * u2 - 4 * u3 + 2.5 * u4,
            ]
        ),
        np.hstack(
            [
                -60 * u + 180 * u2 - 120 * u3,
                -36 * u + 96 * u2 - 60 * u3,
                1 - 9 * u + 18 * u2 - 10 * u3,
                60 * u - 180 * u2 + 120 * u3,
                -24 * u + 84 * u2 - 60 * u3,
                3 * u - 12 * u2 + 10 * u3,
            ]
        ),
    )
