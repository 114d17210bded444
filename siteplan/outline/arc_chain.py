"""Arcs and lines fitted to traced vertices, neighbours tangent, by least squares.

Numbers only.  A stretch is an arc (or a line) between two nodes ``a`` and ``b`` that turns by the
angle ``turn``.  Nodes are held where they are (corners, ends, kinks) or free; at a free node the two
stretches beside it are tangent.  The sum of squared distances of the vertices from their stretches is
made least by Gauss and Newton's rule with the tangent conditions as constraints, all chains in one
sparse system.  A vertex counts for the stretch it lies beside, which is found anew at each step.

With its turn kept, an arc whose nodes move goes through a similarity, so that the point ``a + w (b - a)``
of it (complex w) moves by ``(1 - w) da + w db``: that gives the derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from siteplan.outline.arc_stretches import LEAST_ARC_DEG, allowed
from siteplan.types import BoolArray, FloatArray, IntArray, XYArray

_STEPS: Final = 18
_REASSIGNED: Final = 12
"""steps after which vertices keep their stretch, so that none goes to and fro"""
_DAMPED: Final = 2
_CLOSE_M: Final = 1e-8
_SETTLED_M: Final = 1e-6
_ROUNDS: Final = 3
_VANISHED_M: Final = 1e-3
"""a stretch that has shrunk to this is none"""
_NUDGE: Final = 1e-5
_AREA_TURN: Final = np.linspace(-2 * np.pi + 0.05, 2 * np.pi - 0.05, 4001)


def _area_ratio(turn: FloatArray) -> FloatArray:
    """Area between an arc and its chord over the square of the chord."""
    small = np.abs(turn) < 1e-3
    safe = np.where(small, 1.0, turn)
    return np.where(small, turn / 12, (safe - np.sin(safe)) / (8 * np.sin(safe / 2) ** 2))


_AREA: Final = _area_ratio(_AREA_TURN)


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Stretches of chains, in order.  k stretches, n nodes, p vertices."""

    node: XYArray
    """(n, 2)"""
    free: BoolArray
    """(n,) tangent there, and to be found"""
    start: IntArray
    """(k,) node each stretch starts at"""
    far: IntArray
    far_next: IntArray
    """(n,) stretch that begins at each node, -1 at the end of an open chain"""
    near: IntArray
    """(n,) stretch that ends at each node, -1 at the start of an open chain"""
    turn: FloatArray
    """(k,) radians, left positive; 0 for a line"""
    arc: BoolArray
    """(k,) an arc; its turn is to be found"""
    known: BoolArray
    """(k,) an arc or a line; False: as traced"""
    xy: XYArray
    """(p, 2) traced vertices that count; those at nodes that are held do not"""
    at: IntArray
    """(p,) stretch of each"""
    own_node: IntArray
    """(p,) node a vertex is where that is held, else -1"""
    sigma_m: FloatArray
    """(k,)"""
    length_sigma_m: FloatArray | None = None
    """(k,) share of each stretch in the standard deviation of its component's length"""


def starting_turns(xy: XYArray, first: IntArray, last: IntArray) -> FloatArray:
    """Turn of each stretch of polyline, from the area between it and its chord."""
    count = last - first
    rows = np.repeat(first, count) + np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    of = np.repeat(np.arange(len(first)), count)
    a, b = xy[rows] - xy[first[of]], xy[rows + 1] - xy[first[of]]
    area = 0.5 * np.bincount(of, weights=a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], minlength=len(first))
    chord = xy[last] - xy[first]
    square = np.maximum((chord**2).sum(axis=1), 1e-12)
    out: FloatArray = np.interp(area / square, _AREA, _AREA_TURN)
    return out


