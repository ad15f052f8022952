"""Heights with the least climbing: the sum of rise squared over run, which a taut string minimises.

Found by the alternating direction method of multipliers (S. Boyd, N. Parikh, E. Chu, B. Peleato and J. Eckstein, 2011):
every corner of a patch has copies of its two places, parted in closed form. The linear step is a tridiagonal system
along each closed lane, solved on all lanes at once by cyclic reduction.
"""

from __future__ import annotations

import numpy as np

from .mesh import Floats, Ints
from .stretches import Lines, Stretches, over_and_under
from .weave import Weaving

RELAX = 1.7
"""Over-relaxation of the alternating direction method: usual values are 1.5 to 1.8 (Boyd et al., section 3.4.3)."""


class _Ring:
    """Solves tridiagonal systems (diagonal, minus ``beside`` to either side) on all closed lines at once."""

    def __init__(self, lines: Lines, diagonal: Floats, beside: Floats) -> None:
        left, right = lines.before, lines.following
        a, c, d = -beside[left], -beside, diagonal
        self.steps: list[tuple[Floats, Floats, Ints, Ints]] = []
        while float((np.maximum(np.abs(a), np.abs(c)) / d).max(initial=0.0)) > 1e-7:
            alpha, gamma = -a / d[left], -c / d[right]
            self.steps.append((alpha, gamma, left, right))
            d, a, c = d + alpha * c[left] + gamma * a[right], alpha * a[left], gamma * c[right]
            left, right = left[left], right[right]
        self.diagonal = d

    def solve(self, rhs: Floats) -> Floats:
        for alpha, gamma, left, right in self.steps:
            rhs = rhs + alpha * rhs.take(left) + gamma * rhs.take(right)  # faster than by brackets
        return rhs / self.diagonal


class Climb:
    """The least-climbing heights for given separations; keeps its state, so that a small change costs few rounds."""

    def __init__(self, lines: Lines, stretches: Stretches, weaving: Weaving, cap: float, bound: float | None) -> None:
        self.lines, self.cap, self.bound = lines, cap, bound
        nodes = stretches.nodes
        rows = np.arange(len(lines.node))
        slot = np.zeros((nodes, 2), np.int64)  # the one or two rows that hold each height
        slot[lines.node[::-1], 0] = rows[::-1]
        slot[lines.node, 1] = rows
        self.slot = slot
        over, under = over_and_under(stretches, weaving)
        self.count = over.size
        fork = np.arange(8 * len(weaving.pass_one_over), nodes)
        self.group = slot[np.concatenate([over.ravel(), under.ravel(), fork])]  # rows whose copies move together
        times = 1.0
        if np.array_equal(self.group[:, 0], self.group[:, 1]):  # nothing is divided: one row that counts twice
            self.group, times = np.ascontiguousarray(self.group[:, :1]), 2.0
        self.stiff = 1.0 / lines.run
        copies = times * np.bincount(self.group.ravel(), minlength=len(rows))
        self.rho_copy = 0.7 * np.sqrt(self.stiff * self.stiff[lines.before])
        self.rho_copy = np.minimum(self.rho_copy, 4 * np.minimum(self.stiff, self.stiff[lines.before]))
        self.weight = times * self.rho_copy[self.group]
        both = 2 * self.stiff
        self.ring = _Ring(lines, both + both[lines.before] + copies * self.rho_copy + 1e-6, both)
        self.z: Floats = np.zeros(len(rows))
        self.copy: Floats = np.zeros((len(self.group), 1))
        self.dual: Floats = np.zeros(self.group.shape)
        self.step: Floats = np.zeros(len(rows))
        self.step_dual: Floats = np.zeros(len(rows))
        self.rounds = 0

    def begin(self, separation: Floats) -> None:
        half = np.repeat(separation, 4) / 2
        self.copy[: self.count] = half[:, None]
        self.copy[self.count : 2 * self.count] = -half[:, None]

    def settle(self, separation: Floats, most: int, tolerance: float) -> Floats:
        """Run until heights move by less than ``tolerance`` a round, at most ``most`` rounds."""
        lines, count = self.lines, self.count
        asked = np.repeat(separation, 4)
        reach = self.cap * lines.run
        share = self.weight / self.weight.sum(1, keepdims=True)
        total = self.weight.sum(1)
        give = total[count : 2 * count] / (total[:count] + total[count : 2 * count])
        flat_group = self.group.ravel()
        for number in range(1, most + 1):
            push = self.stiff * (self.step - self.step_dual)
            rhs = push.take(lines.before) - push
            rhs += np.bincount(flat_group, (self.weight * (self.copy - self.dual)).ravel(), minlength=len(rhs))
            z = self.ring.solve(rhs)
            rise = RELAX * (z.take(lines.following) - z) + (1 - RELAX) * self.step + self.step_dual
            self.step = np.minimum(np.maximum(rise, -reach), reach)
            self.step_dual = rise - self.step
            raw = RELAX * z.take(self.group) + (1 - RELAX) * self.copy + self.dual
            level = share[:, 0] * raw[:, 0]
            if raw.shape[1] > 1:
                level += share[:, 1] * raw[:, 1]
            short = np.maximum(asked - (level[:count] - level[count : 2 * count]), 0.0)
            level[:count] += give * short
            level[count : 2 * count] -= (1 - give) * short
            if self.bound is not None:
                level = np.clip(level, -self.bound, self.bound)
            self.copy = level[:, None]
            self.dual = raw - self.copy
            settled = number % 5 == 0 and float(np.abs(z - self.z).max(initial=0.0)) < tolerance
            self.z = z
            self.rounds += 1
            if settled:
                break
        height: Floats = self.z[self.slot].mean(1)
        return height
