"""How far the surface as one strand follows it lies off the surface as the strand that crosses it does.

On a plane, a sphere or a cylinder the two are one. Over the facets of a coarse mesh each strand rounds the surface in
its own way, and where they cross one may lie higher than the other by what no height along the normals knows of.
"""

from __future__ import annotations

import numpy as np

from .course import Courses
from .footprints import Footprints, Ruler
from .lanes import Lanes
from .rings import on_surface

EDGES = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1]])
"""Which edges of the two strands meet at the corners of an overlap; see :func:`.find_footprints`."""


def unevenness(courses: Courses, lanes: Lanes, footprints: Footprints) -> float:
    """The greatest distance along the normal, mm, between both at the middles and corners of all overlaps."""
    lift = courses.lift
    if lift is None or not len(footprints.lane):
        return 0.0
    ruler = Ruler(courses)
    places, ups = [], []
    edges = np.vstack([[[0, 0]], EDGES])
    along = np.concatenate([footprints.centre[:, None], footprints.corner], 1)  # (N, 5, 2)
    for strand in (0, 1):
        lane = np.repeat(footprints.lane[:, strand, None], 5, 1)
        low, high, share = ruler.find(lanes.circuit[lane], along[..., strand])
        sample = np.where(share < 0.5, low, high)
        own = sample + lanes.start[lane] - courses.start[lanes.circuit[lane]]
        offset = np.where(lanes.whole[own], 0.0, lanes.offset[own])
        across = offset + edges[None, :, strand] * lanes.width[own] / 2
        flat = sample.ravel()
        at = on_surface(courses, lift, flat, across.reshape(-1, 1), np.zeros((len(flat), 1)))[:, 0]
        # the nearest sample is not quite the place: go on along the strand by what is left
        step = np.where(share < 0.5, share, share - 1.0) * np.linalg.norm(
            courses.point[high] - courses.point[low], axis=2
        )
        left = courses.lateral[flat] / np.linalg.norm(courses.lateral[flat], axis=1, keepdims=True)
        places.append(at + step.reshape(-1, 1) * np.cross(left, lift.up[flat]))
        ups.append(lift.up[flat])
    up = ups[0] + ups[1]
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    return float(np.abs(np.einsum("nd,nd->n", places[1] - places[0], up)).max())