def components(s: Stretches) -> IntArray:
    """(k,) number of the component of each stretch: those tangent to one another are one."""
    joined = np.flatnonzero(s.free & (s.near >= 0) & (s.far_next >= 0))
    k = len(s.start)
    graph = sparse.coo_array((np.ones(len(joined)), (s.near[joined], s.far_next[joined])), shape=(k, k))
    _, label = sparse.csgraph.connected_components(graph, directed=False)
    out: IntArray = np.asarray(label, dtype=np.int64)
    return out


def _complex(xy: XYArray) -> np.ndarray:
    return xy[..., 0] + 1j * xy[..., 1]


def _frames(s: Stretches) -> tuple[np.ndarray, FloatArray, np.ndarray]:
    """Chord of each stretch (complex), its length and its direction at the start."""
    chord = _complex(s.node[s.far]) - _complex(s.node[s.start])
    length = np.abs(chord)
    unit = chord / np.where(length > 0, length, 1.0)
    return chord, length, unit


def _distances(s: Stretches, turn: FloatArray) -> tuple[FloatArray, np.ndarray, np.ndarray]:
    """(p,) distance of each vertex to the left of its stretch, unit normal there, foot as w."""
    chord, length, unit = _frames(s)
    k = s.at
    bend = 2 * np.sin(turn / 2) / np.where(length > 0, length, 1.0)
    tangent = unit * np.exp(-0.5j * turn)
    q = (_complex(s.xy) - _complex(s.node[s.start[k]])) * np.conj(tangent[k])
    a = bend[k] * np.abs(q) ** 2 - 2 * q.imag
    root = np.sqrt(np.maximum(1 + bend[k] * a, 1e-18))
    away = -a / (1 + root)
    normal = (-bend[k] * q.real + 1j * (1 - bend[k] * q.imag)) / root
    foot = (q - away * normal) * tangent[k] / np.where(length > 0, chord, 1.0)[k]
    return away, normal * tangent[k], foot


def _beside(s: Stretches, active: BoolArray) -> Stretches:
    """Vertices moved to the stretch they lie beside, over free nodes of active stretches only."""
    _, length, unit = _frames(s)
    place = _complex(s.xy)
    free = s.free & _of_node(s, active)
    at = s.at.copy()
    for ends, nodes, sign in ((s.far_next, s.far, 1.0), (s.near, s.start, -1.0)):
        direction = sign * unit * np.exp(sign * 0.5j * s.turn)
        end = _complex(s.node[nodes])
        off = place - end[at]
        past = (np.conj(direction)[at] * off).real > 0
        # beside the far side of a long arc a vertex may be past its end and yet well before it
        rows = np.flatnonzero(past & free[nodes][at] & (np.abs(off) < 0.5 * length[at]))
        at[rows] = ends[nodes[at[rows]]]
    return replace(s, at=at)


def _of_node(s: Stretches, values: np.ndarray) -> np.ndarray:
    """(n,) value of a stretch beside each node."""
    return values[np.where(s.near >= 0, s.near, s.far_next)]


