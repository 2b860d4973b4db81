"""The ordered part of the sums for one narrow problem, on plain floats.

The recursion of `recursion`, number for number, save that closing goes together with the last
cause's links and that a scale is taken out only when one is needed. With 32 states at most a
loop over a list is several times faster than calling numpy on arrays of that size.
"""

from __future__ import annotations

import math
from operator import itemgetter, mul
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pitwise.causes.recursion import Sums

# Wider problems are faster on arrays.
WIDEST = 5

List = list[float]

# Of 2^w states those with bit p set, and those without: [w][p].
_SET = [[[s for s in range(1 << w) if s >> p & 1] for p in range(w)] for w in range(WIDEST + 1)]
_CLEAR = [
    [[s for s in range(1 << w) if not s >> p & 1] for p in range(w)] for w in range(WIDEST + 1)
]
# Puts the states without and with bit p, one half after the other, in their order: [w][p].
_WIDEN = [
    [
        itemgetter(
            *(
                (s >> p + 1 << p | s & (1 << p) - 1) + ((s >> p & 1) << (w - 1))
                for s in range(1 << w)
            )
        )
        for p in range(w)
    ]
    for w in range(WIDEST + 1)
]
# Between these a sum is left as it is: far from under- and overflow.
_LOW, _HIGH = 1e-60, 1e60


def order_forward(sums: Sums) -> float:
    """Run the order forward; append to `before` and `states`, return the logarithm of the sum.

    A step leaves its two sums behind: of the cause away and at work, its own weights left out.
    """
    state = [1.0]
    log_z = 0.0
    on, off, q = sums.on, sums.off, sums.q
    close_u, close_e = sums.close_u, sums.close_e
    for i, opens, _, closes, wide, stays in sums.plan.steps:
        for j in opens:
            sums.before.append(state)
            h, m = sums.hit[j], sums.miss[j]
            state = [x * h for x in state] + [x * m for x in state]
        away, work = state, state
        if stays:
            work = state[:]
            for position, j in stays:
                a, bit = q[j][i], 1 << position
                b = 1.0 - a
                for s in _SET[wide][position]:
                    x = work[s]
                    work[s - bit] += x * a
                    work[s] = x * b
        width = wide
        for position, j in closes:
            clear, bit = _CLEAR[width][position], 1 << position
            cu, ce = close_u[j], close_e[j]
            if cu == 0.0 and ce == 1.0:
                g = q[j][i]
                work = [work[s] + work[s + bit] * g for s in clear]
                away = [away[s] for s in clear]
            else:
                g = q[j][i] * ce + (1.0 - q[j][i]) * cu
                work = [work[s] * ce + work[s + bit] * g for s in clear]
                away = [away[s] * ce + away[s + bit] * cu for s in clear]
            width -= 1
        sums.states.append((away, work))
        a, b = off[i], on[i]
        state = [x * a + y * b for x, y in zip(away, work, strict=True)]
        total = sum(state)
        if not _LOW < total < _HIGH:
            if total == 0.0:
                log_z = -math.inf
            else:
                log_z += math.log(total)
                state = [x / total for x in state]
    return log_z + math.log(state[0]) if state[0] > 0 else -math.inf


def order_backward(sums: Sums, on: List, off: List, miss: List, hit: List) -> None:
    """Run the order backward; put the slopes of the causes and facts in it into the lists."""
    rest = [1.0]
    opening = len(sums.before)
    q = sums.q
    close_u, close_e = sums.close_u, sums.close_e
    for step, (away, work) in zip(reversed(sums.plan.steps), reversed(sums.states), strict=True):
        i, opens, _, closes, width, stays = step
        on[i], off[i] = sum(map(mul, work, rest)), sum(map(mul, away, rest))
        working = rest
        narrow = width - len(closes)
        for position, j in reversed(closes):
            narrow += 1
            cu, ce, g = close_u[j], close_e[j], q[j][i]
            widen = _WIDEN[narrow][position]
            if cu == 0.0 and ce == 1.0:
                working = widen(working + [x * g for x in working])
                rest = widen(rest + [0.0] * len(rest))
            else:
                g = g * ce + (1.0 - g) * cu
                working = widen([x * ce for x in working] + [x * g for x in working])
                rest = widen([x * ce for x in rest] + [x * cu for x in rest])
            working, rest = list(working), list(rest)
        if stays:
            working = working[:]
            for position, j in stays:
                a, bit = q[j][i], 1 << position
                b = 1.0 - a
                for s in _SET[width][position]:
                    working[s] = working[s] * b + working[s - bit] * a
        a, b = sums.off[i], sums.on[i]
        rest = [x * a + y * b for x, y in zip(rest, working, strict=True)]
        for j in reversed(opens):
            opening -= 1
            before, size = sums.before[opening], len(rest) // 2
            low, up = rest[:size], rest[size:]
            hit[j], miss[j] = sum(map(mul, before, low)), sum(map(mul, before, up))
            h, m = sums.hit[j], sums.miss[j]
            rest = [x * h + y * m for x, y in zip(low, up, strict=True)]
        most = max(rest)
        if most > 0.0 and not _LOW < most < _HIGH:
            rest = [x / most for x in rest]
