"""Invariants of a link from nothing but its planar diagram code, in whole numbers.

A crossing ``[a, b, c, d]`` lists the edges at a crossing anticlockwise from the incoming lower one (KnotInfo, page "PD
Notation"; Knot Atlas, page "Planar Diagrams").
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import product

Code = list[list[int]]


def classes(pairs: Iterable[tuple[int, int]]) -> dict[int, int]:
    """A representative for each label, the labels of each pair taken as one."""
    root: dict[int, int] = {}

    def find(label: int) -> int:
        while root.setdefault(label, label) != label:
            label = root[label]
        return label

    for one, two in pairs:
        root[find(one)] = find(two)
    return {label: find(label) for label in list(root)}


def determinant(matrix: list[list[int]]) -> int:
    """Exact determinant by E. Bareiss's fraction-free elimination (Math. Comp. 22, 1968)."""
    rows = [list(row) for row in matrix]
    sign, last = 1, 1
    for k in range(len(rows)):
        pivot = next((i for i in range(k, len(rows)) if rows[i][k]), None)
        if pivot is None:
            return 0
        if pivot != k:
            rows[k], rows[pivot] = rows[pivot], rows[k]
            sign = -sign
        top = rows[k]
        for i in range(k + 1, len(rows)):
            head, row = rows[i][k], rows[i]
            rows[i] = [0] * (k + 1) + [(row[j] * top[k] - head * top[j]) // last for j in range(k + 1, len(rows))]
        last = top[k]
    return sign * last


def fox_determinant(code: Code) -> int:
    """Determinant of the link: a minor of the matrix of Fox's colouring rule, 2 over = under + under, at each crossing.

    Every closed strand must pass under somewhere, as it does where over and under alternate.
    """
    arc = classes(pair for a, b, c, d in code for pair in ((b, d), (a, a), (c, c)))
    column = {name: number for number, name in enumerate(sorted(set(arc.values())))}
    assert len(column) == len(code)
    rows = []
    for a, b, c, _ in code:
        row = [0] * len(code)
        row[column[arc[b]]] += 2
        row[column[arc[a]]] -= 1
        row[column[arc[c]]] -= 1
        rows.append(row[1:])
    return abs(determinant(rows[1:]))


def spanning_trees(nodes: int, edges: list[tuple[int, int]]) -> int:
    """Number of spanning trees, by Kirchhoff's theorem."""
    laplacian = [[0] * nodes for _ in range(nodes)]
    for u, v in edges:
        laplacian[u][u] += 1
        laplacian[v][v] += 1
        laplacian[u][v] -= 1
        laplacian[v][u] -= 1
    return determinant([row[1:] for row in laplacian[1:]])


def face_corners(code: Code) -> dict[tuple[int, int], int]:
    """The face at each corner (crossing, k), k between the slots k and k + 1."""
    places: dict[int, list[tuple[int, int]]] = {}
    for crossing, labels in enumerate(code):
        for slot, label in enumerate(labels):
            places.setdefault(label, []).append((crossing, slot))
    assert all(len(at) == 2 for at in places.values())
    face: dict[tuple[int, int], int] = {}
    for start in product(range(len(code)), range(4)):
        number, corner = len(set(face.values())), start
        while corner not in face:
            face[corner] = number
            # out along the edge in the first slot of the corner; the same face is then behind the other end's slot
            crossing, slot = corner
            ends = places[code[crossing][slot]]
            other = ends[1] if ends[0] == corner else ends[0]
            corner = (other[0], (other[1] - 1) % 4)
    return face


def connected(code: Code) -> bool:
    """Whether the diagram hangs together."""
    return len(set(classes((labels[0], label) for labels in code for label in labels).values())) == 1


def checkerboard_graphs(code: Code) -> list[tuple[int, list[tuple[int, int]]]]:
    """The two graphs of a connected diagram: a node for each face of one colour, an edge for each crossing."""
    face = face_corners(code)
    near: dict[int, set[int]] = {}
    for crossing, k in product(range(len(code)), range(4)):
        near.setdefault(face[crossing, k], set()).add(face[crossing, (k + 1) % 4])
    colour, todo = {0: 0}, [0]
    while todo:
        at = todo.pop()
        for other in near[at]:
            if other not in colour:
                colour[other] = 1 - colour[at]
                todo.append(other)
            assert colour[other] != colour[at]
    graphs = []
    for wanted in (0, 1):
        number = {name: i for i, name in enumerate(sorted(name for name in colour if colour[name] == wanted))}
        edges = []
        for crossing in range(len(code)):
            k = 0 if colour[face[crossing, 0]] == wanted else 1
            edges.append((number[face[crossing, k]], number[face[crossing, k + 2]]))
        graphs.append((len(number), edges))
    return graphs


def components(code: Code) -> dict[int, int]:
    """The closed strand of each edge."""
    return classes(pair for a, b, c, d in code for pair in ((a, c), (b, d)))


def signs(code: Code) -> list[int]:
    """The sign of each crossing. The edges of a closed strand are numbered in order along it."""
    closed = components(code)
    own: dict[int, list[int]] = {}
    for label in sorted(closed):
        own.setdefault(closed[label], []).append(label)
    following = {a: b for labels in own.values() for a, b in zip(labels, labels[1:] + labels[:1], strict=True)}
    enters = {(crossing[0], crossing[2]) for crossing in code}
    found = []
    for _, b, _, d in code:
        # from d to b the upper strand crosses from left to right
        rightward, leftward = following[d] == b, following[b] == d
        if rightward and leftward:  # a strand of two edges: the other crossing, where it is below, tells its direction
            rightward, leftward = (b, d) in enters, (d, b) in enters
        assert rightward != leftward, "the direction of a strand that is above at both its crossings cannot be told"
        found.append(1 if rightward else -1)
    return found


def linking_matrix(code: Code) -> dict[frozenset[int], int]:
    """Signed crossings of every two closed strands (twice their linking number), and of each with itself."""
    closed = components(code)
    sums: Counter[frozenset[int]] = Counter()
    for (a, b, _, _), sign in zip(code, signs(code), strict=True):
        sums[frozenset((closed[a], closed[b]))] += sign
    return dict(sums)


def jones(code: Code) -> dict[int, int]:
    """Jones polynomial by L. Kauffman's bracket, as coefficients of the powers of A; t = A^-4."""
    bracket: Counter[int] = Counter()
    for choice in product((1, -1), repeat=len(code)):
        joins = [
            pair
            for (a, b, c, d), way in zip(code, choice, strict=True)
            for pair in (((a, b), (c, d)) if way == 1 else ((a, d), (b, c)))
        ]
        loops = len(set(classes(joins).values()))
        term = {sum(choice): 1}
        for _ in range(loops - 1):  # times -A^2 - A^-2
            wider: Counter[int] = Counter()
            for power, factor in term.items():
                wider[power + 2] -= factor
                wider[power - 2] -= factor
            term = wider
        bracket.update(term)
    writhe = sum(signs(code))
    return {power - 3 * writhe: (-1) ** (writhe % 2) * factor for power, factor in bracket.items() if factor}


def mirrored(polynomial: dict[int, int]) -> dict[int, int]:
    """The Jones polynomial of the mirror image."""
    return {-power: factor for power, factor in polynomial.items()}