def _system(
    s: Stretches, active: BoolArray, damping: float
) -> tuple[sparse.csc_array, FloatArray, IntArray, IntArray, int]:
    """Matrix and right-hand side, columns of nodes and of turns, number of unknowns.

    Only stretches that are active count; their components are so as a whole.
    """
    free = s.free & _of_node(s, active)
    node_column = np.where(free, 2 * (np.cumsum(free) - 1), -1)
    arcs = s.arc & s.known & active
    turn_column = np.where(arcs, 2 * int(free.sum()) + np.cumsum(arcs) - 1, -1)
    unknowns = 2 * int(free.sum()) + int(arcs.sum())
    rows_here = active[s.at]
    s = replace(s, free=free, xy=s.xy[rows_here], at=s.at[rows_here])
    away, normal, w = _distances(s, s.turn)
    weight = 1.0 / s.sigma_m[s.at]
    for_a, for_b = -np.conj(normal) * (1 - w), -np.conj(normal) * w
    by_turn = (_distances(s, s.turn + _NUDGE)[0] - _distances(s, s.turn - _NUDGE)[0]) / (2 * _NUDGE)
    a, b = node_column[s.start[s.at]], node_column[s.far[s.at]]
    columns = np.stack([a, a + (a >= 0), b, b + (b >= 0), turn_column[s.at]])
    values = np.stack([for_a.real, -for_a.imag, for_b.real, -for_b.imag, by_turn]) * weight
    rows = np.broadcast_to(np.arange(len(away)), columns.shape)
    some = columns >= 0
    jacobian = sparse.csr_array((values[some], (rows[some], columns[some])), shape=(len(away), unknowns))
    hessian = (jacobian.T @ jacobian).tocsr()
    slope = jacobian.T @ (away * weight)
    g, constraint = _tangent(s, node_column, turn_column, unknowns)
    diagonal = hessian.diagonal()
    # a node no vertex holds is held by its tangents; the least of damping keeps the matrix regular
    hessian = hessian + sparse.diags_array(damping * diagonal + 1e-9 * max(float(diagonal.mean()), 1e-9))
    # conditions that say the same twice would make the matrix singular
    twice = sparse.diags_array(np.full(len(g), -1e-13))
    matrix = sparse.block_array([[hessian, constraint.T], [constraint, twice]], format="csc")
    if not len(g):
        matrix = sparse.csc_array(hessian)
    return matrix, np.concatenate([-slope, -g]), node_column, turn_column, unknowns


def _tangent(
    s: Stretches, node_column: IntArray, turn_column: IntArray, unknowns: int
) -> tuple[FloatArray, sparse.csr_array]:
    """Angle between the two stretches at each free node, and its derivatives."""
    _, length, unit = _frames(s)
    node = np.flatnonzero(s.free)
    i, j = s.near[node], s.far_next[node]
    g = np.angle(unit[j] * np.conj(unit[i]) * np.exp(-0.5j * (s.turn[i] + s.turn[j])))
    # d(angle of a chord) = (normal . db - normal . da) / length
    columns, values = [], []
    for k, sign in ((i, -1.0), (j, 1.0)):
        normal = 1j * unit[k] / length[k] * sign
        for end, way in ((s.start[k], -1.0), (s.far[k], 1.0)):
            column = node_column[end]
            columns += [column, column + (column >= 0)]
            values += [way * normal.real, way * normal.imag]
        columns.append(turn_column[k])
        values.append(np.full(len(node), -0.5))
    column, value = np.stack(columns), np.stack(values)
    rows = np.broadcast_to(np.arange(len(node)), column.shape)
    some = column >= 0
    return g, sparse.csr_array((value[some], (rows[some], column[some])), shape=(len(node), unknowns))


def _take(s: Stretches, chosen: BoolArray) -> tuple[Stretches, IntArray, IntArray]:
    """The chosen stretches, and the numbers of their stretches and nodes."""
    which = np.flatnonzero(chosen)
    nodes = np.unique(np.concatenate([s.start[which], s.far[which]]))
    stretch, node = np.full(len(chosen), -1), np.full(len(s.node), -1)
    stretch[which], node[nodes] = np.arange(len(which)), np.arange(len(nodes))
    here = stretch[s.at]
    rows = here >= 0
    near, far_next = s.near[nodes], s.far_next[nodes]
    return (
        Stretches(
            node=s.node[nodes],
            free=s.free[nodes],
            start=node[s.start[which]],
            far=node[s.far[which]],
            far_next=np.where(far_next >= 0, stretch[far_next], -1),
            near=np.where(near >= 0, stretch[near], -1),
            turn=s.turn[which],
            arc=s.arc[which],
            known=s.known[which],
            xy=s.xy[rows],
            at=here[rows],
            own_node=s.own_node[rows],
            sigma_m=s.sigma_m[which],
        ),
        which,
        nodes,
    )


def _put(s: Stretches, part: Stretches, which: IntArray, nodes: IntArray) -> Stretches:
    """Nodes, turns and places of vertices of a part put back into the whole."""
    node, turn, at = s.node.copy(), s.turn.copy(), s.at.copy()
    node[nodes], turn[which] = part.node, part.turn
    chosen = np.zeros(len(s.turn), dtype=np.bool_)
    chosen[which] = True
    at[chosen[s.at]] = which[part.at]
    return replace(s, node=node, turn=turn, at=at)


def _solve(s: Stretches, active: BoolArray) -> tuple[Stretches, BoolArray]:
    """Least squares of the active stretches; and which of them came to rest."""
    rest = np.zeros(len(s.turn))
    active = active & s.known
    step = 0
    while active.any() and step < _STEPS:
        part, which, nodes = _take(s, active)
        part, moved, step = _steps(part, step)
        s = _put(s, part, which, nodes)
        rest[which] = moved
        active = rest > _CLOSE_M
        active[which[np.isinf(moved)]] = False
        active &= np.isin(np.arange(len(rest)), which)
    return s, rest < _SETTLED_M


def _steps(s: Stretches, step: int) -> tuple[Stretches, FloatArray, int]:
    """Steps until half of the components are at rest, or the steps are used up.

    Returns
    -------
    Stretches; (k,) how far each component moved in the last step, inf where a stretch vanished; the
    number of the step.
    """
    label = components(s)
    count = int(label.max()) + 1
    active = np.ones(len(label), dtype=np.bool_)
    moved = np.zeros(count)
    while step < _STEPS:
        inner = (s.free & _of_node(s, active)).any() or (s.arc & active).any()
        if not inner:
            break
        if step < _REASSIGNED:
            s = _beside(s, active)
        s, far = _step(s, active, label, count, 0.1 if step < _DAMPED else 0.0)
        moved[label[active]] = far[label[active]]
        step += 1
        if step > _DAMPED:
            active = (moved > _CLOSE_M)[label]
        active &= np.isfinite(moved)[label]
        if 2 * np.count_nonzero(active) <= len(active):
            break
    return s, moved[label], step


def _step(
    s: Stretches, active: BoolArray, label: IntArray, count: int, damping: float
) -> tuple[Stretches, FloatArray]:
    """One step of the active stretches, and (count,) how far each component moved."""
    matrix, right, node_column, turn_column, _ = _system(s, active, damping)
    move = splu(matrix).solve(right)
    shift, bend = np.zeros_like(s.node), np.zeros(len(s.turn))
    moving, arcs = node_column >= 0, turn_column >= 0
    shift[moving, 0], shift[moving, 1] = move[node_column[moving]], move[node_column[moving] + 1]
    bend[arcs] = move[turn_column[arcs]]
    # no node moves by more than a third of its shorter stretch at a time, no turn by half a radian
    _, length, _ = _frames(s)
    far = np.hypot(*shift.T)
    reach = np.maximum(far[s.start], far[s.far])
    need = np.maximum(reach / np.maximum(length / 3, 1e-12), np.abs(bend) / 0.5)
    hold = np.ones(count)
    np.maximum.at(hold, label, need)
    far /= hold[_of_node(s, label)]
    bend /= hold[label]
    s = replace(
        s,
        node=s.node + shift / hold[_of_node(s, label)][:, None],
        turn=np.clip(s.turn + bend, -6.2, 6.2),
    )
    reach = np.maximum(np.maximum(far[s.start], far[s.far]), np.abs(bend) * length)
    moved = np.zeros(count)
    np.maximum.at(moved, label, reach)
    _, length, _ = _frames(s)
    moved[label[active & (length < _VANISHED_M)]] = np.inf
    return s, moved


def _tested(s: Stretches, settled: BoolArray) -> tuple[BoolArray, FloatArray]:
    """(k,) components that pass the residual test, and the chi-square of each stretch."""
    label = components(s)
    count = int(label.max()) + 1 if len(label) else 0
    away, _, _ = _distances(s, s.turn)
    square = np.bincount(s.at, weights=(away / s.sigma_m[s.at]) ** 2, minlength=len(s.start))
    of_node = _of_node(s, label)
    unknown = np.bincount(label, weights=s.arc & s.known, minlength=count)
    # each free node brings two unknowns and one condition
    unknown += np.bincount(of_node[s.free], minlength=count)
    number = np.bincount(label[s.at], minlength=count)
    whole = np.bincount(label, weights=square, minlength=count)
    fine = whole <= allowed(number - unknown) + 1e-6 * (number <= unknown)
    g, _ = _tangent(s, np.full(len(s.node), -1), np.full(len(s.start), -1), 0)
    worst = np.zeros(count)
    np.maximum.at(worst, of_node[s.free], np.abs(g))
    fine &= worst < 1e-6
    rough = np.zeros(count, dtype=np.bool_)
    # a line of which only its nodes are left, or an arc too short to tell, says nothing
    short = s.known & s.arc & (np.abs(s.turn) < np.radians(LEAST_ARC_DEG / 2))
    np.logical_or.at(rough, label, ~settled & s.known)
    _, length, _ = _frames(s)
    short |= s.known & (length < _VANISHED_M)
    passed: BoolArray = (fine & ~rough)[label] & ~short
    return passed, np.asarray(square, dtype=np.float64)


def fit(s: Stretches, again: BoolArray) -> Stretches:
    """Fit all stretches; those that fail the residual test are left as traced.

    Parameters
    ----------
    s : stretches as first taken
    again : (k,) where a component that fails is tried again with its worst tangent taken as a kink,
        and at last with every stretch by itself; elsewhere it is given up at once
    """
    origin, vertices = s, np.arange(len(s.at))
    active = s.known.copy()
    for attempt in range(_ROUNDS + 2):
        s, settled = _solve(s, active)
        fine, square = _tested(s, settled)
        bad = s.known & ~fine
        if not bad.any():
            break
        label = components(s)
        count = int(label.max()) + 1
        redo = np.zeros(count, dtype=np.bool_)
        redo[label[bad]] = True
        of_node = _of_node(s, label)
        candidate = s.free & redo[of_node] & _of_node(s, again)
        tangents = np.bincount(of_node[candidate], minlength=count) > 0
        lost = redo & ~tangents
        held = candidate
        if attempt < _ROUNDS - 1:
            share = square[s.near] + square[s.far_next]
            worst = np.full(count, -np.inf)
            np.maximum.at(worst, of_node[candidate], share[candidate])
            held = candidate & (share >= worst[of_node] - 1e-12)
        # what is tried again starts from the traced vertices; what is lost goes back to them
        back = redo[label]
        free = s.free & ~held & ~lost[of_node]
        at = np.where(back[origin.at[vertices]], origin.at[vertices], s.at)
        keep = (s.own_node < 0) | free[s.own_node]
        vertices = vertices[keep]
        s = replace(
            s,
            node=np.where(redo[of_node][:, None], origin.node, s.node),
            free=free,
            turn=np.where(back, origin.turn, s.turn),
            known=s.known & ~(lost[label] & (bad | ~again)),
            xy=s.xy[keep],
            at=at[keep],
            own_node=s.own_node[keep],
        )
        active = back & s.known
    return replace(s, length_sigma_m=_length_sigma(s))


def lengths(s: Stretches) -> FloatArray:
    """(k,) length of each arc or line."""
    chord = np.hypot(*(s.node[s.far] - s.node[s.start]).T)
    out: FloatArray = chord / np.sinc(s.turn / (2 * np.pi))
    return out


def _length_sigma(s: Stretches) -> FloatArray:
    """(k,) standard deviations whose squares add up to that of each component's length."""
    label = components(s)
    count = int(label.max()) + 1 if len(label) else 0
    variance = np.zeros(count)
    sigma = np.zeros(count)
    np.maximum.at(sigma, label, s.sigma_m)
    if s.free.any() or (s.arc & s.known).any():
        matrix, right, node_column, turn_column, unknowns = _system(s, s.known, 0.0)
        _, _, unit = _frames(s)
        half = s.turn / 2
        stretch = 1 / np.sinc(s.turn / (2 * np.pi))
        by_turn = np.where(np.abs(half) < 1e-6, half / 6, (np.sin(half) - half * np.cos(half))
                           / (2 * np.where(np.abs(half) < 1e-6, 1.0, np.sin(half)) ** 2))  # fmt: skip
        slope = np.zeros(len(right))
        chord = np.hypot(*(s.node[s.far] - s.node[s.start]).T)
        for end, sign in ((s.start, -1.0), (s.far, 1.0)):
            column = node_column[end]
            some = column >= 0
            np.add.at(slope, column[some], (sign * unit.real * stretch)[some])
            np.add.at(slope, column[some] + 1, (sign * unit.imag * stretch)[some])
        arcs = turn_column >= 0
        slope[turn_column[arcs]] += (by_turn * chord)[arcs]
        slope[unknowns:] = 0.0
        product = splu(matrix).solve(slope) * slope
        for column, owner in (
            (node_column[s.free], _of_node(s, label)[s.free]),
            (node_column[s.free] + 1, _of_node(s, label)[s.free]),
            (turn_column[arcs], label[arcs]),
        ):
            np.add.at(variance, owner, product[column])
    # a node that is held is a traced vertex: along its stretch it is as sure as any
    for end in (s.start, s.far):
        held = ~s.free[end]
        np.add.at(variance, label[held], s.sigma_m[held] ** 2)
    size = np.bincount(label, minlength=count)
    return np.sqrt(np.maximum(variance, 0.0) / np.maximum(size, 1))[label]


def fit_circles(
    xy: XYArray, part: IntArray, count: int, sigma_m: FloatArray
) -> tuple[XYArray, FloatArray, BoolArray, FloatArray]:
    """Circles by geometric least squares, each through the vertices of one part.

    Returns
    -------
    (count, 2) centres, (count,) radii, whether the residual test is passed, standard deviation of 2 pi r
    """
    number = np.bincount(part, minlength=count).astype(np.float64)
    number = np.maximum(number, 1.0)
    centre = np.column_stack([np.bincount(part, weights=xy[:, k], minlength=count) / number for k in (0, 1)])
    off = xy - centre[part]
    radius = np.bincount(part, weights=np.hypot(*off.T), minlength=count) / number
    matrix = np.zeros((count, 3, 3))
    for _ in range(_STEPS):
        off = xy - centre[part]
        far = np.hypot(*off.T)
        jacobian = np.column_stack([off / far[:, None], np.ones(len(xy))])
        away = far - radius[part]
        for i in range(3):
            for j in range(3):
                matrix[:, i, j] = np.bincount(part, weights=jacobian[:, i] * jacobian[:, j], minlength=count)
        right = np.column_stack(
            [np.bincount(part, weights=jacobian[:, i] * away, minlength=count) for i in range(3)]
        )
        move = np.linalg.solve(matrix + 1e-14 * np.eye(3), right[:, :, None])[:, :, 0]
        centre, radius = centre + move[:, :2], radius + move[:, 2]
        if not count or np.abs(move).max() < 1e-12:
            break
    away = np.hypot(*(xy - centre[part]).T) - radius[part]
    square = np.bincount(part, weights=away**2, minlength=count) / sigma_m**2
    spread = 2 * np.pi * sigma_m * np.sqrt(np.linalg.inv(matrix + 1e-14 * np.eye(3))[:, 2, 2])
    return centre, radius, square <= allowed(number - 3), spread
